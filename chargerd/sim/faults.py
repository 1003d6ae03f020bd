"""What can go wrong with a simulated instrument, as one table, and the plan that makes it go wrong at the right moment.

Three groups: on the *wire* bytes are lost, late or wrong; a *state* falsifies the panel while the fault is in force
(readings lie, settings are ignored); an *event* happens at one instant (somebody turns a knob, the instrument reboots).
A fault begins at a time, or at the n-th message that contains a given text, and lasts for a number of messages, for a
while, or for ever.
"""

from __future__ import annotations

import random
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from math import floor, inf
from typing import TYPE_CHECKING, Any

from chargerd.sim import fault_effects as effects
from chargerd.sim import modbus_effects
from chargerd.sim.bench_faults import BENCH_FAULTS
from chargerd.sim.spellings import SPELLINGS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from chargerd.sim.fault_effects import Target
    from chargerd.sim.listener import Listener, Pieces
    from chargerd.sim.panel import Lie, Panel, Value
    from chargerd.sim.wire import Peer


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One row of the table: what it is, the values it takes with their defaults, and what carries it out.

    `edit` changes a reply, `state` is entered and left around each message, `event` happens once. `drop` and `hang` have
    none of the three: the peer itself acts on them. `by_time` ones act on the port, whether or not anybody asks.
    `needs`: what a listener must have, as an attribute, for the fault to be possible.
    """

    about: str
    values: Mapping[str, Any] = field(default_factory=dict)
    edit: Callable[[Target, Pieces], Pieces] | None = None
    state: Callable[[Target], Iterator[None]] | None = None
    event: Callable[[Target, float], None] | None = None
    by_time: bool = False
    needs: str = ""


_ANY = {"quantity": "all"}

FAULTS: dict[str, FaultKind] = {
    "hang": FaultKind("messages are swallowed: not carried out, not answered"),
    "mute": FaultKind("messages are carried out and not answered", edit=effects.mute),
    "drop": FaultKind(
        "the connection ends instead of an answer, reset or `orderly`; `carried_out` first or not",
        {"carried_out": False, "orderly": False},
    ),
    "refuse": FaultKind("the port is gone: links drop, connections are refused", by_time=True),
    "swap": FaultKind("the port is another instrument's, and that one's is this one's", {"with": ""}, by_time=True),
    "deaf": FaultKind("nothing is read from the port: what is written waits, a long write blocks", by_time=True),
    "foreign": FaultKind(
        "another program writes on the line, each `every_s`; `to` the instrument, or straight into what is read here",
        {"text": "AT\r\n", "to": "instrument", "every_s": 1.0},
        by_time=True,
    ),
    "garble": FaultKind("wrong bytes in the reply", {"bytes": 2}, edit=effects.garble),
    "truncate": FaultKind("only the first `keep` bytes", {"keep": 3, "ended": False}, edit=effects.truncate),
    "late": FaultKind("the reply comes `delay_s` later", {"delay_s": 1.0}, edit=effects.late),
    "slow": FaultKind(
        "answers take `factor` times as long, or `usual_s` if that is longer, one after the other",
        {"factor": 10.0, "usual_s": 0.05},
        edit=effects.slow,
    ),
    "shift": FaultKind("each reply comes in place of the one `by` questions later", {"by": 1}, edit=effects.shift),
    "drip": FaultKind("bytes come one each `every_s` and the end never does", {"every_s": 0.1, "bytes": 600}, edit=effects.drip),
    "duplicate": FaultKind("the reply comes twice", edit=effects.duplicate),
    "echo": FaultKind("the message comes back before the reply", edit=effects.echo),
    "spell": FaultKind("numbers are spelt in another `form`", {"form": "decimal comma"}, edit=effects.spell),
    "replace": FaultKind("another `text` comes instead", {"text": "ERR"}, edit=effects.replace),
    "flip": FaultKind("one bit of the reply is the other way round (from 0; -1: the last)", {"bit": 20}, edit=effects.flip),
    "wrong_unit": FaultKind("a Modbus reply names another unit", {"unit": 9}, edit=modbus_effects.wrong_unit, needs="units"),
    "wrong_function": FaultKind(
        "a Modbus reply is to another function", {"function": 4}, edit=modbus_effects.wrong_function, needs="units"
    ),
    "exception": FaultKind("a Modbus exception comes instead", {"code": 4}, edit=modbus_effects.exception, needs="units"),
    "flood": FaultKind("digits without an end of line", {"bytes": 100_000}, edit=effects.flood),
    "stale": FaultKind("a setting, or all, is answered as it was when first asked", {"setting": "all"}, state=effects.stale),
    "lamp": FaultKind("a status bit shows without reason", {"condition": "OVP"}, state=effects.lamp),
    "unit": FaultKind(
        "readings are in another unit: millivolts for volts",
        {**_ANY, "factor": 1000.0},
        state=effects.lying(effects.lie_scale),
    ),
    "fahrenheit": FaultKind(
        "temperatures are in degrees Fahrenheit",
        {"quantity": "temperature_degC"},
        state=effects.lying(effects.lie_fahrenheit),
    ),
    "freeze": FaultKind("readings stay what they were", _ANY, state=effects.lying(effects.lie_frozen)),
    "not_a_number": FaultKind("readings are 9.91E37", _ANY, state=effects.lying(effects.lie_nan)),
    "infinite": FaultKind("readings are 9.9E37", _ANY, state=effects.lying(effects.lie_infinite)),
    "scale": FaultKind(
        "readings are multiplied; -1 swaps the sign", {**_ANY, "factor": -1.0}, state=effects.lying(effects.lie_scale)
    ),
    "offset": FaultKind("readings are off by a sum", {**_ANY, "by": 1.0}, state=effects.lying(effects.lie_offset)),
    "reading": FaultKind(
        "readings are one number: an open, shorted or just started sensor",
        {**_ANY, "value": 0.0},
        state=effects.lying(effects.lie_value),
    ),
    "ignore_set": FaultKind("settings are taken and not carried out", state=effects.ignoring("set")),
    "ignore_on": FaultKind("switching on is taken and not carried out", state=effects.ignoring("on")),
    "ignore_off": FaultKind("switching off is taken and not carried out", state=effects.ignoring("off")),
    "identity": FaultKind("another instrument answers", {"text": "Boathouse,Stranger,SN99,1.0"}, state=effects.disguised),
    "stick_on": FaultKind("from now on off shows as off and current flows", event=effects.stick_on),
    "reboot": FaultKind("power is lost and back, the output off or on", {"output_on": False}, event=effects.reboot),
    "trip": FaultKind("a protection (ovp, ocp, uvp) acts without reason", {"cause": "ovp"}, event=effects.trip),
    "panel_switch": FaultKind("somebody at the panel switches", {"on": False}, event=effects.touch_switch),
    "panel_set": FaultKind(
        "somebody at the panel turns a setting", {"setting": "voltage_set_V", "value": 3.0}, event=effects.touch
    ),
    "change": FaultKind("a setting changes by itself", {"setting": "mode", "value": "SHOR"}, event=effects.change),
    "leads": FaultKind("the leads come off the cell, or back on", {"off": True}, event=effects.leads),
    "detach": FaultKind("the sensor falls off the cell and reads the room", event=effects.detach),
    "error": FaultKind(
        "an error appears in the queue", {"number": 101, "text": "Fan"}, event=effects.report_error, needs="has_errors"
    ),
}
FAULTS |= {name: FaultKind(row.about, row.values, event=row.event) for name, row in BENCH_FAULTS.items()}
"""Every fault there is."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault to arm.

    Attributes:
        kind: a key of FAULTS.
        at_s: not before this instant. An event happens exactly then, whether or not anybody asks.
        at_question: not before the n-th message (from 1, counted since arming) that contains `header`.
        header: only messages that contain this text, whatever their case.
        times: so many messages; None for ever. An event happens once.
        for_s: over so long after it first acted.
        output: which panel of the instrument, from 1.
        values: what the kind takes, see FAULTS.
    """

    kind: str
    at_s: float | None = None
    at_question: int | None = None
    header: str = ""
    times: int | None = 1
    for_s: float | None = None
    output: int = 1
    values: Mapping[str, Any] = field(default_factory=dict)


FOREIGN_MAX = 50
"""So many writes of another program at most wait in a serial port's buffer."""

