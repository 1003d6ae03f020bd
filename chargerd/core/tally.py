"""Charge and energy in and out, by the trapezoid over readings, and over the present step.

The interval between two readings counts when both belong to one uninterrupted stretch of the same activity. The short interval
across a switching (reading, switch, reading) counts half of the energised side's current, which is what the trapezoid of a step
in current says; its error is at most I·h/2 (h = the link's round trips).
"""

from __future__ import annotations

from dataclasses import dataclass

GAP_PERIODS = 3.0
"""An interval longer than this many sampling periods is a gap: it is counted as unknown, not interpolated."""


@dataclass(slots=True)
class Tally:
    """Sums over the run and over the step. `last_s` is None after a pause or gap: the next reading starts anew."""

    charge_in_Ah: float = 0.0
    charge_out_Ah: float = 0.0
    energy_in_Wh: float = 0.0
    energy_out_Wh: float = 0.0
    step_charge_Ah: float = 0.0
    step_energy_Wh: float = 0.0
    gap_s: float = 0.0
    gaps: int = 0
    last_s: float | None = None
    last_A: float = 0.0
    last_V: float = 0.0

    def start_step(self) -> None:
        """Set the step's sums to zero; the run's go on."""
        self.step_charge_Ah = 0.0
        self.step_energy_Wh = 0.0

    def forget(self) -> None:
        """Forget the last reading: the time up to the next one is not counted."""
        self.last_s = None

    def add(self, elapsed_s: float, voltage_V: float | None, current_A: float | None, sample_every_s: float) -> None:
        """Take one reading. A missing voltage or current leaves the interval open until the next good reading."""
        if voltage_V is None or current_A is None:
            return
        last_s = self.last_s
        if last_s is not None:
            dt_s = elapsed_s - last_s
            if dt_s > GAP_PERIODS * sample_every_s + 1.0:
                self.gaps += 1
                self.gap_s += dt_s
            elif dt_s > 0.0:
                self._integrate(dt_s, current_A, voltage_V)
        self.last_s = elapsed_s
        self.last_A = current_A
        self.last_V = voltage_V

    def _integrate(self, dt_s: float, current_A: float, voltage_V: float) -> None:
        last_A = self.last_A
        if last_A == 0.0 and current_A == 0.0:
            return
        power_last_W = last_A * self.last_V
        power_W = current_A * voltage_V
        if last_A >= 0.0 and current_A >= 0.0:
            charge_Ah = (last_A + current_A) * dt_s / 7200.0
            energy_Wh = (power_last_W + power_W) * dt_s / 7200.0
            self.charge_in_Ah += charge_Ah
            self.energy_in_Wh += energy_Wh
        elif last_A <= 0.0 and current_A <= 0.0:
            charge_Ah = -(last_A + current_A) * dt_s / 7200.0
            energy_Wh = -(power_last_W + power_W) * dt_s / 7200.0
            self.charge_out_Ah += charge_Ah
            self.energy_out_Wh += energy_Wh
        else:
            # The sign changed within the interval: each side counts its own triangle.
            fraction = last_A / (last_A - current_A)
            first_Ah = last_A * fraction * dt_s / 7200.0
            second_Ah = current_A * (1.0 - fraction) * dt_s / 7200.0
            first_Wh, second_Wh = first_Ah * self.last_V, second_Ah * voltage_V
            self.charge_in_Ah += max(first_Ah, 0.0) + max(second_Ah, 0.0)
            self.charge_out_Ah += max(-first_Ah, 0.0) + max(-second_Ah, 0.0)
            self.energy_in_Wh += max(first_Wh, 0.0) + max(second_Wh, 0.0)
            self.energy_out_Wh += max(-first_Wh, 0.0) + max(-second_Wh, 0.0)
            charge_Ah = abs(first_Ah) + abs(second_Ah)
            energy_Wh = abs(first_Wh) + abs(second_Wh)
        self.step_charge_Ah += charge_Ah
        self.step_energy_Wh += energy_Wh
