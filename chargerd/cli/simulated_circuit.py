"""A bench with relays, resistors, shunts, taps or shared instruments as the plain data of `sim.benches`."""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, log
from typing import Any

from chargerd.cli.simulated import Device, behaviour_of
from chargerd.cli.simulated_parts import panels_of
from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec
from chargerd.config.bench_parts import SensorSpec
from chargerd.sim.behaviour import counting_of, read_behaviour
from chargerd.sim.benches import bench_of
from chargerd.sim.cell import Cell
from chargerd.sim.world import World

Plain = dict[str, Any]

ZERO_K, NOMINAL_K = 273.15, 298.15
"""0 °C, and 25 °C where a thermistor's nominal resistance is given."""

READS_NOISE_A = 0.0003
"""Scatter of a simulated supply's current, as every simulated supply has it."""

POWER_UP_degC = 85.0
"""What a one-wire sensor answers before its first conversion; from memory."""


def circuit_world(
    bench: BenchFile, cells: Mapping[str, Cell | list[Cell] | None], devices: list[Device], *, seed: int, keeps_log: bool
) -> World:
    """Return the world of these channels, with a peer for each device, under the device's name."""
    return bench_of(plain_bench(bench, cells, devices, seed=seed, keeps_log=keeps_log))


def plain_bench(
    bench: BenchFile, cells: Mapping[str, Cell | list[Cell] | None], devices: list[Device], *, seed: int, keeps_log: bool
) -> Plain:
    """Return the bench in the simulator's own words, see `sim.benches`."""
    thermometers = {
        name for channel in cells for name, kind in panels_of(bench.channels[channel]).items() if kind == "thermometer"
    }
    instruments: dict[str, Plain] = {}
    peers: dict[str, Plain] = {}
    for device in devices:
        kind = read_behaviour(device.behaviour)["panel"]
        for name in device.members.values():
            is_thermometer = kind == "meter" and (name in thermometers or bench.instruments[name].sensor is not None)
            instruments[name] = _instrument(bench.instruments[name], "thermometer" if is_thermometer else kind)
        panels = []
        for number in _numbers(device):
            name = device.members.get(number, f"{device.name}-spare-{number}")
            instruments.setdefault(name, {"kind": kind})
            panels.append(name)
        peers[device.name] = {"behaviour": device.behaviour, "identity": device.identity, "panels": panels}
    return {
        "seed": seed,
        "keeps_log": keeps_log,
        "ambient_degC": _ambient_degC(cells),
        "lead_ohm": bench.wiring.lead_ohm,
        "clip_ohm": bench.wiring.clip_ohm,
        **({"tap_ohm": bench.wiring.tap_ohm} if bench.wiring.tap_ohm else {}),
        "instruments": instruments,
        "channels": _channels(bench, cells),
        "resistors": {
            one.name: {"load": one.load, "switch": one.switch, "at": "rail", "ohm": one.resistance_ohm}
            for one in bench.resistors
            if one.switch in instruments
        },
        "peers": peers,
    }


def _numbers(device: Device) -> list[int]:
    """Every output or input the device has: all up to the highest in use, but for pins, which are those in use."""
    counting = counting_of(device.behaviour)
    if counting.is_sparse:
        return list(device.members)
    return list(range(counting.least, max(device.members) + 1))


def _instrument(spec: InstrumentSpec, kind: str) -> Plain:
    plain: Plain = {"kind": kind, "isolated": spec.isolated}
    if kind == "supply":
        plain |= _given({"voltage_max_V": spec.voltage_max_V, "current_max_A": spec.current_max_A})
        plain["accuracy"] = _errs(spec)
    elif kind == "load":
        plain |= _given({"current_max_A": spec.current_max_A}) | {"working_voltage_min_V": spec.minimum_voltage_V}
    elif kind == "relay" and spec.contact is not None:
        # A contact that may do anything while the computer starts does the worse there.
        at_boot = "open" if spec.contact.at_boot == "open" else "closed"
        plain |= {"settle_s": spec.contact.settle_s, "without_power": spec.contact.without_power, "at_boot": at_boot}
    elif kind == "meter" and spec.shunt_ohm is not None:
        plain["shunt"] = {"ohm": spec.shunt_ohm}
    elif kind == "thermometer" and spec.sensor is not None:
        plain["sensor"] = _sensor(spec.sensor)
    elif kind == "thermometer" and behaviour_of(spec) == "file-one-wire":
        plain["sensor"] = {"kind": "degrees", "power_up_degC": POWER_UP_degC}
    return plain


def _errs(spec: InstrumentSpec) -> Plain:
    """A supply's current reads as wrong, and as coarse, as its data sheet allows, so that verdicts have something to prove."""
    stated, step_A = spec.accuracy.get("current"), spec.resolution.get("current")
    if stated is None or step_A is None:
        return {}
    return {"current_A": {"gain": 1.0, "offset": stated.offset, "noise": READS_NOISE_A, "resolution": step_A}}


def _sensor(spec: SensorSpec) -> Plain:
    """The sensor as made; the bench file gives both leads of a two-wire one together, the simulator wants one."""
    plain: Plain = {"kind": spec.kind, "wires": spec.wires, "lead_ohm": spec.lead_ohm / 2.0}
    if spec.steinhart_hart is not None:
        plain["constants"] = spec.steinhart_hart
    elif spec.nominal_ohm and spec.beta_K:
        plain |= {"nominal_ohm": spec.nominal_ohm, "beta_K": spec.beta_K}
    elif spec.table:
        (cold_degC, cold_ohm), (warm_degC, warm_ohm) = spec.table[0], spec.table[-1]
        cold_K, warm_K = cold_degC + ZERO_K, warm_degC + ZERO_K
        beta_K = log(cold_ohm / warm_ohm) / (1.0 / cold_K - 1.0 / warm_K)  # the curve through the ends of the table
        plain |= {"beta_K": beta_K, "nominal_ohm": cold_ohm * exp(beta_K * (1.0 / NOMINAL_K - 1.0 / cold_K))}
    return plain


def _given(options: Mapping[str, float | None]) -> Plain:
    return {key: value for key, value in options.items() if value is not None}


def _channels(bench: BenchFile, cells: Mapping[str, Cell | list[Cell] | None]) -> dict[str, Plain]:
    channels = {name: _channel(bench.channels[name], cell) for name, cell in cells.items()}
    rooms: set[str] = set()
    for plain in channels.values():
        room = plain.get("ambient", "")
        if room in rooms:  # one thermometer tells the room to several channels, and stands there once
            del plain["ambient"]
        rooms.add(room)
    return channels


def _channel(spec: ChannelSpec, cell: Cell | list[Cell] | None) -> Plain:
    named: Plain = {
        "source": spec.source, "load": spec.load, "meter": spec.meter, "switch": spec.switch, "ammeter": spec.ammeter,
        "sense": spec.sense, "temperature": spec.thermometer, "ambient": spec.ambient,
    }  # fmt: skip
    plain: Plain = {role: name for role, name in named.items() if name}
    if spec.taps:
        plain["taps"] = list(spec.taps)
    return plain | ({"cells": cell} if isinstance(cell, list) else {"cell": cell})


def _ambient_degC(cells: Mapping[str, Cell | list[Cell] | None]) -> float:
    first = next(iter(cells.values()))
    cell = first[0] if isinstance(first, list) else first
    return 25.0 if cell is None else cell.ambient_degC
