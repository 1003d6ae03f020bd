"""What a run's start knows besides its bench: who stands there, what is believed of the cell, what leaving it alone rests on."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from chargerd.config.hygiene import untended
from chargerd.config.unattended import Facts, Grant
from chargerd.core.events import CheckPassed
from chargerd.daemon.frozen import FrozenRun
from chargerd.daemon.probe_pulse import ANY_CELL, Believed
from chargerd.daemon.records import standing_of
from chargerd.daemon.simulated_hand import is_simulated_now, simulated_hand
from chargerd.daemon.warm_hand import Asked, Hold, nobody_holds
from chargerd.errors import RefusedError
from chargerd.instruments.abilities import abilities_of
from chargerd.journal.ledger import CellLedger

SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Starting:
    """What CHECKING needs besides the bench. `person`: None where nobody can be asked. `stopped`: set when the run is to end.

    `named`: a person has named the cell. `hold`: see `warm_hand`. `facts`: None where nobody asks whether the run may be left
    alone. `clock_set`: whether a time service sets this computer's clock, None: not looked. `goes_on`: the run was granted and
    goes on by itself after its program had ended; nobody has touched anything since, so what a person has shown still stands.
    """

    believed: Believed = ANY_CELL
    person: Asked | None = None
    stopped: asyncio.Event | None = None
    named: bool = False
    hold: Hold = nobody_holds
    facts: Facts | None = None
    clock_set: bool | None = None
    goes_on: bool = False


ANYHOW = Starting()


def is_at_terminal() -> bool:
    """Whether somebody sits at a terminal who can be asked and can answer."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))


def facts_of(run: FrozenRun) -> Facts:
    """Return what leaving that run alone rests on; its commissioning record is judged now. Raises BenchError: it is damaged."""
    standing = standing_of(replace(run.bench, data_dir=run.data), run.channel.name)
    return Facts(
        run.bench, run.channel, run.plan, untended(run.profile, run.cell, run.bench, run.plan.limits), abilities_of(run.bench),
        standing.proven, standing.why_not,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Told:
    """What a person said on the command line: which cell it is, and that it is this one although its resistance changed.

    `goes_on`: nobody said anything, see `Starting`.
    """

    named: bool = False
    resistance_changed: bool = False
    goes_on: bool = False


NOTHING_TOLD = Told()


def starting_of(run: FrozenRun, person: Asked | None, stopped: asyncio.Event, told: Told) -> Starting:
    """Return what that run's start knows. Raises BenchError, JournalError."""

    async def hold(sensor: str) -> None:
        if await is_simulated_now(run.bench):
            await simulated_hand(run.bench, sensor)

    with CellLedger.open(run.data, run.cell.name) as ledger:
        last_ohm = ledger.last_resistance_ohm()
    believed = Believed(run.cell.resistance_ohm, last_ohm, may_differ=told.resistance_changed)
    return Starting(believed, person, stopped, told.named, hold, facts_of(run), SYNCHRONISED.exists(), told.goes_on)


def keep_start(run: FrozenRun, passed: CheckPassed, granted: Grant | None, utc: str, say: Callable[[str], None]) -> None:
    """Say aloud whether the run may be left alone, and keep the cell's resistance for its next start. Raises JournalError."""
    if granted is not None:
        say(granted.said)
        for row in granted.against:
            say(f"  {row}")
    if passed.resistance_ohm is not None:
        with CellLedger.open(run.data, run.cell.name) as ledger:
            ledger.resistance(utc, run.folder.name, passed.resistance_ohm)


async def until_stopped(work: Coroutine[object, object, T], stopped: asyncio.Event | None) -> T:
    """Return what it returns; when the run is to end before, break it off at once and raise RefusedError."""
    task = asyncio.ensure_future(work)
    stop = asyncio.ensure_future((stopped or asyncio.Event()).wait())
    try:
        await asyncio.wait({task, stop}, return_when=asyncio.FIRST_COMPLETED)
        if not task.done():
            raise RefusedError("stopped before it began")
        return task.result()
    finally:
        for one in (task, stop):
            one.cancel()
        await asyncio.gather(task, stop, return_exceptions=True)
