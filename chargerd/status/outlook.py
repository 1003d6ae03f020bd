"""Which end of the present step will come first, and when: an estimate for people. Nothing is ever decided on it. Pure.

Ends that add up (charge, energy, gas, gassing time) and voltages or temperatures are drawn out along their recent straight
line. A tapering current is drawn out as `floor + A·exp(-t/tau)`: on a gassing cell it tapers to the gas current, not to
nothing, and an end below that floor never comes; charge and energy at the voltage limit follow the same curve. Below the
voltage limit nothing is said of what comes after reaching it. What the readings do not settle is None, never a guess.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

from chargerd.core.ends import StepView
from chargerd.core.program import EndSpec, Step, StepKind

POINTS_MAX = 120
"""Points kept of a step. When full, every second one is dropped, so memory is bounded and the whole step stays covered."""

FIT_POINTS_MIN = 9
"""Fewer recent points than this say nothing about a slope or a taper (three for each third of a taper)."""

RECENT = 1 / 5
"""The part of the step a straight line is laid through. Cells curve: all of the step would answer for its beginning."""

TAPER_RECENT = 1 / 2
"""The part of the time at the voltage limit a taper is laid through: the first minutes fall faster than what follows."""

FAR_S = 14 * 86400.0
"""An end drawn out further than this is not known: no step of any profile may last so long."""

RESOLVED = 3.0
"""A slope must be this many times its own standard error to be drawn out; noise alone passes in about 1 of 100 tries."""


class NextEnd(NamedTuple):
    """The end expected first. `end` is a key of `ENDS` or `lasts`; `remaining_s` None: not known when."""

    end: str
    value: float | None
    limit: float
    remaining_s: float | None


class Outlook(NamedTuple):
    """`step_left_s` is the time until the step's first end. Trends are -1 falling, 1 rising, 0 steady or not known.

    `to_limit_s`: the charge is expected to reach its voltage limit first, in this time; what ends it then is not known yet.
    """

    next_end: NextEnd | None
    step_left_s: float | None
    current_trend: int = 0
    voltage_trend: int = 0
    to_limit_s: float | None = None


NO_OUTLOOK = Outlook(None, None)


class Line(NamedTuple):
    """A least-squares line at the newest point: its value there, its slope per second, the slope's standard error."""

    value: float
    slope: float
    slope_error: float

    def is_resolved(self) -> bool:
        """Whether the slope is more than noise."""
        return abs(self.slope) > RESOLVED * self.slope_error

    def reaches_in_s(self, limit: float) -> float | None:
        """Return when the line meets `limit`, 0 when it is there; None when it leads away from it or is not resolved."""
        if self.slope == 0.0 or not self.is_resolved():
            return None
        return _not_far((limit - self.value) / self.slope)


class Taper(NamedTuple):
    """A current `floor + height·exp(-t/tau)`, with t counted from the newest point."""

    floor: float
    height: float
    tau_s: float

    def reaches_in_s(self, limit: float) -> float | None:
        """Return when the current is down to `limit`; None when its floor is above."""
        if limit <= self.floor:
            return None
        return _not_far(max(0.0, self.tau_s * math.log(self.height / (limit - self.floor))))

    def charges_in_s(self, charge_Ah: float) -> float | None:
        """Return when this much more charge will have flowed: floor·t + height·tau·(1 - exp(-t/tau)), solved by bisection."""
        short_s, long_s = 0.0, FAR_S
        wanted_As = charge_Ah * 3600.0

        def flowed_As(after_s: float) -> float:
            return self.floor * after_s + self.height * self.tau_s * -math.expm1(-after_s / self.tau_s)

        if not 0.0 <= wanted_As <= flowed_As(FAR_S):
            return None
        while long_s - short_s > 1.0:
            middle_s = (short_s + long_s) / 2.0
            short_s, long_s = (middle_s, long_s) if flowed_As(middle_s) < wanted_As else (short_s, middle_s)
        return long_s


