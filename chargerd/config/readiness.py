"""What a channel lacks: limits that are not active on it, and what is missing before it may be left alone. Pure.

Each row says what, why it matters, and what to buy or do. `check` prints them; whoever grants *unattended* asks `missing`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec
from chargerd.config.inputs import uncertainty_on
from chargerd.config.safety_time import covered_by_dead_man, load_parts
from chargerd.units import brief, words


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that is not there: `what`, `why` it matters, `remedy` = what to buy or do."""

    what: str
    why: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.what}: {self.why}; {self.remedy}"


@dataclass(frozen=True, slots=True)
class Abilities:
    """What an instrument's dialect can do, which only the instruments' floor knows. None where it is not known.

    Of a source its protections; of a relay whether it `reads_back` what it was told, and has a `mirror` contact that is asked.
    """

    over_current_protection: bool | None = None
    watchdog: bool | None = None
    reads_back: bool | None = None
    mirror: bool | None = None


UNKNOWN = Abilities()
NONE_KNOWN: Mapping[str, Abilities] = {}
"""Abilities by the instrument's name, when no dialect was read."""

_SHUNT = "a shunt in the cell's lead with a meter that the computer reads (current: NAME)"


def not_active(bench: BenchFile, channel: ChannelSpec, abilities: Mapping[str, Abilities] = NONE_KNOWN) -> list[Row]:
    """Return the limits and checks that this channel's instruments cannot serve."""
    return [
        *_temperatures(channel), *_voltages(bench, channel), *_currents(bench, channel), *_contacts(bench, channel, abilities),
        *_last_resorts(bench, channel),
    ]  # fmt: skip


def _temperatures(channel: ChannelSpec) -> Iterator[Row]:
    if not channel.thermometer:
        yield Row(
            "the cell's highest and lowest temperature, its rise and how fast it heats",
            "no thermometer on this channel",
            "buy a sensor that can be taped to the case (Pt1000, thermistor or a digital one-wire sensor) and a reader for it",
        )
    if not channel.ambient:
        yield Row(
            "warming against the room as it changes",
            "no thermometer for the room",
            "buy a second sensor like the first; until then the cell's own temperature at the start stands for the room",
        )


def _voltages(bench: BenchFile, channel: ChannelSpec) -> Iterator[Row]:
    if not channel.meter:
        yield Row(
            "a second opinion on the cell's voltage; clips and leads going bad",
            f"{channel.source} alone measures it, at its own terminals",
            "buy a meter that can be read by the computer and clip its own leads to the cell",
        )
    elif not channel.sense:
        yield Row(
            "what leads and clips drop, at the source's own terminals",
            f"{channel.source}'s own reading stands for it",
            f"good enough for most; a meter across the terminals of {channel.source} is better (sense: NAME)",
        )
    drawing = load_parts(bench, channel)
    minimum_V = max((bench.instruments[name].minimum_voltage_V for name in drawing), default=0.0)
    if minimum_V > 0:
        yield Row(
            f"a discharge below {words(minimum_V, 'voltage')}",
            f"{channel.load} no longer holds its current there",
            "power resistors behind relays draw current down to 0 V",
        )


def _currents(bench: BenchFile, channel: ChannelSpec) -> Iterator[Row]:
    if not channel.switch:
        yield Row(
            "the current's zero with nothing connected, and self-discharge",
            "no relay between the cell and everything else, so a supply that is off may drain it",
            "buy a relay with a normally open contact for direct current, and write switch: NAME",
        )
    if not channel.load:
        yield Row(
            "capacity, efficiency and over-discharge", "no load: stored, not tested", "buy a load, or resistors with relays"
        )
    if not channel.ammeter:
        spec = bench.instruments[channel.source]
        resolved_A, whole_A = (
            3 * uncertainty_on(channel, spec, "current", 0.0, unproven) for unproven in ("", spec.name)
        )
        # What the relay gains is lost again where the zero that is found proves nothing (core/zero.py).
        unproven = f" (below {brief(whole_A, 'current', 2)} if its zero reads exactly 0, which proves nothing)"
        unproven = unproven if whole_A > resolved_A else ""
        yield Row(
            f"a second opinion on the current, and charge ends below {brief(resolved_A, 'current', 2)}",
            f"{channel.source}{f' and {channel.load} alone measure it' if channel.load else ' alone measures it'}{unproven}",
            "buy a shunt, and a meter across it that resolves 0.1 mV; it sees charge and discharge with one error",
        )


