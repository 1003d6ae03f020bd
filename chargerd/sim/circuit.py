"""A bench of cells, relays, resistors, supplies and loads as one circuit that obeys Kirchhoff at every instant.

Each cell sees the rest of the bench as one straight line (`laws.Law`), exactly, as long as the supplies and loads keep their
modes (`ports`); cells that drive each other are solved together by Newton's method. A step that contradicts its own modes is
tried again with others. How time passes is said in `timeline`.
"""

from __future__ import annotations

from itertools import product
from math import inf
from typing import TYPE_CHECKING, NamedTuple

from chargerd.errors import InternalError
from chargerd.sim.laws import REST, Law, constant_current
from chargerd.sim.network import Branch, InfeasibleError, Network, Resistance, eliminate
from chargerd.sim.ports import ActivePort, CellPort, ContactPort, LoadPort, Port, SupplyPort
from chargerd.sim.timeline import Timeline

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from chargerd.sim.cell import Cell

NOMINAL_ohm = 0.5
"""Cells stand in the network as a voltage behind this, whatever their true resistance: only the split into two is arbitrary."""

DECOUPLED_S = 1e-12
"""A cell that changes another's current by less per volt does not matter to it."""

AGREED_V = 2e-10
"""Cells solved together agree with the network to this."""

ROUNDS_MAX = 60
MOVE_MAX_V = 0.3
SECANT_MIN_A = 1e-6
POWER_ROUNDS, FIRST_POWER_ROUNDS = 3, 12
"""A constant power is a current at the voltage last seen, from open terminals at first: so many corrections leave less than
a thousandth, and it never starts collapsed."""


class Shown(NamedTuple):
    """One solution: what every net and branch has, and every cell. Voltages and currents are reckoned when asked for."""

    network: Network
    strengths: tuple[float, ...]
    cell_V: tuple[float, ...]
    cell_A: tuple[float, ...]
    degC: tuple[float, ...]

    def between(self, plus: int, minus: int) -> float:
        """Voltage between two nets."""
        return self.network.between(self.strengths, plus, minus)

    def branch_A(self, number: int) -> float:
        """Current into a branch."""
        return self.network.branch_A(self.strengths, number)

    def is_sensed(self, sense: int, terminal: int) -> bool:
        """Whether a sense lead ends where wires lead to its terminal."""
        return self.network.is_sensed(sense, terminal)


class _Solution(NamedTuple):
    shown: Shown
    cells: list[Cell]
    slopes_ohm: tuple[float, ...]
    modes: tuple[str, ...]