AT_ONCE_S = 1e-3
"""A program that begins to write now does so this much later: whoever listened until now has not heard it yet."""

OWN = ("kind", "at_s", "at_question", "header", "times", "for_s", "output")


def fault_of(raw: Mapping[str, Any]) -> Fault:
    """A fault from plain data, as a file or the side door has it; what is no attribute is a value of the kind.

    Raises:
        ValueError: for a kind or a value that is not in FAULTS.
    """
    name = str(raw.get("kind"))
    kind = FAULTS.get(name)
    if kind is None:
        raise ValueError(f"no fault {name!r}; there are {', '.join(FAULTS)}")
    values = {key: value for key, value in raw.items() if key not in OWN}
    unknown = set(values) - set(kind.values)
    if unknown:
        raise ValueError(f"{name} takes {sorted(kind.values)}, not {sorted(unknown)}")
    if name == "spell" and values.get("form", "decimal comma") not in SPELLINGS:
        raise ValueError(f"no spelling {values['form']!r}; there are {', '.join(SPELLINGS)}")
    own = {key: raw[key] for key in OWN if key in raw}
    return Fault(values={**kind.values, **values}, **own)


def once(kind: str, **where: Any) -> Fault:
    """A fault for one message; `where` takes the other attributes of Fault and the values of the kind."""
    return fault_of({"kind": kind, "times": 1, **where})


