"""A whole simulated bench that repeats itself: cells, panels and the peers that speak for them, from one seed.

`boathouse_bench` makes the invented bench of the examples; `world_of` reads the same from plain data, for benches served
by another process. Time is whatever the caller passes; it starts at 0 s.
"""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING, Any

from chargerd.sim.bench_faults import PanelFault, check_may_have
from chargerd.sim.cell import Cell
from chargerd.sim.faults import FAULTS, fault_of
from chargerd.sim.fixtures import make_cell
from chargerd.sim.listener import make_listener
from chargerd.sim.load import Load
from chargerd.sim.meter import Meter, Thermometer
from chargerd.sim.node import Node
from chargerd.sim.relay import Relay
from chargerd.sim.resistors import Lead, Resistor
from chargerd.sim.supply import Supply
from chargerd.sim.timeline import REST_STEPS, STEP_MAX_S, step_of
from chargerd.sim.wire import Peer

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from chargerd.sim.panel import Panel
    from chargerd.sim.timeline import Site


PANELS: Mapping[str, type[Panel]] = {
    "supply": Supply, "load": Load, "meter": Meter, "thermometer": Thermometer, "relay": Relay, "resistor": Resistor,
    "lead": Lead,
}  # fmt: skip


class World:
    """Nodes, panels and peers by name."""

    def __init__(self, seed: int = 0, *, keeps_log: bool = False, latency_s: float = 0.0) -> None:
        """An empty bench.

        Args:
            seed: of all noise and of every choice a fault makes.
            keeps_log: every peer keeps its exchanges, not only their number.
            latency_s: time from a question to its reply, of every peer.
        """
        self.seed = seed
        self.nodes: dict[str, Site] = {}
        self.panels: dict[str, Panel] = {}
        self.peers: dict[str, Peer] = {}
        self._keeps_log = keeps_log
        self._latency_s = latency_s

    def add_node(self, name: str, cell: Cell | None, *, ambient_degC: float = 25.0) -> Node:
        """Two terminals with a cell, or open ones; the grid of time follows the cell's own time constant."""
        step_s = STEP_MAX_S if cell is None else step_of(cell)
        node = Node(cell, ambient_degC=ambient_degC, step_s=step_s, rest_step_s=REST_STEPS * step_s)
        self.nodes[name] = node
        return node

    def add_panel(self, kind: str, name: str, node: Site, **options: Any) -> Panel:
        """A panel of a kind in PANELS on a node; `options` as its class takes them."""
        panel = PANELS[kind](name, node, seed=self._next_seed(), **options)
        self.panels[name] = panel
        return panel

    def add_peer(self, name: str, behaviour: str, panels: Sequence[Panel], *, identity: str | None = None) -> Peer:
        """Something that speaks for one panel, or for all outputs of one instrument."""
        listener = make_listener(behaviour, panels, identity=identity)
        peer = Peer(name, listener, latency_s=self._latency_s, seed=self._next_seed(), keeps_log=self._keeps_log)
        self.peers[name] = peer
        peer.neighbours = self.peers
        return peer

    def arm(self, raw: Mapping[str, Any], now_s: float = 0.0) -> None:
        """Arm a fault from plain data: on a `peer`, or one that is an event on a `panel` alone; the rest as `fault_of` takes it.

        On a panel, a value `other` names another one.

        Raises:
            KeyError, ValueError, TypeError: for what does not exist.
        """
        values = dict(raw)
        if "panel" in values:
            self._arm_on_panel(self.panels[values.pop("panel")], values, now_s)
            return
        peer = self.peers[values.pop("peer")]
        fault = fault_of(values)
        check_may_have(peer.listener.panels[fault.output - 1], fault.kind)
        peer.faults.arm(fault, now_s)

    def _arm_on_panel(self, panel: Panel, values: dict[str, Any], now_s: float) -> None:
        concerned = [panel]
        if "other" in values:
            values["other"] = self.panels[values["other"]]
            concerned.append(values["other"])
        fault = fault_of(values)
        check_may_have(panel, fault.kind)
        event = FAULTS[fault.kind].event
        if event is None:
            raise ValueError(f"{fault.kind} is nothing that happens to a panel")
        armed = PanelFault(panel, fault, event)
        at_s = now_s if fault.at_s is None else fault.at_s
        for each in concerned:
            each.node.schedule(at_s, armed.happen)
        for each in concerned:
            each.node.advance_to(now_s)

    def _next_seed(self) -> int:
        return self.seed * 1009 + len(self.panels) + len(self.peers)

    def feeds(self, zero_s: float = 0.0) -> dict[str, Callable[[bytes, float], list[tuple[float, bytes]]]]:
        """Every peer as a callable for an in-memory link, on a clock that shows `zero_s` when the world's shows 0."""

        def feed_of(peer: Peer) -> Callable[[bytes, float], list[tuple[float, bytes]]]:
            return lambda data, now_s: peer.feed(data, now_s - zero_s)

        return {name: feed_of(peer) if zero_s else peer.feed for name, peer in self.peers.items()}

    def advance_to(self, now_s: float) -> None:
        """Let everything happen that is due by `now_s`."""
        for node in self.nodes.values():
            node.advance_to(now_s)

    def copy(self) -> World:
        """An independent world in the same state, faults and agenda included."""
        memo: dict[int, Any] = {}
        for node in self.nodes.values():
            if node.cell is not None:
                memo[id(node.cell)] = node.cell.copy()
        return copy.deepcopy(self, memo)

    def report(self, now_s: float) -> dict[str, Any]:
        """The truth as plain data: what each panel really did and when, what each cell holds."""
        self.advance_to(now_s)
        return {
            "now_s": now_s,
            "panels": {name: _panel_report(panel, now_s) for name, panel in self.panels.items()},
            "nodes": {name: _node_report(node, now_s) for name, node in self.nodes.items()},
            "peers": {name: {"messages": peer.messages, "replies": peer.replies} for name, peer in self.peers.items()},
        }