class Circuit(Timeline[Shown]):
    """Nets with what joins them. Made empty; parts are added, then `changed` is called once."""

    def __init__(self, *, ambient_degC: float = 25.0, step_s: float = 1.0, rest_step_s: float = 10.0) -> None:
        """An empty circuit; `step_s` and `rest_step_s` as a node has them, for its fastest cell."""
        super().__init__(Shown(Network(0, (), ()), (), (), (), ()), step_s=step_s, rest_step_s=rest_step_s)
        self.ambient_degC = ambient_degC
        self.nets: dict[str, int] = {}
        self.cells: list[Cell] = []
        self.cell_index: dict[str, int] = {}
        self.ports: list[Port] = []
        self._cell_ports: list[CellPort] = []
        self._active: list[ActivePort] = []
        self._noting: list[Port] = []
        self._known_modes: dict[str, str] = {}
        self._modes: tuple[str, ...] = ()
        self._slopes_ohm: tuple[float, ...] = ()
        self._networks: dict[tuple[str, ...], Network | None] = {}

    # -- wiring -------------------------------------------------------------------------------------------------

    def net(self, name: str) -> int:
        """The number of a net, made if it is new."""
        return self.nets.setdefault(name, len(self.nets))

    def add_cell(self, name: str, cell: Cell, plus: str, minus: str) -> CellPort:
        """A cell between two nets."""
        self.cell_index[name] = len(self.cells)
        self.cells.append(cell)
        self._slopes_ohm += (cell.resistance_ohm,)
        port = CellPort(self, name, self.net(plus), self.net(minus), name)
        self._cell_ports.append(port)
        self.ports.append(port)
        return port

    def add_contact(self, name: str, one: str, other: str, ohm: float | None = None) -> ContactPort:
        """A conductor between two nets: a lead, or what a relay or resistor gives its ohms to. None is open."""
        port = ContactPort(self, name, self.net(one), self.net(other))
        port.ohm = ohm
        self.ports.append(port)
        return port

    def add_supply(self, name: str, plus: str, minus: str, *, sense: tuple[str, str] | None = None) -> SupplyPort:
        """The terminals of a supply, and where its remote sense leads go if not there."""
        plus_sense, minus_sense = sense or (plus, minus)
        port = SupplyPort(
            self, name, self.net(plus), self.net(minus), sense_plus=self.net(plus_sense), sense_minus=self.net(minus_sense)
        )
        self.ports.append(port)
        return port

    def add_load(self, name: str, plus: str, minus: str) -> LoadPort:
        """The terminals of a load."""
        port = LoadPort(self, name, self.net(plus), self.net(minus))
        self.ports.append(port)
        return port

    def add_tap(self, name: str, plus: str, minus: str, *, cell: str = "") -> Port:
        """Where a meter is connected, and the cell whose temperature it feels; no current flows into it."""
        port = Port(self, name, self.net(plus), self.net(minus), cell)
        self.ports.append(port)
        return port

    # -- what ports ask -----------------------------------------------------------------------------------------

    @property
    def last(self) -> Shown:
        """The truth at the last grid point or change."""
        return self._shown

    def cell_of(self, name: str) -> Cell | None:
        """A cell by name."""
        index = self.cell_index.get(name)
        return None if index is None else self.cells[index]

    def degC_of(self, name: str, shown: Shown) -> float:
        """Temperature of a cell, or of the room for a name that is none."""
        index = self.cell_index.get(name)
        return self.ambient_degC if index is None or index >= len(shown.degC) else shown.degC[index]

    def forget_networks(self) -> None:
        """A resistance drifted: the next step is solved with the new one."""
        self._networks = {}

    def changed(self) -> None:
        """Solve everything anew after a panel, a contact or a lead changed; protections may act at once."""
        self._look_s = -1.0
        self._known_modes |= dict(zip((port.name for port in self._active), self._modes, strict=True))
        self._active = [port for port in self.ports if isinstance(port, ActivePort) and port.is_active]
        for port in self.ports:
            if isinstance(port, ActivePort):
                port.index = -1
        for number, active in enumerate(self._active):
            active.index = len(self.cells) + number
        self._modes = tuple(port.first_mode(self._known_modes) for port in self._active)
        self._noting = [port for port in self.ports if port.takes_notes]
        self.forget_networks()
        self._shown = self._pass(0.0)
        is_still = not self._active and all(abs(current_A) < DECOUPLED_S for current_A in self._shown.cell_A)
        self._grid_s = self._rest_step_s if is_still else self._step_s
        self._note(0.0)
        self._act(self._shown)

    # -- solving ------------------------------------------------------------------------------------------------

    def _settle(self, dt_s: float) -> _Solution:
        """Find the modes in which a step of `dt_s` contradicts nothing, and what it leads to."""
        modes, tried = self._modes, set[tuple[str, ...]]()
        while modes not in tried:
            tried.add(modes)
            solution = self._try(modes, dt_s)
            better = self._revise(modes, solution)
            if solution is not None and better == modes:
                return solution
            modes = better
        for modes in product(*(port.MODES for port in self._active)):
            solution = self._try(modes, dt_s)
            if solution is not None and self._revise(modes, solution) == modes:
                return solution
        raise InternalError("the simulated circuit contradicts itself in every mode")

    def _revise(self, modes: tuple[str, ...], solution: _Solution | None) -> tuple[str, ...]:
        """The modes to try next; the same ones if this solution keeps all their conditions."""
        if solution is None:  # a current without a way back holds its voltage instead
            return tuple("voltage" if mode in {"current", "power"} else mode for mode in modes)
        revised = []
        for port, mode in zip(self._active, modes, strict=True):
            terminals = port.seen(solution.shown)
            revised.append(port.next_mode(mode, terminals.voltage_V, -terminals.current_A))
        return tuple(revised)

    def _network(self, modes: tuple[str, ...]) -> Network | None:
        if modes not in self._networks:
            try:
                self._networks[modes] = Network(len(self.nets), list(self._resistances()), list(self._branches(modes)))
            except InfeasibleError:
                self._networks[modes] = None
        return self._networks[modes]

    def _resistances(self) -> Iterator[Resistance]:
        for port in self.ports:
            if port.are_leads_open:
                continue
            if isinstance(port, ContactPort) and port.ohm is not None:
                yield Resistance(port.plus, port.minus, port.ohm)
            elif isinstance(port, SupplyPort) and port.off_ohm is not None:
                yield Resistance(port.plus, port.minus, port.off_ohm)

    def _branches(self, modes: tuple[str, ...]) -> Iterator[Branch]:
        for port in self._cell_ports:
            if port.are_leads_open:
                yield Branch(port.plus, port.minus, holds_voltage=False, is_idle=True)
            else:
                yield Branch(port.plus, port.minus, holds_voltage=True, ohm=NOMINAL_ohm)
        for active, mode in zip(self._active, modes, strict=True):
            yield active.branch(mode)

    def _try(self, modes: tuple[str, ...], dt_s: float) -> _Solution | None:
        network = self._network(modes)
        if network is None:
            return None
        shown: Shown | None = self._shown if dt_s > 0.0 else None
        rounds = (POWER_ROUNDS if dt_s > 0.0 else FIRST_POWER_ROUNDS) if "power" in modes else 1
        for _ in range(rounds):
            held = [port.strength(mode, shown) for port, mode in zip(self._active, modes, strict=True)]
            cells, slopes_ohm = _stepped(network, self.cells, self._slopes_ohm, held, dt_s)
            inner = [
                0.0 if port.are_leads_open else cell.voltage_V - NOMINAL_ohm * cell.current_A
                for cell, port in zip(cells, self._cell_ports, strict=True)
            ]
            shown = Shown(
                network,
                (*inner, *held),
                tuple([cell.voltage_V for cell in cells]),
                tuple([cell.current_A for cell in cells]),
                tuple([cell.temperature_degC for cell in cells]),
            )
        assert shown is not None
        return _Solution(shown, cells, slopes_ohm, modes)

    # -- steps --------------------------------------------------------------------------------------------------

    @property
    def _is_static(self) -> bool:
        return not self.cells

    def _save(self) -> tuple[list[Cell], tuple[float, ...], tuple[str, ...]] | None:
        return (self.cells, self._slopes_ohm, self._modes) if self._active else None  # a step replaces, it changes nothing

    def _restore(self, saved: tuple[list[Cell], tuple[float, ...], tuple[str, ...]]) -> None:
        self.cells, self._slopes_ohm, self._modes = saved

    def _pass(self, dt_s: float) -> Shown:
        shown, self.cells, self._slopes_ohm, self._modes = self._settle(dt_s)
        return shown

    def _peek(self, dt_s: float) -> Shown:
        return self._settle(dt_s).shown

    def _note(self, dt_s: float) -> None:
        shown = self._shown
        for active in self._active:
            active.panel.note(active.seen(shown), dt_s)
        for port in self._noting:
            port.note(shown, dt_s)

    def _cause(self, shown: Shown) -> str | None:
        for port in self._active:
            cause = port.panel.protection_cause(port.seen(shown))
            if cause is not None:
                return cause
        return None

    def _act(self, shown: Shown) -> None:
        for port in tuple(self._active):
            cause = port.panel.protection_cause(port.seen(shown))
            if cause is not None:
                port.panel.trip(cause, self.now_s)


