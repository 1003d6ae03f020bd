"""A bench whose cells hang behind relays, in two readings: the bench file a person writes, and the circuit that is simulated."""

from __future__ import annotations

from typing import Any

from chargerd.sim.benches import bench_of
from chargerd.sim.cell import Cell
from chargerd.sim.world import World

SUPPLY = """\
  supply:
    address: memory://world-supply
    dialect: scpi-supply
    identity: "Boathouse,Source 3A,SN1,1.0"
    ratings: {voltage: 30 V, current: 3 A}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 5 mA}
    resolution: {voltage: 1 mV, current: 1 mA}
    isolated: yes
"""
"""The supply that the invented benches of these worlds share."""
PROBE = """\
  probe:
    address: memory://world-probe
    dialect: scpi-thermometer
    identity: "Boathouse,Thermometer,SN6,1.0"
    accuracy: {temperature: 0.5 K}
    resolution: {temperature: 0.01 K}
"""
HEAD = """\
bench: switched
about: INVENTED. Relays between the cells and one supply and load.
data: .
instruments:
""" + SUPPLY + PROBE
METER = """\
  meter:
    address: memory://world-meter
    dialect: scpi-meter
    identity: "Boathouse,Meter 6,SN5,1.0"
    accuracy: {voltage: 0.01 % + 1 mV}
    resolution: {voltage: 0.1 mV}
    isolated: yes
"""
SHUNT = """\
  shunt:
    address: memory://world-shunt
    dialect: scpi-meter
    identity: "Boathouse,Meter 6,SN7,1.0"
    accuracy: {voltage: 0.01 % + 0.05 mV, current: 0.2 % + 5 mA}
    resolution: {voltage: 0.01 mV, current: 0.1 mA}
    shunt: 0.1 ohm
    isolated: yes
"""
LOAD = """\
  load:
    address: memory://world-load
    dialect: scpi-load
    identity: "Boathouse,Sink 10A,SN2,1.0"
    ratings: {voltage: 30 V, current: 10 A}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 5 mA}
    resolution: {voltage: 1 mV, current: 1 mA}
    isolated: yes
"""
RELAY = """\
  {name}:
    address: memory://world-board
    dialect: {dialect}
    identity: "Boathouse,Relays 8,SN26,1.0"
    output: {number}
    contact: {{without_power: open, at_boot: open, rating: 5 A}}
"""
TAIL = """\
limits: {voltage: 3 V, charge_current: 2.5 A, discharge_current: 2.5 A, temperature: 50 °C}
wiring: {lead: 50 mohm, fuse: 1 A}
ventilation: {outdoors: yes}
"""
SLIP = "  {name}: {{source: supply, {load}voltage: {voltage}, temperature: probe, switch: {switch}{more}}}\n"


def text(
    *, meter: bool = True, mirror: bool = True, load: str = "load", channels: int = 1, resistors: tuple[tuple[float, float], ...] = (),
    ammeter: bool = False, more: str = "",
) -> str:
    """The bench file. `resistors`: ohm and W of each that makes the load named `load`; its relays count on after the cells'."""
    dialect = "scpi-relays-mirror" if mirror else "scpi-relays"
    relays = ["relay", *(f"relay-{number}" for number in range(2, channels + 1)), *(f"load-{n}" for n in range(1, len(resistors) + 1))]
    parts = [HEAD, METER if meter else "", LOAD if load == "load" and not resistors else "", SHUNT if ammeter else ""]
    parts += [RELAY.format(name=name, dialect=dialect, number=number) for number, name in enumerate(relays, 1)]
    parts.append("channels:\n")
    for number in range(1, channels + 1):
        parts.append(
            SLIP.format(
                name=f"slip-{number}", load=f"load: {load}, " if load else "", voltage="meter" if meter and number == 1 else "supply",
                switch=relays[number - 1], more=", current: shunt" if ammeter else "",
            )
        )  # fmt: skip
    if resistors:
        parts.append("resistors:\n")
        for number, (ohm, watt) in enumerate(resistors, 1):
            parts.append(f"  r{number}: {{load: {load}, switch: load-{number}, resistance: {ohm} ohm, power: {watt} W}}\n")
    return "".join([*parts, TAIL, more])


def world(
    cell: Cell, *, meter: bool = True, load: str = "load", channels: int = 1, resistors: tuple[tuple[float, float], ...] = (),
    ammeter: bool = False, supply: dict[str, Any] | None = None, relay: dict[str, Any] | None = None, **more: Any,
) -> World:  # fmt: skip
    """The circuit. `supply` and `relay`: more of what those panels take. Other cells than the first are boathouse ones."""
    relays = ["relay", *(f"relay-{number}" for number in range(2, channels + 1)), *(f"load-{n}" for n in range(1, len(resistors) + 1))]
    instruments: dict[str, Any] = {
        "supply": {"kind": "supply", "behaviour": "scpi-supply", "identity": "Boathouse,Source 3A,SN1,1.0", **(supply or {})},
        "probe": {"kind": "thermometer", "behaviour": "scpi-thermometer", "identity": "Boathouse,Thermometer,SN6,1.0"},
        **{name: {"kind": "relay", **(relay or {})} for name in relays},
    }
    if meter:
        instruments["meter"] = {"kind": "meter", "behaviour": "scpi-meter", "identity": "Boathouse,Meter 6,SN5,1.0"}
    if load == "load" and not resistors:
        instruments["load"] = {"kind": "load", "behaviour": "scpi-load", "identity": "Boathouse,Sink 10A,SN2,1.0"}
    if ammeter:
        instruments["shunt"] = {
            "kind": "meter", "behaviour": "scpi-meter", "identity": "Boathouse,Meter 6,SN7,1.0", "shunt": {"ohm": 0.1},
        }  # fmt: skip
    slips: dict[str, Any] = {}
    for number in range(1, channels + 1):
        slips[f"slip-{number}"] = {
            "cell": cell if number == 1 else {"name": "plover", "stored_Ah": 0.5}, "source": "supply",
            "switch": relays[number - 1], **({"load": load} if load else {}), **({"ammeter": "shunt"} if ammeter else {}),
            **({"meter": "meter"} if meter and number == 1 else {}), **({"temperature": "probe"} if number == 1 else {}),
        }  # fmt: skip
    spec = {
        "seed": 1, "keeps_log": True, "instruments": instruments, "channels": slips,
        "resistors": {
            f"r{number}": {"load": load, "switch": f"load-{number}", "ohm": ohm} for number, (ohm, _) in enumerate(resistors, 1)
        },
        "peers": {"board": {"behaviour": "scpi-relays", "identity": "Boathouse,Relays 8,SN26,1.0", "panels": relays}},
        **more,
    }  # fmt: skip
    return bench_of(spec)
