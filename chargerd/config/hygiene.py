"""Set-point hygiene: a dead computer leaves an output at its last set-points, harmless until somebody comes. Pure.

A supply keeps what it was told when nobody tells it anything more. What that means until the next visit is bounded here, always
on the unsafe side: all of the current makes gas, all of the power becomes heat in the cell, and the cell was empty.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from chargerd.config.bench import BenchFile, BenchLimits, Ventilation
from chargerd.config.cell import CellFile
from chargerd.config.profile import ProfileFile
from chargerd.config.safety_time import gas_time_s
from chargerd.core.gas import law_current_A
from chargerd.core.limits import BOUND_FACTOR, Limits
from chargerd.core.plan import Gassing, Plan
from chargerd.core.program import Repeat, Step
from chargerd.units import words

ROOM_degC = 30.0
"""A shed on a summer day; nobody is there to open a door."""
WET_CELL_g_per_cm3 = 1.2
"""Half salt water, half carbon, foil and case: as dense as that at least, so no smaller than this (from memory)."""
STILL_AIR_W_per_m2K = 8.0
"""Natural convection and radiation of a matt body in still air: 8 to 10 in textbooks (from memory)."""
WHOLE_CHARGE = 1.2
"""Charge of a whole charge over the rating, for a part of a step that has no charge end of its own."""
SAME = 1 + 1e-9


@dataclass(frozen=True, slots=True)
class Held:
    """What an output holds: +1 charge or -1 discharge, its set-points, and the step's own bound on charge."""

    direction: int
    voltage_V: float
    current_A: float
    bound_Ah: float


@dataclass(frozen=True, slots=True)
class Untended:
    """A cell and its room between two visits, `visit_s` apart: what is judged when a set-point stays."""

    visit_s: float
    rated_Ah: float
    full_V: float
    mass_g: float
    temperature_max_degC: float
    gassing: Gassing
    air: Ventilation

    def temperature_degC(self, voltage_V: float, current_A: float) -> float:
        """Return how warm the cell gets when all the power stays in it for good."""
        return ROOM_degC + voltage_V * current_A * thermal_K_per_W(self.mass_g)

    def charge_Ah(self, held: Held) -> float:
        """Return the charge that moves until somebody comes: no more than flows, than the cell holds, and than makes gas."""
        hours = self.visit_s / 3600.0
        if held.direction < 0:
            return min(held.current_A * hours, self.rated_Ah)
        holds_Ah = self.rated_Ah * max(1.0, held.voltage_V / self.full_V)
        gas_A = law_current_A(self.gassing, held.voltage_V, self.temperature_degC(held.voltage_V, held.current_A))
        return min(held.current_A * hours, holds_Ah + gas_A * hours)

    def why_not(self, held: Held) -> str:
        """Return why these set-points may not stay until the next visit, "" when they may. What is no number may not."""
        until = f"left alone for {words(self.visit_s, 'time')}"
        if held.direction > 0 and not gas_time_s(held.current_A, self.air) >= self.visit_s:
            return f"{until} it may bring the air to 1 % hydrogen"
        hot_degC = self.temperature_degC(held.voltage_V, held.current_A)
        if not hot_degC <= self.temperature_max_degC:
            return (
                f"{until} it may heat the cell to {hot_degC:.0f} °C in a room of {ROOM_degC:.0f} °C, above "
                f"{words(self.temperature_max_degC, 'temperature')}"
            )
        moved_Ah = self.charge_Ah(held)
        if not moved_Ah <= held.bound_Ah * SAME:
            return f"{until} it may move {moved_Ah:.3g} Ah, more than the step's bound of {held.bound_Ah:.3g} Ah"
        return ""


def thermal_K_per_W(mass_g: float) -> float:
    """Return the thermal resistance from a cell to the room: a cube of that mass, the smallest surface it can have."""
    edge_m: float = (mass_g / WET_CELL_g_per_cm3) ** (1 / 3) / 100.0
    return 1.0 / (STILL_AIR_W_per_m2K * 6.0 * edge_m**2)


def untended(profile: ProfileFile, cell: CellFile, bench: BenchFile, limits: Limits) -> Untended:
    """Return what set-points are judged by in that run."""
    return Untended(
        profile.next_visit_s, cell.rated_Ah, cell.rated_window_V[0], cell.mass_g, limits.temperature_max_degC, cell.gassing,
        bench.ventilation,
    )  # fmt: skip


def held_by(plan: Plan) -> Iterator[tuple[Step, Held]]:
    """Yield every set-point of a plan that reaches the cell, a climbing step once for each rung."""
    for item in plan.program.items:
        rungs_V = item.climb.rungs_V if isinstance(item, Repeat) and item.climb is not None else ()
        for step in item.steps if isinstance(item, Repeat) else (item,):
            if not step.direction or step.isolated:
                continue
            bound_Ah = BOUND_FACTOR * (step.end("charge") or WHOLE_CHARGE * plan.rated_Ah)
            # A discharge begins at the highest voltage that the cell may have.
            own_V = step.voltage_V if step.direction > 0 else plan.limits.voltage_max_V
            for voltage_V in rungs_V if step.climbs else (math.nan if own_V is None else own_V,):
                yield step, Held(step.direction, voltage_V, step.current_A, bound_Ah)


@dataclass(frozen=True, slots=True)
class Allowance:
    """What may be written to the outputs of a channel: asserted at each write, whoever asks.

    Hard limits always; where `untended` is there, only what is harmless until the next visit, too, in `alone`: the directions
    (+1 source, -1 load) that nothing but this computer would switch off.
    """

    voltage_max_V: float
    charge_current_max_A: float
    discharge_current_max_A: float
    untended: Untended | None = None
    alone: frozenset[int] = frozenset()
    bound_Ah: float = 0.0

    def why_not(self, direction: int, voltage_V: float | None, current_A: float) -> str:
        """Return why these set-points may not be written, "" when they may. What is no number may not."""
        most_A = self.charge_current_max_A if direction > 0 else self.discharge_current_max_A
        if not 0.0 <= current_A <= most_A * SAME:
            return f"a set-point of {current_A:g} A is above the hard limit {most_A:g} A"
        if voltage_V is not None and not 0.0 <= voltage_V <= self.voltage_max_V * SAME:
            return f"a set-point of {voltage_V:g} V is above the hard limit {self.voltage_max_V:g} V"
        if self.untended is None or direction not in self.alone:
            return ""
        at_V = self.voltage_max_V if voltage_V is None else voltage_V
        why = self.untended.why_not(Held(direction, at_V, current_A, self.bound_Ah))
        return f"a set-point of {at_V:g} V, {current_A:g} A: {why}" if why else ""


def allowed_by(limits: BenchLimits) -> Allowance:
    """Return what any run on this bench may write."""
    return Allowance(limits.voltage_max_V, limits.charge_current_max_A, limits.discharge_current_max_A)


def allowed_in(plan: Plan, frozen: Untended | None = None, alone: frozenset[int] = frozenset()) -> Allowance:
    """Return what that run may write; `frozen` and `alone`: see `Allowance`."""
    limits = plan.limits
    bound_Ah = max((held.bound_Ah for _, held in held_by(plan)), default=0.0)
    return Allowance(
        limits.voltage_max_V, limits.charge_current_max_A, limits.discharge_current_max_A, frozen, alone, bound_Ah
    )
