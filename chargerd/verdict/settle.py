"""The open-circuit voltage at fixed times after current stopped. "After charge" alone says nothing: it keeps falling."""

from __future__ import annotations

import math
from dataclasses import dataclass

SETTLE_TIMES_S = (1.0, 10.0, 60.0, 600.0, 3600.0, 86400.0, 604800.0)
"""1 s, 10 s, 1 min, 10 min, 1 h, 24 h, 7 d: decades of the logarithm by which such voltages fall, then the shelf's own."""

_RATIO_MAX = 1.5
_NEAR = 0.1


@dataclass(frozen=True, slots=True)
class Settled:
    """Voltages after a charge or discharge, V, by time after opening, s. A time the rest or the sampling misses is absent.

    `under_current_V` is the last voltage with current flowing, `lasted_s` how long the cell was left alone.
    """

    after: str
    step: str
    round: int
    under_current_V: float | None
    voltage_V: dict[float, float]
    lasted_s: float
    last_V: float | None

    def fall_V(self, first_s: float, last_s: float) -> float | None:
        """Return by how much the voltage fell between two of the times, None when one is absent."""
        first_V, last_V = self.voltage_V.get(first_s), self.voltage_V.get(last_s)
        return None if first_V is None or last_V is None else first_V - last_V


class SettleTracker:
    """Follows one rest. Between two samples the voltage is read off a straight line over ln t.

    Charge redistribution and a Tafel-type loss both fall as ln t (B. E. Conway, Electrochemical Supercapacitors, ch. 18), so
    that line is nearly exact as long as the two samples are less than a factor 1.5 apart.
    """

    __slots__ = ("_after", "_before", "_next", "_opened_s", "_round", "_step", "_under_current_V", "_voltages")

    def __init__(self, after: str, step: str, number: int, opened_s: float, under_current_V: float | None) -> None:
        self._after, self._step, self._round = after, step, number
        self._opened_s, self._under_current_V = opened_s, under_current_V
        self._before: tuple[float, float] | None = None
        self._next = 0
        self._voltages: dict[float, float] = {}

    def take(self, elapsed_s: float, voltage_V: float) -> None:
        """Take one open-circuit voltage."""
        after_s = elapsed_s - self._opened_s
        while self._next < len(SETTLE_TIMES_S) and SETTLE_TIMES_S[self._next] <= after_s:
            wanted_s = SETTLE_TIMES_S[self._next]
            found_V = _at(wanted_s, self._before, (after_s, voltage_V))
            if found_V is not None:
                self._voltages[wanted_s] = found_V
            self._next += 1
        if after_s > 0.0:
            self._before = (after_s, voltage_V)

    def finish(self) -> Settled:
        """Return what was seen. A rest that stops just short of a time (within a tenth) still gives it."""
        lasted_s, last_V = self._before if self._before is not None else (0.0, None)
        if last_V is not None and self._next < len(SETTLE_TIMES_S):
            wanted_s = SETTLE_TIMES_S[self._next]
            if lasted_s >= (1.0 - _NEAR) * wanted_s:
                self._voltages[wanted_s] = last_V
        return Settled(self._after, self._step, self._round, self._under_current_V, dict(self._voltages), lasted_s, last_V)


def _at(wanted_s: float, before: tuple[float, float] | None, now: tuple[float, float]) -> float | None:
    now_s, now_V = now
    if before is not None:
        before_s, before_V = before
        if now_s <= _RATIO_MAX * before_s:
            return before_V + (now_V - before_V) * math.log(wanted_s / before_s) / math.log(now_s / before_s)
    if now_s <= (1.0 + _NEAR) * wanted_s:
        return now_V
    if before is not None and before[0] >= (1.0 - _NEAR) * wanted_s:
        return before[1]
    return None
