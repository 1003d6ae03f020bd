"""Where panels and cells hang on a circuit: what each looks like to the network, and how it may change its mind.

A supply either holds its voltage, or limits its current, or gives nothing because something else holds its terminals
higher. A load draws its current, or holds its minimum working voltage by drawing less, or draws nothing below that. Which
of them is true is found by trying (`Circuit`); `next_mode` says what to try when a try contradicts itself.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from math import inf
from typing import TYPE_CHECKING, ClassVar

from chargerd.sim.network import Branch
from chargerd.sim.timeline import Terminals

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from chargerd.sim.bodies import Body
    from chargerd.sim.cell import Cell
    from chargerd.sim.circuit import Circuit, Shown
    from chargerd.sim.load import Load
    from chargerd.sim.resistors import Resistor
    from chargerd.sim.supply import Supply

OUTPUT_ohm = 1e-6
"""Inner resistance of a regulated output: nothing to a meter, and two outputs in parallel remain solvable."""

SLACK = 1e-9
"""A and V by which a try may miss its own condition: above rounding, below every resolution."""

POWER_VOLTAGE_MIN_V = 0.01

GROUND_ohm = 0.5
"""From one instrument's negative side to another's through the computer and two cables."""


class Port:
    """Two nets of a circuit as one panel sees them: a `Site`."""

    MODES: ClassVar[tuple[str, ...]] = ()

    def __init__(self, circuit: Circuit, name: str, plus: int, minus: int, cell: str = "") -> None:
        """Connect.

        Args:
            circuit: whose nets they are.
            name: of what hangs here.
            plus: net.
            minus: net.
            cell: whose temperature is felt here; "" for the room's.
        """
        self.circuit = circuit
        self.name = name
        self.plus, self.minus = plus, minus
        self.cell_name = cell
        self.supply: Supply | None = None
        self.load: Load | None = None
        self.drain_A = 0.0
        self.charge_in_C = self.charge_out_C = 0.0
        self.bodies: list[Body] = []
        self.are_leads_open = False
        self.ground: ContactPort | None = None
        """From its negative side to the computer's ground, closed where the instrument is not isolated."""

    # -- a Site -------------------------------------------------------------------------------------------------

    @property
    def ambient_degC(self) -> float:
        """The room."""
        return self.circuit.ambient_degC

    @property
    def cell(self) -> Cell | None:
        """The cell here, if any."""
        return self.circuit.cell_of(self.cell_name)

    @property
    def now_s(self) -> float:
        """The last grid point or change."""
        return self.circuit.now_s

    @property
    def last(self) -> Terminals:
        """The truth at the last grid point or change."""
        return self.seen(self.circuit.last)

    def schedule(self, at_s: float, action: Callable[[float], None]) -> None:
        """Call `action(at_s)` when time passes `at_s`."""
        self.circuit.schedule(at_s, action)

    def advance_to(self, now_s: float) -> None:
        """Let everything happen that is due by `now_s`."""
        self.circuit.advance_to(now_s)

    def arrive(self, now_s: float) -> None:
        """Bring the whole circuit exactly to `now_s`."""
        self.circuit.arrive(now_s)

    def look(self, now_s: float) -> Terminals:
        """The truth at `now_s`, without disturbing the grid."""
        return self.seen(self.circuit.shown_at(now_s))

    def changed(self) -> None:
        """Solve the whole circuit anew."""
        self.circuit.changed()

    def open_leads(self, now_s: float) -> None:
        """The leads of what hangs here come off."""
        self._connect(now_s, are_open=True)

    def close_leads(self, now_s: float) -> None:
        """The leads are back on."""
        self._connect(now_s, are_open=False)

    def _connect(self, now_s: float, *, are_open: bool) -> None:
        self.arrive(now_s)
        self.are_leads_open = are_open
        self.changed()

    # -- what the circuit asks ----------------------------------------------------------------------------------

    def seen(self, shown: Shown) -> Terminals:
        """The truth here, of a solution. A meter whose leads are off reads nothing."""
        voltage_V = 0.0 if self.are_leads_open else shown.between(self.plus, self.minus)
        return Terminals(voltage_V, 0.0, self.circuit.degC_of(self.cell_name, shown))

    @property
    def takes_notes(self) -> bool:
        """Whether anything is counted here."""
        return bool(self.bodies)

    def note(self, shown: Shown, dt_s: float) -> None:
        """Count what held here for the last `dt_s`."""
        if self.bodies:
            degC = self.circuit.degC_of(self.cell_name, shown)
            for body in self.bodies:
                body.pass_time(dt_s, degC)


