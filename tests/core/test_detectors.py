"""Detectors that compare two instruments, the bound of the gassing time, and the table that holds all of them."""

from __future__ import annotations

import math

import pytest

from chargerd.core.bounds import gasses
from chargerd.core.causes import CAUSES
from chargerd.core.detect.protection import Protection
from chargerd.core.detect.sight import CONFIRMS, Frozen
from chargerd.core.detect.table import DETECTORS
from chargerd.core.limits import BOUND_FACTOR, StepBounds, Zeros
from chargerd.core.observation import Observer
from chargerd.core.reading import ChannelInputs, Measured, Reading

from .bench_of_one import LIMITS, charge_step, inputs_of, plan_of

CHARGE = StepBounds(1, 0.15, 1.85, gassing_s=600.0)
DISCHARGE = StepBounds(-1, 0.3)
WITH_METER = ChannelInputs("supply", "load", "meter", "probe")
APART = Zeros(apart_V=0.030, apart_voltage_share=0.001)
"""At 1.5 V a meter may read 31.5 mV beyond the instrument that drives the cell."""


def protection(zeros: Zeros = APART) -> Protection:
    return Protection(Frozen(LIMITS, zeros, has_thermometer=True, missed_max=3, current_u_A=0.0, ovp_V=2.0, ocp_A=0.5))


def differ(zeros: Zeros, bounds: StepBounds, driver_V: float, meter_V: float, count: int = CONFIRMS) -> list[str]:
    """The causes at readings running in which the meter reads `meter_V` and whoever drives the cell `driver_V`."""
    guard, causes = protection(zeros), []
    charges = bounds.direction > 0
    for number in range(count):
        raw = inputs_of(source_on=charges, load_on=not charges, current_A=0.1 if charges else -0.3, voltage_V=driver_V)
        raw["meter_voltage_V"] = Measured(meter_V)
        raw["load_voltage_V"] = Measured(driver_V)
        seen = Observer(WITH_METER).observe(Reading(5.0 * number, raw), 20.0, 0.0, 0.0)
        trip = guard.judge(seen, bounds, live=True, watched=True, gas_A=0.0)
        causes.append("" if trip is None else trip.cause)
    return causes


@pytest.mark.parametrize(("bounds", "driver_V", "meter_V"), [(CHARGE, 1.500, 1.535), (DISCHARGE, 1.535, 1.500)])
def test_a_cell_cannot_stand_above_its_source_nor_below_its_load(bounds: StepBounds, driver_V: float, meter_V: float) -> None:
    assert differ(APART, bounds, driver_V, meter_V) == ["", "", "voltages-differ"]


@pytest.mark.parametrize(
    ("zeros", "bounds", "driver_V", "meter_V"),
    [
        (APART, CHARGE, 1.500, 1.530),  # within both accuracies
        (APART, DISCHARGE, 1.530, 1.500),
        (APART, CHARGE, 1.600, 1.500),  # what leads and contacts lose is judged by its heat
        (Zeros(), CHARGE, 1.500, 1.700),  # no accuracy is known: nothing to compare with
    ],
)
def test_what_leads_lose_and_accuracies_allow_is_no_contradiction(zeros: Zeros, bounds: StepBounds, driver_V: float, meter_V: float) -> None:
    assert differ(zeros, bounds, driver_V, meter_V, 5) == [""] * 5


def test_one_reading_in_agreement_begins_the_count_anew() -> None:
    guard, found = protection(), []
    for number, meter_V in enumerate((1.6, 1.6, 1.5, 1.6, 1.6, 1.6)):
        raw = inputs_of(source_on=True, load_on=False, current_A=0.1, voltage_V=1.5) | {"meter_voltage_V": Measured(meter_V)}
        seen = Observer(WITH_METER).observe(Reading(5.0 * number, raw), 20.0, 0.0, 0.0)
        found.append(guard.judge(seen, CHARGE, live=True, watched=True, gas_A=0.0) is not None)

    assert found == [False] * 5 + [True]


