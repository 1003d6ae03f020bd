"""Things that follow a temperature with a lag: sensors on a cell, resistors on their own heat."""

from __future__ import annotations

from math import exp


class Body:
    """First-order lag, exact for a steady surrounding: after `lag_s` 63 % of a change has arrived."""

    def __init__(self, temperature_degC: float, lag_s: float) -> None:
        """A body at `temperature_degC`; `lag_s` 0 follows at once."""
        self.temperature_degC = temperature_degC
        self.lag_s = lag_s

    def pass_time(self, dt_s: float, around_degC: float) -> None:
        """Spend `dt_s` at this surrounding temperature."""
        self.temperature_degC = self.after(dt_s, around_degC)

    def after(self, dt_s: float, around_degC: float) -> float:
        """Temperature after `dt_s` at this surrounding temperature; the body stays as it is."""
        kept = exp(-dt_s / self.lag_s) if self.lag_s > 0.0 else 0.0
        return around_degC + (self.temperature_degC - around_degC) * kept
