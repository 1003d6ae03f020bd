"""Charges, discharges and cycles on a bare simulated cell, for tests of the cell itself."""

from __future__ import annotations

from typing import NamedTuple

from chargerd.sim import laws
from chargerd.sim.cell import Cell

REST_S = 600.0


class Cycle(NamedTuple):
    """One charge, rest, discharge, rest."""

    in_Ah: float
    out_Ah: float
    gas_Ah: float
    out_Wh: float
    charge_h: float
    full: Cell
    """The cell as it stood when the charge ended."""

    @property
    def efficiency(self) -> float:
        return self.out_Ah / self.in_Ah


def charge(
    cell: Cell, current_A: float, voltage_V: float, *, ends_A: float, time_s: float = 8 * 3600.0, dt_s: float = 5.0
) -> None:
    law = laws.charge(current_A, voltage_V)
    end_s = cell.elapsed_s + time_s
    cell.step(dt_s, law)
    while cell.current_A >= ends_A and cell.elapsed_s < end_s - 0.5 * dt_s:
        cell.step(dt_s, law)


def discharge(cell: Cell, current_A: float = 0.3, *, ends_V: float = 0.8, dt_s: float = 5.0) -> float:
    """Ah out until the voltage is below the end."""
    law, before_C = laws.constant_current(-current_A), cell.charge_out_C
    while cell.voltage_V > ends_V:
        cell.step(dt_s, law)
    return (cell.charge_out_C - before_C) / 3600.0


def cycle(cell: Cell, voltage_V: float, *, current_A: float = 0.75, ends_A: float = 0.03, rest_s: float = REST_S) -> Cycle:
    before = cell.copy()
    charge(cell, current_A, voltage_V, ends_A=ends_A)
    full = cell.copy()
    cell.advance(rest_s, laws.REST)
    discharge(cell)
    cell.advance(rest_s, laws.REST)
    return Cycle(
        (cell.charge_in_C - before.charge_in_C) / 3600.0,
        (cell.charge_out_C - before.charge_out_C) / 3600.0,
        (cell.oxygen_C - before.oxygen_C) / 3600.0,
        (cell.energy_out_J - before.energy_out_J) / 3600.0,
        (full.elapsed_s - before.elapsed_s) / 3600.0,
        full,
    )


def third_cycle(cell: Cell, voltage_V: float, *, ends_A: float = 0.03, rest_s: float = REST_S) -> Cycle:
    """The third of three equal cycles."""
    for _ in range(2):
        cycle(cell, voltage_V, ends_A=ends_A, rest_s=rest_s)
    return cycle(cell, voltage_V, ends_A=ends_A, rest_s=rest_s)


def rested_V(cell: Cell, *hours: float) -> list[float]:
    """Open-circuit voltages of a copy at these hours from now."""
    idle, start_s = cell.copy(), cell.elapsed_s
    voltages = []
    for hour in hours:
        idle.advance(start_s + hour * 3600.0 - idle.elapsed_s, laws.REST)
        voltages.append(idle.voltage_V)
    return voltages
