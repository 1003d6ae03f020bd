"""What is connected to a simulated cell, as one equation between its current and its voltage.

Every source and load here is a line through a voltage with a slope, cut off at two currents:
`I = (source_V - E) / (R0 + series_ohm)`, not below `lowest_A` and not above `highest_A`, E being the cell's voltage
behind its ohmic resistance R0. The current never grows with E, so the step of the cell has exactly one solution.
Constant power alone is not monotone; its current is taken from the last E.

Charge current is positive, as everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt


@dataclass(frozen=True, slots=True)
class Law:
    """One source or load. Made by the functions below; the fields are what the cell's step reads."""

    lowest_A: float
    highest_A: float
    source_V: float = 0.0
    series_ohm: float = 0.0
    power_W: float | None = None

    @property
    def is_fixed_current(self) -> bool:
        """Whether the current does not depend on the cell: rest and constant current."""
        return self.lowest_A == self.highest_A and self.power_W is None

    def current_A(self, electrode_voltage_V: float, resistance_ohm: float) -> float:
        """The current into a cell with this voltage behind this resistance."""
        if self.power_W is not None:
            return _power_current_A(self.power_W, electrode_voltage_V, resistance_ohm)
        if self.lowest_A == self.highest_A:
            return self.lowest_A
        line_A = (self.source_V - electrode_voltage_V) / (resistance_ohm + self.series_ohm)
        return min(max(line_A, self.lowest_A), self.highest_A)

    def mirrored(self) -> Law:
        """What a cell sees that was connected the wrong way round: the same source with both signs changed.

        Raises:
            ValueError: for constant power, which no bench connects without knowing the sign of the voltage.
        """
        if self.power_W is not None:
            raise ValueError("constant power has no mirror image")
        return Law(-self.highest_A, -self.lowest_A, -self.source_V, self.series_ohm)


REST = Law(0.0, 0.0)
"""Nothing connected."""


def constant_current(current_A: float) -> Law:
    """A current held whatever the voltage; negative discharges."""
    return Law(current_A, current_A)


def charge(current_A: float, voltage_V: float, *, lead_ohm: float = 0.0, drain_A: float = 0.0) -> Law:
    """A supply with a current limit and a voltage limit at its own terminals. It cannot sink current.

    Args:
        current_A: current limit.
        voltage_V: voltage limit, held before `lead_ohm`.
        lead_ohm: resistance of both leads, if the supply does not sense at the cell.
        drain_A: what something else draws from the same terminals; the cell may have to give it.
    """
    return Law(-drain_A, current_A - drain_A, voltage_V - lead_ohm * drain_A, lead_ohm)


def discharge(current_A: float, *, working_voltage_min_V: float = 0.0, lead_ohm: float = 0.0) -> Law:
    """A load at constant current (a positive number) that lets go below its minimum working voltage.

    Below that its current falls so that the voltage stays there, and ends at zero.
    """
    return Law(-current_A, 0.0, working_voltage_min_V, lead_ohm)


def resistance(resistance_ohm: float) -> Law:
    """A plain resistor across the cell, leads included."""
    return Law(-inf, inf, 0.0, resistance_ohm)


def power(power_W: float) -> Law:
    """Constant power at the cell's terminals; negative discharges, at most what the cell can give."""
    return Law(-inf, inf, power_W=power_W)


def _power_current_A(power_W: float, electrode_voltage_V: float, resistance_ohm: float) -> float:
    """Root of `R0 I² + E I = P` next to zero, written so that it loses no digits when R0 is small.

    A discharge beyond E²/(4 R0) has no root: the cell then gives its most, at half its voltage.
    """
    if power_W == 0.0 or (power_W < 0.0 and electrode_voltage_V <= 0.0):
        return 0.0
    square = electrode_voltage_V * electrode_voltage_V + 4.0 * resistance_ohm * power_W
    if square < 0.0:
        return -0.5 * electrode_voltage_V / resistance_ohm
    return 2.0 * power_W / (electrode_voltage_V + sqrt(square))