def test_a_share_that_is_no_number_is_a_contradiction() -> None:
    assert differ(Zeros(apart_V=0.030, apart_voltage_share=math.nan), CHARGE, 1.5, 1.5)[-1] == "voltages-differ"


def cause_after(guard: Protection, elapsed_s: float, *, gassing: bool, voltage_V: float | None = 1.8) -> str:
    raw = inputs_of(source_on=True, load_on=False, current_A=0.1, voltage_V=1.8 if voltage_V is None else voltage_V)
    if voltage_V is None:
        del raw["supply_voltage_V"]
    inputs = ChannelInputs("supply", "load", "", "probe")
    seen = Observer(inputs).observe(Reading(elapsed_s, raw), 20.0, 0.0, 0.0)
    trip = guard.judge(seen, CHARGE, live=True, watched=False, gas_A=0.0, gassing=gassing)
    return "" if trip is None else trip.cause


def test_gassing_past_its_bound_trips_at_the_first_reading_after_it() -> None:
    """Readings each 10 s, gassing from the second one on: 1.25 x 600 s are passed after 760 s of it."""
    guard = protection(Zeros())
    causes = {at_s: cause_after(guard, float(at_s), gassing=at_s >= 10) for at_s in range(0, 790, 10)}

    assert [at_s for at_s, cause in causes.items() if cause] == [770, 780]
    assert causes[770] == "bound-gassing-time"
    assert BOUND_FACTOR * 600.0 == 750.0


def test_a_charge_below_the_threshold_counts_no_gassing_and_a_missing_voltage_goes_on_with_it() -> None:
    guard = protection(Zeros())
    for at_s, gassing, voltage_V in ((0, True, 1.8), (10, True, 1.8), (20, False, None), (30, False, 1.8), (40, True, 1.8), (50, True, 1.8)):
        cause_after(guard, float(at_s), gassing=gassing, voltage_V=voltage_V)

    # 0 to 10, 10 to 20 without a voltage, not 20 to 30 and 30 to 40, 40 to 50
    assert guard.memory.gassing_s == 30.0


@pytest.mark.parametrize(("current_A", "counts"), [(0.0149, False), (0.016, True)])
def test_what_the_program_no_longer_counts_as_a_charge_is_no_gassing_for_protection_either(current_A: float, counts: bool) -> None:
    """A hundredth of 1.5 Ah per hour: the tail of a long taper must not run into the bound before its own end."""
    plan = plan_of(charge_step())
    raw = inputs_of(source_on=True, current_A=current_A, voltage_V=1.9)
    seen = Observer(plan.inputs).observe(Reading(1.0, raw), 20.0, 0.0, 0.0)

    assert gasses(plan, 1.9, seen) is counts
    assert not gasses(plan, 1.2, seen)


def test_a_gap_in_a_charge_that_gassed_counts_as_gassing() -> None:
    guard = protection(Zeros())
    cause_after(guard, 0.0, gassing=True)
    guard.charge_for_gap(100.0, CHARGE)

    assert guard.memory.gassing_s == 100.0


def test_heating_exactly_at_its_limit_trips() -> None:
    """3 K in 3 min, numbers that a computer holds exactly: the limit of 1 K/min is reached, not passed."""
    guard, found = protection(Zeros()), []
    for at_s in range(0, 195, 15):
        seen = Observer(WITH_METER).observe(Reading(float(at_s), inputs_of(temperature_degC=25.0 + at_s / 60.0)), 20.0, 0.0, 0.0)
        trip = guard.judge(seen, StepBounds(0), live=False, watched=False, gas_A=0.0)
        found.append("" if trip is None else trip.cause)

    assert found == [""] * 12 + ["heating-too-fast"]


def test_every_detector_has_a_cause_in_words_and_names_it_itself() -> None:
    assert set(DETECTORS) <= set(CAUSES)
