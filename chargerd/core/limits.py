"""What protection compares with: hard limits, zeros, the bounds of a step; and what comes of it. Numbers only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from chargerd.core.zero import NOTHING_STATED, StatedZero

REVERSED_V = -0.10
"""An open cell reading below this is connected the wrong way round."""
SET_POINT_FLOOR_A = 0.010
"""Current this far above its set-point is no instrument's noise."""
OFF_CURRENT_FLOOR_A = 0.010
"""With outputs off, a current above this (and above 5 × what the bench resolves) still flows."""
BOUND_FACTOR = 1.25
"""A bound is this many times the step's own end: crossing it proves that the end did not work."""


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


@dataclass(frozen=True, slots=True)
class Zeros:
    """The largest readings that still count as no current, A: what each instrument's data sheet allows it, at least 10 mA.

    So much an energised reading may be wrong by, too, until a zero was measured that proves something. `source`, `load`,
    `ammeter`: what the data sheets say, by which a zero is judged. `apart_A` and `apart_share` of the current are the most by
    which ammeter and source or load may differ. `lead_ohm`: leads and shunt between source and cell. `apart_V` and
    `apart_voltage_share` of the voltage are the most by which a meter at the cell may read beyond the instrument that drives
    it; None where no accuracy is known.
    """

    source_A: float = OFF_CURRENT_FLOOR_A
    load_A: float = OFF_CURRENT_FLOOR_A
    ammeter_A: float = OFF_CURRENT_FLOOR_A
    source: StatedZero = NOTHING_STATED
    load: StatedZero = NOTHING_STATED
    ammeter: StatedZero = NOTHING_STATED
    apart_A: float = 2 * OFF_CURRENT_FLOOR_A
    apart_share: float = 0.02
    lead_ohm: float = 0.0
    apart_V: float | None = None
    apart_voltage_share: float = 0.0


@dataclass(frozen=True, slots=True)
class StepBounds:
    """What protection knows of the present step: only numbers to compare with. `direction` is +1 charge, −1 discharge, 0 off.

    `current_set_A` is the present set-point, `current_most_A` the most it may become while the step lasts. `zero_max_A`: the
    relay to the cell is open, and this much may be an instrument's zero. None: the step has no such set-point or end.
    `slack_A`: what the channel's current may be wrong by.
    """

    direction: int
    current_set_A: float = 0.0
    voltage_set_V: float | None = None
    floor_V: float | None = None
    time_s: float | None = None
    charge_Ah: float | None = None
    energy_Wh: float | None = None
    gas_charge_Ah: float | None = None
    gassing_s: float | None = None
    current_most_A: float = 0.0
    zero_max_A: float | None = None
    slack_A: float = SET_POINT_FLOOR_A


class Trip(NamedTuple):
    """One limit or bound crossed."""

    cause: str
    value: float | None
    limit: float | None
    text: str = ""