class Forecast:
    """Follows one step. Make a new one when a step begins; `take` each view of it; ask `outlook()` whenever one is shown.

    `voltage_limit_V` is the rung of a climbing charge, whose step has no voltage of its own.
    """

    __slots__ = ("_computed_at_s", "_last", "_limit_V", "_limited", "_outlook", "_points", "_spacing_s", "_step")

    def __init__(self, step: Step, voltage_limit_V: float | None = None) -> None:
        self._step = step
        self._limit_V = step.voltage_V if voltage_limit_V is None else voltage_limit_V
        self._limited = False
        self._points: list[StepView] = []
        self._spacing_s = 0.0
        self._last: StepView | None = None
        self._outlook = NO_OUTLOOK
        self._computed_at_s = -math.inf

    def take(self, view: StepView) -> None:
        """Remember this view. The views of a step come in order of time; one with the output interrupted is left out."""
        if view.current_A == 0.0 and self._step.direction:
            return
        point = replace(view)
        self._last = point
        if point.at_voltage_limit and not self._limited:  # the charge goes on by another law: what was before misleads
            self._limited, self._points, self._spacing_s, self._computed_at_s = True, [], 0.0, -math.inf
        if self._points and point.elapsed_s - self._points[-1].elapsed_s < self._spacing_s:
            return
        self._points.append(point)
        if len(self._points) > POINTS_MAX:
            self._points = self._points[::2]
            self._spacing_s = (self._points[-1].elapsed_s - self._points[0].elapsed_s) / len(self._points) * 0.99

    def outlook(self) -> Outlook:
        """Return the estimate at the newest view. Worked out anew when the step is 1 % older, else only counted down."""
        last = self._last
        if last is None:
            return NO_OUTLOOK
        if last.elapsed_s - self._computed_at_s >= (last.elapsed_s - self._points[0].elapsed_s) / 100.0:
            points = self._points if self._points[-1] is last else [*self._points, last]
            self._outlook = look_ahead(self._step, points, self._limit_V)
            self._computed_at_s = last.elapsed_s
        past_s = last.elapsed_s - self._computed_at_s
        old = self._outlook
        if past_s <= 0.0 or old.next_end is None:
            return old
        if old.to_limit_s is not None:
            return old._replace(to_limit_s=max(0.0, old.to_limit_s - past_s))
        if old.next_end.remaining_s is None:
            return old
        left_s = max(0.0, old.next_end.remaining_s - past_s)
        end = old.next_end._replace(value=value_of(old.next_end.end, last), remaining_s=left_s)
        return old._replace(next_end=end, step_left_s=left_s)


def look_ahead(step: Step, points: list[StepView], limit_V: float | None) -> Outlook:
    """Estimate the end of `step` from views of it in order of time. `limit_V` is the voltage a charge is limited at.

    The first end of those whose time is known. When none is known, the step's own first end stands there with no time.
    """
    last = points[-1]
    since_s = last.elapsed_s - RECENT * (last.elapsed_s - points[0].elapsed_s)
    recent = [point for point in points if point.elapsed_s >= since_s]
    if len(recent) < FIT_POINTS_MIN:
        recent = points[-FIT_POINTS_MIN:]
    current = fit_line([(point.elapsed_s, point.current_A) for point in recent])
    voltage = fit_line([(point.elapsed_s, point.voltage_V) for point in recent])
    taper = fit_taper(_taper_part(points)) if last.at_voltage_limit else None
    best: NextEnd | None = None
    for spec in _ends_of(step):
        remaining_s = _remaining_s(spec, recent, last, taper)
        if best is None or (remaining_s is not None and (best.remaining_s is None or remaining_s < best.remaining_s)):
            best = NextEnd(spec.kind, value_of(spec.kind, last), spec.value, remaining_s)
    trends = _trend(current), _trend(voltage)
    if best is not None and step.kind is StepKind.CHARGE and limit_V is not None and not last.at_voltage_limit:
        to_limit_s = None if voltage is None else voltage.reaches_in_s(limit_V)
        if to_limit_s is not None and (best.remaining_s is None or to_limit_s < best.remaining_s):
            first = step.ends[0]
            unknown = NextEnd(first.kind, value_of(first.kind, last), first.value, None)
            return Outlook(unknown, None, *trends, to_limit_s)
    return Outlook(best, None if best is None else best.remaining_s, *trends)


def _ends_of(step: Step) -> tuple[EndSpec, ...]:
    return (EndSpec("lasts", step.lasts_s), *step.ends) if step.timed else step.ends


_VALUES: dict[str, Callable[[StepView], float | None]] = {
    "current_below": lambda view: None if view.current_A is None else abs(view.current_A),
    "plateau_lasts": lambda view: view.plateau_s,
    "voltage_above": lambda view: view.voltage_V,
    "voltage_below": lambda view: view.voltage_V,
    "ir_free_voltage_above": lambda view: view.ir_free_V,
    "temperature_above": lambda view: view.temperature_degC,
    "temperature_rise_above": lambda view: view.rise_K,
    "temperature_slope_above": lambda view: min(view.temperature_slopes_K_per_min, default=None),
    "voltage_slope_below": lambda view: max((abs(slope) for slope in view.voltage_slopes_V_per_h), default=None),
    "voltage_slope_above": lambda view: min((-slope for slope in view.voltage_slopes_V_per_h), default=None),
    "voltage_falls_by": lambda view: min(view.falls_V, default=None),
    "gassing_time": lambda view: view.gassing_s,
    "gas_charge": lambda view: view.gas_charge_Ah,
    "charge": lambda view: view.charge_Ah,
    "energy": lambda view: view.energy_Wh,
    "time": lambda view: view.elapsed_s,
    "lasts": lambda view: view.elapsed_s,
}


