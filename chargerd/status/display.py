"""The lines a terminal shows of a channel, as text: words first, numbers with their ages after, a person's business on top."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, tzinfo
from typing import NamedTuple

from chargerd.status.snapshot import Snapshot
from chargerd.status.words import (
    URGENCY,
    Attention,
    about,
    amps,
    attention,
    charge,
    degrees,
    duration,
    energy,
    output_words,
    plain,
    sentence,
    volts,
)

OLD_S = 5.0
"""A number older than this carries its age."""


class Line(NamedTuple):
    """One line; `urgent` is the only thing that may ever be red."""

    text: str
    urgent: bool = False


def aged(snapshot: Snapshot, age_s: float) -> Snapshot:
    """Return the snapshot, marked *unknown since* when it is older than it is valid for."""
    if age_s <= snapshot.valid_for_s or snapshot.unknown_since is not None:
        return snapshot
    return replace(snapshot, unknown_since=snapshot.utc)


def name(snapshot: Snapshot) -> str:
    """Return "plover-01 on north"."""
    subject = snapshot.subject
    cell = f"{plain(subject.cell)} on {plain(subject.channel)}" if subject.cell else plain(subject.channel)
    return f"{cell} (simulated)" if subject.simulated else cell


def cell_lines(snapshot: Snapshot) -> list[Line]:
    """Return a channel's few lines. After a trip: whether to go, then the output and by what confirmed, then the cause."""
    level, to_do = attention(snapshot)
    lines = [Line(name(snapshot))]
    if level is not Attention.NOTHING:
        lines.append(Line(f"{level.capitalize()}. {plain(to_do)}", level is Attention.NOW))
    if snapshot.trip is not None:
        lines.append(Line(f"The {output_words(snapshot.output)}.", level is Attention.NOW))
    lines.append(Line(sentence(snapshot)))
    lines += [Line(plain(warning)) for warning in snapshot.warnings if warning != to_do]
    lines += [Line(progress(snapshot)), Line(numbers(snapshot)), Line(totals(snapshot))]
    if snapshot.trip is None:
        lines.append(Line(f"The {output_words(snapshot.output)}."))
    return lines


def progress(snapshot: Snapshot) -> str:
    """Return where in the program the run is, since when, and how long it will be."""
    derived = snapshot.derived
    parts = [f"step {derived.step}"] if derived.step else []
    if derived.round:
        parts.append(f"round {derived.round}" + (f" of at most {snapshot.rounds}" if snapshot.rounds else ""))
    parts.append(f"{duration(snapshot.elapsed_s)} since the start")
    if snapshot.program_left_s is not None:
        parts.append(f"{about(snapshot.program_left_s)} to go")
    return ", ".join(parts)


def numbers(snapshot: Snapshot) -> str:
    """Return the three numbers, each with its age when it is not fresh."""
    derived, ages = snapshot.derived, snapshot.ages
    return ", ".join(
        f"{text} ({duration(age_s)} old)" if age_s is not None and age_s > OLD_S else text
        for text, age_s in (
            (volts(derived.voltage_V), ages.voltage_s),
            (amps(derived.current_A), ages.current_s),
            (degrees(derived.temperature_degC), ages.temperature_s),
        )
    )


def totals(snapshot: Snapshot) -> str:
    """Return charge and energy in and out, and the gas."""
    derived = snapshot.derived
    gas = f", gas {charge(derived.gas_charge_Ah)} in {duration(derived.gassing_s)} of gassing" if derived.gassing_s else ""
    return (
        f"in {charge(derived.charge_in_Ah)} ({energy(derived.energy_in_Wh)}), "
        f"out {charge(derived.charge_out_Ah)} ({energy(derived.energy_out_Wh)}){gas}"
    )


def by_urgency(snapshots: list[Snapshot]) -> list[Snapshot]:
    """Return the snapshots, whoever needs a person soonest first; among equals the order given."""
    return sorted(snapshots, key=lambda snapshot: URGENCY.index(attention(snapshot)[0]))


def change_lines(snapshot: Snapshot, zone: tzinfo | None = None) -> list[str]:
    """Return what is printed where there is no screen to draw on: one line, after a trip three, each with the local time."""
    level, to_do = attention(snapshot)
    texts = [] if level is Attention.NOTHING else [f"{level.capitalize()}. {plain(to_do)}"]
    if snapshot.trip is not None:
        texts.append(f"The {output_words(snapshot.output)}.")
    texts.append(sentence(snapshot))
    texts[-1] += f"; {progress(snapshot)}; {numbers(snapshot)}"
    opening = f"{local_time(snapshot.utc, zone)}  {name(snapshot)}: "
    return [opening + text for text in texts]


def local_time(utc: str, zone: tzinfo | None = None) -> str:
    """Return "2025-05-04 04:14:05" in this machine's zone, or in `zone`. Raises ValueError when `utc` is not RFC 3339."""
    return datetime.fromisoformat(utc).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S")


class Changes:
    """Tells, cheaply, which snapshots are worth a line: each change of state, step, round or warning, and now and then one."""

    __slots__ = ("_every_s", "_told")

    def __init__(self, every_s: float) -> None:
        self._every_s = every_s
        self._told: dict[str, tuple[tuple[object, ...], float]] = {}

    def is_news(self, snapshot: Snapshot) -> bool:
        """Whether this snapshot differs from the last that was news, or comes `every_s` of the run after it."""
        derived = snapshot.derived
        key = (snapshot.subject.run, derived.state, derived.step, derived.round, snapshot.trip, snapshot.warnings)
        told = self._told.get(snapshot.subject.channel)
        if told is not None and told[0] == key and 0.0 <= snapshot.elapsed_s - told[1] < self._every_s:
            return False
        self._told[snapshot.subject.channel] = (key, snapshot.elapsed_s)
        return True
