"""A small engine and a small run for the journal's tests. Names are from the invented boathouse bench, numbers are invented."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from chargerd.core.derived import Derived
from chargerd.core.events import (
    Observed,
    Pause,
    ReadingLost,
    Record,
    Resume,
    Start,
    StateChanged,
    StepEnded,
    Tick,
    Tripped,
)
from chargerd.core.reading import ABSENT, Measured, Quality, Reading
from chargerd.journal.columns import EVENTS, READINGS
from chargerd.journal.reader import EventRow, ReadingRow, iter_events, iter_readings
from chargerd.journal.rowcheck import utc_text
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter

VERSION = "small-1"
INPUTS = ("supply_voltage_V", "supply_current_A", "supply_output", "probe_temperature_degC")
BEGAN_S = 1_800_000_000.0


def head(version: str = VERSION) -> RunHead:
    cell = Frozen("plover-01", "name: plover-01\nmass: 112 g\n")
    bench = Frozen("boathouse", "# invented\r\nbench: boathouse\r\n\tx")
    profile = Frozen("gentle-formation", "profile: gentle-formation\nabout: first charges  \n")
    return RunHead("jetty", utc_text(BEGAN_S), "0.1.0", version, cell, bench, profile, {"supply": "Invented,PS-1,7,1.0"})


class SmallEngine:
    """Counts charge, loses and finds readings, pauses, trips above 2 V: enough to see order and loss."""

    def __init__(self) -> None:
        self.state, self.charge_Ah, self.last_s, self.taken, self.ticks = "idle", 0.0, 0.0, 0, 0
        self.derived = self._derive(None, None)

    def _derive(self, voltage_V: float | None, current_A: float | None) -> Derived:
        return Derived(
            self.state, "1.1", self.taken // 7, "charge", "cc", voltage_V, current_A, None,
            self.charge_Ah, 0.0, self.charge_Ah * 1.7, 0.0, float(self.taken), 0.0, self.charge_Ah / 3.0, None,
        )  # fmt: skip

    def take(self, reading: Reading, now_s: float) -> tuple[Record, ...]:
        voltage_V, current_A = (reading.get(name).usable(5.0) for name in INPUTS[:2])
        self.taken += 1
        self.charge_Ah += (current_A or 0.0) * (now_s - self.last_s) / 3600.0
        self.last_s = now_s
        self.derived = self._derive(voltage_V, current_A)
        if voltage_V is None:
            return (ReadingLost(INPUTS[0], self.taken),)
        if voltage_V > 2.0:
            self.state = "tripped"
            return (Tripped("over-voltage", voltage_V, 2.0, 'said, "no"'), StateChanged("running", "tripped"))
        return (StepEnded("1.1", value=self.charge_Ah, elapsed_s=now_s),) if self.taken % 5 == 0 else ()

    def command(self, record: Record, now_s: float) -> tuple[Record, ...]:
        if isinstance(record, Observed):
            return ()
        before, self.state = self.state, {"start": "running", "pause": "paused", "resume": "running"}[record.kind]
        return (StateChanged(before, self.state, str(now_s)),)

    def tick(self, now_s: float) -> tuple[Record, ...]:
        self.ticks += 1
        return (ReadingLost("every\x7fthing", self.ticks),)

    def memory_json(self) -> str:
        return json.dumps([self.state, self.charge_Ah, self.last_s, self.taken, self.ticks], separators=(",", ":"))

    def load_memory(self, text: str) -> None:
        self.state, self.charge_Ah, self.last_s, self.taken, self.ticks = json.loads(text)


@dataclass
class Script:
    """One run being written: what a channel does with a journal, and what it had written after each row."""

    folder: Path
    writer: JournalWriter
    engine: SmallEngine
    chance: random.Random
    now_s: float = 0.0
    told: int = 0
    """How many commands and events were handed over."""
    acknowledged: tuple[int, int] = (0, 0)
    """Readings and told rows up to the last command after which nothing waited for the disk."""

    def utc(self) -> str:
        return utc_text(BEGAN_S + self.now_s)

    def tell(self, record: Record) -> None:
        self.writer.record(record, self.now_s, self.utc())
        self.told += 1

    def command(self, record: Record) -> None:
        self.tell(record)
        if not self.writer.waits:
            self.acknowledged = (self.engine.taken, self.told)
        for event in self.engine.command(record, self.now_s):
            self.tell(event)

    def tick(self) -> None:
        for record in (Tick(), *self.engine.tick(self.now_s)):
            self.tell(record)

    def reading(self, voltage_V: float | None = 1.7) -> None:
        self.now_s = round(self.now_s + self.chance.choice((0.999, 1.0, 1.013)), 3)
        inputs = {
            INPUTS[0]: ABSENT if voltage_V is None else Measured(voltage_V, 0.2),
            INPUTS[1]: Measured(float(f"{self.chance.uniform(0.1, 0.2):.6g}"), 0.1),
            INPUTS[3]: Measured(25.0, 31.0, Quality.STALE),
        }
        reading = Reading(self.now_s, inputs)
        events = self.engine.take(reading, self.now_s)
        self.writer.reading(reading, self.engine.derived, self.utc())
        for event in events:
            self.tell(event)

    def checkpoint(self) -> None:
        self.writer.checkpoint(self.now_s, self.utc(), self.engine.memory_json())


def begun(data: Path, seed: int = 1, engine: SmallEngine | None = None) -> Script:
    folder = create_run(data, head())
    writer = JournalWriter.create(folder, INPUTS, engine_version=VERSION)
    run = Script(folder, writer, engine or SmallEngine(), random.Random(seed))
    writer.attend(lambda: run.now_s, lambda: None)
    return run


def play(run: Script, readings: int = 24, after_each: Callable[[Script], bool] = lambda run: True) -> None:
    """Commands between readings, lost readings, ticks, checkpoints, and readings without commands at the end.

    `after_each` reading's pass says whether the run goes on.
    """
    run.command(Start("person"))
    for number in range(1, readings + 1):
        run.reading(None if number % 11 == 0 else round(run.chance.uniform(1.5, 1.9), 3))
        if number == 4:
            run.command(Observed("supply", "on", True, '=1+1, "quoted"\nline'))
        if number in (7, 16):
            run.tick()
        if number in (6, 13):
            run.checkpoint()
        if number == 9:
            run.command(Pause())
            run.command(Resume("self"))
        run.writer.sync_if_due()
        if not after_each(run):
            return


def written(data: Path, seed: int = 1, readings: int = 24, engine: SmallEngine | None = None) -> Script:
    """A whole run, closed."""
    run = begun(data, seed, engine)
    play(run, readings)
    run.writer.close()
    return run


def readings_of(folder: Path) -> list[ReadingRow]:
    return list(iter_readings(folder / READINGS))


def events_of(folder: Path) -> list[EventRow]:
    return list(iter_events(folder / EVENTS))
