"""Protection: every cause trips, and nothing missing passes for healthy."""

import math
from dataclasses import replace

import pytest

from chargerd.core.causes import CAUSES
from chargerd.core.detect.protection import Protection
from chargerd.core.detect.sight import Frozen
from chargerd.core.limits import BOUND_FACTOR, StepBounds, Zeros
from chargerd.core.observation import Observer
from chargerd.core.reading import Measured, Reading

from .bench_of_one import INPUTS, LIMITS, inputs_of

CHARGE = StepBounds(1, 0.15, 1.85, time_s=3600.0, charge_Ah=1.0, energy_Wh=2.0, gas_charge_Ah=0.1)
DISCHARGE = StepBounds(-1, 0.3, floor_V=0.8, time_s=3600.0, charge_Ah=1.0)
REST = StepBounds(0)
ZERO_SOURCE = StepBounds(1, 0.075, 1.85, time_s=34.0, charge_Ah=1.0, zero_max_A=0.010)
ZERO_LOAD = StepBounds(-1, 0.075, time_s=34.0, charge_Ah=1.0, zero_max_A=0.010)


def protection() -> Protection:
    return Protection(Frozen(LIMITS, Zeros(), has_thermometer=True, missed_max=3, current_u_A=0.0, ovp_V=2.0, ocp_A=0.5))


def judge(guard: Protection, elapsed_s: float, bounds: StepBounds, *, gas_A: float = 0.0, **inputs: object):
    live = bounds.direction != 0
    given = {"source_on": bounds.direction > 0, "load_on": bounds.direction < 0}
    raw = inputs_of(**{**given, **inputs})  # type: ignore[arg-type]
    seen = Observer(INPUTS).observe(Reading(elapsed_s, raw), 20.0, 0.0, 0.0)
    return guard.judge(seen, bounds, live=live, watched=live, gas_A=gas_A)


def cause(trip) -> str | None:
    return None if trip is None else trip.cause


@pytest.mark.parametrize(
    ("expected", "bounds", "inputs"),
    [
        ("over-voltage", CHARGE, {"voltage_V": 2.7501, "current_A": 0.15}),
        ("over-voltage", REST, {"voltage_V": 2.7501}),
        ("reverse-polarity", REST, {"voltage_V": -0.11}),
        ("over-current", CHARGE, {"current_A": 2.501}),
        ("over-current", DISCHARGE, {"current_A": -2.501}),
        ("current-above-set-point", CHARGE, {"current_A": 0.176}),
        ("current-above-set-point", DISCHARGE, {"current_A": -0.341}),
        ("current-direction", CHARGE, {"current_A": -0.02}),
        ("current-direction", DISCHARGE, {"current_A": 0.02}),
        ("over-temperature", REST, {"temperature_degC": 45.01}),
        ("too-cold", REST, {"temperature_degC": 4.99}),
        ("source-and-load-on", CHARGE, {"source_on": True, "load_on": True, "current_A": 0.1}),
        ("source-found-on", REST, {"source_on": True}),
        ("load-found-on", CHARGE, {"source_on": False, "load_on": True, "current_A": 0.0}),
        ("load-found-off", DISCHARGE, {"load_on": False}),
        ("current-while-off", REST, {"supply_current_A": 0.02}),
        ("current-while-off", REST, {"load_current_A": 0.02}),
        ("current-while-isolated", ZERO_SOURCE, {"current_A": 0.021}),
        ("current-while-isolated", ZERO_SOURCE, {"current_A": -0.021}),
        ("current-while-isolated", ZERO_LOAD, {"current_A": -0.021}),
        ("instrument-protection", CHARGE, {"current_A": 0.1, "supply_tripped": 1.0}),
        ("instrument-protection", DISCHARGE, {"current_A": -0.3, "load_tripped": 1.0}),
        ("instrument-restarted", CHARGE, {"current_A": 0.1, "supply_restarted": 1.0}),
        ("instrument-restarted", CHARGE, {"current_A": 0.1, "load_restarted": 1.0}),
        ("set-point-changed", CHARGE, {"current_A": 0.1, "supply_voltage_set_V": 1.95}),
        ("set-point-changed", CHARGE, {"current_A": 0.1, "supply_current_set_A": 0.25}),
        ("set-point-changed", DISCHARGE, {"current_A": -0.3, "load_current_set_A": 0.4}),
        ("protection-level-changed", CHARGE, {"current_A": 0.1, "supply_ovp_V": 30.0}),
        ("protection-level-changed", CHARGE, {"current_A": 0.1, "supply_ocp_A": 3.0}),
    ],
)  # fmt: skip
def test_one_reading_past_a_limit_trips(expected, bounds, inputs):
    trip = judge(protection(), 10.0, bounds, **inputs)

    assert cause(trip) == expected
    assert expected in CAUSES


