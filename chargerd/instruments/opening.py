"""From a bench file to instruments: who plays which role, in which dialect, over which link. Refuses what cannot be."""

from __future__ import annotations

from pathlib import Path

from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec
from chargerd.errors import BenchError
from chargerd.instruments.connection import Connection
from chargerd.instruments.dialect import Dialect
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.roles import Instrument, Load, Meter, Source, Thermometer
from chargerd.instruments.transports.link import InFlight

ROLE_CLASSES: dict[str, type[Instrument]] = {"source": Source, "load": Load, "meter": Meter, "thermometer": Thermometer}


def roles_of(spec: ChannelSpec, bench: BenchFile) -> dict[str, str]:
    """Return instrument → role, in journal order, and refuse one that would have to be two things."""
    roles: dict[str, str] = {}
    for name, role in (
        (spec.source, "source"), (spec.load, "load"), (spec.meter, "meter"),
        (spec.thermometer, "thermometer"), (spec.ambient, "thermometer"),
    ):  # fmt: skip
        if not name or (role == "meter" and name in roles):
            continue
        if name not in bench.instruments:
            raise BenchError((f"{bench.path}: channel {spec.name!r}: no instrument {name!r}",))
        if name in bench.never_touch and role in ("source", "load"):
            raise BenchError((f"{bench.path}: channel {spec.name!r}: {name!r} must never be touched",))
        if roles.setdefault(name, role) != role:
            raise BenchError((f"{bench.path}: channel {spec.name!r}: {name!r} cannot be {roles[name]} and {role}",))
    return roles


def make_instrument(
    bench: BenchFile, name: str, role: str, links: dict[tuple[str, str], Connection], in_flight: InFlight | None
) -> Instrument:
    """Make one instrument of a bench. Outputs and inputs of one instrument (same address, same identity) share its link."""
    spec: InstrumentSpec = bench.instruments[name]
    dialect = load_dialect(spec.dialect, Path(bench.path).parent / "dialects", output=spec.output, input=spec.input)
    if dialect.role != role:
        raise BenchError((f"{spec.place}: {name}: dialect {spec.dialect} is a {dialect.role}, not a {role}",))
    _check_fits(spec, dialect)
    key = (spec.address, spec.identity)
    if key not in links:
        asked_by = dialect.questions["identity"]
        links[key] = Connection(
            name, spec.address, spec.identity, timeout_s=spec.timeout_s, in_flight=in_flight, asked_by=asked_by
        )
    return ROLE_CLASSES[role](spec, dialect, links[key])


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