def forever(kind: str, **where: Any) -> Fault:
    """A fault from its beginning on; `where` as for `once`."""
    return fault_of({"kind": kind, "times": None, **where})


class Armed:
    """A fault armed on a peer, with what it has done so far. Effects see it as their `Target`."""

    def __init__(self, fault: Fault, peer: Peer, seed: int, armed_s: float = 0.0) -> None:
        self.fault = fault
        self.armed_s = armed_s
        self.kind = FAULTS[fault.kind]
        self.listener: Listener = peer.listener
        self.panel: Panel = peer.listener.panels[fault.output - 1]
        self.values = dict(fault.values)
        self.chance = random.Random(seed)
        self.lies: dict[str, Lie] = {}
        self.kept: dict[str, Value] = {}
        self.held: list[Pieces] = []
        self.free_s = 0.0
        self.now_s = 0.0
        self.message = b""
        self.acted = 0
        self._matched = 0
        self._first_s: float | None = None

    def is_due(self, message: str, now_s: float) -> bool:
        """Whether it acts on this message; counts it if so."""
        fault = self.fault
        if fault.header.upper() not in message.upper():
            return False
        self._matched += 1
        if fault.at_question is not None and self._matched < fault.at_question:
            return False
        if fault.at_s is not None and now_s < fault.at_s:
            return False
        if self._first_s is None:
            self._first_s = now_s if fault.at_s is None else fault.at_s
        if fault.for_s is not None:
            if now_s >= self._first_s + fault.for_s:
                return False
        else:
            times = 1 if self.kind.event is not None else fault.times
            if times is not None and self.acted >= times:
                return False
        self.acted += 1
        return True

    def span(self) -> tuple[float, float]:
        """From when until when a fault by time acts; the end may be infinite."""
        start_s = self.fault.at_s if self.fault.at_s is not None else self.armed_s
        return start_s, inf if self.fault.for_s is None else start_s + self.fault.for_s

    def happen(self, now_s: float) -> None:
        """The event itself."""
        assert self.kind.event is not None
        self.acted += 1
        self.kind.event(self, now_s)


@dataclass(slots=True)
class WireEffects:
    """What the faults in force do to one message and its reply."""

    armed: list[Armed]

    def has(self, kind: str) -> Armed | None:
        """The armed fault of this kind in force, if any."""
        return next((armed for armed in self.armed if armed.fault.kind == kind), None)

    def alter(self, pieces: Pieces) -> Pieces:
        """The pieces really sent in place of the honest ones."""
        for armed in self.armed:
            if armed.kind.edit is not None:
                pieces = armed.kind.edit(armed, pieces)
        return pieces