def _contacts(bench: BenchFile, channel: ChannelSpec, abilities: Mapping[str, Abilities]) -> Iterator[Row]:
    """Relays of resistors whose contact nobody sees: what they were told, or what they say they were told, is no contact."""
    if channel.ammeter:
        return
    told, held = _unseen(bench, channel, abilities)
    if told:
        yield Row(
            f"whether {_listed(told)} really opened or closed",
            "it counts as what it was told: it answers nothing, and no ammeter shows what its resistor draws",
            f"buy relays with a second contact that is asked too (a mirror contact), or {_SHUNT}",
        )
    if held:
        yield Row(
            f"a contact of {_listed(held)} that is welded or does not close",
            "it says what it was told, not where its contact is, and no ammeter shows what its resistor draws",
            f"buy relays with a second contact that is asked too (a mirror contact), or {_SHUNT}",
        )


def _unseen(bench: BenchFile, channel: ChannelSpec, abilities: Mapping[str, Abilities]) -> tuple[list[str], list[str]]:
    """Return the resistors' relays that say nothing of themselves, and those that say only what they were told.

    What is not known counts as not there.
    """
    switches = list(dict.fromkeys(resistor.switch for resistor in bank_of(bench, channel.load)))
    blind = [name for name in switches if not abilities.get(name, UNKNOWN).mirror]
    told = [name for name in blind if not abilities.get(name, UNKNOWN).reads_back]
    return told, [name for name in blind if name not in told]


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _last_resorts(bench: BenchFile, channel: ChannelSpec) -> Iterator[Row]:
    dead_man = bench.dead_man
    if dead_man is not None and not dead_man.buzzer:
        yield Row(
            "a sound when everything is dead",
            "the dead-man relay has no buzzer on its normally closed contact",
            "buy a buzzer with its own battery; see: chargerd wiring --dead-man",
        )
    unrated = [spec.name for spec in relays(bench, channel) if spec.contact is not None and spec.contact.rating_A is None]
    if unrated:
        yield Row(
            "currents compared with contacts",
            f"no rating is written for {', '.join(unrated)}",
            "write rating: from its data sheet, the one for direct current",
        )


def relays(bench: BenchFile, channel: ChannelSpec) -> list[InstrumentSpec]:
    """Return the relays of a channel: its isolating one first, then those of its resistors."""
    names = ([channel.switch] if channel.switch else []) + [resistor.switch for resistor in bank_of(bench, channel.load)]
    return [bench.instruments[name] for name in names]


def missing(
    bench: BenchFile,
    channel: ChannelSpec,
    abilities: Mapping[str, Abilities] = NONE_KNOWN,
    record: Collection[str] | None = None,
) -> list[Row]:
    """Return what must be added before this channel may run unattended.

    `abilities`: of the source and the resistors' relays, by name. `record`: what a valid commissioning record of this very bench
    has proven -- any of "record" itself, "over-current", "boot:RELAY", "dead-man", "watchdog". None: there is no record, so
    nothing is proven.
    """
    proven = frozenset(record or ())
    rows = [*last_resorts(bench, channel, abilities, proven), *unproven_contacts(bench, channel, abilities, proven)]
    if not channel.thermometer:
        rows.insert(0, NO_THERMOMETER)
    if record is None:
        rows.append(no_record())
    return rows


NO_THERMOMETER = Row("no thermometer on the cell", "a hot cell would not be seen", "wire one and write temperature: NAME")


def no_record(why: str = "nobody has proven readings, off and protection on this bench") -> Row:
    """Return the row of a bench without a commissioning record that counts."""
    return Row("no commissioning record", why, "prove the bench with: chargerd commission")


def unswitched(bench: BenchFile, channel: ChannelSpec, proven: Collection[str]) -> frozenset[int]:
    """Return which outputs nothing switches off when this computer dies: +1 the source, -1 what draws current.

    A dead-man relay, or the supply's own watchdog, counts only when a commissioning record has proven it.
    """
    if "dead-man" in proven and covered_by_dead_man(bench, channel):
        return frozenset()
    return frozenset({-1} if "watchdog" in proven else {1, -1})


