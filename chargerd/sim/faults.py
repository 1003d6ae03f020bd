"""What can go wrong with a simulated instrument, as one table, and the plan that makes it go wrong at the right moment.

Three groups: on the *wire* bytes are lost, late or wrong; a *state* falsifies the panel while the fault is in force
(readings lie, settings are ignored); an *event* happens at one instant (somebody turns a knob, the instrument reboots).
A fault begins at a time, or at the n-th message that contains a given text, and lasts for a number of messages, for a
while, or for ever.
"""

from __future__ import annotations

import random
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from chargerd.sim import fault_effects as effects
from chargerd.sim.bench_faults import BENCH_FAULTS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from chargerd.sim.fault_effects import Target
    from chargerd.sim.listener import Listener, Pieces
    from chargerd.sim.panel import Lie, Panel
    from chargerd.sim.wire import Peer


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One row of the table: what it is, the values it takes with their defaults, and what carries it out.

    `edit` changes a reply, `state` is entered and left around each message, `event` happens once. `drop`, `hang` and
    `refuse` have none of the three: the peer itself acts on them.
    """

    about: str
    values: Mapping[str, Any] = field(default_factory=dict)
    edit: Callable[[Target, Pieces], Pieces] | None = None
    state: Callable[[Target], Iterator[None]] | None = None
    event: Callable[[Target, float], None] | None = None


_ANY = {"quantity": "all"}

FAULTS: dict[str, FaultKind] = {
    "hang": FaultKind("messages are swallowed: not carried out, not answered"),
    "mute": FaultKind("messages are carried out and not answered", edit=effects.mute),
    "drop": FaultKind("the connection is reset instead of an answer; `carried_out` first or not", {"carried_out": False}),
    "refuse": FaultKind("the port is gone: links drop, connections are refused (by time only)"),
    "garble": FaultKind("wrong bytes in the reply", {"bytes": 2}, edit=effects.garble),
    "truncate": FaultKind("only the first `keep` bytes", {"keep": 3, "ended": False}, edit=effects.truncate),
    "late": FaultKind("the reply comes `delay_s` later", {"delay_s": 1.0}, edit=effects.late),
    "duplicate": FaultKind("the reply comes twice", edit=effects.duplicate),
    "replace": FaultKind("another `text` comes instead", {"text": "ERR"}, edit=effects.replace),
    "flood": FaultKind("digits without an end of line", {"bytes": 100_000}, edit=effects.flood),
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
    "error": FaultKind("an error appears in the queue", {"number": 101, "text": "Fan"}, event=effects.report_error),
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

    def __init__(self, fault: Fault, peer: Peer, seed: int) -> None:
        self.fault = fault
        self.kind = FAULTS[fault.kind]
        self.listener: Listener = peer.listener
        self.panel: Panel = peer.listener.panels[fault.output - 1]
        self.values = dict(fault.values)
        self.chance = random.Random(seed)
        self.lies: dict[str, Lie] = {}
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

    def happen(self, now_s: float) -> None:
        """The event itself."""
        assert self.kind.event is not None
        self.acted += 1
        self.kind.event(self, now_s)


@dataclass(slots=True)
class PanelFault:
    """An event armed on a panel that no instrument need speak for. Effects see it as their `OnPanel`."""

    panel: Panel
    fault: Fault
    event: Callable[[Any, float], None]
    has_happened: bool = False

    @property
    def values(self) -> Mapping[str, Any]:
        """What the kind takes, defaults filled in."""
        return self.fault.values

    def happen(self, now_s: float) -> None:
        """The event itself, once: one that concerns two panels is on the agenda of both."""
        if not self.has_happened:
            self.has_happened = True
            self.event(self, now_s)


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
        """Arm a fault. An event with neither time nor message happens now, one with a time happens then."""
        armed = Armed(fault, self._peer, self._seed * 1_000_003 + len(self.armed))
        self.armed.append(armed)
        if armed.kind.event is not None and fault.at_question is None:
            armed.panel.node.schedule(now_s if fault.at_s is None else fault.at_s, armed.happen)
            armed.panel.node.advance_to(now_s)
        return armed

    def disarm_all(self) -> None:
        """Everything works again; what happened has happened."""
        self.armed = [armed for armed in self.armed if armed.kind.event is not None]

    @contextmanager
    def in_force(self, message: str, now_s: float) -> Iterator[WireEffects]:
        """Whatever is due at this message: events happen, states hold inside the context, wire effects are returned."""
        if not self.armed:
            yield WireEffects([])
            return
        wire = WireEffects([])
        with ExitStack() as stack:
            for armed in self.armed:
                if armed.kind.event is not None and armed.fault.at_question is None:
                    continue
                if not armed.is_due(message, now_s):
                    continue
                if armed.kind.event is not None:
                    armed.happen(now_s)
                elif armed.kind.state is not None:
                    stack.enter_context(contextmanager(armed.kind.state)(armed))
                else:
                    wire.armed.append(armed)
            yield wire

    def refusals(self) -> list[tuple[float, float]]:
        """Intervals in which the port refuses; the end may be infinite."""
        spans = []
        for armed in self.armed:
            if armed.fault.kind == "refuse":
                start_s = armed.fault.at_s or 0.0
                spans.append((start_s, float("inf") if armed.fault.for_s is None else start_s + armed.fault.for_s))
        return spans

    def is_refusing(self, now_s: float) -> bool:
        """Whether the port refuses now."""
        return any(start_s <= now_s < end_s for start_s, end_s in self.refusals())
