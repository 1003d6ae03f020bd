"""The one table of step ends, and how each is judged. An end reached is an event, never a trip.

To add an end: one row in `ENDS`, the quantity it judges in `StepView`, for a slope or a fall its window in trend.py, its bounds
and its words (config/profile_keys.py, config/echo.py), a scenario in tests/scenarios, a row in MANUAL.md.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from chargerd.core.program import CHARGING, ENERGISING, EndSpec, Step, StepKind

VOLTAGE_LIMIT_MARGIN_V = 0.010
"""A charge counts as being at its voltage limit within this much of the set-point when the source does not say so itself."""


@dataclass(slots=True)
class StepView:
    """What ends are judged on, at one reading within one step. None = not known at this reading (never reaches an end)."""

    elapsed_s: float
    voltage_V: float | None = None
    current_A: float | None = None
    temperature_degC: float | None = None
    ir_free_V: float | None = None
    at_voltage_limit: bool = False
    charge_Ah: float = 0.0
    energy_Wh: float = 0.0
    gassing_s: float = 0.0
    gas_charge_Ah: float = 0.0
    plateau_s: float = 0.0
    is_ir_free: bool = True
    rise_K: float | None = None
    voltage_slopes_V_per_h: tuple[float, ...] = ()
    temperature_slopes_K_per_min: tuple[float, ...] = ()
    falls_V: tuple[float, ...] = ()


Judge = Callable[[StepView, float], float | None]


@dataclass(frozen=True, slots=True)
class EndKind:
    """One row of the table.

    `dimension` names the unit a profile writes it in; `confirm` how many readings running must agree before the step ends
    (noise on one reading must not end it; slopes and falls are judged on two means running instead, see core/trend.py);
    `bounded` whether 1.25 × the end is a bound whose crossing trips.
    """

    key: str
    dimension: str
    steps: frozenset[StepKind]
    confirm: int
    bounded: bool
    meaning: str
    judge: Judge


def _at_least(value: float | None, limit: float) -> float | None:
    return value if value is not None and value >= limit else None


def _at_most(value: float | None, limit: float) -> float | None:
    return value if value is not None and value <= limit else None


def _current_below(view: StepView, limit_A: float) -> float | None:
    # Small current below the voltage limit is no taper: it is an open lead or a weak supply, and other rows judge that.
    if not view.at_voltage_limit or view.current_A is None:
        return None
    return _at_most(abs(view.current_A), limit_A)


def _ir_free_above(view: StepView, limit_V: float) -> float | None:
    # Before an interruption has given a resistance, `ir_free_V` is the terminal voltage: a strong charge would end at once.
    return _at_least(view.ir_free_V, limit_V) if view.is_ir_free else None


def _slope_below(view: StepView, limit_V_per_h: float) -> float | None:
    steepest = max((abs(slope) for slope in view.voltage_slopes_V_per_h), default=None)
    return None if steepest is None else _at_most(steepest, limit_V_per_h)


def _falls_faster(view: StepView, limit_V_per_h: float) -> float | None:
    return _at_least(min((-slope for slope in view.voltage_slopes_V_per_h), default=None), limit_V_per_h)


_DISCHARGE = frozenset({StepKind.DISCHARGE})
_CHARGE = frozenset({StepKind.CHARGE})
_PULSED = frozenset({StepKind.PULSES})

_ROWS = (
    EndKind("current_below", "current", CHARGING, 3, False,
            "the current at the voltage limit has tapered to this or less", _current_below),
    EndKind("plateau_lasts", "time", CHARGING, 1, False,
            "current (at the voltage limit) or voltage (below it) has stopped changing for this long",
            lambda view, limit: _at_least(view.plateau_s, limit)),
    EndKind("voltage_falls_by", "voltage", _CHARGE, 1, False,
            "below the voltage limit, the voltage (means over 30 s) has fallen by this from its highest",
            lambda view, limit: _at_least(min(view.falls_V, default=None), limit)),
    EndKind("voltage_slope_below", "voltage_rate", _CHARGE | {StepKind.REST}, 1, False,
            "over 10 min or more the voltage changes by this or less (a charge: below its voltage limit)", _slope_below),
    EndKind("voltage_slope_above", "voltage_rate", _DISCHARGE, 1, False,
            "over 1 min or more the voltage falls by this or faster", _falls_faster),
    EndKind("voltage_above", "voltage", CHARGING | _PULSED, 3, False, "the cell's terminal voltage has reached this",
            lambda view, limit: _at_least(view.voltage_V, limit)),
    EndKind("ir_free_voltage_above", "voltage", CHARGING, 3, False,
            "the cell's voltage less current times interruption resistance has reached this",
            _ir_free_above),
    EndKind("voltage_below", "voltage", _DISCHARGE | _PULSED, 3, False, "the cell's terminal voltage has fallen to this",
            lambda view, limit: _at_most(view.voltage_V, limit)),
    EndKind("temperature_above", "temperature", ENERGISING | _PULSED, 3, False, "the cell has reached this temperature",
            lambda view, limit: _at_least(view.temperature_degC, limit)),
    EndKind("temperature_rise_above", "temperature_difference", ENERGISING, 3, False,
            "the cell has warmed by this since the step began", lambda view, limit: _at_least(view.rise_K, limit)),
    EndKind("temperature_slope_above", "heating_rate", ENERGISING, 1, False,
            "over 3 min or more the cell warms by this or faster",
            lambda view, limit: _at_least(min(view.temperature_slopes_K_per_min, default=None), limit)),
    EndKind("gassing_time", "time", CHARGING, 1, False, "time above the gassing threshold (IR-free) in this step",
            lambda view, limit: _at_least(view.gassing_s, limit)),
    EndKind("gas_charge", "charge", CHARGING, 1, True, "estimated charge that went into gas in this step",
            lambda view, limit: _at_least(view.gas_charge_Ah, limit)),
    EndKind("charge", "charge", ENERGISING, 1, True, "charge moved in this step",
            lambda view, limit: _at_least(view.charge_Ah, limit)),
    EndKind("energy", "energy", ENERGISING, 1, True, "energy moved in this step",
            lambda view, limit: _at_least(view.energy_Wh, limit)),
    EndKind("time", "time", ENERGISING, 1, True, "time since the step began",
            lambda view, limit: _at_least(view.elapsed_s, limit)),
)

ENDS: dict[str, EndKind] = {row.key: row for row in _ROWS}


def judge_ends(step: Step, view: StepView, confirmed: dict[str, int]) -> tuple[EndSpec, float] | None:
    """Return the first end reached, with the value that reached it, or None.

    `confirmed` counts readings in agreement by end and is changed here. Ends are judged in the order of the table, so two
    ends reached at one reading name the more telling one. Rests and parts end by their own `lasts_s`.
    """
    reached: tuple[EndSpec, float] | None = None
    for spec in step.ends:
        kind = ENDS[spec.kind]
        value = kind.judge(view, spec.value)
        if value is None:
            if spec.kind in confirmed:
                confirmed[spec.kind] = 0
            continue
        count = confirmed.get(spec.kind, 0) + 1
        confirmed[spec.kind] = count
        if count >= kind.confirm and reached is None:
            reached = (spec, value)
    if reached is None and step.timed and view.elapsed_s >= step.lasts_s - 1e-9:
        return EndSpec("lasts", step.lasts_s), view.elapsed_s
    return reached
