"""Whether a run may be left alone: facts in, granted or refused with every reason and what to buy or do. Pure.

Granted only if (a) every set-point is harmless until the next visit although nothing switches it off, or something that is not
this computer does; (b) a thermometer is on the cell, and a hand has warmed it at this start; (c) a commissioning record of these
instruments and this bench file counts; and relays, connection and cell are what they are thought to be. Else: attended only.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from chargerd.config.bench import BenchFile, ChannelSpec
from chargerd.config.hygiene import Held, Untended, held_by
from chargerd.config.readiness import (
    NO_THERMOMETER,
    Abilities,
    Row,
    last_resorts,
    no_record,
    unproven_contacts,
    unswitched,
)
from chargerd.core.plan import Plan
from chargerd.units import words

SAID_MOST = 3
"""Reasons in one sentence for a screen; all stand in the record of the run and on the terminal at its start."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Why this very start has not shown one of these, "" where it has.

    The thermometer's rise under a person's hand, the cell's name by a person, its connection by a probe.
    """

    warm_hand: str = ""
    named: str = ""
    connection: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a run before it starts. `record`: what one that counts has proven; None: none, `no_record_why`."""

    bench: BenchFile
    channel: ChannelSpec
    plan: Plan
    untended: Untended
    abilities: Mapping[str, Abilities]
    record: Collection[str] | None
    no_record_why: str = ""

    @property
    def proven(self) -> frozenset[str]:
        """What the record has proven."""
        return frozenset(self.record or ())

    @property
    def alone(self) -> frozenset[int]:
        """Outputs that nothing switches off when this computer dies."""
        return unswitched(self.bench, self.channel, self.proven)


@dataclass(frozen=True, slots=True)
class Grant:
    """Granted when nothing speaks against it."""

    against: tuple[Row, ...]

    @property
    def is_granted(self) -> bool:
        """Whether the run may be left alone."""
        return not self.against

    @property
    def said(self) -> str:
        """Return for a terminal whether the run may be left alone; the reasons against follow one by one."""
        return "Unattended granted." if self.is_granted else "ATTENDED ONLY: stay within reach and look in often. Against it:"

    @property
    def because(self) -> str:
        """Return in one sentence what is missing, "" when it is granted."""
        if self.is_granted:
            return ""
        said = "; ".join(row.what for row in self.against[:SAID_MOST])
        more = len(self.against) - SAID_MOST
        return f"Attended only, stay within reach: {said}" + (f"; and {more} more" if more > 0 else "")


def grant(facts: Facts, shown: Shown | None) -> Grant:
    """Return whether the run may be left alone. `shown`: None before the start; what it must show is then left out."""
    rows = [*_profile(facts.plan), *_set_points(facts)]
    rows += unproven_contacts(facts.bench, facts.channel, facts.abilities, facts.proven)
    if not facts.channel.thermometer:
        rows.append(NO_THERMOMETER)
    if facts.record is None:
        rows.append(no_record(facts.no_record_why) if facts.no_record_why else no_record())
    return Grant((*rows, *(_start(facts.channel, shown) if shown is not None else ())))


def _profile(plan: Plan) -> Iterator[Row]:
    if plan.program.attended:
        yield Row("the profile says attended: yes", "somebody must stay with it", "take a gentler profile to leave it alone")


def _set_points(facts: Facts) -> list[Row]:
    """Return nothing when all set-points are harmless; else those that nothing switches off, and what is missing to do so."""
    failing = [
        (step.number, held, why) for step, held in held_by(facts.plan) if (why := facts.untended.why_not(held))
    ]
    if not failing:
        return []
    alone = [
        Row(f"step {number} at {_point(held)}", why, "write smaller set-points or a shorter next_visit, or have it switched off")
        for number, held, why in failing
        if held.direction in facts.alone
    ]
    return [*alone, *last_resorts(facts.bench, facts.channel, facts.abilities, facts.proven)]


def _point(held: Held) -> str:
    amperes = words(held.current_A, "current")
    return f"{words(held.voltage_V, 'voltage')}, {amperes}" if held.direction > 0 else f"{amperes} out"


def _start(channel: ChannelSpec, shown: Shown) -> Iterator[Row]:
    if channel.thermometer and shown.warm_hand:
        remedy = "start it at a terminal, and warm the sensor at the cell when asked"
        yield Row("no warm hand on the thermometer", shown.warm_hand, remedy)
    if shown.named:
        yield Row("nobody has named the cell", shown.named, "start it at a terminal and type its name, or give --cell-name")
    if shown.connection:
        yield Row("the cell's connection is not proven", shown.connection, "look at its leads, polarity and clips yourself")


def granted_words(facts: Facts) -> str:
    """Return why a granted run may be left alone, and for how long."""
    until = f"until the next visit in {words(facts.untended.visit_s, 'time')}"
    failing = any(facts.untended.why_not(held) for _, held in held_by(facts.plan))
    how = (
        "what has been proven by commissioning switches off when this computer dies"
        if failing or not facts.alone
        else "every set-point is harmless for that long although nothing else would switch it off"
    )
    return f"unattended granted {until}: {how}"


def before_start(facts: Facts) -> list[str]:
    """Return in words, before anything is switched on, whether the run can be left alone, and else what to add."""
    found = grant(facts, None)
    if found.is_granted:
        needs = "a hand warms the thermometer, somebody names the cell, and a probe finds it"
        return [f"{granted_words(facts)}; if at the start {needs}"]
    return [f"attended only: {row}" for row in found.against]