class CellPort(Port):
    """The terminals of a cell, before clips and leads. Its leads are its clips."""

    def seen(self, shown: Shown) -> Terminals:
        """The cell's own voltage, current into it and temperature, whatever is or is not clipped on."""
        index = self.circuit.cell_index[self.cell_name]
        return Terminals(shown.cell_V[index], shown.cell_A[index], shown.degC[index])

    @property
    def takes_notes(self) -> bool:
        """Always: its charge."""
        return True

    def note(self, shown: Shown, dt_s: float) -> None:
        """Keep the books of its charge."""
        super().note(shown, dt_s)
        charge_C = shown.cell_A[self.circuit.cell_index[self.cell_name]] * dt_s
        if charge_C > 0.0:
            self.charge_in_C += charge_C
        else:
            self.charge_out_C -= charge_C


class StringPort(Port):
    """The ends of a string: its voltage in all, the current of the cell at its negative end, its hottest cell."""

    def __init__(self, circuit: Circuit, name: str, plus: int, minus: int, cells: tuple[str, ...]) -> None:
        super().__init__(circuit, name, plus, minus, cells[0])
        self.cells = cells

    def seen(self, shown: Shown) -> Terminals:
        """As the class says."""
        index = self.circuit.cell_index
        hottest_degC = max(shown.degC[index[name]] for name in self.cells)
        return Terminals(shown.between(self.plus, self.minus), shown.cell_A[index[self.cells[0]]], hottest_degC)


class ActivePort(Port, ABC):
    """Where a panel drives or draws. `index` is its place among the branches while it does."""

    index = -1

    @property
    @abstractmethod
    def panel(self) -> Supply | Load:
        """What hangs here."""

    @property
    def is_active(self) -> bool:
        """Whether it drives or draws: it conducts and is connected."""
        has_panel = self.supply is not None or self.load is not None
        return has_panel and self.panel.conducts and not self.are_leads_open

    def first_mode(self, known: Mapping[str, str]) -> str:
        """The mode to try first after a change: the last one known."""
        return known.get(self.name, self.MODES[0])

    @abstractmethod
    def branch(self, mode: str) -> Branch:
        """The panel in this mode."""

    @abstractmethod
    def strength(self, mode: str, shown: Shown | None) -> float:
        """What it holds in this mode, in V or A. `shown` is what was last seen, None for open terminals."""

    @abstractmethod
    def next_mode(self, mode: str, voltage_V: float, into_A: float) -> str:
        """The mode to try after one that gave this voltage and this current into it; the same one if all is well."""


class SupplyPort(ActivePort):
    """An output of a supply. The nets it senses at may be others than its terminals."""

    MODES = ("voltage", "current", "nothing")

    def __init__(self, circuit: Circuit, name: str, plus: int, minus: int, *, sense_plus: int, sense_minus: int) -> None:
        super().__init__(circuit, name, plus, minus)
        self.sense_plus, self.sense_minus = sense_plus, sense_minus

    @property
    def panel(self) -> Supply:
        """The supply here."""
        assert self.supply is not None
        return self.supply

    @property
    def off_ohm(self) -> float | None:
        """What an output that is off lays across its terminals."""
        return None if self.supply is None or self.supply.conducts else self.supply.parallel_ohm

    def _senses_afar(self) -> bool:
        return self.panel.remote_sense and not self.are_leads_open

    def branch(self, mode: str) -> Branch:
        """Voltage held where it senses; a current limit; nothing, for a supply cannot sink."""
        if mode != "voltage":
            return Branch(self.plus, self.minus, holds_voltage=False, is_idle=mode == "nothing")
        if not self._senses_afar():
            return Branch(self.plus, self.minus, holds_voltage=True, ohm=OUTPUT_ohm)
        return Branch(self.plus, self.minus, True, OUTPUT_ohm, self.sense_plus, self.sense_minus)

    def strength(self, mode: str, shown: Shown | None) -> float:
        """Set-points; its current leaves it."""
        del shown
        return {"voltage": self.panel.regulated_V, "current": -self.panel.current_set_A, "nothing": 0.0}[mode]

    def next_mode(self, mode: str, voltage_V: float, into_A: float) -> str:
        """The limit that is crossed."""
        if mode == "voltage":
            if -into_A > self.panel.current_set_A + SLACK:
                return "current"
            return "nothing" if into_A > SLACK else mode
        above_V = voltage_V - self.panel.regulated_V
        if mode == "current":
            return "voltage" if above_V > SLACK else mode
        return "voltage" if above_V < -SLACK else mode

    def seen(self, shown: Shown) -> Terminals:
        """Voltage where it senses; current out of it."""
        out_A = 0.0 if self.index < 0 else -shown.branch_A(self.index)
        if self.are_leads_open:
            return Terminals(self.panel.regulated_V if self.panel.conducts else 0.0, 0.0, self.circuit.ambient_degC)
        voltage_V = shown.between(self.plus, self.minus)
        plus, minus = self.sense_plus, self.sense_minus
        if self._senses_afar() and shown.is_sensed(plus, self.plus) and shown.is_sensed(minus, self.minus):
            voltage_V = shown.between(plus, minus)
        return Terminals(voltage_V, out_A, self.circuit.ambient_degC)


