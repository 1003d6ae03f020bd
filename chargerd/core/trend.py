"""How fast does a quantity change, and how far has it fallen? Means over buckets of a tenth of a window, not single readings.

A slope is the difference of two means at least a window apart over the time between them. The window is stretched until the
change asked for is three times what the bench resolves; a bench that would need more than the longest one is refused.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from chargerd.core.plan import Resolves

BUCKETS = 10
RESOLVE_FACTOR = 3.0
AGREE = 2
"""So many means running must agree: one mean with a disturbance in it must not end a step."""

WINDOWS: dict[str, tuple[float, float]] = {
    "voltage_slope_below": (600.0, 4 * 3600.0),
    "voltage_slope_above": (60.0, 1800.0),
    "voltage_falls_by": (300.0, 300.0),
    "temperature_slope_above": (180.0, 1800.0),
}
"""End → its shortest and its longest window, s. A cell that runs empty falls off within minutes, one that settles takes hours."""
_PER_HOUR = {"voltage_slope_below": 3600.0, "voltage_slope_above": 3600.0, "temperature_slope_above": 60.0}
"""Seconds in the unit of time of each slope (V/h, K/min)."""


def window_s(end: str, value: float, resolves: Resolves) -> float:
    """Return the window in which that end is judged on a bench that resolves so much, s. Beyond its longest: not resolved."""
    shortest_s = WINDOWS[end][0]
    per_s = _PER_HOUR.get(end)
    if per_s is None or not value > 0.0:
        return shortest_s
    u = resolves.temperature_K if end.startswith("temperature") else resolves.voltage_V
    return max(shortest_s, RESOLVE_FACTOR * u * per_s / value)


@dataclass(slots=True)
class Trend:
    """Means of one quantity in one step. `window_s` 0: nobody asks."""

    window_s: float = 0.0
    begun_s: float | None = None
    sum_s: float = 0.0
    sum: float = 0.0
    count: int = 0
    times_s: list[float] = field(default_factory=list)
    means: list[float] = field(default_factory=list)
    slopes_per_s: list[float] = field(default_factory=list)
    falls: list[float] = field(default_factory=list)
    highest: float | None = None

    def restart(self) -> None:
        """Begin anew: what comes is not comparable with what was."""
        self.begun_s = None
        self.sum_s = self.sum = 0.0
        self.count = 0
        self.highest = None
        for kept in (self.times_s, self.means, self.slopes_per_s, self.falls):
            kept.clear()

    def take(self, elapsed_s: float, value: float) -> None:
        """Take one reading."""
        if not self.window_s > 0.0:
            return
        if self.begun_s is None:
            self.begun_s = elapsed_s
        elif elapsed_s - self.begun_s >= self.window_s / BUCKETS - 1e-6 and self.count:
            self._close(self.begun_s)
            self.begun_s = elapsed_s
        self.sum_s += elapsed_s - self.begun_s
        self.sum += value
        self.count += 1

    def _close(self, begun_s: float) -> None:
        mean = self.sum / self.count
        self.times_s.append(begun_s + self.sum_s / self.count)
        self.means.append(mean)
        self.sum_s = self.sum = 0.0
        self.count = 0
        self.highest = mean if self.highest is None else max(self.highest, mean)
        self.falls = [*self.falls[-AGREE + 1 :], self.highest - mean]
        # The oldest mean kept is the youngest that is a whole window old, however far apart the readings come.
        while len(self.times_s) > 2 and self.times_s[-1] - self.times_s[1] >= self.window_s - 1e-6:
            del self.times_s[0], self.means[0]
        span_s = self.times_s[-1] - self.times_s[0]
        if span_s >= self.window_s - 1e-6:
            self.slopes_per_s = [*self.slopes_per_s[-AGREE + 1 :], (mean - self.means[0]) / span_s]

    def slopes(self, per_s: float) -> tuple[float, ...]:
        """Return the newest slopes in so many seconds, empty until enough are known."""
        if len(self.slopes_per_s) < AGREE:
            return ()
        return tuple(slope * per_s for slope in self.slopes_per_s)

    def fallen(self) -> tuple[float, ...]:
        """Return by how much the newest means are below the highest one, empty until enough are known."""
        return tuple(self.falls) if len(self.falls) == AGREE else ()
