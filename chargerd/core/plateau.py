"""Has the current (at the voltage limit) or the voltage (below it) stopped changing?

Readings are averaged in buckets of a twentieth of the window; the newest bucket is compared with the one a window earlier. The
window is ten minutes, stretched until the change asked for is three times what the bench resolves.
"""

from __future__ import annotations

from dataclasses import dataclass, field

WINDOW_S = 600.0
BUCKETS = 20
CURRENT_FALL = 0.02
"""At the voltage limit: a plateau when the current fell by less than 2 % of itself over the window."""
VOLTAGE_SHARE = 0.10
"""In constant current: a plateau when the voltage rose by less than a tenth of what a cell that stored everything would show."""
CURRENT_AFTER_S = 600.0
VOLTAGE_AFTER_S = 1800.0
"""Judged from 10 min of constant voltage, and from 30 min of constant current, on: before that redistribution looks flat."""
RESOLVE_FACTOR = 3.0
WINDOW_MAX_S = 4 * 3600.0


@dataclass(slots=True)
class Plateau:
    """Memory of one step's plateau. `at_limit` says which quantity is watched; changing over begins anew."""

    at_limit: bool = False
    began_s: float | None = None
    flat_since_s: float | None = None
    bucket_s: float = WINDOW_S / BUCKETS
    window_s: float = WINDOW_S
    bucket_start_s: float = 0.0
    bucket_sum: float = 0.0
    bucket_count: int = 0
    means: list[float] = field(default_factory=list)

    def lasted_s(self, elapsed_s: float) -> float:
        """Return for how long it has been flat, s (0 when it is not)."""
        return 0.0 if self.flat_since_s is None else elapsed_s - self.flat_since_s

    def skip(self, paused_s: float) -> None:
        """Leave out a pause of so many seconds: nothing was seen to stand still while nothing flowed."""
        if self.began_s is not None:
            self.began_s += paused_s
        if self.flat_since_s is not None:
            self.flat_since_s += paused_s
        self.bucket_start_s += paused_s

    def take(
        self, elapsed_s: float, voltage_V: float, current_A: float, at_limit: bool,
        *, capacitance_F: float, voltage_u_V: float, current_u_A: float,
    ) -> None:  # fmt: skip
        """Take one reading of a charge. `voltage_u_V` and `current_u_A` are uncertainties of a difference on this bench."""
        if self.began_s is None or at_limit != self.at_limit:
            self._begin(elapsed_s, at_limit, current_A, capacitance_F, voltage_u_V)
        if elapsed_s - self.bucket_start_s >= self.bucket_s and self.bucket_count:
            self._close_bucket(elapsed_s, current_A, capacitance_F, current_u_A)
        self.bucket_sum += current_A if at_limit else voltage_V
        self.bucket_count += 1

    def _begin(self, elapsed_s: float, at_limit: bool, current_A: float, capacitance_F: float, voltage_u_V: float) -> None:
        window_s = WINDOW_S
        if not at_limit and current_A > 0.0:
            needed_s = RESOLVE_FACTOR * voltage_u_V * capacitance_F / (VOLTAGE_SHARE * current_A)
            window_s = min(max(WINDOW_S, needed_s), WINDOW_MAX_S)
        self.at_limit = at_limit
        self.began_s = elapsed_s
        self.flat_since_s = None
        self.window_s = window_s
        self.bucket_s = window_s / BUCKETS
        self.bucket_start_s = elapsed_s
        self.bucket_sum = 0.0
        self.bucket_count = 0
        self.means.clear()

    def _close_bucket(self, elapsed_s: float, current_A: float, capacitance_F: float, current_u_A: float) -> None:
        self.means.append(self.bucket_sum / self.bucket_count)
        if len(self.means) > BUCKETS + 1:
            del self.means[0]
        self.bucket_start_s = elapsed_s
        self.bucket_sum = 0.0
        self.bucket_count = 0
        after_s = CURRENT_AFTER_S if self.at_limit else VOLTAGE_AFTER_S
        began_s = self.began_s or 0.0
        if len(self.means) < BUCKETS + 1 or elapsed_s - began_s < after_s:
            return
        newest, oldest = self.means[-1], self.means[0]
        if self.at_limit:
            flat = oldest - newest < max(CURRENT_FALL * oldest, RESOLVE_FACTOR * current_u_A)
        else:
            flat = newest - oldest < VOLTAGE_SHARE * current_A * self.window_s / capacitance_F
        if not flat:
            self.flat_since_s = None
        elif self.flat_since_s is None:
            self.flat_since_s = elapsed_s - self.window_s
