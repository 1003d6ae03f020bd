"""Simulated benches with relays, resistors, shunts, strings and sensors, from plain data.

`bench_of` takes what a bench file also says, in the simulator's own words. Channels that share a source or a load hang
on one rail and are one circuit:

    source --lead-- rail --shunt-- --switch-- --clip-- cell --- 0      each channel has its own shunt, switch and clip
    load ---lead---'  '--resistor's relay--resistor------------ 0

Keys of the data: `seed`, `keeps_log`, `latency_s`, `ambient_degC`; `lead_ohm` (both leads of a source or load), `clip_ohm`
(both clips of a cell), `link_ohm` (between the cells of a string), `tap_ohm` (at the cell's end of a tap lead);

- `instruments`: by name, each with `kind` (a row of PANELS), what its class takes, and for all `accuracy` (quantity: gain,
  offset, noise, resolution), `settings` (name: default, minimum, maximum, resolution), `behaviour` and `identity` of a peer of
  its own, `isolated` (no: its negative side is tied to the computer's ground), for an ammeter `shunt` (what a resistor takes)
- `channels`: by name, each with `cell` or `cells` (of a string, negative end first), `source`, `load` (an instrument or the
  load that resistors name), `meter`, `switch`, `ammeter`, `sense`, `temperature`, `ambient`, `taps`
- `resistors`: by name, each with `load`, `switch`, `at` (`rail`, or the channel at whose cell it is), what a resistor takes
  The program's own names for what it adds: panels `clip-CHANNEL`, `lead-INSTRUMENT`, `shunt-CHANNEL`, `link-CHANNEL`,
  `link-CHANNEL.1` …, `tap-METER.plus`, `tap-METER.minus`; the cells of a string are nodes `CHANNEL.1` …
- `peers`: by name, `behaviour`, `identity` and the `panels` it speaks for
- `faults`: as `World.arm` takes them

A cell is the name of a boathouse cell, a `Cell`, None for open terminals, or a mapping with `name` and what `make_cell` takes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from chargerd.sim.cell import Cell
from chargerd.sim.circuit import Circuit
from chargerd.sim.fixtures import make_cell
from chargerd.sim.panel import Accuracy
from chargerd.sim.ports import ContactPort, GROUND_ohm, Port, StringPort
from chargerd.sim.timeline import REST_STEPS, STEP_MAX_S, step_of
from chargerd.sim.world import World, empty_world, world_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from chargerd.sim.panel import Panel

LINK_ohm, LEAD_ohm, CLIP_ohm, WIRE_ohm = 0.002, 0.05, 0.005, 0.001
"""Resistances of good copper where the data say nothing."""

OWN_KEYS = ("kind", "accuracy", "settings", "behaviour", "identity", "isolated", "shunt")


def world_from(spec: Mapping[str, Any]) -> World:
    """A bench from plain data of either kind: with `instruments` as `bench_of` takes them, or as `world.world_of` does.

    Raises:
        KeyError, ValueError, TypeError: for what does not exist or does not fit.
    """
    return bench_of(spec) if "instruments" in spec else world_of(spec)


def bench_of(spec: Mapping[str, Any]) -> World:
    """Build a bench from plain data (see above).

    Raises:
        KeyError, ValueError, TypeError: for what does not exist or does not fit.
    """
    world = empty_world(spec)
    builder = _Builder(world, spec)
    for group in _groups(spec.get("channels", {})):
        builder.wire(group)
    builder.place_the_rest()
    for name, peer in spec.get("peers", {}).items():
        panels = [world.panels[panel] for panel in peer["panels"]]
        world.add_peer(name, peer["behaviour"], panels, identity=peer.get("identity"))
    for fault in spec.get("faults", ()):
        world.arm(fault)
    return world


def _groups(channels: Mapping[str, Mapping[str, Any]]) -> list[list[str]]:
    """Channels that share a source or a load, together."""
    groups: list[tuple[set[str], list[str]]] = []
    for name, channel in channels.items():
        shared = {channel[role] for role in ("source", "load", "ammeter") if channel.get(role)}
        members = [name]
        apart = []
        for other, names in groups:
            if shared & other:
                shared, members = shared | other, names + members
            else:
                apart.append((other, names))
        groups = [*apart, (shared, members)]
    return [members for _, members in groups]


class _Builder:
    """What is wired already."""

    def __init__(self, world: World, spec: Mapping[str, Any]) -> None:
        self._world = world
        self._channels: Mapping[str, Mapping[str, Any]] = spec.get("channels", {})
        self._instruments: Mapping[str, Mapping[str, Any]] = spec["instruments"]
        self._resistors: Mapping[str, Mapping[str, Any]] = spec.get("resistors", {})
        self._ambient_degC = float(spec.get("ambient_degC", 25.0))
        self._lead_ohm = float(spec.get("lead_ohm", LEAD_ohm))
        self._clip_ohm = float(spec.get("clip_ohm", CLIP_ohm))
        self._link_ohm = float(spec.get("link_ohm", LINK_ohm))
        self._tap_ohm = float(spec.get("tap_ohm", WIRE_ohm))
        self._circuit = Circuit()

    # -- one circuit --------------------------------------------------------------------------------------------

    def wire(self, names: Sequence[str]) -> None:
        """Wire the channels of one group."""
        cells = {name: self._cells_of(self._channels[name]) for name in names}
        step_s = min([step_of(cell) for row in cells.values() for cell in row], default=STEP_MAX_S)
        self._circuit = Circuit(ambient_degC=self._ambient_degC, step_s=step_s, rest_step_s=REST_STEPS * step_s)
        for name in names:
            self._wire_channel(name, self._channels[name], cells[name])
        banks = {self._channels[name].get("load") for name in names}
        for name, resistor in self._resistors.items():
            if resistor["load"] in banks:
                self._wire_resistor(name, resistor)
        self._circuit.changed()

    def _cells_of(self, channel: Mapping[str, Any]) -> list[Cell]:
        raw = channel["cells"] if "cells" in channel else [channel.get("cell")]
        return [cell for cell in map(self._cell_of, raw) if cell is not None]

    def _cell_of(self, raw: Any) -> Cell | None:
        if raw is None or isinstance(raw, Cell):
            return raw
        options = {"name": raw} if isinstance(raw, str) else dict(raw)
        return make_cell(options.pop("name"), ambient_degC=self._ambient_degC, **options)

    def _wire_channel(self, name: str, channel: Mapping[str, Any], cells: Sequence[Cell]) -> None:
        circuit = self._circuit
        plus = f"{name}+"
        first = self._wire_cells(name, cells)
        for role in ("source", "load"):
            self._wire_energy(channel.get(role), sense=(plus, "0"))
        inner = f"{name}.clip"
        self._lead(f"clip-{name}", inner, plus, self._clip_ohm)
        switch, ammeter = channel.get("switch"), channel.get("ammeter")
        shunted = f"{name}.shunted" if switch else inner
        if switch:
            self._add(switch, circuit.add_contact(switch, shunted, inner))
        if ammeter:
            shunt = circuit.add_contact(f"shunt-{name}", "rail", shunted)
            self._world.add_panel("resistor", f"shunt-{name}", shunt, **self._instruments[ammeter]["shunt"])
            self._add(ammeter, circuit.add_tap(ammeter, "rail", shunted), shunt_ohm=self._instruments[ammeter]["shunt"]["ohm"])
        else:
            circuit.add_contact(f"wire-{name}", "rail", shunted, WIRE_ohm)
        if channel.get("meter") and channel["meter"] not in self._world.panels:
            self._add(channel["meter"], self._tap(channel["meter"], plus, "0", first))
        if channel.get("sense"):
            self._add(channel["sense"], self._tap(channel["sense"], f"{channel['source']}.out", "0", ""))
        if channel.get("temperature"):
            self._add(channel["temperature"], circuit.add_tap(channel["temperature"], plus, "0", cell=first))
        if channel.get("ambient"):
            self._add(channel["ambient"], circuit.add_tap(channel["ambient"], "0", "0"))
        for number, tap in enumerate(channel.get("taps", ()), start=1):
            self._add(tap, self._tap(tap, f"{name}.{number}+", f"{name}.{number}-", f"{name}.{number}", self._tap_ohm))

    def _wire_cells(self, name: str, cells: Sequence[Cell]) -> str:
        """A cell between `name+` and 0, or a string of `name.1`, `name.2` …; the name of the first."""
        circuit, nodes = self._circuit, self._world.nodes
        if "cells" not in self._channels[name]:
            if not cells:
                nodes[name] = circuit.add_tap(name, f"{name}+", "0")
                return ""
            nodes[name] = circuit.add_cell(name, cells[0], f"{name}+", "0")
            return name
        below = "0"
        for number, cell in enumerate(cells, start=1):
            part = f"{name}.{number}"
            self._lead(f"link-{part}", below, f"{part}-", self._link_ohm)
            nodes[part] = circuit.add_cell(part, cell, f"{part}+", f"{part}-")
            below = f"{part}+"
        self._lead(f"link-{name}", below, f"{name}+", self._link_ohm)
        parts = tuple(f"{name}.{number}" for number in range(1, len(cells) + 1))
        ends = StringPort(circuit, name, circuit.net(f"{name}+"), circuit.net("0"), parts)
        circuit.ports.append(ends)
        nodes[name] = ends
        return parts[0]

    def _wire_energy(self, name: str | None, *, sense: tuple[str, str]) -> None:
        """A source or load on the rail, unless it is wired already or is the resistors."""
        if name is None or name in self._world.panels or name not in self._instruments:
            return
        circuit = self._circuit
        out = f"{name}.out"
        if self._instruments[name]["kind"] == "supply":
            port: Port = circuit.add_supply(name, out, "0", sense=sense)
        else:
            port = circuit.add_load(name, out, "0")
        self._lead(f"lead-{name}", out, "rail", self._lead_ohm)
        port.ground = self._ground(name, "0")
        self._add(name, port)

    def _wire_resistor(self, name: str, resistor: Mapping[str, Any]) -> None:
        circuit = self._circuit
        place, inner = resistor.get("at", "rail"), f"{name}.inner"
        net = place if place == "rail" else f"{place}.clip"
        options = {key: value for key, value in resistor.items() if key not in {"load", "switch", "at"}}
        self._add(resistor["switch"], circuit.add_contact(resistor["switch"], net, inner))
        self._world.add_panel("resistor", name, circuit.add_contact(name, inner, "0"), **options)

    def _tap(self, name: str, plus: str, minus: str, cell: str, tap_ohm: float = WIRE_ohm) -> Port:
        """Leads to a meter, each with its tap resistor; the negative one may be grounded."""
        circuit = self._circuit
        for lead, net in ((f"{name}.plus", plus), (f"{name}.minus", minus)):
            self._lead(f"tap-{lead}", net, lead, tap_ohm)
        port = circuit.add_tap(name, f"{name}.plus", f"{name}.minus", cell=cell)
        port.ground = self._ground(name, f"{name}.minus")
        return port

    def _lead(self, name: str, one: str, other: str, ohm: float) -> None:
        self._world.add_panel("lead", name, self._circuit.add_contact(name, one, other), ohm=ohm)

    def _ground(self, name: str, minus: str) -> ContactPort:
        tied = self._instruments[name].get("isolated", True) is False
        return self._circuit.add_contact(f"ground-{name}", minus, "ground", GROUND_ohm if tied else None)

    # -- panels -------------------------------------------------------------------------------------------------

    def _add(self, name: str, port: Port, **more: float) -> Panel:
        raw = self._instruments[name]
        options = {key: value for key, value in raw.items() if key not in OWN_KEYS} | more
        if raw["kind"] in {"supply", "load"}:
            options["lead_ohm"] = 0.0  # its leads are in the circuit
        panel = self._world.add_panel(raw["kind"], name, port, **options)
        for key, changes in raw.get("settings", {}).items():
            panel.settings[key] = replace(panel.settings[key], **changes)
            if "default" in changes:
                setattr(panel, key, changes["default"])
        for quantity, accuracy in raw.get("accuracy", {}).items():
            panel.accuracy[quantity] = Accuracy(**accuracy)
        if raw.get("behaviour"):
            self._world.add_peer(name, raw["behaviour"], [panel], identity=raw.get("identity"))
        return panel

    def place_the_rest(self) -> None:
        """Instruments of no channel: a fan's supply, a spare output, a thermometer in the room; each on terminals of its own."""
        for name, raw in self._instruments.items():
            if name in self._world.panels:
                continue
            self._circuit = circuit = Circuit(ambient_degC=self._ambient_degC, step_s=STEP_MAX_S, rest_step_s=REST_STEPS)
            ports = {
                "supply": lambda circuit=circuit, name=name: circuit.add_supply(name, "+", "0"),
                "load": lambda circuit=circuit, name=name: circuit.add_load(name, "+", "0"),
                "relay": lambda circuit=circuit, name=name: circuit.add_contact(name, "+", "0"),
            }
            port = ports.get(raw["kind"], lambda circuit=circuit, name=name: circuit.add_tap(name, "+", "0"))()
            self._world.nodes[name] = port
            self._add(name, port)
            circuit.changed()