def last_resorts(
    bench: BenchFile, channel: ChannelSpec, every: Mapping[str, Abilities], proven: Collection[str]
) -> Iterator[Row]:
    """Yield what is missing to end a current that must not stay: whoever switches when all else is dead, the supply's own
    protection, the relay at the cell. Set-points that are harmless for as long as nobody comes can do without.
    """
    abilities = every.get(channel.source, UNKNOWN)
    has_watchdog = "watchdog" in proven
    if bench.dead_man is None and not has_watchdog:
        own = "the supply's own watchdog is not verified" if abilities.watchdog else "no watchdog known in the supply"
        yield Row(
            f"no dead-man relay, and {own}",
            "when the computer dies the output stays on",
            "build the relay shown by: chargerd wiring --dead-man",
        )
    elif bench.dead_man is not None and not has_watchdog and not covered_by_dead_man(bench, channel):
        whole = [channel.source, *load_parts(bench, channel)]
        lacking = [name for name in whole if name not in bench.dead_man.cuts]
        yield Row(
            f"the dead-man relay does not cut {' and '.join(lacking)}",
            "when the computer dies its current goes on",
            f"lead it through a contact and write cuts: [{', '.join(whole)}]"
            + (f", or [{channel.switch}] when the contact is in the cell's own lead" if channel.switch else ""),
        )
    elif bench.dead_man is not None and "dead-man" not in proven:
        yield Row(
            "the dead-man relay is not proven",
            "one that never lets go protects nobody",
            "let commissioning stop feeding it and measure when it lets go",
        )
    if abilities.over_current_protection is False:
        yield Row(
            f"{channel.source} has no over-current protection of its own",
            "only the fuse bounds the current when its control fails",
            "take a supply that has one; until then the safety time is computed from the fuse",
        )
    elif "over-current" not in proven:
        yield Row(
            f"{channel.source}'s over-current protection is not verified",
            "a protection nobody saw trip may not be there",
            "let commissioning trip it on purpose at a low current",
        )
    if not channel.switch:
        yield Row(
            "no relay between the cell and everything else",
            "off cannot be proven by opening the circuit, and a supply that is off may drain or feed the cell",
            "buy a relay with a normally open contact for direct current, and write switch: NAME",
        )


def unproven_contacts(
    bench: BenchFile, channel: ChannelSpec, every: Mapping[str, Abilities], proven: Collection[str]
) -> Iterator[Row]:
    """Yield relays that may close by themselves, or of which nobody knows whether they opened."""
    yield from _relays_at_boot(bench, channel, proven)
    yield from _told_only(bench, channel, every)


def _told_only(bench: BenchFile, channel: ChannelSpec, abilities: Mapping[str, Abilities]) -> Iterator[Row]:
    """A discharge that nobody is there to see must end by more than a word that was sent."""
    told, _ = _unseen(bench, channel, abilities)
    if told and not channel.ammeter:
        yield Row(
            f"{_listed(told)} {'is' if len(told) == 1 else 'are'} open only by what "
            f"{'it was' if len(told) == 1 else 'they were'} told",
            "nothing shows that a discharge has really ended",
            f"buy relays that can be asked for their state, best by a mirror contact, or {_SHUNT}",
        )


def _relays_at_boot(bench: BenchFile, channel: ChannelSpec, proven: Collection[str]) -> Iterator[Row]:
    for spec in relays(bench, channel):
        assert spec.contact is not None or spec.name != channel.switch, "a switch without a contact was refused before"
        at_boot = "unknown" if spec.contact is None else spec.contact.at_boot
        if at_boot == "closed":
            yield Row(
                f"{spec.name} closes while the computer starts",
                "the cell is then connected and nothing supervises it",
                "lead its contact through the dead-man relay's, or take a board whose inputs are off when nothing drives them",
            )
        elif at_boot == "unknown" and f"boot:{spec.name}" not in proven:
            yield Row(
                f"nobody knows what {spec.name} does while the computer starts",
                "some boards close their relays until the program sets their inputs",
                "disconnect the cell, switch the computer off and on, watch the contact, and write at_boot: open or closed",
            )
        if spec.contact is not None and spec.contact.without_power == "closed":
            yield Row(
                f"{spec.name} is closed without power",
                "with everything dead the cell stays connected",
                "use its normally open contact",
            )