class FaultPlan:
    """The faults armed on one peer."""

    def __init__(self, peer: Peer, seed: int) -> None:
        self._peer = peer
        self._seed = seed
        self.armed: list[Armed] = []

    def arm(self, fault: Fault, now_s: float = 0.0) -> Armed:
        """Arm a fault. An event with neither time nor message happens now, one with a time happens then.

        Raises:
            ValueError: this instrument cannot have it.
            KeyError: there is no instrument of that name to swap with.
        """
        needs = FAULTS[fault.kind].needs
        if needs and not getattr(self._peer.listener, needs, False):
            raise ValueError(f"{self._peer.name} cannot have {fault.kind}: it has no {needs.removeprefix('has_')}")
        armed = Armed(fault, self._peer, self._seed * 1_000_003 + len(self.armed), now_s)
        self.armed.append(armed)
        if fault.kind == "swap":
            other = self._peer.neighbours[str(fault.values["with"])]
            back = replace(fault, values={"with": self._peer.name})
            other.faults.armed.append(Armed(back, other, 0, now_s))
        if armed.kind.event is not None and fault.at_question is None:
            armed.panel.node.schedule(now_s if fault.at_s is None else fault.at_s, armed.happen)
            armed.panel.node.advance_to(now_s)
        return armed

    def disarm_all(self) -> None:
        """Everything works again; what happened has happened."""
        self.armed = [armed for armed in self.armed if armed.kind.event is not None]

    @contextmanager
    def in_force(self, message: str, now_s: float, raw: bytes = b"") -> Iterator[WireEffects]:
        """Whatever is due at this message: events happen, states hold inside the context, wire effects are returned."""
        if not self.armed:
            yield WireEffects([])
            return
        wire = WireEffects([])
        with ExitStack() as stack:
            for armed in self.armed:
                if armed.kind.by_time or (armed.kind.event is not None and armed.fault.at_question is None):
                    continue
                if not armed.is_due(message, now_s):
                    continue
                armed.now_s, armed.message = now_s, raw
                if armed.kind.event is not None:
                    armed.happen(now_s)
                elif armed.kind.state is not None:
                    stack.enter_context(contextmanager(armed.kind.state)(armed))
                else:
                    wire.armed.append(armed)
            yield wire

    def spans(self, kind: str) -> list[tuple[float, float]]:
        """Intervals in which a fault by time acts; ends may be infinite."""
        return [armed.span() for armed in self.armed if armed.fault.kind == kind]

    def edges_s(self, after_s: float) -> list[float]:
        """Instants after `after_s` at which the port changes: servers look again then."""
        spans = [armed.span() for armed in self.armed if armed.kind.by_time and armed.fault.kind != "foreign"]
        return [edge_s for span in spans for edge_s in span if after_s < edge_s < inf]

    def is_refusing(self, now_s: float) -> bool:
        """Whether the port refuses now."""
        return self._acts("refuse", now_s) is not None

    def is_deaf(self, now_s: float) -> bool:
        """Whether nothing is read from the port now."""
        return self._acts("deaf", now_s) is not None

    def stand_in(self, now_s: float) -> str | None:
        """Name of the instrument that is behind this port now instead of its own."""
        armed = self._acts("swap", now_s)
        return None if armed is None else str(armed.values["with"])

    def _acts(self, kind: str, now_s: float) -> Armed | None:
        for armed in self.armed:
            if armed.fault.kind == kind:
                start_s, end_s = armed.span()
                if start_s <= now_s < end_s:
                    return armed
        return None

    def foreign(self, after_s: float, until_s: float) -> list[tuple[float, bytes, bool]]:
        """What another program writes after `after_s` and until `until_s`: instant, bytes, whether to the instrument."""
        written = []
        for armed in self.armed:
            if armed.fault.kind == "foreign":
                data = str(armed.values["text"]).encode("latin-1")
                to_instrument = armed.values["to"] == "instrument"
                written += [(at_s, data, to_instrument) for at_s in _instants(armed, after_s, until_s)]
        return sorted(written)

    def foreign_next_s(self, after_s: float) -> float:
        """The next instant after `after_s` at which another program writes; infinite for never."""
        found = [inf]
        for armed in self.armed:
            if armed.fault.kind == "foreign":
                found += _instants(armed, after_s, max(after_s, armed.span()[0]) + float(armed.values["every_s"]) * 1.001)
        return min(found)


def _instants(armed: Armed, after_s: float, until_s: float) -> list[float]:
    """When a foreign writer writes within an interval: at its start and then each `every_s`, so many times."""
    start_s, end_s = armed.span()
    if armed.fault.at_s is None:
        start_s += AT_ONCE_S
    every_s, times = float(armed.values["every_s"]), armed.fault.times
    index = max(floor((after_s - start_s) / every_s) - 1, 0)
    found: list[float] = []
    while (times is None or index < times) and len(found) < FOREIGN_MAX:
        at_s = start_s + index * every_s
        if at_s > until_s or at_s >= end_s:
            break
        if at_s > after_s:
            found.append(at_s)
        index += 1
    return found