def value_of(end: str, view: StepView) -> float | None:
    """Return the quantity that end judges. Raises KeyError for a word that is no end."""
    return _VALUES[end](view)


def _remaining_s(spec: EndSpec, recent: list[StepView], last: StepView, taper: Taper | None) -> float | None:
    if spec.kind in ("time", "lasts"):
        return max(0.0, spec.value - last.elapsed_s)
    if spec.kind == "plateau_lasts":
        return max(0.0, spec.value - last.plateau_s) if last.plateau_s > 0.0 else None
    if spec.kind == "current_below":
        return None if taper is None else taper.reaches_in_s(spec.value)
    if taper is not None and spec.kind == "charge":
        return taper.charges_in_s(spec.value - last.charge_Ah)
    if taper is not None and spec.kind == "energy" and last.voltage_V:
        return taper.charges_in_s((spec.value - last.energy_Wh) / last.voltage_V)
    line = fit_line([(point.elapsed_s, value_of(spec.kind, point)) for point in recent])
    return None if line is None else line.reaches_in_s(spec.value)


def _taper_part(points: list[StepView]) -> list[tuple[float, float]]:
    series = [(p.elapsed_s, abs(p.current_A)) for p in points if p.at_voltage_limit and p.current_A is not None]
    if not series:
        return series
    since_s = series[-1][0] - TAPER_RECENT * (series[-1][0] - series[0][0])
    late = [point for point in series if point[0] >= since_s]
    return late if len(late) >= FIT_POINTS_MIN else series


def fit_line(series: Sequence[tuple[float, float | None]]) -> Line | None:
    """Return the least-squares line through the known points, None with fewer than `FIT_POINTS_MIN` or no span of time.

    Textbook ordinary least squares, with the standard error of the slope from the residuals (n - 2 degrees of freedom).
    """
    known = [(at_s, value) for at_s, value in series if value is not None]
    count = len(known)
    if count < FIT_POINTS_MIN:
        return None
    end_s = known[-1][0]
    mean_s = sum(at_s - end_s for at_s, _ in known) / count
    mean = sum(value for _, value in known) / count
    spread = sum((at_s - end_s - mean_s) ** 2 for at_s, _ in known)
    if spread == 0.0:
        return None
    slope = sum((at_s - end_s - mean_s) * (value - mean) for at_s, value in known) / spread
    residual = sum((value - mean - slope * (at_s - end_s - mean_s)) ** 2 for at_s, value in known)
    return Line(mean - slope * mean_s, slope, math.sqrt(residual / (count - 2) / spread))


def fit_taper(series: list[tuple[float, float]]) -> Taper | None:
    """Return the exponential through a falling current, None when it does not fall like one.

    Method of partial sums (Cornell, Biometrics 18, 1962, from memory): the means of three equally long thirds of
    `c + A·exp(-t/tau)` are themselves `c + B·r^k` with `r = exp(-third/tau)`, so r = (m2 - m3)/(m1 - m2), and
    c = m3 - (m2 - m3)·r/(1 - r). Means over thirds, not single readings, keep the noise of one reading out.
    """
    line = fit_line(series)
    if line is None or line.slope >= 0.0 or not line.is_resolved():
        return None
    first_s, end_s = series[0][0], series[-1][0]
    third_s = (end_s - first_s) / 3.0
    means = [_mean_between(series, first_s + k * third_s, first_s + (k + 1) * third_s) for k in range(3)]
    fall_1, fall_2 = means[0] - means[1], means[1] - means[2]
    if not 0.0 < fall_2 < fall_1:
        return None
    ratio = fall_2 / fall_1
    tau_s = -third_s / math.log(ratio)
    floor = means[2] - fall_2 * ratio / (1.0 - ratio)
    # The mean over the last third of height·exp(-t/tau), t from the newest point, is height·(tau/third)·(1/r - 1).
    height = (means[2] - floor) * third_s / tau_s / (1.0 / ratio - 1.0)
    return Taper(floor, height, tau_s)


def _mean_between(series: list[tuple[float, float]], from_s: float, to_s: float) -> float:
    """Return the mean over that time of the polygon through the points."""
    area = 0.0
    for (left_s, left), (right_s, right) in pairwise(series):
        start_s, stop_s = max(left_s, from_s), min(right_s, to_s)
        if start_s >= stop_s:
            continue
        slope = (right - left) / (right_s - left_s)
        area += (stop_s - start_s) * (left + slope * ((start_s + stop_s) / 2.0 - left_s))
    return area / (to_s - from_s) if to_s > from_s else math.nan


def _trend(line: Line | None) -> int:
    if line is None or not line.is_resolved() or line.slope == 0.0:
        return 0
    return 1 if line.slope > 0.0 else -1


def _not_far(remaining_s: float) -> float | None:
    return remaining_s if 0.0 <= remaining_s <= FAR_S else None
