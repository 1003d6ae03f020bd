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
from chargerd.verdict.not_known import believed, not_known
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
    # JCGM 100:2008, 4.3.7: limits ±a of a uniform distribution have u = a/√3. A tenth of 25 mA drifts (common practice, no source).
    assert zeroed(STATED, [0.0003, 0.0005]) == Accuracy(0.001, pytest.approx(math.hypot(math.sqrt(3.0) * 0.0005, 0.0025)))


@pytest.mark.parametrize("zeros_u_A", [[], [None], [0.0003, None]])
def test_one_start_without_a_zero_leaves_the_whole_offset(zeros_u_A: list[float | None]) -> None:
    assert zeroed(STATED, zeros_u_A) == STATED


def test_a_zero_that_scatters_more_than_the_data_sheet_allows_improves_nothing_and_harms_nothing() -> None:
    assert zeroed(STATED, [1.0]) == STATED


def test_an_unknown_accuracy_stays_unknown() -> None:
    assert zeroed(None, [0.0003]) is None


def test_source_and_load_have_zeros_of_their_own() -> None:
    found = accuracies_of(bench(), "slip-1", [CheckPassed(zero_source_A=0.001, zero_source_u_A=0.0002, zero_load_u_A=None)])

    # The example's supply is promised to 2 mA.
    assert found.charge_A == Accuracy(0.001, pytest.approx(math.hypot(math.sqrt(3.0) * 0.0002, 0.0002)))
    assert found.discharge_A == Accuracy(0.001, 0.002)
    assert found.one_current_meter is False


def test_an_ammeter_counts_both_ways_and_its_gain_cancels() -> None:
    found = accuracies_of(bench(ammeter="shunt"), "slip-1", [CheckPassed(zero_ammeter_A=0.0004, zero_ammeter_u_A=0.0001)])

    assert found.charge_A == found.discharge_A == Accuracy(0.002, pytest.approx(math.hypot(math.sqrt(3.0) * 0.0001, 0.0001)))
    assert found.one_current_meter is True


def test_resistors_are_as_good_as_the_worst_of_them_and_the_voltage_over_them() -> None:
    found = accuracies_of(bench(load="bank"), "slip-1")

    # 1 % with the supply's 0.05 %; its 5 mV over 10 and 5 ohm are 0.5 mA and 1 mA.
    assert found.discharge_A == Accuracy(math.hypot(0.01, 0.0005), pytest.approx(0.0015))


# --- what a zero proves, and what the bench cannot tell ---------------------------------------------------------------------


def test_a_display_that_cannot_go_below_zero_shows_no_zero_that_could_be_believed() -> None:
    supply = replace(load_bench(example_bench()).instruments["supply"], accuracy={"current": Stated(0.001, 0.025)})

    assert believed(supply, [(0.0, 0.0003), (-0.024, 0.0003), (0.024, None)]) == [None, 0.0003, None]


def test_a_zero_of_nothing_is_believed_where_the_data_sheet_allows_no_more_than_two_steps() -> None:
    supply = replace(
        load_bench(example_bench()).instruments["supply"], accuracy={"current": Stated(0.001, 0.002)}, resolution={"current": 0.001}
    )

    assert believed(supply, [(0.0, 0.0003)]) == [0.0003]


def told(starts: list[CheckPassed], **channel: str) -> str:
    file = bench(**channel)
    supply = replace(file.instruments["supply"], accuracy={"voltage": Stated(0.001, 0.01), "current": Stated(0.001, 0.025)})
    return "\n".join(not_known(replace(file, instruments=file.instruments | {"supply": supply}), "slip-1", starts))


def test_what_the_bench_cannot_tell_depends_on_what_is_there() -> None:
    zeroed_start = [CheckPassed(zero_source_A=0.0247, zero_source_u_A=0.0003)]

    assert "24.7 mA was measured at the start and subtracted; 2.5 mA of the stated 25 mA stay" in told(zeroed_start, switch="k10")
    assert "shows exactly 0, as a display that cannot go below zero does" in told([CheckPassed(zero_source_u_A=0.0003)], switch="k10")
    assert "it may be 25 mA and was not measured (that takes a relay)" in told([CheckPassed()])
    assert "the relay stays closed at rest" in told(zeroed_start, switch="k10")
    assert "the relay stays closed" not in told(zeroed_start)
    assert "through resistors it falls with the voltage" in told([], load="bank")
    assert "nothing discharges it here" in told([], load="")
    assert told([], meter="probe", ammeter="shunt") == ""
