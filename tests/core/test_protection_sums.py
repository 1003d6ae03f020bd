"""Protection's own sums to the last digit, computed here a second time: rectangles of the larger of two readings."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from chargerd.core.detect.protection import Protection
from chargerd.core.detect.sight import Frozen
from chargerd.core.limits import StepBounds, Zeros
from chargerd.core.observation import Observation, Observer
from chargerd.core.reading import Reading

from .bench_of_one import INPUTS, LIMITS, inputs_of

REST = StepBounds(0)
CHARGE = StepBounds(1, 0.15, 1.85)
DISCHARGE = StepBounds(-1, 0.3)


def protection() -> Protection:
    return Protection(Frozen(LIMITS, Zeros(), has_thermometer=True, missed_max=3, current_u_A=0.0, ovp_V=2.0, ocp_A=0.5))


def seen(elapsed_s: float, **values: Any) -> Observation:
    healthy = Observer(INPUTS).observe(Reading(elapsed_s, inputs_of()), 20.0, 0.0, 0.0)
    return replace(healthy, **values)


def judge(guard: Protection, bounds: StepBounds, elapsed_s: float, *, gas_A: float = 0.0, gassing: bool = False, **values: Any) -> None:
    live = values.pop("live", bounds.direction != 0)
    given = {"source_on": bounds.direction > 0, "load_on": bounds.direction < 0, **values}
    guard.judge(seen(elapsed_s, **given), bounds, live=live, watched=live, gas_A=gas_A, gassing=gassing)


def sums(guard: Protection) -> tuple[float, float, float, float, float]:
    m = guard.memory
    return m.step_s, m.charge_Ah, m.energy_Wh, m.gas_charge_Ah, m.gassing_s


def test_between_two_readings_the_larger_of_each_counts() -> None:
    guard = protection()
    judge(guard, CHARGE, 100.0, current_A=0.10, voltage_V=1.7, gas_A=0.02, gassing=True)
    judge(guard, CHARGE, 460.0, current_A=0.15, voltage_V=1.8, gas_A=0.01, gassing=True)

    # 0.15 A and 1.8 V for 360 s; gas 0.02 A; it gassed at both
    assert sums(guard) == pytest.approx((360.0, 0.015, 0.027, 0.002, 360.0), rel=1e-12)
    judge(guard, CHARGE, 820.0, current_A=0.05, voltage_V=1.6, gas_A=0.5, gassing=False)
    # the gas is never more than the current: 0.15 A
    assert sums(guard) == pytest.approx((720.0, 0.030, 0.054, 0.017, 360.0), rel=1e-12)


@pytest.mark.parametrize("bounds", [DISCHARGE, REST])
def test_what_is_no_charge_makes_no_gas(bounds: StepBounds) -> None:
    guard = protection()
    judge(guard, CHARGE, 0.0, current_A=0.15, voltage_V=1.8, gas_A=0.1, gassing=True)
    judge(guard, bounds, 360.0, current_A=-0.30, voltage_V=1.8, gas_A=0.1, gassing=True)

    assert sums(guard) == pytest.approx((360.0, 0.030, 0.054, 0.0, 0.0), rel=1e-12)


def test_a_voltage_below_nought_makes_no_energy_that_could_be_subtracted() -> None:
    guard = protection()
    judge(guard, DISCHARGE, 0.0, current_A=-0.3, voltage_V=-0.05)
    judge(guard, DISCHARGE, 360.0, current_A=-0.3, voltage_V=-0.05)

    assert sums(guard) == pytest.approx((360.0, 0.030, 0.0, 0.0, 0.0))


def test_a_missing_value_is_the_last_one_and_gas_goes_on_until_it_is_known_that_it_does_not() -> None:
    guard = protection()
    judge(guard, CHARGE, 0.0, current_A=0.15, voltage_V=1.8, gas_A=0.06, gassing=True)
    judge(guard, CHARGE, 360.0, current_A=None, voltage_V=1.8)
    judge(guard, CHARGE, 720.0, current_A=0.15, voltage_V=None)
    judge(guard, CHARGE, 1080.0, current_A=0.15, voltage_V=1.8, gas_A=0.0)

    assert sums(guard) == pytest.approx((1080.0, 0.045, 0.081, 0.018, 720.0), rel=1e-12)


def test_what_is_off_does_not_gas() -> None:
    guard = protection()
    judge(guard, CHARGE, 0.0, current_A=0.0, voltage_V=1.9, gas_A=0.06, gassing=True, live=False)
    assert (guard.memory.last_gas_A, guard.memory.last_gassing) == (0.0, False)
    judge(guard, CHARGE, 360.0, current_A=0.15, voltage_V=1.8, gas_A=0.0, gassing=False)

    assert sums(guard)[3:] == (0.0, 0.0)


def test_rests_and_pauses_are_not_the_steps_time() -> None:
    guard = protection()
    judge(guard, REST, 0.0)
    judge(guard, REST, 360.0)
    judge(guard, CHARGE, 720.0, current_A=0.15)
    assert sums(guard) == (0.0,) * 5
    judge(guard, CHARGE, 730.0, current_A=0.15)
    guard.forget()
    assert guard.memory.last_s is None
    judge(guard, CHARGE, 5000.0, current_A=0.15)

    assert guard.memory.step_s == 10.0


@pytest.mark.parametrize(
    ("last_A", "bounds", "expected"),
    [
        # the larger of the last current, the set-point and what it may become: of a charge all of it may be gas
        (0.0, CHARGE, (360.0, 0.015, 0.027, 0.015, 360.0)),
        (0.2, CHARGE, (360.0, 0.020, 0.036, 0.020, 360.0)),
        (0.0, replace(CHARGE, current_most_A=0.25), (360.0, 0.025, 0.045, 0.025, 360.0)),
        (-0.4, DISCHARGE, (360.0, 0.040, 0.072, 0.0, 0.0)),
        (0.1, REST, (360.0, 0.010, 0.018, 0.0, 0.0)),
    ],
)
def test_a_gap_counts_at_its_worst(last_A: float, bounds: StepBounds, expected: tuple[float, ...]) -> None:
    guard = protection()
    judge(guard, CHARGE, 0.0, current_A=last_A, voltage_V=1.8, gas_A=0.01, gassing=True)
    guard.charge_for_gap(360.0, bounds)

    assert sums(guard) == pytest.approx(expected, rel=1e-12)


def test_a_gap_after_a_charge_that_did_not_gas_is_no_gassing_time() -> None:
    guard = protection()
    judge(guard, CHARGE, 0.0, current_A=0.15, voltage_V=-0.05)
    guard.charge_for_gap(360.0, CHARGE)

    assert sums(guard) == pytest.approx((360.0, 0.015, 0.0, 0.015, 0.0))


def test_a_new_step_begins_at_nought() -> None:
    guard = protection()
    judge(guard, CHARGE, 0.0, current_A=0.15, voltage_V=2.0, gas_A=0.1, gassing=True)
    judge(guard, CHARGE, 1.0, current_A=0.15, voltage_V=2.0, gas_A=0.1, gassing=True)
    guard.memory.below_floor_since_s = 1.0
    assert 0.0 not in sums(guard)
    guard.memory.above_step_since_s = 1.0

    guard.start_step()

    assert sums(guard) == (0.0,) * 5
    assert (guard.memory.above_step_since_s, guard.memory.below_floor_since_s) == (None, None)
    assert guard.memory.last_s == 1.0, "the time up to the next reading is the new step's"


def test_a_pause_forgets_since_when_a_voltage_was_wrong() -> None:
    guard = protection()
    guard.memory.last_s = guard.memory.above_step_since_s = guard.memory.below_floor_since_s = 1.0

    guard.forget()

    assert (guard.memory.last_s, guard.memory.above_step_since_s, guard.memory.below_floor_since_s) == (None, None, None)


def test_who_says_nothing_of_gassing_says_that_there_is_none() -> None:
    guard = protection()
    for elapsed_s in (0.0, 10.0):
        guard.judge(seen(elapsed_s, source_on=True, current_A=0.1), CHARGE, live=True, watched=True, gas_A=0.0)

    assert guard.memory.gassing_s == 0.0


def test_a_relay_is_not_judged_and_set_points_are_where_nobody_says_otherwise() -> None:
    closed = protection().judge(seen(0.0, relay_closed=True), REST, live=False, watched=False, gas_A=0.0)
    moved = protection().judge(seen(0.0, source_on=True, source_voltage_set_V=9.0), CHARGE, live=True, watched=True, gas_A=0.0)

    assert closed is None
    assert moved is not None
    assert moved.cause == "set-point-changed"


def test_what_is_not_stated_is_the_strictest() -> None:
    """10 mA are no current, 20 mA and a fiftieth may lie between two instruments, and nothing is set."""
    assert (Zeros().source_A, Zeros().load_A, Zeros().ammeter_A, Zeros().apart_A, Zeros().apart_share) == (0.010, 0.010, 0.010, 0.020, 0.02)
    assert (Zeros().lead_ohm, Zeros().apart_V, Zeros().apart_voltage_share) == (0.0, None, 0.0)
    assert (REST.current_set_A, REST.current_most_A, REST.slack_A, REST.zero_max_A) == (0.0, 0.0, 0.010, None)
    assert (LIMITS.slope_max_K_per_min, Frozen(LIMITS, Zeros(), True, 3, 0.001, None, None).off_A) == (1.0, 0.010)
