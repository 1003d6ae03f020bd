"""Set-points that follow the voltage: never above the step's own, never on half a reading, NaN or nought, and judged as they are."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.core.bounds import step_bounds
from chargerd.core.demand import Energise
from chargerd.core.engine import Engine
from chargerd.core.events import Observed, Pause, StepStarted, Tripped
from chargerd.core.limits import Zeros
from chargerd.core.memory import Memory
from chargerd.core.observation import Observer
from chargerd.core.program import EndSpec, Step, StepKind
from chargerd.core.reading import Reading
from chargerd.core.setpoint import MOVES_SHARE, begin, follow
from chargerd.core.states import State

from .bench_of_one import INPUTS, begun, charge_step, charging, inputs_of, plan_of, take

FAR = (EndSpec("voltage_below", 0.8), EndSpec("charge", 2.0), EndSpec("time", 40_000.0))
POWER = Step("1", StepKind.DISCHARGE, 0.3, power_W=0.24, grain=1e-3, sample_every_s=5.0, ends=FAR)
OHM = Step("1", StepKind.DISCHARGE, 0.3, resistance_ohm=8.0, grain=1e-3, sample_every_s=5.0, ends=FAR)
INTO = Step("1", StepKind.CHARGE, 0.3, 1.85, power_W=0.24, grain=1e-3, sample_every_s=5.0, ends=FAR[1:])
RAMP = Step("1", StepKind.CHARGE, 0.3, 1.85, ramp_V_per_h=0.36, grain=1e-3, sample_every_s=5.0, ends=FAR[1:])


def drained(engine: Engine, at_s: float, **inputs: object):
    demand = engine.demand()
    assert demand.current_set_A is not None
    return take(engine, at_s, load_on=True, current_A=-demand.current_set_A, **inputs)


def on(plan, **inputs: object) -> Engine:
    engine = begun(plan)
    take(engine, 0.0, **inputs)
    which = "supply" if engine.demand().energise is Energise.SOURCE else "load"
    engine.command(Observed(which, "on", verified=True), 0.0)
    return engine


@pytest.mark.parametrize(("step", "voltage_V", "expected_A"), [
    (POWER, 1.2, 0.2), (POWER, 0.8, 0.3), (POWER, 0.5, 0.3), (POWER, 0.0, 0.0), (POWER, -0.05, 0.0),
    (INTO, 1.2, 0.2), (INTO, 0.0, 0.3), (INTO, -0.05, 0.3),
    (OHM, 1.6, 0.2), (OHM, 2.6, 0.3), (OHM, 0.0, 0.0), (OHM, -0.05, 0.0),
])  # fmt: skip
def test_the_first_reading_gives_the_set_point(step, voltage_V, expected_A):
    engine = begun(plan_of(step))
    assert engine.demand().energise is Energise.NONE
    take(engine, 0.0, voltage_V=voltage_V)

    assert (engine.demand().current_set_A or 0.0) == pytest.approx(expected_A, abs=1e-9)
    assert (engine.demand().energise is Energise.NONE) == (expected_A == 0.0)


@given(
    st.sampled_from([POWER, OHM, INTO, RAMP]),
    st.lists(st.one_of(st.floats(-0.1, 2.75), st.sampled_from([math.nan, math.inf, -math.inf, 0.0, 1e-300])), min_size=1, max_size=20),
)
def test_no_voltage_whatever_raises_a_set_point_above_the_steps_own(step, voltages):
    memory = Memory()
    begin(memory, step, step.voltage_V)
    for place, voltage_V in enumerate(voltages):
        seen = Observer(INPUTS).observe(Reading(5.0 * place, inputs_of(voltage_V=voltage_V)), 20.0, 0.0, 0.0)
        before = memory.set_A, memory.set_V
        follow(memory, step, step.voltage_V, seen)
        assert 0.0 <= memory.set_A <= step.current_A
        assert memory.set_V is None or 0.0 <= memory.set_V <= 1.85
        if not math.isfinite(voltage_V):
            assert (memory.set_A, memory.set_V) == before


def test_half_a_reading_moves_nothing():
    engine = on(plan_of(POWER), voltage_V=1.6)
    before = engine.demand().current_set_A
    for at_s, lost in ((5.0, "temperature_degC"), (10.0, "voltage_V")):
        given = {"voltage_V": 1.2, lost: None}
        drained(engine, at_s, **given)
        assert engine.demand().current_set_A == before
    drained(engine, 15.0, voltage_V=1.2)

    assert (before, engine.demand().current_set_A) == (0.15, 0.2)


def test_less_than_a_hundredth_or_than_the_instruments_step_is_not_written_again():
    engine = on(plan_of(POWER), voltage_V=1.2)
    drained(engine, 5.0, voltage_V=1.2 / (1.0 + 0.9 * MOVES_SHARE))
    assert engine.demand().current_set_A == 0.2
    drained(engine, 10.0, voltage_V=1.2 / (1.0 + 1.6 * MOVES_SHARE))

    assert engine.demand().current_set_A == 0.203


def test_protection_judges_the_present_set_point_and_not_the_steps_most():
    engine = on(plan_of(POWER), voltage_V=1.2)
    events = take(engine, 5.0, load_on=True, current_A=-0.24, voltage_V=1.2)

    assert [event.cause for event in events if isinstance(event, Tripped)] == ["current-above-set-point"]


def test_a_read_back_of_the_old_set_point_after_a_new_one_was_written_trips():
    engine = on(plan_of(POWER), voltage_V=1.6)
    assert drained(engine, 5.0, voltage_V=1.2) == ()  # from 150 mA to 200 mA
    events = drained(engine, 10.0, voltage_V=1.2, load_current_set_A=0.15)

    assert [event.cause for event in events if isinstance(event, Tripped)] == ["set-point-changed"]


def test_bounds_never_believe_a_set_point_above_the_steps_own():
    bounds = step_bounds(POWER, None, 7.0, Zeros(), 0.010)

    assert (bounds.direction, bounds.current_set_A, bounds.current_most_A, bounds.floor_V) == (-1, 0.3, 0.3, 0.8)


def test_a_gap_is_counted_at_the_most_the_current_may_have_become():
    engine = on(plan_of(POWER), voltage_V=1.6)
    engine._protection.charge_for_gap(36.0, engine._bounds)

    assert engine.memory.protection.charge_Ah == pytest.approx(0.3 * 36.0 / 3600.0)


def test_a_constant_power_right_after_a_charge_begins_without_switching_off():
    engine = on(plan_of(charge_step("1", ends=(EndSpec("charge", 1.8), EndSpec("time", 10.0))), replace_number(INTO, "2")))
    events = charging(engine, 10.0, voltage_V=1.2)

    assert [event.step for event in events if isinstance(event, StepStarted)] == ["2"]
    assert (engine.demand().energise, engine.demand().current_set_A) == (Energise.SOURCE, 0.2)


def replace_number(step: Step, number: str) -> Step:
    return Step(
        number, step.kind, step.current_A, step.voltage_V, power_W=step.power_W, grain=step.grain, sample_every_s=5.0, ends=step.ends
    )


def test_after_a_pause_nothing_is_set_before_a_whole_reading():
    engine = on(plan_of(POWER), voltage_V=1.2)
    engine.command(Pause(), 6.0)

    assert (engine.state, engine.memory.set_A) == (State.PAUSED, 0.0)


def test_a_ramp_is_bounded_by_its_present_voltage():
    engine = on(plan_of(RAMP), voltage_V=1.2)
    demand = engine.demand()
    trips = []
    for at_s in (5.0, 7.0, 9.0):
        trips += [event.cause for event in charging(engine, at_s, voltage_V=1.28) if isinstance(event, Tripped)]

    assert demand.voltage_set_V == 1.2
    assert trips == ["step-voltage"]  # 50 mV above the ramp, though far below the step's 1.85 V
