"""What a measured zero, an ammeter or resistors make of the accuracy of a counted charge."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from chargerd.cli.files import example_bench
from chargerd.config.bench import Accuracy as Stated
from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.bench_parts import ResistorSpec
from chargerd.core.events import CheckPassed, ZeroMeasured
from chargerd.core.zero import Zero
from chargerd.verdict.load import accuracies_of
from chargerd.verdict.not_known import not_known
from chargerd.verdict.uncertainty import Accuracy
from chargerd.verdict.zeros import zeroed

STATED = Accuracy(0.001, 0.025)
STEP_A = 0.001
EXACT_u_A = float(f"{STEP_A / math.sqrt(12):.7g}")
"""What a zero of exactly 0 in every reading has: its step alone (JCGM 100:2008, 4.3.7)."""


def bench(**channel: str) -> BenchFile:
    file = load_bench(example_bench())
    shunt = replace(file.instruments["probe"], name="shunt", accuracy={"current": Stated(0.002, 0.001)})
    return replace(
        file, instruments=file.instruments | {"shunt": shunt}, channels={"slip-1": replace(file.channels["slip-1"], **channel)},
        resistors=tuple(ResistorSpec(f"r{ohm:g}", "bank", f"k{ohm:g}", ohm, 5.0, 0.01) for ohm in (10.0, 5.0)),
    )  # fmt: skip


def test_a_zero_at_every_start_leaves_its_own_uncertainty_of_the_offset() -> None:
    # JCGM 100:2008, 4.3.7: limits ±a of a uniform distribution have u = a/√3. A tenth of 25 mA drifts (common practice, no source).
    assert zeroed(STATED, [Zero(0.02, 0.0003), Zero(0.021, 0.0005)], STEP_A) == Accuracy(0.001, pytest.approx(math.hypot(math.sqrt(3.0) * 0.0005, 0.0025)))


@pytest.mark.parametrize("zeros", [[], [Zero()], [Zero(0.02, 0.0003), Zero()], [Zero(0.02, 0.0003), Zero(0.0, EXACT_u_A)]])
def test_one_start_without_a_zero_that_proves_something_leaves_the_whole_offset(zeros: list[Zero]) -> None:
    assert zeroed(STATED, zeros, STEP_A) == STATED


def test_a_zero_that_scatters_more_than_the_data_sheet_allows_improves_nothing_and_harms_nothing() -> None:
    assert zeroed(STATED, [Zero(0.02, 1.0)], STEP_A) == STATED


def test_an_unknown_accuracy_stays_unknown() -> None:
    assert zeroed(None, [Zero(0.02, 0.0003)], STEP_A) is None


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


def test_a_zero_of_exactly_nothing_leaves_the_whole_offset_however_good_the_data_sheet() -> None:
    # The example's supply is promised to 2 mA in steps of 1 mA.
    found = accuracies_of(bench(), "slip-1", [CheckPassed(zero_source_u_A=EXACT_u_A)])

    assert found.charge_A == Accuracy(0.001, 0.002)


def test_a_step_that_measures_the_zero_anew_counts_as_a_start_does() -> None:
    start = CheckPassed(zero_source_A=0.001, zero_source_u_A=0.0002)
    better, worse = (ZeroMeasured("supply", 0.0011, 28, accepted=True, u_A=u_A) for u_A in (0.0001, 0.0005))
    of_load, refused = replace(worse, instrument="load"), replace(worse, accepted=False)
    before_it_was_stored = replace(worse, u_A=None)

    def left_A(*records: CheckPassed | ZeroMeasured) -> float:
        charge_A = accuracies_of(bench(), "slip-1", [start, *records]).charge_A
        assert charge_A is not None
        return charge_A.offset

    assert left_A() == left_A(better) == left_A(of_load) == left_A(refused) == pytest.approx(math.hypot(math.sqrt(3.0) * 0.0002, 0.0002))
    assert left_A(worse) == pytest.approx(math.hypot(math.sqrt(3.0) * 0.0005, 0.0002))
    assert left_A(before_it_was_stored) == 0.002


def told(starts: list[CheckPassed | ZeroMeasured], **channel: str) -> str:
    file = bench(**channel)
    supply = replace(file.instruments["supply"], accuracy={"voltage": Stated(0.001, 0.01), "current": Stated(0.001, 0.025)})
    return "\n".join(not_known(replace(file, instruments=file.instruments | {"supply": supply}), "slip-1", starts))


def test_what_the_bench_cannot_tell_depends_on_what_is_there() -> None:
    zeroed_start = [CheckPassed(zero_source_A=0.0247, zero_source_u_A=0.0003)]

    assert "24.7 mA was measured at the start and subtracted; 2.5 mA of the stated 25 mA stay" in told(zeroed_start, switch="k10")
    assert "exactly 0 in every reading, as a display shows that" in told([CheckPassed(zero_source_u_A=EXACT_u_A)], switch="k10")
    assert "it may be 25 mA and was not measured (that takes a relay)" in told([CheckPassed()])
    assert "the relay stays closed at rest" in told(zeroed_start, switch="k10")
    assert "the relay stays closed" not in told(zeroed_start)
    assert "through resistors it falls with the voltage" in told([], load="bank")
    assert "nothing discharges it here" in told([], load="")
    assert told([], meter="probe", ammeter="shunt") == ""
