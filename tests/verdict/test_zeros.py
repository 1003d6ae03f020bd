"""What a measured zero, an ammeter or resistors make of the accuracy of a counted charge."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from chargerd.cli.files import example_bench
from chargerd.config.bench import Accuracy as Stated
from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.bench_parts import ResistorSpec
from chargerd.core.events import CheckPassed
from chargerd.verdict.load import accuracies_of, zeroed
from chargerd.verdict.uncertainty import Accuracy

STATED = Accuracy(0.001, 0.025)


def bench(**channel: str) -> BenchFile:
    file = load_bench(example_bench())
    shunt = replace(file.instruments["probe"], name="shunt", accuracy={"current": Stated(0.002, 0.001)})
    return replace(
        file, instruments=file.instruments | {"shunt": shunt}, channels={"slip-1": replace(file.channels["slip-1"], **channel)},
        resistors=tuple(ResistorSpec(f"r{ohm:g}", "bank", f"k{ohm:g}", ohm, 5.0, 0.01) for ohm in (10.0, 5.0)),
    )  # fmt: skip


def test_a_zero_at_every_start_leaves_its_own_uncertainty_of_the_offset() -> None:
    # JCGM 100:2008, 4.3.7: limits ±a of a uniform distribution have u = a/√3.
    assert zeroed(STATED, [0.0003, 0.0005]) == Accuracy(0.001, math.sqrt(3.0) * 0.0005)


@pytest.mark.parametrize("zeros_u_A", [[], [None], [0.0003, None]])
def test_one_start_without_a_zero_leaves_the_whole_offset(zeros_u_A: list[float | None]) -> None:
    assert zeroed(STATED, zeros_u_A) == STATED


def test_a_zero_that_scatters_more_than_the_data_sheet_allows_improves_nothing_and_harms_nothing() -> None:
    assert zeroed(STATED, [1.0]) == STATED


def test_an_unknown_accuracy_stays_unknown() -> None:
    assert zeroed(None, [0.0003]) is None


def test_source_and_load_have_zeros_of_their_own() -> None:
    found = accuracies_of(bench(), "slip-1", [CheckPassed(zero_source_u_A=0.0002, zero_load_u_A=None)])

    assert found.charge_A == Accuracy(0.001, math.sqrt(3.0) * 0.0002)
    assert found.discharge_A == Accuracy(0.001, 0.002)
    assert found.one_current_meter is False


def test_an_ammeter_counts_both_ways_and_its_gain_cancels() -> None:
    found = accuracies_of(bench(ammeter="shunt"), "slip-1", [CheckPassed(zero_ammeter_u_A=0.0001)])

    assert found.charge_A == found.discharge_A == Accuracy(0.002, math.sqrt(3.0) * 0.0001)
    assert found.one_current_meter is True


def test_resistors_are_as_good_as_the_worst_of_them_and_the_voltage_over_them() -> None:
    found = accuracies_of(bench(load="bank"), "slip-1")

    # 1 % with the supply's 0.05 %; its 5 mV over 10 and 5 ohm are 0.5 mA and 1 mA.
    assert found.discharge_A == Accuracy(math.hypot(0.01, 0.0005), pytest.approx(0.0015))
