"""A bench file's instruments, simulated: each dialect's counterpart, the bench's own names, addresses and identities."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from chargerd.cli.simulated_parts import panels_of, parts_of
from chargerd.config.bench import BenchFile, InstrumentSpec
from chargerd.errors import UsageError
from chargerd.sim.behaviour import counting_of
from chargerd.sim.cell import Cell
from chargerd.sim.modbus import WIRES, ModbusListener
from chargerd.sim.pins import PinListener
from chargerd.sim.world import World

BEHAVIOURS: dict[str, str] = {
    "scpi-supply": "scpi-supply",
    "scpi-supply-compound": "scpi-supply",
    "scpi-supply-operation": "scpi-supply-b",
    "scpi-supply-swapped": "scpi-supply-c",
    "scpi-supply-suffix": "scpi-supply-suffix",
    "scpi-supply-channel-list": "scpi-supply-channel-list",
    "scpi-supply-select": "scpi-supply-select",
    "scpi-load": "scpi-load",
    "scpi-load-compound": "scpi-load",
    "scpi-meter": "scpi-meter",
    "scpi-meter-resistance": "scpi-meter",
    "scpi-meter-scan": "scpi-meter-scan",
    "scpi-thermometer": "scpi-thermometer",
    "scpi-relays": "scpi-relays",
    "scpi-relays-mirror": "scpi-relays",
    "modbus-supply": "modbus-supply",
    "modbus-relay": "modbus-relay",
    "line-supply": "line-supply",
    "line-sensor": "line-sensor",
    "line-sensor-printing": "line-sensor-prints",
    "line-relays": "line-relays",
    "relay-bytes": "frame-relays",
    "relay-pins": "pin-relays",
    "relay-pins-mirror": "pin-relays",
    "one-wire-thermometer": "file-one-wire",
    "hwmon-thermometer": "file-hwmon",
}
"""Dialect of the driver → behaviour of the simulator. They are two separate readings of one language."""

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
_VISA_SOCKET = re.compile(r"TCPIP[0-9]*::([^:]+|\[[0-9A-Fa-f:]+\])::([0-9]+)::SOCKET", re.IGNORECASE)
_TTYS = ("serial", "serial-bytes", "modbus-rtu")


@dataclass(frozen=True, slots=True)
class Wire:
    """Where one simulated instrument listens: a TCP port, a pty whose name is linked to `link`, or a folder of files."""

    kind: str
    port: int = 0
    link: str = ""
    folder: str = ""


@dataclass(frozen=True, slots=True)
class Device:
    """What sits behind one address: the instruments of the bench file that are its outputs or inputs, by their numbers.

    `name`: the first of them; by it the device is known to faults and reports, a Modbus bus by that of its first unit.
    """

    name: str
    behaviour: str
    identity: str
    members: Mapping[int, str]
    place: str
    unit: int = 0
    mirrors: tuple[int, ...] = ()


def world_of_bench(
    bench: BenchFile, cells: Mapping[str, Cell | list[Cell] | None], *, seed: int = 0, keeps_log: bool = False
) -> World:
    """Return a world with a cell (or a string of them) at each channel named in `cells` and the instruments around it.

    Raises UsageError for a dialect that has no simulated counterpart.
    """
    devices = devices_of_channels(bench, cells)
    if _is_plain(bench, cells, devices):
        world = _plain_world(bench, cells, devices, seed=seed, keeps_log=keeps_log)
    else:
        from chargerd.cli.simulated_circuit import circuit_world

        world = circuit_world(bench, cells, devices, seed=seed, keeps_log=keeps_log)
    _number(world, devices)
    return world


def _number(world: World, devices: list[Device]) -> None:
    """Give pins the numbers the bench file says, and put the Modbus units of one port on one bus."""
    buses: dict[str, ModbusListener] = {}
    for device in devices:
        listener = world.peers[device.name].listener
        if isinstance(listener, PinListener):
            listener.numbers, listener.mirrors = tuple(device.members), device.mirrors
        elif isinstance(listener, ModbusListener):
            bus = buses.setdefault(device.place, listener)
            if bus is listener:
                scheme = device.place.partition("://")[0]
                bus.wire, bus.units = WIRES.get(scheme, bus.wire), {device.unit: bus.units[1]}
            else:
                bus.join(device.unit, listener)
                del world.peers[device.name]


def devices_of(bench: BenchFile, names: Iterable[str]) -> list[Device]:
    """Return the devices that these instruments are parts of: those with one address are one device.

    Raises UsageError for a dialect without counterpart, and for instruments that cannot be one device.
    """
    places: dict[tuple[str, int], list[InstrumentSpec]] = {}
    for name in names:
        address = bench.instruments[name].address
        places.setdefault((place_of(address), unit_of(address)), []).append(bench.instruments[name])
    return [_device(specs) for specs in places.values()]


def devices_of_channels(bench: BenchFile, channels: Iterable[str]) -> list[Device]:
    """Return the devices of these channels, with all their instruments. Raises UsageError as `devices_of`."""
    return devices_of(bench, _names(bench, channels))


def place_of(address: str) -> str:
    """Return the part of an address that says where, without options: two instruments of one place are one device."""
    return address.removeprefix("trace+").partition("?")[0]


def unit_of(address: str) -> int:
    """Return the number of a Modbus unit, which is a device of its own on its bus; 0 for what is no Modbus."""
    if not address.removeprefix("trace+").startswith("modbus"):
        return 0
    unit = re.search(r"[?&]unit=([0-9]{1,3})(?:&|$)", address)
    return int(unit[1]) if unit is not None else 1


def behaviour_of(spec: InstrumentSpec) -> str:
    """Return the simulated counterpart of an instrument's dialect. Raises UsageError when there is none."""
    behaviour = BEHAVIOURS.get(spec.dialect)
    if behaviour is None:
        raise UsageError(f"{spec.place}: no simulated instrument speaks {spec.dialect!r}; known: {', '.join(BEHAVIOURS)}")
    return f"{behaviour}-tcp" if place_of(spec.address).startswith("modbus-tcp:") else behaviour