def _panel_report(panel: Panel, now_s: float) -> dict[str, Any]:
    return {
        "conducts": panel.conducts,
        "commands": panel.commands,
        "output_log": [[entry.time_s, entry.on, entry.cause] for entry in panel.output_log],
        "energised": [list(interval) for interval in panel.energised()],
        "charge_C": getattr(panel, "charge_C", 0.0),
        "settings": {key: panel.get(key) for key in panel.settings},
        "read_s": now_s,
    }


def _node_report(node: Site, now_s: float) -> dict[str, Any]:
    at = node.look(now_s)
    return {**at._asdict(), "charge_in_C": node.charge_in_C, "charge_out_C": node.charge_out_C}


def boathouse_bench(
    cell: str | Cell | None = "plover",
    *,
    seed: int = 0,
    fresh: bool = True,
    stored_Ah: float = 0.0,
    ambient_degC: float = 25.0,
    supply: str = "scpi-supply",
    load: str | None = "scpi-load",
    meter: bool = True,
    thermometer: bool = True,
    latency_s: float = 0.0,
    keeps_log: bool = False,
    prefix: str = "",
    into: World | None = None,
) -> World:
    """The invented boathouse bench: one cell with a supply, a load, a meter and a thermometer, each under its own name.

    Args:
        cell: a boathouse cell, a cell of your own, or None for open terminals.
        seed: see World.
        fresh: a boathouse cell never charged before.
        stored_Ah: charge such a cell starts with.
        ambient_degC: the room.
        supply: behaviour of the supply.
        load: behaviour of the load, None for a bench without.
        meter: whether there is one across the cell.
        thermometer: whether there is one on the cell.
        latency_s: see World.
        keeps_log: see World.
        prefix: put before the four names and `cell`, for a bench of several channels.
        into: add to this world instead of a new one.
    """
    world = World(seed, keeps_log=keeps_log, latency_s=latency_s) if into is None else into
    if isinstance(cell, str):
        cell = make_cell(cell, ambient_degC=ambient_degC, fresh=fresh, stored_Ah=stored_Ah)
    node = world.add_node(prefix + "cell", cell, ambient_degC=ambient_degC)
    wanted = (
        ("supply", supply),
        ("load", load),
        ("meter", "scpi-meter" if meter else None),
        ("thermometer", "scpi-thermometer" if thermometer else None),
    )
    for kind, behaviour in wanted:
        if behaviour is not None:
            name = prefix + kind
            world.add_peer(name, behaviour, [world.add_panel(kind, name, node)])
    return world


def empty_world(spec: Mapping[str, Any]) -> World:
    """A world without anything in it, with the `seed`, `keeps_log` and `latency_s` of plain data."""
    return World(
        int(spec.get("seed", 0)),
        keeps_log=bool(spec.get("keeps_log", False)),
        latency_s=float(spec.get("latency_s", 0.0)),
    )


def world_of(spec: Mapping[str, Any]) -> World:
    """A bench from plain data: the arguments of `boathouse_bench`, or under `channels` a list of such, and `faults`.

    Each fault is as `World.arm` takes it.

    Raises:
        KeyError, ValueError, TypeError: for what does not exist.
    """
    world = empty_world(spec)
    for channel in spec.get("channels", ({},)):
        boathouse_bench(**channel, into=world)
    for fault in spec.get("faults", ()):
        world.arm(fault)
    return world
