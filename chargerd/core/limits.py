"""Protection: judges the same readings as the program, imports nothing from it, runs after it, and can only reduce."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Limits:
    """Effective hard limits of a run: the tightest of profile, cell and bench, frozen at start. Magnitudes.

    `rise_max_K` is above the room (an ambient thermometer, else the cell's own temperature at start). `temperature_*` limits
    are not active on a channel without a thermometer.
    """

    voltage_max_V: float
    voltage_min_V: float
    charge_current_max_A: float
    discharge_current_max_A: float
    temperature_max_degC: float
    temperature_min_degC: float
    rise_max_K: float
    slope_max_K_per_min: float = 1.0
