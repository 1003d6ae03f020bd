"""What is no number never passes for a healthy value, at any place where protection compares one."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from chargerd.core.detect.protection import Protection
from chargerd.core.detect.sight import Frozen, Sight
from chargerd.core.detect.table import DETECTORS
from chargerd.core.limits import StepBounds, Zeros
from chargerd.core.observation import Observation, Observer
from chargerd.core.protection_memory import ProtectionMemory
from chargerd.core.reading import Reading
from tests.core.bench_of_one import INPUTS, LIMITS, inputs_of

CHARGE = StepBounds(1, 0.15, 1.85, time_s=3600.0, charge_Ah=1.0, energy_Wh=2.0, gas_charge_Ah=0.1)
DISCHARGE = StepBounds(-1, 0.3, floor_V=0.8, time_s=3600.0, charge_Ah=1.0)
CASES = [
    (bounds, name)
    for bounds, names in (
        (CHARGE, ("current_A", "temperature_degC", "source_current_A", "load_current_A", "source_voltage_V",
                  "source_voltage_set_V", "source_current_set_A", "ovp_V", "ocp_A")),
        (DISCHARGE, ("current_A", "temperature_degC", "source_current_A", "load_current_A", "load_current_set_A", "ovp_V", "ocp_A")),
    )
    for name in names
]  # fmt: skip
"""Every number of an observation that is judged by itself; the cell's voltage stands among `voltages_V`."""


def seen(bounds: StepBounds) -> Observation:
    charges = bounds.direction > 0
    raw = inputs_of(
        source_on=charges, load_on=not charges, current_A=0.1 if charges else -0.3, supply_voltage_set_V=1.85,
        supply_current_set_A=0.15, supply_ovp_V=2.0, supply_ocp_A=0.5, load_current_set_A=0.3,
    )  # fmt: skip
    return Observer(INPUTS).observe(Reading(5.0, raw), 20.0, 0.0, 0.0)


def judge(observation: Observation, bounds: StepBounds) -> bool:
    guard = Protection(Frozen(LIMITS, Zeros(), has_thermometer=True, missed_max=3, current_u_A=0.0, ovp_V=2.0, ocp_A=0.5))
    return any(guard.judge(observation, bounds, live=True, watched=True, gas_A=0.0) is not None for _ in range(3))


@pytest.mark.parametrize(("bounds", "name"), CASES)
def test_a_nan_in_any_judged_value_trips(name: str, bounds: StepBounds) -> None:
    healthy = seen(bounds)

    assert getattr(healthy, name) is not None
    assert not judge(healthy, bounds)
    assert judge(replace(healthy, **{name: math.nan}), bounds)


@pytest.mark.parametrize("bounds", [CHARGE, DISCHARGE], ids=["charge", "discharge"])
def test_a_nan_among_the_voltages_trips(bounds: StepBounds) -> None:
    healthy = seen(bounds)

    assert judge(replace(healthy, voltages_V=[*healthy.voltages_V, math.nan]), bounds)


BY_ITSELF = [
    ("over-voltage", CHARGE, {"voltages_V": [math.nan]}),
    ("reverse-polarity", CHARGE, {"voltages_V": [math.nan]}),
    ("under-voltage", DISCHARGE, {"voltages_V": [math.nan]}),
    ("over-current", CHARGE, {"current_A": math.nan, "source_current_A": None, "ammeter_A": None}),
    ("over-current", DISCHARGE, {"current_A": math.nan, "load_current_A": None}),
    ("over-current", CHARGE, {"source_current_A": math.nan, "current_A": None}),
    ("current-direction", CHARGE, {"current_A": math.nan}),
    ("current-above-set-point", CHARGE, {"current_A": math.nan}),
    ("current-while-off", CHARGE, {"load_current_A": math.nan}),
    ("set-point-changed", CHARGE, {"source_voltage_set_V": math.nan}),
    ("set-point-changed", DISCHARGE, {"load_current_set_A": math.nan}),
    ("protection-level-changed", CHARGE, {"ovp_V": math.nan}),
    ("over-temperature", CHARGE, {"temperature_degC": math.nan}),
    ("temperature-rise", CHARGE, {"ambient_degC": math.nan}),
]


@pytest.mark.parametrize(("cause", "bounds", "values"), BY_ITSELF)
def test_a_detector_trips_on_a_nan_without_the_help_of_another(cause: str, bounds: StepBounds, values: dict[str, object]) -> None:
    frozen = Frozen(LIMITS, Zeros(), has_thermometer=True, missed_max=3, current_u_A=0.0, ovp_V=2.0, ocp_A=0.5)
    sight = Sight(replace(seen(bounds), **values), bounds, frozen, ProtectionMemory(), live=True, watched=True, connected=None)  # type: ignore[arg-type]
    trip = DETECTORS[cause](sight)

    assert trip is not None
    assert trip.cause == cause
