"""A bench file's instruments, simulated: each dialect's counterpart, the bench's own names, addresses and identities."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from chargerd.config.bench import BenchFile, ChannelSpec
from chargerd.errors import UsageError
from chargerd.sim.cell import Cell
from chargerd.sim.world import World

BEHAVIOURS: dict[str, str] = {
    "scpi-supply": "scpi-supply",
    "scpi-supply-compound": "scpi-supply",
    "scpi-supply-operation": "scpi-supply-b",
    "scpi-supply-swapped": "scpi-supply-c",
    "scpi-load": "scpi-load",
    "scpi-load-compound": "scpi-load",
    "scpi-meter": "scpi-meter",
    "scpi-thermometer": "scpi-thermometer",
}
"""Dialect of the driver → behaviour of the simulator. They are two separate readings of one language."""


@dataclass(frozen=True, slots=True)
class Wire:
    """Where one simulated instrument listens: a TCP port, or a pty whose name is linked to `link`."""

    kind: str
    port: int = 0
    link: str = ""


def world_of_bench(bench: BenchFile, cells: Mapping[str, Cell], *, seed: int = 0, keeps_log: bool = False) -> World:
    """Return a world with a cell at each channel named in `cells` and the channel's instruments around it.

    Raises UsageError for a dialect that has no simulated counterpart.
    """
    world = World(seed, keeps_log=keeps_log)
    for channel, cell in cells.items():
        node = world.add_node(channel, cell, ambient_degC=cell.ambient_degC)
        for name, kind in _roles(bench.channels[channel]).items():
            spec = bench.instruments[name]
            behaviour = BEHAVIOURS.get(spec.dialect)
            if behaviour is None:
                raise UsageError(f"{spec.place}: no simulated instrument speaks {spec.dialect!r}; known: {', '.join(BEHAVIOURS)}")
            world.add_peer(name, behaviour, [world.add_panel(kind, name, node)], identity=spec.identity)
    return world


def wires_of_bench(bench: BenchFile, channels: list[str]) -> dict[str, Wire]:
    """Return where each instrument of these channels is to listen, from its address. Raises UsageError."""
    wires: dict[str, Wire] = {}
    for channel in channels:
        for name in _roles(bench.channels[channel]):
            spec = bench.instruments[name]
            scheme, _, rest = spec.address.partition("://")
            if scheme == "tcp":
                host, _, port = rest.partition(":")
                if host not in ("127.0.0.1", "localhost", "[::1]"):
                    raise UsageError(f"{spec.place}: {spec.address}: a simulated instrument listens on 127.0.0.1 only")
                wires[name] = Wire("tcp", int(port))
            elif scheme == "serial":
                wires[name] = Wire("pty", link=rest.partition("?")[0])
            else:
                raise UsageError(f"{spec.place}: {spec.address}: only tcp:// and serial:// addresses can be simulated")
    return wires


def _roles(spec: ChannelSpec) -> dict[str, str]:
    """Return instrument → kind of panel, one entry an instrument."""
    named = (
        (spec.source, "supply"), (spec.load, "load"), (spec.meter, "meter"),
        (spec.thermometer, "thermometer"), (spec.ambient, "thermometer"),
    )  # fmt: skip
    roles: dict[str, str] = {}
    for name, kind in named:
        if name:
            roles.setdefault(name, kind)
    return roles
