"""A load made of power resistors, each behind a relay: which currents it can make, and how hot its resistors get.

A resistor's current follows the cell's voltage (Ohm's law), so a bank cannot hold a current; it can only be switched between
the values its resistors make. Pure arithmetic: which of them is closed when is decided elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from chargerd.config.bench import BenchFile
from chargerd.config.bench_parts import ResistorSpec


def bank_of(bench: BenchFile, load: str) -> tuple[ResistorSpec, ...]:
    """Return the resistors of that load; empty when it is an instrument, or when there is none (`load` "")."""
    return tuple(resistor for resistor in bench.resistors if load and resistor.load == load)


@dataclass(frozen=True, slots=True)
class Bank:
    """The resistors of one load. Currents in A at a voltage in V across the resistors."""

    resistors: Sequence[ResistorSpec]

    def smallest_A(self, voltage_V: float) -> float:
        """Return the current of the largest resistor alone."""
        return voltage_V / max(resistor.resistance_ohm for resistor in self.resistors)

    def largest_A(self, voltage_V: float) -> float:
        """Return the current with every relay closed."""
        return sum(voltage_V / resistor.resistance_ohm for resistor in self.resistors)

    def falls_behind_V(self, current_A: float) -> float:
        """Return the voltage below which even all resistors together draw less than that current."""
        return current_A / sum(1 / resistor.resistance_ohm for resistor in self.resistors)


def power_W(resistor: ResistorSpec, voltage_V: float) -> float:
    """Return the heat in one resistor at that voltage."""
    return voltage_V**2 / resistor.resistance_ohm