def _stepped(
    network: Network, cells: Sequence[Cell], slopes_ohm: tuple[float, ...], held: Sequence[float], dt_s: float
) -> tuple[list[Cell], tuple[float, ...]]:
    """Copies of the cells one step further, each under what the network makes of the others and of what ports hold."""
    count = len(cells)
    factors = [network.rows[network.nets + number] for number in range(count)]
    bias_A = [sum([factor * strength for factor, strength in zip(row[count:], held, strict=True)]) for row in factors]
    together = [
        number
        for number, row in enumerate(factors)
        if any(abs(row[other]) > DECOUPLED_S for other in range(count) if other != number)
    ]
    stepped = [cell.copy() for cell in cells]
    for number, cell in enumerate(stepped):
        if number not in together:
            cell.step(dt_s, _law(bias_A[number], -factors[number][number]))
    if together:
        slopes = list(slopes_ohm)
        rows = [[factors[number][other] for other in together] for number in together]
        joint = _Joint([cells[number] for number in together], rows, [bias_A[number] for number in together], dt_s)
        solved = joint.solve([slopes[number] for number in together])
        for number, cell, slope_ohm in zip(together, solved, joint.slopes_ohm, strict=True):
            stepped[number], slopes[number] = cell, slope_ohm
        slopes_ohm = tuple(slopes)
    return stepped, slopes_ohm