def wires_of_bench(bench: BenchFile, channels: list[str]) -> dict[str, Wire]:
    """Return where each device of these channels is to listen, from its address. Raises UsageError."""
    wires: dict[str, Wire] = {}
    places: set[str] = set()
    for device in devices_of_channels(bench, channels):
        if device.place not in places:  # the units of a bus have one wire
            wires[device.name] = _wire(bench.instruments[device.name])
        places.add(device.place)
    return wires


def _wire(spec: InstrumentSpec) -> Wire:
    place = place_of(spec.address)
    socket = _VISA_SOCKET.fullmatch(place)
    if socket is not None:
        place = f"tcp://{socket[1]}:{socket[2]}"
    scheme, _, rest = place.partition("://")
    if scheme in ("tcp", "modbus-tcp"):
        host, _, port = rest.rpartition(":")
        if host not in LOOPBACK or not port.isdecimal():
            raise UsageError(f"{spec.place}: {spec.address}: a simulated instrument listens on 127.0.0.1 only, at a port")
        return Wire("tcp", int(port))
    if scheme in _TTYS:
        return Wire("pty", link=rest)
    if scheme == "file":
        return Wire("folder", folder=rest)
    if scheme == "gpio":
        raise UsageError(f"{spec.place}: {spec.address}: pins cannot be simulated for another program; use a board with a port")
    raise UsageError(f"{spec.place}: {spec.address}: only tcp, serial, serial-bytes, modbus and file addresses can be simulated")


def _names(bench: BenchFile, channels: Iterable[str]) -> list[str]:
    """The instruments of these channels, and those that share a device with one of them."""
    used = dict.fromkeys(name for channel in channels for name in parts_of(bench, channel))
    places = {place_of(bench.instruments[name].address) for name in used}
    others = (name for name, spec in bench.instruments.items() if name not in used and place_of(spec.address) in places)
    return [*used, *others]


def _device(specs: list[InstrumentSpec]) -> Device:
    first = specs[0]
    behaviour = behaviour_of(first)
    members: dict[int, str] = {}
    for spec in specs:
        if behaviour_of(spec) != behaviour or spec.identity != first.identity:
            raise UsageError(f"{spec.place}: {spec.name} and {first.name} have one address and are not one device")
        number = number_of(spec, behaviour)
        if number in members:
            raise UsageError(f"{spec.place}: {spec.name} and {members[number]} are the same output or input of one device")
        members[number] = spec.name
    mirrors = tuple(int(spec.input) for spec in specs if spec.dialect == "relay-pins-mirror" and spec.input.isdecimal())
    place, unit = place_of(first.address), unit_of(first.address)
    return Device(first.name, behaviour, first.identity, dict(sorted(members.items())), place, unit, mirrors)


def number_of(spec: InstrumentSpec, behaviour: str) -> int:
    """Return which output or input of its device an instrument is, as the device counts. Raises UsageError."""
    counting = counting_of(behaviour)
    written = spec.output or spec.input
    if not written:
        return counting.first
    if not written.isdecimal() or int(written) < counting.least:
        raise UsageError(f"{spec.place}: {spec.name}: simulated, it has no output or input {written!r}")
    return int(written)


# -- a cell between a supply, a load and meters, as most benches are ----------------------------------------------------


def _is_plain(bench: BenchFile, cells: Mapping[str, Cell | list[Cell] | None], devices: list[Device]) -> bool:
    shared: set[str] = set()
    for channel, cell in cells.items():
        spec = bench.channels[channel]
        if isinstance(cell, list) or spec.ammeter or spec.switch or spec.sense or spec.taps:
            return False
        parts = set(parts_of(bench, channel))
        if any(bench.instruments[name].sensor is not None for name in parts):
            return False
        if parts != set(panels_of(spec)) or parts & shared:
            return False
        shared |= parts
    return all(len(device.members) == 1 and counting_of(device.behaviour).first in device.members for device in devices)


def _plain_world(
    bench: BenchFile, cells: Mapping[str, Cell | list[Cell] | None], devices: list[Device], *, seed: int, keeps_log: bool
) -> World:
    world = World(seed, keeps_log=keeps_log)
    behaviours = {device.name: device.behaviour for device in devices}
    for channel, cell in cells.items():
        assert not isinstance(cell, list)
        node = world.add_node(channel, cell, ambient_degC=cell.ambient_degC if cell is not None else 25.0)
        for name, kind in panels_of(bench.channels[channel]).items():
            identity = bench.instruments[name].identity
            world.add_peer(name, behaviours[name], [world.add_panel(kind, name, node)], identity=identity)
    return world
