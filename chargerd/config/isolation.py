"""Which instruments tie the wiring to earth, and where: two of them at different potentials short what lies between.

An instrument that is not isolated connects its negative terminal to earth, most often through its mains lead or the computer's
USB socket. One such place in a circuit does no harm. Two at different places are joined through the computer: what lies between
them -- a cell of a string, a shunt -- is short-circuited, and no fuse at the cell sees it. The check is pure: it reads the bench
file only, and believes `isolated: yes`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.config.marked import Faults
from chargerd.errors import Place

if TYPE_CHECKING:
    from chargerd.config.bench import ChannelSpec, InstrumentSpec

RAIL = -1
"""The negative terminal of source and load. With a shunt it is another potential than the cell's negative terminal, tap 0."""


@dataclass(frozen=True, slots=True)
class Tie:
    """One negative terminal, tied to earth or not: the instrument, and where it is connected.

    `tap`: `RAIL`, 0 for the cell's negative terminal, k for the joint above cell k. `potential` is one number for each
    potential of one circuit: two ties with the same one are joined by wire anyway. `at_cell`: by a lead of its own.
    """

    instrument: str
    channel: str
    tap: int
    potential: tuple[str, int]
    at_cell: bool
    place: Place

    @property
    def where(self) -> str:
        """Say where it is connected."""
        if self.tap == RAIL:
            return "the negative rail"
        return f"the negative end of channel {self.channel}" if self.tap == 0 else f"tap {self.tap} of channel {self.channel}"


def circuits(channels: Mapping[str, ChannelSpec]) -> list[list[ChannelSpec]]:
    """Return the channels in groups that are joined by wire: those that share a source, a load or both."""
    groups: list[list[ChannelSpec]] = []
    for channel in channels.values():
        joined = [group for group in groups if any(_shared(channel, other) for other in group)]
        groups = [group for group in groups if group not in joined]
        groups.append([*(one for group in joined for one in group), channel])
    return groups


def _shared(one: ChannelSpec, other: ChannelSpec) -> bool:
    return one.source == other.source or bool(one.load and one.load == other.load)


def ties(circuit: Sequence[ChannelSpec], instruments: Mapping[str, InstrumentSpec]) -> list[Tie]:
    """Return every terminal of one circuit that is tied to earth, lowest potential first."""
    return [tie for tie in terminals(circuit, instruments) if not instruments[tie.instrument].isolated]


def terminals(circuit: Sequence[ChannelSpec], instruments: Mapping[str, InstrumentSpec]) -> list[Tie]:
    """Return every negative terminal of one circuit, lowest potential first."""
    found: dict[tuple[str, tuple[str, int]], Tie] = {}
    for channel in circuit:
        for name, tap, at_cell in _negative_terminals(channel):
            spec = instruments.get(name)
            if spec is not None:
                tie = Tie(name, channel.name, tap, _potential(channel, tap), at_cell, spec.place)
                found.setdefault((name, tie.potential), tie)
    return sorted(found.values(), key=lambda tie: (tie.tap, tie.potential))


def _negative_terminals(channel: ChannelSpec) -> list[tuple[str, int, bool]]:
    """Return (instrument, tap its negative terminal sits on, whether by a lead of its own to the cell)."""
    rows = [(name, RAIL, False) for name in (channel.source, channel.load, channel.sense, channel.ammeter) if name]
    if channel.meter:
        rows.append((channel.meter, 0, True))
    return rows + [(name, number, True) for number, name in enumerate(channel.taps)]


def _potential(channel: ChannelSpec, tap: int) -> tuple[str, int]:
    """Without a shunt the cell's negative terminal is the rail, and the rail is one for all channels of a circuit."""
    return ("", RAIL) if tap == RAIL or (tap == 0 and not channel.ammeter) else (channel.name, tap)


def check_isolation(
    instruments: Mapping[str, InstrumentSpec], channels: Mapping[str, ChannelSpec], faults: Faults, contacts: Sequence[str] = ()
) -> None:
    """Note every instrument that would short something through earth, naming the one it does it with and both lines.

    `contacts`: relays of resistors. An output has one name: what is joined is found by names.
    """
    _check_names(instruments, [channel.source for channel in channels.values()], faults)
    _check_names(instruments, [channel.load for channel in channels.values()], faults)
    relays = [*(channel.switch for channel in channels.values()), *contacts]
    # Without an output the dialect tells relays apart, or refuses: a board has many.
    _check_names(instruments, [name for name in relays if name in instruments and instruments[name].output], faults)
    for circuit in circuits(channels):
        tied = ties(circuit, instruments)
        if not tied:
            continue
        first = tied[0]
        for tie in tied[1:]:
            if tie.potential != first.potential:
                other = "it is" if tie.instrument == first.instrument else (
                    f"{first.instrument} ({Path(first.place.path).name}:{first.place.line}) is not isolated either and is"
                )  # fmt: skip
                faults.add(
                    tie.place,
                    f"{tie.instrument} is not isolated and is connected to {tie.where}; {other} connected to {first.where}: "
                    f"{shorted(first, tie)} through earth",
                    "take an isolated reader or supply; write isolated: yes only if its data sheet says that its terminals float",
                )


