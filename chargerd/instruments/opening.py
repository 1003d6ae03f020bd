"""From a bench file to instruments: who plays which role, in which dialect, over which link. Refuses what cannot be."""

from __future__ import annotations

from pathlib import Path

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec
from chargerd.errors import BenchError, InstrumentError
from chargerd.instruments.bank import Bank, Part
from chargerd.instruments.connection import Connection
from chargerd.instruments.dialect import Dialect
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import Instrument, Load, Meter, Source, Thermometer
from chargerd.instruments.sensors.sensor import DEGREES, Sensor
from chargerd.instruments.transports.link import InFlight
from chargerd.instruments.untouchable import untouchable_at

ROLE_CLASSES: dict[str, type[Instrument]] = {
    "source": Source, "load": Load, "meter": Meter, "thermometer": Thermometer, "switch": Switch,
}  # fmt: skip
SWITCHING = frozenset({"source", "load", "switch"})
"""Roles in which an instrument is commanded."""


def roles_of(spec: ChannelSpec, bench: BenchFile) -> dict[str, str]:
    """Return instrument → role, in journal order, and refuse one that would have to be two things."""
    roles: dict[str, str] = {}
    bank = bank_of(bench, spec.load)
    for name, role in (
        (spec.source, "source"), ("" if bank else spec.load, "load"), *((part.switch, "switch") for part in bank),
        (spec.switch, "switch"), (spec.meter, "meter"), (spec.ammeter, "meter"), (spec.sense, "meter"),
        *((tap, "meter") for tap in spec.taps),
        *((name, "thermometer") for name in _thermometers(spec, bench)),
    ):  # fmt: skip
        if not name or (role == "meter" and name in roles):
            continue
        if name not in bench.instruments:
            raise BenchError((f"{bench.path}: channel {spec.name!r}: no instrument {name!r}",))
        for listed, what in ((bench.never_touch, "must never be touched"), (bench.keep_on, "must stay on")):
            if name in listed and role in SWITCHING:
                raise BenchError((f"{bench.path}: channel {spec.name!r}: {name!r} {what}",))
        if roles.setdefault(name, role) != role:
            raise BenchError((f"{bench.path}: channel {spec.name!r}: {name!r} cannot be {roles[name]} and {role}",))
    return roles


def _thermometers(spec: ChannelSpec, bench: BenchFile) -> list[str]:
    """Return the channel's thermometers, each after the one at the cold end of its leads."""
    found: list[str] = []
    for name in (spec.thermometer, spec.ambient):
        sensor = bench.instruments[name].sensor if name in bench.instruments else None
        found += [sensor.cold_junction] if sensor is not None and sensor.cold_junction else []
        found.append(name)
    return found


def neighbours_of(spec: ChannelSpec, bench: BenchFile) -> list[str]:
    """Return the relays of other channels that would put another cell on this channel's source or load."""
    own = {spec.source, spec.load} - {""}
    others = [other for other in bench.channels.values() if other.name != spec.name and own & {other.source, other.load}]
    for other in others:
        if not other.switch or not spec.switch or other.switch == spec.switch:
            raise BenchError(
                (f"{bench.path}: channels {spec.name} and {other.name} share an instrument; each needs a relay of its own",)
            )
    return list(dict.fromkeys(other.switch for other in others))


def make_bank(spec: ChannelSpec, bench: BenchFile, instruments: dict[str, Instrument]) -> Bank | None:
    """Return the load that a channel's resistors make, None when it has none."""
    parts = []
    for resistor in bank_of(bench, spec.load):
        relay = instruments[resistor.switch]
        assert isinstance(relay, Switch)
        contact = relay.spec.contact
        parts.append(Part(relay, resistor.resistance_ohm, resistor.power_W, None if contact is None else contact.rating_A))
    return Bank(spec.load, tuple(parts)) if parts else None


def make_instrument(
    bench: BenchFile, name: str, role: str, links: dict[tuple[str, str], Connection], in_flight: InFlight | None
) -> Instrument:
    """Make one instrument of a bench. Outputs and inputs of one instrument (same address, same identity) share its link."""
    spec: InstrumentSpec = bench.instruments[name]
    dialect = load_dialect(spec.dialect, Path(bench.path).parent / "dialects", output=spec.output, input=spec.input)
    role = role or dialect.role
    if dialect.role != role and not (role == "thermometer" and dialect.role == "meter" and spec.sensor is not None):
        raise BenchError((f"{spec.place}: {name}: dialect {spec.dialect} is a {dialect.role}, not a {role}",))
    if role == "thermometer":
        _check_sensor(spec, dialect)
    _check_fits(spec, dialect)
    alone = untouchable_at(bench, spec.address)
    if role in SWITCHING and name not in bench.keep_on:
        try:
            for question in dialect.questions.values():
                alone.judge(name, question.name, question.text, is_question=True, own=spec.output)
            for command in dialect.commands.values():
                alone.judge(name, command.name, command.template, is_question=False, own=spec.output)
        except InstrumentError as fault:
            raise BenchError((f"{spec.place}: {fault}",)) from fault
    key = (spec.address, spec.identity)
    if key not in links:
        asked_by = dialect.questions["identity"]
        links[key] = Connection(
            name, spec.address, spec.identity, timeout_s=spec.timeout_s, in_flight=in_flight, asked_by=asked_by,
            untouchable=alone,
        )  # fmt: skip
    return ROLE_CLASSES[role](spec, dialect, links[key])


def _check_sensor(spec: InstrumentSpec, dialect: Dialect) -> None:
    """Refuse a sensor that this instrument cannot measure."""
    quantity = Sensor(spec.sensor or DEGREES).quantity
    if quantity not in dialect.questions:
        kind = "degrees" if spec.sensor is None else spec.sensor.kind
        raise BenchError((f"{spec.place}: {spec.name}: a sensor of {kind} needs {quantity}, and {spec.dialect} has none",))


def _check_fits(spec: InstrumentSpec, dialect: Dialect) -> None:
    """Refuse a bench file that says of an instrument what its dialect does not: which output, which protection."""
    for place, said in (("output", spec.output), ("input", spec.input)):
        if place in dialect.needs and not said:
            raise BenchError((f"{spec.place}: {spec.name}: dialect {spec.dialect} needs its {place}; write {place}: 1",))
        if said and place not in dialect.needs:
            raise BenchError((f"{spec.place}: {spec.name}: dialect {spec.dialect} knows no {place}; delete {place}: {said}",))
    for level, quantity in (("ovp", "voltage"), ("ocp", "current")):
        if dialect.role == "source" and quantity in spec.protects and level in dialect.lacks:
            left = ", ".join(one for one in spec.protects if one != quantity)
            raise BenchError(
                (f"{spec.place}: {spec.name} has no over-{quantity} protection of its own; write protects: [{left}]",)
            )


def lone(spec: InstrumentSpec, beside: Path | None) -> Instrument:
    """Make one instrument by itself, in its dialect's role, over a link of its own. Nothing is sent yet. Raises BenchError."""
    dialect = load_dialect(spec.dialect, beside, output=spec.output, input=spec.input)
    _check_fits(spec, dialect)
    connection = Connection(
        spec.name, spec.address, spec.identity, timeout_s=spec.timeout_s, asked_by=dialect.questions["identity"]
    )
    return ROLE_CLASSES[dialect.role](spec, dialect, connection)
