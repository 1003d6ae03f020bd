"""A bench file as chains of parts and the numbered wires between them: what is drawn, and what is listed, comes from here.

The order on the positive side is fixed: source or load, the dead-man relay's contact, the rail, the channel's relay, the fuse, a
clip, the cell. The fuse is the last thing before the cell because the cell itself can feed a short; the relay is before it,
away from the gas. The negative side has no switch: cell, clip, shunt, rail. Everything that measures the cell has leads of its
own, clipped at the cell, inside the fuse.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec
from chargerd.units import words

TAP_OHM = 1000.0
"""Advised resistor at the cell's end of a measuring lead (common practice, no source): a shorted lead carries milliamperes, and a
meter of 10 Mohm reads 0.01 % less."""


@dataclass(frozen=True, slots=True)
class Chain:
    """Parts in one line. `kind`: power, measuring or sensor. Between each two of them runs one wire.

    `note` is about the wire after part `note_at`.
    """

    key: str
    kind: str
    parts: tuple[str, ...]
    note: str = ""
    note_at: int = 0


@dataclass(frozen=True, slots=True)
class Wire:
    """One wire to be cut and connected."""

    number: int
    start: str
    end: str
    kind: str
    note: str = ""


@dataclass(slots=True)
class Circuit:
    """One channel: its chains, and the numbers of their wires (the same wire has one number on every sheet)."""

    bench: BenchFile
    channel: ChannelSpec
    chains: dict[str, Chain]
    numbers: dict[tuple[str, str], int] = field(default_factory=dict)

    def wire(self, key: str, at: int) -> int:
        """Return the number of the wire after part `at` of a chain."""
        parts = self.chains[key].parts
        return self.numbers[parts[at], parts[at + 1]]

    def wires(self) -> list[Wire]:
        """Return the wires of this channel by number."""
        found = [
            Wire(self.numbers[pair], *pair, chain.kind, chain.note if at == chain.note_at else "")
            for chain in self.chains.values()
            for at, pair in enumerate(zip(chain.parts, chain.parts[1:], strict=False))
        ]
        return sorted(found, key=lambda wire: wire.number)


def circuits_of(bench: BenchFile) -> list[Circuit]:
    """Return every channel's circuit, its wires numbered through the whole bench."""
    numbers: dict[tuple[str, str], int] = {}
    found = []
    for channel in bench.channels.values():
        chains = {chain.key: chain for chain in _chains(bench, channel)}
        for chain in chains.values():
            for pair in zip(chain.parts, chain.parts[1:], strict=False):
                numbers.setdefault(pair, len(numbers) + 1)
        found.append(Circuit(bench, channel, chains, numbers))
    return found


UNFUSED_MOST_mm = 150
"""Lead between cell and fuse (common practice, no source): nothing protects it."""


def ohms(resistance_ohm: float) -> str:
    """Return a resistance as it is printed on a part: 1 kohm, not 1000 ohm."""
    return f"{resistance_ohm / 1000:.4g} kohm" if resistance_ohm >= 1000 else words(resistance_ohm, "resistance")


def contact_number(bench: BenchFile, name: str) -> int | None:
    """Return which contact of the dead-man relay cuts that instrument, from 1; None when none does."""
    cuts = () if bench.dead_man is None else bench.dead_man.cuts
    return cuts.index(name) + 1 if name in cuts else None


def dead_man_contact(bench: BenchFile, name: str) -> tuple[str, ...]:
    """Return the dead-man contact in that instrument's positive lead, as a part of a chain; nothing when it is not cut."""
    number = contact_number(bench, name)
    return () if number is None else (f"dead-man contact {number}",)


def tap_ohm(bench: BenchFile) -> float:
    """Return the resistor at the cell's end of a measuring lead: the file's, else the advised one."""
    return TAP_OHM if bench.wiring.tap_ohm is None else bench.wiring.tap_ohm


def rails(channel: ChannelSpec) -> tuple[str, str]:
    """Return the names of the two terminal blocks where source, load and cells come together."""
    return f"+ rail of {channel.source}", f"− rail of {channel.source}"


def _chains(bench: BenchFile, channel: ChannelSpec) -> Iterator[Chain]:
    plus, minus = rails(channel)
    yield Chain("source+", "power", (f"{channel.source} +", *dead_man_contact(bench, channel.source), plus))
    yield Chain("source-", "power", (f"{channel.source} −", minus))
    bank = bank_of(bench, channel.load)
    for resistor in bank:
        contact = f"contact of {resistor.switch}"
        parts = (plus, *dead_man_contact(bench, resistor.switch), contact, f"resistor {resistor.name}", minus)
        yield Chain(f"resistor:{resistor.name}", "power", parts)
    if channel.load and not bank:
        yield Chain("load+", "power", (f"{channel.load} +", *dead_man_contact(bench, channel.load), plus))
        yield Chain("load-", "power", (f"{channel.load} −", minus))
    yield from _cell(bench, channel)
    yield from _measuring(bench, channel)
    yield from _sensors(bench, channel)


