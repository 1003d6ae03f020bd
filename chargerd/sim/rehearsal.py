"""A run without a wire: the real engine on a simulated cell with ideal instruments, as fast as it can be reckoned.

For `rehearse` and for tests of decisions. Readings are exact unless a `Noise` is given; switching takes no time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from random import Random

from chargerd.core.demand import Demand, Energise
from chargerd.core.engine import Engine
from chargerd.core.events import Answer, CheckPassed, Event, Observed, Record, Start
from chargerd.core.plan import Plan
from chargerd.core.reading import ChannelInputs, Measured, Reading
from chargerd.core.states import OVER, State
from chargerd.sim.cell import Cell
from chargerd.sim.laws import REST, Law, charge, discharge

CV_MARGIN = 1.0 - 1e-9
"""A source whose current is below its set-point by more than rounding holds its voltage."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviations of reading noise and the seed they are drawn with."""

    voltage_V: float = 0.0
    current_A: float = 0.0
    temperature_K: float = 0.0
    seed: int = 0


Tamper = Callable[[dict[str, Measured], float], None]


class Rehearsal:
    """One run of a plan on a cell.

    `tamper` may change the inputs of each reading before the engine sees them (tests). `inputs_seen` keeps nothing: the
    caller takes readings and records from `run`.
    """

    def __init__(self, plan: Plan, cell: Cell, *, noise: Noise | None = None, tamper: Tamper | None = None) -> None:
        plan = replace(plan, inputs=_ideal(plan.inputs))
        self.engine = Engine(plan)
        self.cell = cell
        self.now_s = 0.0
        self.on = Energise.NONE
        self._points: tuple[float | None, float | None] = (None, None)
        self._law: Law = REST
        self._set_A = 0.0
        self._noise = noise or Noise()
        self._random = Random(self._noise.seed)
        self._tamper = tamper
        self._keys = _Keys(plan.inputs)
        self._start_degC = cell.temperature_degC
        self.peak_V = self.peak_A = self.peak_K = 0.0
        """Highest voltage, largest charging current and greatest warming seen by any reading."""

    def run(self, until_s: float, *, after_s: float = 0.0) -> Iterator[tuple[float, Record]]:
        """Start, pass CHECKING, and go on until the run is over (and `after_s` longer) or `until_s`. Yields every record."""
        yield from self._command(Start(by="rehearsal"), CheckPassed())
        over_s: float | None = None
        while self.now_s <= until_s and (over_s is None or self.now_s < over_s):
            for event in self.read():
                yield self.now_s, event
            switched = self.switch()
            yield from self._command(*switched)
            if self.engine.memory.asked_s is not None and self.engine.state is State.PAUSED:
                yield from self._command(Answer(by="rehearsal"), CheckPassed())
            if self.engine.state in OVER and over_s is None:
                over_s = self.now_s + after_s
            if not switched:
                self._wait()

    def _command(self, *records: Record) -> Iterator[tuple[float, Record]]:
        for record in records:
            yield self.now_s, record
            for event in self.engine.command(record, self.now_s):
                yield self.now_s, event

    def read(self) -> tuple[Event, ...]:
        """Take one reading at this instant."""
        reading = Reading(self.now_s, self._measure())
        return self.engine.take(reading, self.now_s)

    def switch(self) -> list[Observed]:
        """Carry out the engine's demand; returns what was observed doing so."""
        demand = self.engine.demand()
        observed = []
        if self.on is not Energise.NONE and demand.energise is not self.on:
            observed.append(Observed(self._name(self.on), "off", verified=True))
            self._apply(Energise.NONE, demand)
        if demand.energise is not Energise.NONE and demand.energise is not self.on:
            self._apply(demand.energise, demand)
            observed.append(Observed(self._name(self.on), "on", verified=True))
        elif self.on is not Energise.NONE and self._points != (demand.voltage_set_V, demand.current_set_A):
            self._apply(demand.energise, demand)
        return observed

    def _name(self, which: Energise) -> str:
        inputs = self.engine.plan.inputs
        return inputs.source if which is Energise.SOURCE else inputs.load

    def _apply(self, which: Energise, demand: Demand) -> None:
        self.on = which
        self._points = (demand.voltage_set_V, demand.current_set_A)
        self._set_A = demand.current_set_A or 0.0
        if demand.isolated:
            self._law = REST  # the relay is open: nothing reaches the cell
        elif which is Energise.SOURCE:
            voltage_V = demand.voltage_set_V if demand.voltage_set_V is not None else self.engine.plan.limits.voltage_max_V
            self._law = charge(self._set_A, voltage_V)
        elif which is Energise.LOAD:
            self._law = discharge(self._set_A)
        else:
            self._law = REST
        self.cell.apply(self._law)

    def _wait(self) -> None:
        due_s = max(self.engine.deadline_s(), self.now_s + 0.001)
        self.cell.advance(due_s - self.now_s, self._law)
        self.now_s = round(due_s, 3)

    def _measure(self) -> dict[str, Measured]:
        cell, keys, noise = self.cell, self._keys, self._noise
        gauss = self._random.gauss
        voltage_V, current_A, temperature_degC = cell.voltage_V, cell.current_A, cell.temperature_degC
        self.peak_V = max(self.peak_V, voltage_V)
        self.peak_A = max(self.peak_A, current_A)
        self.peak_K = max(self.peak_K, temperature_degC - self._start_degC)
        if noise.voltage_V:
            voltage_V += gauss(0.0, noise.voltage_V)
        if noise.current_A:
            current_A += gauss(0.0, noise.current_A)
        if noise.temperature_K:
            temperature_degC += gauss(0.0, noise.temperature_K)
        source_on, load_on = self.on is Energise.SOURCE, self.on is Energise.LOAD
        regulated = 0.0
        if source_on:
            regulated = 2.0 if cell.current_A < self._set_A * CV_MARGIN else 1.0
        inputs = {
            keys.source_V: Measured(_seven(voltage_V)),
            keys.source_A: Measured(_seven(current_A) if source_on else 0.0),
            keys.source_on: Measured(1.0 if source_on else 0.0),
            keys.regulated: Measured(regulated),
        }
        if keys.load_A:
            inputs[keys.load_A] = Measured(_seven(-current_A) if load_on else 0.0)
            inputs[keys.load_on] = Measured(1.0 if load_on else 0.0)
        if keys.temperature:
            inputs[keys.temperature] = Measured(_seven(temperature_degC))
        if keys.meter_V:
            inputs[keys.meter_V] = Measured(_seven(voltage_V))
        if self._tamper is not None:
            self._tamper(inputs, self.now_s)
        return inputs


def _ideal(inputs: ChannelInputs) -> ChannelInputs:
    """Without relays and resistors: here nothing needs to be isolated, and any current can be drawn."""
    return replace(inputs, switch="", ammeter="", bank=(), load=inputs.load or ("load" if inputs.bank else ""))


class _Keys:
    """The reading keys of one channel, built once."""

    def __init__(self, inputs: ChannelInputs) -> None:
        self.source_V = f"{inputs.source}_voltage_V"
        self.source_A = f"{inputs.source}_current_A"
        self.source_on = f"{inputs.source}_output"
        self.regulated = f"{inputs.source}_regulated"
        self.load_A = f"{inputs.load}_current_A" if inputs.load else ""
        self.load_on = f"{inputs.load}_output"
        self.meter_V = f"{inputs.meter}_voltage_V" if inputs.meter else ""
        self.temperature = f"{inputs.thermometer}_temperature_degC" if inputs.thermometer else ""


def _seven(value: float) -> float:
    """Round to seven significant digits, as a reading at the door."""
    return float(f"{value:.7g}")
