"""Charge and energy from voltage, current and time alone, by the trapezoid rule: a second opinion on the journal's counters.

Imports nothing of the engine's own counting, on purpose: a shared mistake would agree with itself.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import median_low

from chargerd.verdict.uncertainty import S_PER_H

GAP_FACTOR = 3.0
"""An interval longer than this many sampling intervals is a gap: two readings missing in a row, and nobody knows why."""

GAP_GRACE_S = 1.0
"""One retry of one instrument takes about this long and loses nothing: it is added before an interval is called a gap."""

_REMEMBERED = 25
_ENOUGH = 3


class Trapezoid:
    """Running integrals of current and power, charging and discharging apart.

    |error| ≤ (b − a)·h²·max|f″|/12 for a smooth curve sampled every h (any numerical analysis text); a current step between
    two samples costs at most half a sample's charge. A sample without voltage or current is no support point: it is bridged.
    """

    __slots__ = ("_current_A", "_elapsed_s", "_power_W", "in_As", "in_J", "out_As", "out_J", "step_in_As", "step_in_J",
                 "step_out_As", "step_out_J")  # fmt: skip

    def __init__(self) -> None:
        self.in_As = self.out_As = self.in_J = self.out_J = 0.0
        self.step_in_As = self.step_out_As = self.step_in_J = self.step_out_J = 0.0
        self._elapsed_s: float | None = None
        self._current_A = self._power_W = 0.0

    def break_off(self) -> None:
        """Forget the last support point: nothing is integrated from it to the next sample."""
        self._elapsed_s = None

    def span_s(self, elapsed_s: float) -> float:
        """Return the time since the last support point, s; 0 when there is none."""
        return 0.0 if self._elapsed_s is None else elapsed_s - self._elapsed_s

    def take(self, elapsed_s: float, voltage_V: float, current_A: float) -> None:
        """Add the interval up to this sample. `step_*` then hold what this one interval gave (0 for the first)."""
        power_W = voltage_V * current_A
        if self._elapsed_s is None:
            self.step_in_As = self.step_out_As = self.step_in_J = self.step_out_J = 0.0
        else:
            span_s = elapsed_s - self._elapsed_s
            self.step_in_As, self.step_out_As = _parts(self._current_A, current_A, span_s)
            self.step_in_J, self.step_out_J = _parts(self._power_W, power_W, span_s)
            self.in_As += self.step_in_As
            self.out_As += self.step_out_As
            self.in_J += self.step_in_J
            self.out_J += self.step_out_J
        self._elapsed_s, self._current_A, self._power_W = elapsed_s, current_A, power_W


def _parts(first: float, last: float, span_s: float) -> tuple[float, float]:
    """Return the positive and the negative area (as a magnitude) under the straight line from `first` to `last`."""
    if first >= 0.0 and last >= 0.0:
        return 0.5 * span_s * (first + last), 0.0
    if first <= 0.0 and last <= 0.0:
        return 0.0, -0.5 * span_s * (first + last)
    area_first = 0.5 * span_s * first * first / (first - last)
    area_last = 0.5 * span_s * last * last / (last - first)
    return (area_first, -area_last) if first > 0.0 else (area_last, -area_first)


class Pace:
    """The usual interval of one step, by which a gap is told: the declared one, else the median of the last ones."""

    __slots__ = ("_recent", "_since", "usual_s")

    def __init__(self, declared_s: float | None = None) -> None:
        self.usual_s = declared_s
        self._recent: deque[float] | None = None if declared_s is not None else deque(maxlen=_REMEMBERED)
        self._since = 0

    def is_gap(self, interval_s: float) -> bool:
        """Say whether this interval is a gap, and learn from it when it is not."""
        usual_s = self.usual_s
        if usual_s is not None and interval_s > GAP_FACTOR * usual_s + GAP_GRACE_S:
            return True
        if self._recent is not None:
            self._recent.append(interval_s)
            self._since += 1
            # A median of few values is cheap, but not at every row of a million.
            if self._since >= _ENOUGH and (self._since < _REMEMBERED or self._since % _REMEMBERED == 0):
                self.usual_s = median_low(self._recent)
        return False


@dataclass(frozen=True, slots=True)
class Totals:
    """Charge and energy over a whole run."""

    charge_in_Ah: float
    charge_out_Ah: float
    energy_in_Wh: float
    energy_out_Wh: float

    @classmethod
    def of(cls, trapezoid: Trapezoid) -> Totals:
        """Return the integrals so far in Ah and Wh."""
        return cls(trapezoid.in_As / S_PER_H, trapezoid.out_As / S_PER_H, trapezoid.in_J / S_PER_H, trapezoid.out_J / S_PER_H)


@dataclass(frozen=True, slots=True)
class TotalsCheck:
    """The two opinions beside each other. `allowed_Ah` is what gaps leave unknown, plus the tolerance."""

    recomputed: Totals
    journal: Totals
    allowed_Ah: float

    @property
    def agree(self) -> bool:
        """Whether charge in and out agree within what is allowed."""
        return (
            abs(self.recomputed.charge_in_Ah - self.journal.charge_in_Ah) <= self.allowed_Ah
            and abs(self.recomputed.charge_out_Ah - self.journal.charge_out_Ah) <= self.allowed_Ah
        )


AGREE_FRACTION = 1e-3
"""Two honest ways of summing the same rows differ by less than a thousandth: sampling is much finer than any change."""


def check_totals(recomputed: Totals, journal: Totals, unknown_Ah: float) -> TotalsCheck:
    """Compare the recomputed totals with the journal's columns."""
    moved_Ah = max(recomputed.charge_in_Ah, recomputed.charge_out_Ah)
    return TotalsCheck(recomputed, journal, unknown_Ah + AGREE_FRACTION * moved_Ah)