def _check_names(instruments: Mapping[str, InstrumentSpec], names: Sequence[str], faults: Faults) -> None:
    """Note an output that goes by two names: two cells on it would not be seen to be joined."""
    known: dict[tuple[str, str], str] = {}
    for name in dict.fromkeys(names):
        spec = instruments.get(name)
        if spec is None or not spec.address:
            continue
        other = known.setdefault((spec.address, spec.output), name)
        if other != name:
            which = f"output {spec.output} at {spec.address}" if spec.output else spec.address
            faults.add(
                spec.place, f"{name} and {other} are the same: {which}; the cells on it would be joined and nobody would see it",
                "use one of the names for both, or write the output that is meant",
            )  # fmt: skip


def shorted(lower: Tie, upper: Tie) -> str:
    """Say what two ties at different potentials do."""
    if lower.channel != upper.channel and lower.tap != RAIL:
        return f"what lies between the channels {lower.channel} and {upper.channel} would be short-circuited"
    if upper.tap <= 0:
        return "the shunt would be bridged and the current read wrong"
    begin = max(lower.tap, 0) + 1
    return f"cell {begin} would be short-circuited" if begin == upper.tap else (
        f"cells {begin} to {upper.tap} would be short-circuited"
    )  # fmt: skip


def isolation_notes(instruments: Mapping[str, InstrumentSpec], channels: Mapping[str, ChannelSpec]) -> list[str]:
    """Return what a builder should know about a wiring that is allowed: what ties it to earth, and where."""
    notes = []
    for circuit in circuits(channels):
        tied = ties(circuit, instruments)
        names = ", ".join(channel.name for channel in circuit)
        if not tied:
            notes.append(f"{names}: nothing ties it to earth, by the file; keep it so")
        for _, group in groupby(tied, key=lambda tie: tie.potential):
            notes.extend(_note(names, list(group)))
    return notes


def _note(names: str, here: list[Tie]) -> list[str]:
    who = " and ".join(dict.fromkeys(tie.instrument for tie in here))
    if len({tie.instrument for tie in here}) == 1:
        return [f"{names}: {who} alone ties it to earth, at {here[0].where}: allowed; connect nothing else of it to earth"]
    said = f"{names}: {who} are tied to earth at one potential: allowed"
    if any(tie.at_cell for tie in here) and not all(tie.at_cell for tie in here):
        said += (
            "; part of the current goes back through earth instead of the negative lead, and all of it if that lead breaks: "
            "keep the lead short and thick, or take an isolated meter"
        )
    return [said]


def check_sharing(channels: Mapping[str, ChannelSpec], places: Mapping[str, Place], faults: Faults) -> None:
    """Note cells that would be joined: channels that share a source or a load each need a relay of their own."""
    for circuit in circuits(channels):
        for number, channel in enumerate(circuit):
            for other in circuit[:number]:
                if not _shared(channel, other):
                    continue
                what = channel.source if channel.source == other.source else channel.load
                if not channel.switch or not other.switch:
                    bare = channel if not channel.switch else other
                    faults.add(
                        places[bare.name],
                        f"channels {other.name} and {channel.name} share {what}, and {bare.name} has no relay: "
                        "the cells would be joined",
                        "give each of them a relay of its own: write switch: NAME",
                    )
                elif channel.switch == other.switch:
                    faults.add(
                        places[channel.name],
                        f"channels {other.name} and {channel.name} share {what} and the relay {channel.switch}: "
                        "the cells would be joined",
                        "give each of them a relay of its own",
                    )


def check_terminals(channels: Mapping[str, ChannelSpec], places: Mapping[str, Place], faults: Faults) -> None:
    """Note a meter that would have to be connected at two places: one pair of terminals is at one place only."""
    seen: dict[str, str] = {}
    for channel in channels.values():
        rows = [(channel.meter, "across the cell"), (channel.ammeter, "across the shunt"), (channel.sense, "across the source")]
        rows += [(name, f"across cell {number}") for number, name in enumerate(channel.taps, 1)]
        for name, where in rows:
            if not name:
                continue
            here = f"{where} {channel.source}" if name == channel.sense else f"{where} of channel {channel.name}"
            if seen.setdefault(name, here) != here:
                faults.add(
                    places[channel.name],
                    f"{name} would be connected {seen[name]} and {here}: one pair of terminals is at one place",
                    "name another meter, or another input of the same one as an instrument of its own",
                )