@pytest.mark.parametrize(
    ("bounds", "inputs"),
    [
        (CHARGE, {"voltage_V": 1.85, "current_A": 0.15}),
        (ZERO_SOURCE, {"voltage_V": 1.85, "current_A": 0.019}),
        (ZERO_LOAD, {"voltage_V": 0.0, "current_A": -0.019}),
        (REST, {"voltage_V": 2.75}),
        (REST, {"voltage_V": -0.10}),
        (CHARGE, {"current_A": 0.174}),
        (DISCHARGE, {"current_A": -0.3}),
        (REST, {"temperature_degC": 45.0}),
        (REST, {"temperature_degC": 5.0}),
        (REST, {"supply_current_A": 0.0099}),
        (CHARGE, {"current_A": 0.1, "supply_voltage_set_V": 1.855, "supply_current_set_A": 0.151, "supply_ovp_V": 2.0}),
    ],
)
def test_a_reading_within_every_limit_does_not_trip(bounds, inputs):
    assert judge(protection(), 10.0, bounds, **inputs) is None


@pytest.mark.parametrize("level_V", [math.nan, math.inf, 9.91e37])
def test_a_value_that_is_no_number_can_never_pass_for_a_healthy_voltage(level_V):
    assert cause(judge(protection(), 0.0, REST, voltage_V=level_V)) == "over-voltage"


def test_any_one_valid_voltage_may_trip():
    # The channel's own voltage is the supply's; the load's terminals alone read too high.
    assert cause(judge(protection(), 0.0, REST, voltage_V=1.5, load_voltage_V=2.8)) == "over-voltage"


@pytest.mark.parametrize(
    ("bounds", "inputs"),
    [(CHARGE, {"current_A": 2.6, "load_on": None}), (DISCHARGE, {"current_A": -2.6, "source_on": None, "supply_current_A": 0.0})],
)
def test_a_current_above_its_limit_trips_while_the_other_instrument_is_mute(bounds, inputs):
    assert cause(judge(protection(), 0.0, bounds, **inputs)) == "over-current"


def test_a_charge_above_its_own_voltage_trips_after_two_seconds_not_at_once():
    guard = protection()
    high = {"voltage_V": 1.91, "current_A": 0.1}

    assert judge(guard, 0.0, CHARGE, **high) is None
    assert judge(guard, 1.9, CHARGE, **high) is None
    assert cause(judge(guard, 2.0, CHARGE, **high)) == "step-voltage"


def test_one_good_reading_between_forgives_the_step_voltage():
    guard = protection()
    for elapsed_s, voltage_V in ((0.0, 1.91), (1.0, 1.85), (2.5, 1.91), (4.0, 1.91)):
        assert judge(guard, elapsed_s, CHARGE, voltage_V=voltage_V, current_A=0.1) is None


def test_a_discharge_far_below_its_end_trips():
    guard = protection()

    assert judge(guard, 0.0, DISCHARGE, voltage_V=0.69, current_A=-0.3) is None
    assert cause(judge(guard, 2.0, DISCHARGE, voltage_V=0.69, current_A=-0.3)) == "over-discharge"


def test_warming_above_the_start_trips():
    guard = protection()

    assert judge(guard, 0.0, REST, temperature_degC=20.0) is None
    assert judge(guard, 5000.0, REST, temperature_degC=32.0) is None
    assert cause(judge(guard, 5010.0, REST, temperature_degC=32.1)) == "temperature-rise"


