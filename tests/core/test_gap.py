"""What a gap between two lives does to the engine, what the next life may know, and where the cell may stand after it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chargerd.core.engine import Engine
from chargerd.core.events import Answer, CheckPassed, ClockNoted, Gap, LeftPaused, Observed, Pause, Resume, StepEnded
from chargerd.core.program import Climb, EndSpec, Repeat, Step, StepKind
from chargerd.core.reading import Reading
from chargerd.core.resting import band_V, budgets, may_gas, rises_V, step_class
from chargerd.core.resumption import FOR_NOBODY, FOR_PERSON, INTERRUPTED, StepClass
from chargerd.core.states import State
from tests.core.bench_of_one import begun, charge_step, discharge_step, inputs_of, plan_of, rest_step


def read(engine: Engine, now_s: float, **inputs: float) -> tuple[object, ...]:
    return engine.take(Reading(now_s, inputs_of(**inputs)), now_s)  # type: ignore[arg-type]  # reason: all are numbers


def charging(voltage_V: float, *, set_V: float = 1.85, current_A: float = 0.15) -> Engine:
    """A charge that has been live for 60 s at that voltage."""
    engine = begun(plan_of(charge_step(voltage_V=set_V, current_A=current_A), rest_step("2")))
    read(engine, 0.0, voltage_V=voltage_V)
    engine.command(Observed("supply", "on", verified=True), 0.0)
    for step in range(1, 13):
        read(engine, 5.0 * step, voltage_V=voltage_V, current_A=current_A, source_on=True)
    return engine


def resting(at_s: float = 60.0) -> Engine:
    engine = begun(plan_of(rest_step("1", lasts_s=600.0), charge_step("2")))
    for step in range(int(at_s / 10.0) + 1):
        read(engine, 10.0 * step)
    return engine


# --- what a gap does ------------------------------------------------------------------------------------------------------------------


def goes_on(engine: Engine, now_s: float) -> None:
    engine.command(Resume(), now_s)
    engine.command(CheckPassed(), now_s)


def rest_ends_s(engine: Engine, from_s: float) -> float:
    now_s = from_s
    while not any(isinstance(event, StepEnded) for event in read(engine, now_s)):
        now_s += 10.0
    return now_s


def test_a_known_gap_is_part_of_a_rest():
    engine = resting()
    engine.command(Gap(duration_s=300.0, off_after_s=20.0), 360.0)
    goes_on(engine, 360.0)

    assert rest_ends_s(engine, 360.0) == 600.0


def test_a_rest_begins_again_after_a_gap_of_unknown_length():
    engine = resting()
    engine.command(Gap(duration_s=None, off_after_s=20.0), 80.0)
    goes_on(engine, 80.0)

    assert rest_ends_s(engine, 80.0) == 680.0


def test_the_time_of_a_charge_stands_still_from_off_on():
    engine = charging(1.5)
    engine.command(Gap(duration_s=300.0, off_after_s=20.0), 360.0)

    assert engine.memory.paused_at_s == 80.0


def test_a_gap_while_paused_keeps_who_paused_it_and_charges_nothing():
    engine = charging(1.84)
    engine.command(Pause(by="person"), 61.0)
    before = engine.memory.protection.charge_Ah, engine.memory.gas.gassing_s
    engine.command(Gap(duration_s=None, off_after_s=500.0), 100.0)

    assert (engine.state, engine.memory.reason) == (State.PAUSED, "person")
    assert (engine.memory.protection.charge_Ah, engine.memory.gas.gassing_s) == before


def test_a_gap_leaves_a_running_run_paused_by_nobody():
    engine = charging(1.5)
    engine.command(Gap(duration_s=10.0, off_after_s=10.0), 70.0)

    assert (engine.state, engine.memory.reason) == (State.PAUSED, INTERRUPTED)


@pytest.mark.parametrize(("never", "prefix"), [(False, FOR_PERSON), (True, FOR_NOBODY)])
def test_why_it_was_left_stays_with_the_run_through_the_next_gap(never, prefix):
    engine = charging(1.5)
    engine.command(Gap(duration_s=10.0, off_after_s=10.0), 70.0)
    engine.command(LeftPaused("the computer slept", never=never), 70.0)
    engine.command(Gap(duration_s=10.0, off_after_s=10.0), 80.0)

    assert engine.memory.reason == prefix + "the computer slept"


def test_a_note_of_the_clocks_is_remembered_and_changes_nothing_else():
    engine = charging(1.5)
    before = replace(engine.memory)
    assert engine.command(ClockNoted("boot", 12.5, 3.0, synchronised=True, wall_s=1e9), 60.0) == ()

    m = engine.memory
    assert (m.boot_id, m.boot_zero_s, m.suspended_s, m.synchronised) == ("boot", 12.5, 3.0, True)
    assert replace(m, boot_id="", boot_zero_s=0.0, suspended_s=0.0, synchronised=False) == before


def test_a_gap_that_may_have_gassed_is_counted_by_every_estimator_of_the_gas():
    engine = charging(1.84)
    engine.memory.gas.plateau_Ah = 0.5  # the estimator that leads
    before_Ah, before_s = engine.memory.gas.charge_Ah, engine.memory.gas.gassing_s
    engine.command(Gap(duration_s=None, off_after_s=360.0), 420.0)

    assert engine.memory.gas.charge_Ah - before_Ah == pytest.approx(0.015)  # 0.15 A for a tenth of an hour
    assert engine.memory.gas.gassing_s - before_s == pytest.approx(360.0)


def test_a_ramp_begins_again_at_the_cells_own_voltage_after_a_gap():
    ramp = charge_step(ramp_V_per_h=0.5)
    engine = begun(plan_of(ramp, rest_step("2")))
    read(engine, 0.0, voltage_V=1.50)
    engine.command(Observed("supply", "on", verified=True), 0.0)
    for step in range(1, 60):
        read(engine, 5.0 * step, voltage_V=1.50, current_A=0.05, source_on=True)
    assert engine.memory.set_V is not None
    assert engine.memory.set_V > 1.53
    engine.command(Gap(duration_s=30.0, off_after_s=20.0), 330.0)
    goes_on(engine, 330.0)
    read(engine, 330.0, voltage_V=1.49)

    assert engine.memory.set_V == pytest.approx(1.49)


# --- what was going on ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("voltage_V", "set_V", "seconds", "expected"),
    [
        # The threshold as if warm, 1.81 V (35 °C, −4 mV/K), less 50 mV: 1.76 V.
        (1.50, 1.85, 20.0, False),
        (1.7595, 1.85, 20.0, True),  # reaches it in the gap
        (1.7595, 1.75, 20.0, False),  # its set-point does not
        (1.50, 1.85, float("inf"), True),
        (1.84, 1.85, 0.0, True),
        (float("nan"), 1.85, 20.0, True),
    ],
)
def test_a_charge_may_have_gassed_when_it_can_have_reached_its_threshold(voltage_V, set_V, seconds, expected):
    engine = charging(1.5, set_V=set_V)
    engine.memory.protection.last_V = voltage_V

    assert may_gas(engine.memory, engine.step, engine.plan, set_V, seconds) is expected


def test_a_rest_and_a_discharge_do_not_gas():
    for engine in (resting(), begun(plan_of(discharge_step("1"), rest_step("2")))):
        assert may_gas(engine.memory, engine.step, engine.plan, None, float("inf")) is False


PART = Step("1.1", StepKind.PULSES, 0.3, sign=-1, group="1", lasts_s=10.0, sample_every_s=1.0)
QUESTION = Step("1", StepKind.ASK_PERSON, question="Dry?", lasts_s=600.0)
FORMING = Repeat("1", 3, (charge_step("1.1", voltage_V=None, climbs=True), rest_step("1.2")), Climb((1.75,)))


@pytest.mark.parametrize(
    ("item", "gases", "expected"),
    [
        (charge_step(), False, StepClass.CHARGE_BELOW),
        (charge_step(), True, StepClass.CHARGE_ABOVE),
        (rest_step(), False, StepClass.REST),
        (discharge_step("1"), False, StepClass.DISCHARGE),
        (PART, False, StepClass.PARTS),
        (FORMING, False, StepClass.FORMATION),
        (FORMING, True, StepClass.CHARGE_ABOVE),
        (Repeat("1", 3, (discharge_step("1.1"),)), False, StepClass.DISCHARGE),
    ],
)
def test_each_step_has_its_class(item, gases, expected):
    engine = begun(plan_of(item, rest_step("9")))

    assert step_class(engine.memory, engine.step, engine.plan, gases=gases) is expected


def test_a_question_is_a_persons():
    engine = begun(plan_of(QUESTION, rest_step("9")))
    engine.command(Gap(), 10.0)

    assert step_class(engine.memory, engine.step, engine.plan, gases=False) is StepClass.QUESTION
    assert engine.memory.reason == "Dry?"
    engine.command(Answer(text="yes"), 20.0)  # it still waits for one


def test_the_larger_sum_of_each_end_is_what_is_used():
    ends = (EndSpec("charge", 1.8), EndSpec("time", 3600.0), EndSpec("gassing_time", 1200.0), EndSpec("gas_charge", 0.075))
    engine = begun(plan_of(charge_step(ends=ends), rest_step("2")))
    m = engine.memory
    m.protection.charge_Ah, m.tally.step_charge_Ah = 0.9, 0.8
    m.protection.step_s, m.gas.gassing_s = 1800.0, 300.0
    m.protection.gas_charge_Ah, m.gas.tafel_Ah = 0.010, 0.020

    assert {budget.end: (budget.used, budget.most) for budget in budgets(m, engine.step)} == {
        "time": (1800.0, 3600.0), "charge": (0.9, 1.8), "gas_charge": (0.020, 0.075), "gassing_time": (300.0, 1200.0),
    }  # fmt: skip
    assert budgets(m, rest_step()) == ()


# --- where the cell may stand ---------------------------------------------------------------------------------------------------------


def test_twice_what_the_rating_says_is_how_far_a_current_moves_the_cell():
    # 1.5 Ah over 1.36 V: 0.15 A for an hour is a tenth of it, 0.136 V; twice that.
    assert rises_V(plan_of(charge_step()), 0.15, 3600.0) == pytest.approx(0.272)


@pytest.mark.parametrize(("now_V", "fits"), [(1.40, True), (1.50, True), (1.05, False), (1.55, False)])
def test_after_a_charge_the_cell_stands_below_its_last_voltage_and_not_far(now_V, fits):
    engine = charging(1.5)
    low_V, high_V = band_V(engine.memory, engine.step, engine.plan, 1.85, gap_s=60.0, off_after_s=20.0)

    assert low_V is not None
    assert high_V is not None
    assert (low_V <= now_V <= high_V) is fits


def test_a_measured_resistance_narrows_the_band():
    engine = charging(1.5)
    wide_V, _ = band_V(engine.memory, engine.step, engine.plan, 1.85, gap_s=60.0, off_after_s=20.0)
    engine.memory.resistance_ohm, engine.memory.resistance_trusted = 0.2, True
    narrow_V, _ = band_V(engine.memory, engine.step, engine.plan, 1.85, gap_s=60.0, off_after_s=20.0)

    assert wide_V is not None
    assert narrow_V is not None
    assert narrow_V - wide_V == pytest.approx(2.0 * (1.0 - 0.2) * 0.15)


def test_after_a_discharge_it_stands_above():
    engine = begun(plan_of(discharge_step("1"), rest_step("2")))
    engine.memory.protection.last_V, engine.memory.protection.last_A = 1.2, -0.3
    low_V, high_V = band_V(engine.memory, engine.step, engine.plan, None, gap_s=60.0, off_after_s=0.0)

    assert (low_V, high_V) == (pytest.approx(1.18), pytest.approx(1.2 + 0.12 + 2.0 * 0.3))


def test_nothing_bounds_from_below_how_far_a_cell_has_fallen_in_an_unknown_gap():
    engine = resting()
    low_V, high_V = band_V(engine.memory, engine.step, engine.plan, None, gap_s=None, off_after_s=20.0)

    assert low_V is None
    assert high_V == pytest.approx(1.62)