def _law(bias_A: float, slope_S: float) -> Law:
    """The straight line `I = bias - slope * inner voltage` as a source behind a resistance."""
    if slope_S < DECOUPLED_S:
        return REST if abs(bias_A) < DECOUPLED_S else constant_current(bias_A)
    return Law(-inf, inf, bias_A / slope_S, max(1.0 / slope_S - NOMINAL_ohm, 0.0))


class _Joint:
    """Cells that drive each other: `I = bias + rows * inner`, and each cell's inner voltage follows from its current."""

    def __init__(self, cells: Sequence[Cell], rows: list[list[float]], bias_A: list[float], dt_s: float) -> None:
        self._cells, self._rows, self._bias_A, self._dt_s = cells, rows, bias_A, dt_s
        self.slopes_ohm: list[float] = []

    def solve(self, slopes_ohm: list[float]) -> list[Cell]:
        """The cells one step further.

        Raises:
            InternalError: no agreement, which would be a bug.
        """
        self.slopes_ohm = slopes_ohm
        inner_V = [cell.voltage_V - NOMINAL_ohm * cell.current_A for cell in self._cells]
        before: list[Cell] = []
        for _ in range(ROUNDS_MAX):
            currents_A = [
                bias_A + sum([factor * inner for factor, inner in zip(row, inner_V, strict=True)])
                for bias_A, row in zip(self._bias_A, self._rows, strict=True)
            ]
            tried = [cell.copy() for cell in self._cells]
            for cell, current_A in zip(tried, currents_A, strict=True):
                cell.step(self._dt_s, constant_current(current_A))
            missed_V = [cell.voltage_V - NOMINAL_ohm * cell.current_A - inner for cell, inner in zip(tried, inner_V, strict=True)]
            if max(map(abs, missed_V)) < AGREED_V:
                return tried
            self._learn(before, tried)
            before = tried
            inner_V = [inner + move_V for inner, move_V in zip(inner_V, self._moves_V(missed_V), strict=True)]
        raise InternalError("simulated cells that drive each other found no agreement")

    def _learn(self, before: Sequence[Cell], now: Sequence[Cell]) -> None:
        """Secant slopes of the cells' voltages."""
        for number, (old, new) in enumerate(zip(before, now, strict=bool(before))):
            change_A = new.current_A - old.current_A
            if abs(change_A) > SECANT_MIN_A:
                self.slopes_ohm[number] = max((new.voltage_V - old.voltage_V) / change_A, 0.0)

    def _moves_V(self, missed_V: Sequence[float]) -> list[float]:
        """Newton's move of the inner voltages: `(1 - (slope - nominal) * rows)⁻¹ * missed`, kept short."""
        size = len(missed_V)
        matrix = []
        for number, (slope_ohm, row) in enumerate(zip(self.slopes_ohm, self._rows, strict=True)):
            factors = [(NOMINAL_ohm - slope_ohm) * factor for factor in row]
            factors[number] += 1.0
            matrix.append([*factors, missed_V[number]])
        eliminate(matrix, size)
        return [min(max(row[size], -MOVE_MAX_V), MOVE_MAX_V) for row in matrix]
