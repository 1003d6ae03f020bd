"""Two terminals on the simulated bench: what is wired to them, and how time passes there.

Panels put themselves on a node; the node derives the one law the cell sees, steps the cell lazily up to the instant
somebody looks, and lets the panels' own protections act inside those steps. Steps lie on a grid that starts at the last
*change*; a look between two grid points steps a copy. So what happens at the bench never depends on who looked, or when.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING, NamedTuple

from chargerd.sim.laws import REST, Law, charge, resistance

if TYPE_CHECKING:
    from collections.abc import Callable

    from chargerd.sim.cell import Cell
    from chargerd.sim.load import Load
    from chargerd.sim.supply import Supply

TRIP_RESOLUTION_S = 1e-3
"""A protection acts this exactly within a step: well below any time a program can act in, and cheap to search."""


class Terminals(NamedTuple):
    """The truth at one instant. `current_A` flows into the cell."""

    voltage_V: float
    current_A: float
    temperature_degC: float


class Node:
    """One cell (or none) with its supply and load."""

    def __init__(
        self, cell: Cell | None = None, *, ambient_degC: float = 25.0, step_s: float = 1.0, rest_step_s: float = 10.0
    ) -> None:
        """Wire a cell up.

        Args:
            cell: None for open terminals.
            ambient_degC: room temperature, which open terminals and detached thermometers have.
            step_s: grid under current; 1 s keeps a charge within 0.01 % for time constants of seconds and more.
            rest_step_s: grid at rest, where nothing is faster than minutes.
        """
        self.cell = cell
        self.ambient_degC = ambient_degC
        self.supply: Supply | None = None
        self.load: Load | None = None
        self.drain_A = 0.0
        """What the load draws from the supply, while both conduct."""
        self.now_s = 0.0
        self.charge_in_C = 0.0
        self.charge_out_C = 0.0
        self._step_s, self._rest_step_s = step_s, rest_step_s
        self._law = REST
        self._grid_s = rest_step_s
        self._active: list[Supply | Load] = []
        self._terminals = Terminals(0.0, 0.0, ambient_degC)
        self._look_s = -1.0
        self._look = self._terminals
        self._agenda: list[tuple[float, int, Callable[[float], None]]] = []
        self._agenda_count = 0
        self._is_acting = False
        self._leads_open = False
        self.changed()

    # -- time ---------------------------------------------------------------------------------------------------

    def schedule(self, at_s: float, action: Callable[[float], None]) -> None:
        """Call `action(at_s)` when time passes `at_s`, whether or not anybody looks. Bound methods survive a copy."""
        self._agenda_count += 1
        heapq.heappush(self._agenda, (at_s, self._agenda_count, action))

    def advance_to(self, now_s: float) -> None:
        """Let everything happen that is due by `now_s`; the cell stays at the last grid point before it."""
        while not self._is_acting and self._agenda and self._agenda[0][0] <= now_s:
            at_s, _, action = heapq.heappop(self._agenda)
            self._is_acting = True  # an action that arrives at its instant must not let a later one go first
            action(at_s)
            self._is_acting = False
        self._walk_grid(now_s)

    def arrive(self, now_s: float) -> None:
        """Bring the cell exactly to `now_s`, before something is changed there."""
        self.advance_to(now_s)
        self._step_to(now_s)

    @property
    def last(self) -> Terminals:
        """The truth at the last grid point or change."""
        return self._terminals

    def look(self, now_s: float) -> Terminals:
        """The truth at `now_s`, without disturbing the grid. Looking back is looking at now."""
        self.advance_to(now_s)
        ahead_s = now_s - self.now_s
        if ahead_s <= 0.0 or self.cell is None:
            return self._terminals
        if self._look_s != now_s:
            self._look = self._ahead(ahead_s)
            if self._cause(self._look) is not None and self._trip_within(max(ahead_s, self._grid_s), ahead_s):
                return self.look(now_s)
            self._look_s = now_s
        return self._look

    # -- what is connected --------------------------------------------------------------------------------------

    def changed(self) -> None:
        """Solve the terminals anew after a panel or a lead changed; protections may act at once."""
        self._look_s = -1.0
        self._active = [panel for panel in (self.supply, self.load) if panel is not None and panel.conducts]
        self.drain_A = self.load.demand_A if len(self._active) == 2 and self.load is not None else 0.0
        self._law = REST if self._leads_open else self._law_of_panels()
        self._grid_s = self._rest_step_s if self._law is REST else self._step_s
        self._terminals = self._solve(self.cell, 0.0)
        self._note(0.0)
        self._act(self._terminals)

    def open_leads(self, now_s: float) -> None:
        """The leads come off the cell: panels and meter see open terminals, the cell rests."""
        self._connect(now_s, leads_open=True)

    def close_leads(self, now_s: float) -> None:
        """The leads are back on the cell."""
        self._connect(now_s, leads_open=False)

    def _connect(self, now_s: float, *, leads_open: bool) -> None:
        self.arrive(now_s)
        self._leads_open = leads_open
        self.changed()

    def _law_of_panels(self) -> Law:
        supply, load = self.supply, self.load
        if supply is not None and supply.conducts:
            limit_A, limit_V = supply.current_set_A, supply.voltage_set_V
            return charge(limit_A, limit_V, lead_ohm=supply.lead_drop_ohm, drain_A=self.drain_A)
        if load is not None and load.conducts:
            return load.law
        parallel_ohm = supply.parallel_ohm if supply is not None else None
        return REST if parallel_ohm is None else resistance(parallel_ohm)

    # -- steps --------------------------------------------------------------------------------------------------

    def _walk_grid(self, now_s: float) -> None:
        while self.now_s + self._grid_s <= now_s:
            self._step(self._grid_s)

    def _step_to(self, now_s: float) -> None:
        self._walk_grid(now_s)
        while self.now_s < now_s:  # a protection may act on the way and end a step early
            self._step(now_s - self.now_s)

    def _step(self, dt_s: float) -> None:
        if self.cell is None:
            self.now_s += dt_s
            self._note(dt_s)
            return
        before = self.cell.copy() if self._active else None
        terminals = self._solve(self.cell, dt_s)
        if before is not None and self._cause(terminals) is not None:
            self.cell = before
            if self._trip_within(dt_s, dt_s):
                return
            terminals = self._solve(self.cell, dt_s)
        self._terminals = terminals
        self.now_s += dt_s
        self._look_s = -1.0
        self._note(dt_s)

    def _ahead(self, dt_s: float) -> Terminals:
        assert self.cell is not None
        return self._solve(self.cell.copy(), dt_s)

    def _trip_within(self, dt_s: float, look_s: float) -> bool:
        """Find the first instant of a step of `dt_s` at which a protection acts, and act there if by `look_s`.

        The bracket is the whole grid step whoever looks, so the instant found is the same for every observer.
        """
        low_s, high_s = 0.0, dt_s if self._cause(self._ahead(dt_s)) is not None else look_s
        while high_s - low_s > TRIP_RESOLUTION_S:
            middle_s = 0.5 * (low_s + high_s)
            if self._cause(self._ahead(middle_s)) is None:
                low_s = middle_s
            else:
                high_s = middle_s
        if high_s > look_s:
            return False
        self._terminals = self._solve(self.cell, high_s)
        self.now_s += high_s
        self._note(high_s)
        self._act(self._terminals)
        return True

    def _solve(self, cell: Cell | None, dt_s: float) -> Terminals:
        if cell is None or self._leads_open:
            if cell is not None:
                cell.step(dt_s, REST) if dt_s > 0.0 else cell.apply(REST)
            voltage_V = self.supply.voltage_set_V if self.supply is not None and self.supply.conducts else 0.0
            return Terminals(voltage_V, 0.0, self.ambient_degC if cell is None else cell.temperature_degC)
        if dt_s > 0.0:
            cell.step(dt_s, self._law)
        else:
            cell.apply(self._law)
        return Terminals(cell.voltage_V, cell.current_A, cell.temperature_degC)

    def _note(self, dt_s: float) -> None:
        terminals = self._terminals
        charge_C = terminals.current_A * dt_s
        if charge_C > 0.0:
            self.charge_in_C += charge_C
        else:
            self.charge_out_C -= charge_C
        for panel in self._active:
            panel.note(terminals, dt_s)

    def _cause(self, terminals: Terminals) -> str | None:
        for panel in self._active:
            cause = panel.protection_cause(terminals)
            if cause is not None:
                return cause
        return None

    def _act(self, terminals: Terminals) -> None:
        for panel in tuple(self._active):
            cause = panel.protection_cause(terminals)
            if cause is not None:
                panel.trip(cause, self.now_s)