def test_an_ambient_thermometer_is_the_room_where_there_is_one():
    from dataclasses import replace

    observer = Observer(replace(INPUTS, ambient="shed"))
    raw = inputs_of(temperature_degC=40.0)
    raw["shed_temperature_degC"] = Measured(27.9)
    guard = protection()

    trip = guard.judge(observer.observe(Reading(0.0, raw), 20.0, 0.0, 0.0), REST, live=False, watched=False, gas_A=0.0)

    assert (cause(trip), trip.value) == ("temperature-rise", pytest.approx(12.1))


@pytest.mark.parametrize(("K_per_min", "expected"), [(0.95, None), (1.05, "heating-too-fast")])
def test_heating_a_kelvin_a_minute_for_three_minutes_trips(K_per_min, expected):
    guard = protection()
    trips = [judge(guard, 5.0 * n, REST, temperature_degC=25.0 + K_per_min * 5.0 * n / 60) for n in range(43)]

    assert {cause(trip) for trip in trips if trip} == ({expected} if expected else set())
    if expected:
        assert trips.index(next(trip for trip in trips if trip)) * 5.0 == 180.0


@pytest.mark.parametrize("every_s", [1.0, 7.0, 14.0, 15.02, 20.0, 25.0, 28.0, 35.0, 40.0, 50.0, 60.02])
def test_heating_is_seen_at_every_sampling_period(every_s):
    guard = protection()
    trips = [judge(guard, every_s * n, REST, temperature_degC=20.0 + 2.0 * every_s * n / 60) for n in range(int(300 / every_s))]

    assert next(cause(trip) for trip in trips if trip) == "heating-too-fast"


@pytest.mark.parametrize(
    ("expected", "current_A", "gas_A", "limit"),
    [
        ("bound-time", 0.01, 0.0, BOUND_FACTOR * 3600.0),
        ("bound-gas", 0.14, 0.14, BOUND_FACTOR * 0.1),
    ],
)
def test_a_bound_is_a_quarter_beyond_the_end(expected, current_A, gas_A, limit):
    guard = protection()
    elapsed_s = 0.0
    trip = None
    while trip is None:
        trip = judge(guard, elapsed_s, CHARGE, voltage_V=1.0, current_A=current_A, gas_A=gas_A)
        elapsed_s += 5.0

    assert (trip.cause, trip.limit) == (expected, pytest.approx(limit))
    assert trip.value == pytest.approx(limit, rel=3e-3)


@pytest.mark.parametrize(
    ("expected", "bounds", "rate"),
    [
        ("bound-charge", StepBounds(1, 0.15, 1.85, charge_Ah=0.1), 0.15),
        ("bound-energy", StepBounds(1, 0.15, 1.85, energy_Wh=0.1), 0.15 * 1.5),
    ],
)
def test_charge_and_energy_bounds(expected, bounds, rate):
    guard = protection()
    elapsed_s = 0.0
    trip = None
    while trip is None:
        trip = judge(guard, elapsed_s, bounds, voltage_V=1.5, current_A=0.15)
        elapsed_s += 5.0

    assert trip.cause == expected
    assert elapsed_s - 5.0 == pytest.approx(0.125 / rate * 3600.0, abs=5.0)


def test_readings_missing_once_more_than_tolerated_trip():
    guard = protection()
    missing = [judge(guard, 5.0 * n, CHARGE, voltage_V=None, current_A=0.1) for n in range(4)]

    assert [cause(trip) for trip in missing] == [None, None, None, "reading-lost"]
    assert missing[-1].text == "voltage"


@pytest.mark.parametrize("name", ["voltage_V", "temperature_degC", "source_on", "load_on"])
def test_each_supervised_input_counts_as_missing(name):
    guard = protection()
    given = {"current_A": 0.1, "source_on": True, "load_on": False, name: None}

    assert [cause(judge(guard, 5.0 * n, CHARGE, **given)) for n in range(4)][-1] == "reading-lost"