def ends(channel: ChannelSpec) -> tuple[str, str]:
    """Return how the positive and the negative end of what is charged are called."""
    count = len(channel.taps)
    if count < 2:
        return f"cell of {channel.name}, +", f"cell of {channel.name}, −"
    return f"cell {count} of {channel.name}, +", f"cell 1 of {channel.name}, −"


def _cell(bench: BenchFile, channel: ChannelSpec) -> Iterator[Chain]:
    plus, minus = rails(channel)
    top, bottom = ends(channel)
    relay: tuple[str, ...] = ()
    if channel.switch:
        relay = (*dead_man_contact(bench, channel.switch), f"contact of {channel.switch}")
    fuse = f"fuse {words(bench.wiring.fuse_A, 'current')} of {channel.name}"
    note = f"at most {UNFUSED_MOST_mm} mm: nothing protects this piece"
    yield Chain("cell+", "power", (plus, *relay, fuse, top), note, len(relay) + 1)
    for number in range(len(channel.taps) - 1, 0, -1):
        parts = (f"cell {number + 1} of {channel.name}, −", f"cell {number} of {channel.name}, +")
        yield Chain(f"link:{number}", "power", parts, "as thick as the leads")
    shunt = (f"shunt of {channel.name}",) if channel.ammeter else ()
    yield Chain("cell-", "power", (bottom, *shunt, minus))


def _measuring(bench: BenchFile, channel: ChannelSpec) -> Iterator[Chain]:
    top, bottom = ends(channel)
    said = f"resistor {ohms(tap_ohm(bench))}"
    if channel.meter:
        note = "own clip at the cell; the resistor at the clip, not at the meter"
        yield Chain("meter+", "measuring", (top, f"{said} for {channel.meter}", f"{channel.meter} +"), note)
        yield Chain("meter-", "measuring", (bottom, f"{channel.meter} −"), "own clip at the cell")
    if channel.ammeter:
        shunt = f"shunt of {channel.name}"
        yield Chain("shunt+", "measuring", (f"{shunt}, inner terminal at the cell's side", f"{channel.ammeter} +"),
                    "reads positive while the cell is charged")  # fmt: skip
        yield Chain("shunt-", "measuring", (f"{shunt}, inner terminal at the rail's side", f"{channel.ammeter} −"))
    if channel.sense:
        yield Chain("sense+", "measuring", (f"{channel.source} +", f"{channel.sense} +"), "at the supply's own terminals")
        yield Chain("sense-", "measuring", (f"{channel.source} −", f"{channel.sense} −"))
    count = len(channel.taps)
    for number in range(count + 1 if count else 0):
        yield Chain(f"tap:{number}", "measuring", (tap_place(channel, number), f"{said} at tap {number} of {channel.name}",
                    tap_terminals(channel, number)), "the resistor at the cell, not at the meter")  # fmt: skip


def tap_place(channel: ChannelSpec, number: int) -> str:
    """Return where tap k is clipped: tap 0 at the negative end, tap k at the positive end of cell k."""
    if len(channel.taps) < 2:
        return ends(channel)[1 - number]
    return f"cell 1 of {channel.name}, −" if number == 0 else f"cell {number} of {channel.name}, +"


def tap_terminals(channel: ChannelSpec, number: int) -> str:
    """Return the meter terminals that tap k goes to: + of its own cell's meter, and − of the next one's by a bridge."""
    here = [f"{channel.taps[number - 1]} +"] if number > 0 else []
    after = [f"{channel.taps[number]} −"] if number < len(channel.taps) else []
    return " and ".join(here + after)


_SENSOR_LEADS = {
    2: "two leads, no polarity; their resistance is subtracted by the file's `lead`",
    3: "three leads: the two of one colour to the reader's two joined inputs, the third to the other",
    4: "four leads: the two of one colour to + current and + sense of the reader, the other two to − current and − sense",
}


def sensor_note(bench: BenchFile, name: str) -> str:
    """Return how that thermometer's leads are connected."""
    sensor = bench.instruments[name].sensor
    if sensor is None or sensor.kind == "degrees":
        return "by its own cable"
    if sensor.kind.startswith("thermocouple"):
        return f"its own alloy's wire, + to +, up to the terminals where {sensor.cold_junction} sits"
    return "two leads, no polarity" if sensor.kind == "ntc" else _SENSOR_LEADS[sensor.wires]


def _sensors(bench: BenchFile, channel: ChannelSpec) -> Iterator[Chain]:
    if channel.thermometer:
        which = "the case" if len(channel.taps) < 2 else "the case of the middle cell"
        place = f"sensor taped to {which} of {channel.name}, insulated from metal"
        yield Chain("thermometer", "sensor", (place, channel.thermometer), sensor_note(bench, channel.thermometer))
    if channel.ambient:
        place = "sensor in the room's air, beside the cells, not above them"
        yield Chain("ambient", "sensor", (place, channel.ambient), sensor_note(bench, channel.ambient))
