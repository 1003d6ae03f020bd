"""Which instruments a channel of a bench file consists of, and what kind of panel each is."""

from __future__ import annotations

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec


def panels_of(spec: ChannelSpec) -> dict[str, str]:
    """Return instrument → kind of panel, of what measures and drives the cell itself; one entry an instrument."""
    named = (
        (spec.source, "supply"), (spec.load, "load"), (spec.meter, "meter"),
        (spec.thermometer, "thermometer"), (spec.ambient, "thermometer"),
    )  # fmt: skip
    roles: dict[str, str] = {}
    for name, kind in named:
        if name:
            roles.setdefault(name, kind)
    return roles


def parts_of(bench: BenchFile, channel: str) -> list[str]:
    """Return every instrument of a channel: also its relays, meters at shunts and taps, cold junctions and resistors' relays."""
    spec = bench.channels[channel]
    names = [*panels_of(spec), spec.ammeter, spec.switch, spec.sense, *spec.taps]
    names += [resistor.switch for resistor in bank_of(bench, spec.load)]
    found = [name for name in dict.fromkeys(names) if name in bench.instruments]
    junctions = [sensor.cold_junction for name in found if (sensor := bench.instruments[name].sensor) is not None]
    return list(dict.fromkeys([*found, *(name for name in junctions if name in bench.instruments)]))