def test_one_good_reading_ends_the_count_of_missing():
    guard = protection()
    for elapsed_s, voltage_V in ((0, None), (5, None), (10, None), (15, 1.5), (20, None), (25, None), (30, None)):
        assert judge(guard, float(elapsed_s), CHARGE, voltage_V=voltage_V, current_A=0.1) is None


def test_readings_missing_at_rest_do_not_trip():
    guard = protection()

    assert [judge(guard, 10.0 * n, REST, voltage_V=None) for n in range(20)] == [None] * 20


def test_its_sums_are_never_below_the_truth():
    # A taper: the larger of two readings over the whole interval is above any curve between them.
    guard = protection()
    bounds = StepBounds(1, 0.15, 1.85, charge_Ah=10.0)
    for n in range(61):
        judge(guard, 60.0 * n, bounds, current_A=0.15 * math.exp(-n / 20), voltage_V=1.8)

    truth_Ah = 0.15 * 1200 * (1 - math.exp(-3)) / 3600
    assert truth_Ah < guard.memory.charge_Ah < 1.03 * truth_Ah


@pytest.mark.parametrize("missing", [{"voltage_V": None}, {"source_on": None}])
def test_gas_goes_on_as_it_was_while_it_cannot_be_known(missing):
    guard = protection()
    judge(guard, 0.0, CHARGE, current_A=0.15, gas_A=0.1)
    for elapsed_s in (5.0, 10.0, 15.0):
        judge(guard, elapsed_s, CHARGE, **{"current_A": 0.15, **missing})

    assert guard.memory.gas_charge_Ah == pytest.approx(0.1 * 15.0 / 3600.0)


@pytest.mark.parametrize("last_A", [0.15, 0.03, 0.0])
def test_a_gap_is_charged_at_the_steps_own_current_also_just_after_switching_on(last_A):
    guard = protection()
    judge(guard, 0.0, CHARGE, current_A=last_A, voltage_V=1.8)

    guard.charge_for_gap(360.0, CHARGE)

    assert guard.memory.charge_Ah == pytest.approx(0.015)
    assert guard.memory.gas_charge_Ah == pytest.approx(0.015)
    assert guard.memory.step_s == 360.0


def test_a_cell_standing_above_a_lower_step_is_no_source_that_disobeys():
    guard = protection()

    for elapsed_s in (0.0, 5.0, 10.0):
        assert judge(guard, elapsed_s, CHARGE, voltage_V=1.95, current_A=0.0) is None


@pytest.mark.parametrize(("bounds", "raw_A"), [(CHARGE, 2.45), (DISCHARGE, -2.45)])
def test_a_stored_zero_cannot_hide_an_over_current(bounds, raw_A):
    raw = inputs_of(source_on=bounds.direction > 0, load_on=bounds.direction < 0, current_A=raw_A)
    seen = Observer(INPUTS).observe(Reading(0.0, raw), 20.0, -0.1, -0.1)

    trip = protection().judge(seen, bounds, live=True, watched=True, gas_A=0.0)

    assert cause(trip) == "over-current"


def test_a_plan_that_never_charges_expects_no_level_of_the_source():
    """Without a charge no over-voltage level follows, and neither level is written: what the source holds is not ours."""
    guard = Protection(Frozen(LIMITS, Zeros(), has_thermometer=True, missed_max=3, current_u_A=0.0, ovp_V=None, ocp_A=0.334))

    assert judge(guard, 1.0, DISCHARGE, current_A=-0.3, supply_ocp_A=9999.0) is None


def test_with_the_relay_open_a_voltage_of_nought_is_not_the_cells():
    """A load on its own behind an open relay reads nothing: that is no cell drained below its limit."""
    limits = replace(LIMITS, voltage_min_V=0.5)
    guard = Protection(Frozen(limits, Zeros(), has_thermometer=True, missed_max=3, current_u_A=0.0, ovp_V=2.0, ocp_A=0.5))

    assert judge(guard, 1.0, ZERO_LOAD, voltage_V=0.0, current_A=0.0) is None
    assert cause(judge(guard, 2.0, DISCHARGE, voltage_V=0.0, current_A=-0.3)) == "under-voltage"