class LoadPort(ActivePort):
    """The input of a load."""

    MODES = ("current", "power", "resistance", "voltage", "nothing")

    @property
    def panel(self) -> Load:
        """The load here."""
        assert self.load is not None
        return self.load

    def first_mode(self, known: Mapping[str, str]) -> str:
        """A power is tried first wherever it was: a collapsed one would contradict nothing."""
        return "power" if self._wanted == "power" else super().first_mode(known)

    @property
    def _wanted(self) -> str:
        return {"CURR": "current", "POW": "power"}.get(self.panel.mode_now, "resistance")

    def branch(self, mode: str) -> Branch:
        """A current into it, a resistance, or its minimum working voltage."""
        if mode == "resistance":
            return Branch(self.plus, self.minus, holds_voltage=True, ohm=self.panel.shown_ohm)
        return Branch(self.plus, self.minus, mode == "voltage", OUTPUT_ohm, is_idle=mode == "nothing")

    def strength(self, mode: str, shown: Shown | None) -> float:
        """Set-points; a power as the current it is at the voltage last seen."""
        if mode == "power":
            voltage_V = inf if shown is None else shown.between(self.plus, self.minus)
            return self.panel.power_set_W / max(voltage_V, POWER_VOLTAGE_MIN_V)
        held = {"current": self.panel.drawn_set_A, "voltage": self.panel.working_voltage_min_V}
        return held.get(mode, 0.0)

    def next_mode(self, mode: str, voltage_V: float, into_A: float) -> str:
        """The limit that is crossed."""
        wanted, above_V = self._wanted, voltage_V - self.panel.working_voltage_min_V
        if mode in {"current", "power", "resistance"}:
            if mode != wanted:
                return wanted
            return "voltage" if mode != "resistance" and above_V < -SLACK else mode
        if wanted == "resistance":
            return wanted
        if mode == "nothing":
            return "voltage" if above_V > SLACK else mode
        limit_A = self.panel.drawn_set_A
        if wanted == "power":
            limit_A = self.panel.power_set_W / max(voltage_V, POWER_VOLTAGE_MIN_V)
        if into_A > limit_A + SLACK:
            return wanted
        return "nothing" if into_A < -SLACK else mode

    def seen(self, shown: Shown) -> Terminals:
        """Voltage at its own terminals; current into it counts as out of the cell."""
        if self.are_leads_open:
            return Terminals(0.0, 0.0, self.circuit.ambient_degC)
        into_A = 0.0 if self.index < 0 else shown.branch_A(self.index)
        return Terminals(shown.between(self.plus, self.minus), -into_A, self.circuit.ambient_degC)


class ContactPort(Port):
    """A conductor between two nets that a panel owns: a relay's contact, a resistor, a shunt. `ohm` None is open."""

    ohm: float | None = None
    panel: Resistor | None = None

    @property
    def takes_notes(self) -> bool:
        """A resistor's heat is counted."""
        return self.panel is not None

    def note(self, shown: Shown, dt_s: float) -> None:
        """Let the resistor count, and drift."""
        if self.panel is not None:
            self.panel.note(self.seen(shown), dt_s)

    def drift(self, ohm: float) -> None:
        """Have another resistance from the next step on."""
        self.ohm = ohm
        self.circuit.forget_networks()

    def seen(self, shown: Shown) -> Terminals:
        """Voltage across it and current from its first net to its second."""
        voltage_V = shown.between(self.plus, self.minus)
        return Terminals(voltage_V, 0.0 if self.ohm is None else voltage_V / self.ohm, self.circuit.ambient_degC)
