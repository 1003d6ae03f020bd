"""Two terminals on the simulated bench: what is wired to them, and the one law the cell sees of it.

For a cell with a supply and a load of its own, clipped on directly; `circuit` has the benches with relays, resistors and
strings. How time passes is said in `timeline`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from chargerd.sim.laws import REST, Law, charge, resistance
from chargerd.sim.timeline import TRIP_RESOLUTION_S, Terminals, Timeline

if TYPE_CHECKING:
    from chargerd.sim.bodies import Body
    from chargerd.sim.cell import Cell
    from chargerd.sim.load import Load
    from chargerd.sim.supply import Supply

__all__ = ["TRIP_RESOLUTION_S", "Node", "Terminals"]


class Node(Timeline[Terminals]):
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
        super().__init__(Terminals(0.0, 0.0, ambient_degC), step_s=step_s, rest_step_s=rest_step_s)
        self.cell = cell
        self.ambient_degC = ambient_degC
        self.supply: Supply | None = None
        self.load: Load | None = None
        self.drain_A = 0.0
        """What the load draws from the supply, while both conduct."""
        self.bodies: list[Body] = []
        self.charge_in_C = 0.0
        self.charge_out_C = 0.0
        self._law = REST
        self._active: list[Supply | Load] = []
        self._leads_open = False
        self.changed()

    @property
    def last(self) -> Terminals:
        """The truth at the last grid point or change."""
        return self._shown

    def look(self, now_s: float) -> Terminals:
        """The truth at `now_s`, without disturbing the grid. Looking back is looking at now."""
        return self.shown_at(now_s)

    # -- what is connected --------------------------------------------------------------------------------------

    def changed(self) -> None:
        """Solve the terminals anew after a panel or a lead changed; protections may act at once."""
        self._look_s = -1.0
        self._active = [panel for panel in (self.supply, self.load) if panel is not None and panel.conducts]
        self.drain_A = self.load.demand_A if len(self._active) == 2 and self.load is not None else 0.0
        self._law = REST if self._leads_open else self._law_of_panels()
        self._grid_s = self._rest_step_s if self._law is REST else self._step_s
        self._shown = self._solve(self.cell, 0.0)
        self._note(0.0)
        self._act(self._shown)

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
            limit_A, limit_V = supply.current_set_A, supply.regulated_V
            return charge(limit_A, limit_V, lead_ohm=supply.lead_drop_ohm, drain_A=self.drain_A)
        if load is not None and load.conducts:
            return load.law
        parallel_ohm = supply.parallel_ohm if supply is not None else None
        return REST if parallel_ohm is None else resistance(parallel_ohm)

    # -- steps --------------------------------------------------------------------------------------------------

    @property
    def _is_static(self) -> bool:
        return self.cell is None

    def _save(self) -> Cell | None:
        return self.cell.copy() if self.cell is not None and self._active else None

    def _restore(self, saved: Cell) -> None:
        self.cell = saved

    def _pass(self, dt_s: float) -> Terminals:
        return self._solve(self.cell, dt_s)

    def _peek(self, dt_s: float) -> Terminals:
        return self._solve(None if self.cell is None else self.cell.copy(), dt_s)

    def _solve(self, cell: Cell | None, dt_s: float) -> Terminals:
        if cell is None or self._leads_open:
            if cell is not None:
                cell.step(dt_s, REST) if dt_s > 0.0 else cell.apply(REST)
            voltage_V = self.supply.regulated_V if self.supply is not None and self.supply.conducts else 0.0
            return Terminals(voltage_V, 0.0, self.ambient_degC if cell is None else cell.temperature_degC)
        if dt_s > 0.0:
            cell.step(dt_s, self._law)
        else:
            cell.apply(self._law)
        return Terminals(cell.voltage_V, cell.current_A, cell.temperature_degC)

    def _note(self, dt_s: float) -> None:
        terminals = self._shown
        charge_C = terminals.current_A * dt_s
        if charge_C > 0.0:
            self.charge_in_C += charge_C
        else:
            self.charge_out_C -= charge_C
        for panel in self._active:
            panel.note(terminals, dt_s)
        for body in self.bodies:
            body.pass_time(dt_s, terminals.temperature_degC)

    def _cause(self, shown: Terminals) -> str | None:
        for panel in self._active:
            cause = panel.protection_cause(shown)
            if cause is not None:
                return cause
        return None

    def _act(self, shown: Terminals) -> None:
        for panel in tuple(self._active):
            cause = panel.protection_cause(shown)
            if cause is not None:
                panel.trip(cause, self.now_s)
