"""Writes a run's readings and events, one row with one write, and says when they are safe from a power cut.

The order in one pass: readings row n, the events derived from it, then commands and their events, all with `after_seq` n.
A command is written only after the readings before it are on the disk, and nothing after it is written before it is there
itself. So after a crash no command is left whose readings are lost, and no reading whose commands are. Nothing here waits for
the disk: rows go to `scribe.Scribe`, and whoever wants to switch something on asks `waits` first.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import NamedTuple, Self

from chargerd.core.derived import Derived
from chargerd.core.events import Record, Tick
from chargerd.core.reading import Reading
from chargerd.errors import InternalError, JournalError, RefusedError
from chargerd.journal.ballast import Ballast
from chargerd.journal.columns import (
    EVENT_COLUMNS,
    EVENTS,
    KINDS,
    METADATA,
    READINGS,
    Checkpoint,
    Storage,
    csv_on_the_web,
    input_cells,
    quoted_derived,
    readings_header,
)
from chargerd.journal.disk import Disk
from chargerd.journal.reader import Torn
from chargerd.journal.recovery import OpenRun
from chargerd.journal.rowcheck import number_cell, quoted_json, utc_cell
from chargerd.journal.rowfile import RowFile
from chargerd.journal.runfolder import RUN_FILE, read_run, write_whole
from chargerd.journal.scribe import Scribe, Sync, Write

SYNC_EVERY_S = 5.0
"""A power cut loses at most this much of the readings; a shorter time wears flash memory without making a run safer."""


class Owed(NamedTuple):
    """An event that was derived before a crash and did not reach the disk; the fold derived it again."""

    record: Record
    after_seq: int
    elapsed_s: float
    utc: str


class JournalWriter:
    """Appends to one run. Not for two threads.

    `create`, `reopen`, `restore` and `close` raise JournalError when the disk does not take what they must have on it; no
    other method does: rows then wait.
    """

    def __init__(self, readings: RowFile, events: RowFile, inputs: Sequence[str], engine_version: str, ballast: Ballast) -> None:
        self._readings = readings
        self._events = events
        self._readings_seq = readings.seq
        self._events_seq = events.seq
        self._scribe = Scribe((readings, events), ballast)
        self._ballast = ballast
        self._inputs = tuple(inputs)
        self._engine_version = engine_version
        self._after_seq = 0
        self._tick_waits = False
        self._sync_due_s: float | None = None

    @classmethod
    def create(cls, folder: Path, inputs: Sequence[str], *, engine_version: str) -> Self:
        """Begin the files of a new run in its folder. Raises JournalError, ValueError on a wrong name of an input."""
        header = readings_header(inputs)
        described = json.dumps(csv_on_the_web(inputs), indent=1, ensure_ascii=False)
        write_whole(folder, METADATA, described.encode() + b"\n")
        readings = RowFile.create(folder, READINGS, header)
        try:
            events = RowFile.create(folder, EVENTS, EVENT_COLUMNS)
        except (JournalError, RefusedError):
            readings.let_go()
            raise
        ballast = Ballast(folder)
        try:
            ballast.make()
        except JournalError:
            readings.let_go()
            events.let_go()
            raise
        return cls(readings, events, inputs, engine_version, ballast)

    @classmethod
    def reopen(cls, folder: Path, *, engine_version: str) -> Self:
        """Go on after `recover`. Raises JournalError on a torn tail, RefusedError on another writer or engine version."""
        began = read_run(folder).engine_version
        if began != engine_version:
            raise RefusedError(
                f"{folder / RUN_FILE}: begun by engine version {began}, this is {engine_version}; start a new run"
            )
        opened = OpenRun(folder, os.O_RDWR | os.O_APPEND)
        try:
            readings, events = opened.tails()
            _refuse(readings.torn or events.torn)
            files = [
                RowFile(
                    one.descriptor, one.path, tail.seq, tail.size,
                    header=one.header(), base=one.base, number=one.number, held=one.held,
                )
                for one, tail in zip(opened.files, (readings, events), strict=True)
            ]  # fmt: skip
            for file in files:
                file.sync()
        except (JournalError, RefusedError):
            opened.close()
            raise
        ballast = Ballast(folder)
        ballast.restock()  # where there is no room now, a run may still be ended
        writer = cls(files[0], files[1], readings.inputs, engine_version, ballast)
        writer._after_seq = events.after_seq
        return writer

    # --- the disk --------------------------------------------------------------------------------------------------------

    def write_by(self, disk: Disk) -> None:
        """From now on have the files written by `disk`."""
        self._scribe.disk = disk

    def attend(self, disk_s: Callable[[], float], on_idle: Callable[[], None]) -> None:
        """Count the age of rows by this clock, s, and call `on_idle` whenever nothing waits any more."""
        self._scribe.now_s, self._scribe.on_idle = disk_s, on_idle

    @property
    def waits(self) -> bool:
        """Whether a row waits for the disk, a command is not safe yet, or the disk is full: nothing may be switched on now."""
        return self._scribe.waits

    @property
    def trouble(self) -> str:
        """What is wrong with the disk, in words, "" when nothing is."""
        return self._scribe.dead or self._scribe.full

    @property
    def is_lost(self) -> bool:
        """Whether no more rows can be taken: what is read now could not be recorded."""
        return self._scribe.is_overfull

    def must_stop(self) -> str:
        """Return why the run must end in order because of the disk, "" while it need not."""
        return self._scribe.must_stop()

    def unwritten_s(self) -> float:
        """Return the age of the oldest row that is not safe, s; counted from when the disk was full while it is."""
        return self._scribe.unwritten_s()

    def take_news(self) -> list[Storage]:
        """Return, once, what has happened to the disk: records for `record` and the watchers."""
        return self._scribe.take_news()

    # --- rows ------------------------------------------------------------------------------------------------------------

    def reading(self, reading: Reading, derived: Derived, utc: str) -> int:
        """Write one readings row and return its seq. Raises InternalError on a value that cannot be written identically."""
        try:
            elapsed = number_cell(reading.elapsed_s)
            body = f"{utc_cell(utc)},{elapsed},{quoted_derived(derived)}{input_cells(reading, self._inputs)}"
        except (ValueError, TypeError) as error:
            raise InternalError(f"{self._readings.path}: row {self._readings_seq + 1}: {error}") from error
        if self._tick_waits:
            self._sync()  # no reading may survive whose tick is lost
        self._scribe.put(Write(self._readings, body, self._scribe.now_s()))
        self._readings_seq += 1
        return self._readings_seq

    def record(self, record: Record, elapsed_s: float, utc: str) -> int:
        """Write a command or an event after the last readings row and return its seq.

        `elapsed_s` is the time the engine was given with the input this is, or follows from. An input other than a tick is
        safe from a power cut before anything after it is written. Raises InternalError on a record the journal does not know.
        """
        body = self._body(record, self._readings_seq, elapsed_s, utc)
        if isinstance(record, Tick):
            self._tick_waits = True
        elif record.is_input:
            self._scribe.put(Sync((self._readings,)))
            seq = self._append(body, self._readings_seq)
            self._sync()
            return seq
        return self._append(body, self._readings_seq)

    def checkpoint(self, elapsed_s: float, utc: str, memory_json: str) -> int:
        """Write down the engine's memory, when every event of this pass is written; return the row's seq."""
        readings = self._readings

        def body() -> str:
            """Its turn has come: the last readings row is in its file, and where it ends is known."""
            memory = Checkpoint(self._engine_version, memory_json, readings.size, readings.seq)
            return self._cells(memory, readings.seq, elapsed_s, utc)

        return self._append(body, self._readings_seq)

    def restore(self, owed: Iterable[Owed]) -> None:
        """Write, first thing after `reopen`, the events that a crash kept from the disk. Raises JournalError."""
        for record, after_seq, elapsed_s, utc in owed:
            self._append(self._body(record, after_seq, elapsed_s, utc), after_seq)
        self._sync()
        if self._scribe.dead or self._scribe.is_blocked:
            raise JournalError(f"{self.trouble}; the run cannot be gone on with")

    def _body(self, record: Record, after_seq: int, elapsed_s: float, utc: str) -> str:
        if KINDS.get(record.kind) is not type(record) or after_seq < self._after_seq:
            raise InternalError(f"{self._events.path}: {record!r} after row {after_seq} has no place after {self._after_seq}")
        return self._cells(record, after_seq, elapsed_s, utc)

    def _cells(self, record: Record, after_seq: int, elapsed_s: float, utc: str) -> str:
        direction = "input" if record.is_input else "output"
        try:
            detail = quoted_json(record.detail())
            return f"{after_seq},{utc_cell(utc)},{number_cell(elapsed_s)},{direction},{record.kind},{detail},"
        except (ValueError, TypeError) as error:
            raise InternalError(f"{self._events.path}: row {self._events_seq + 1}: {error}") from error

    def _append(self, body: str | Callable[[], str], after_seq: int) -> int:
        self._scribe.put(Write(self._events, body, self._scribe.now_s()))
        self._events_seq += 1
        self._after_seq = after_seq
        return self._events_seq

    def sync_if_due(self) -> bool:
        """Have all rows made safe when `SYNC_EVERY_S` have passed since the last time; tell whether that was begun.

        Tries again, each time, what the disk did not take.
        """
        self._scribe.look()
        now_s = self._scribe.now_s()
        is_due = self._sync_due_s is None or now_s >= self._sync_due_s or self._scribe.is_much_unsafe
        if not is_due or self._scribe.syncs:
            return False
        self._sync()
        self._sync_due_s = now_s + SYNC_EVERY_S
        return True

    def _sync(self) -> None:
        """Readings first: no event may be safe whose reading is not."""
        self._scribe.put(Sync((self._readings, self._events)))
        self._tick_waits = False

    def close(self) -> None:
        """Make all rows safe and let the files go. Raises JournalError when the disk does not take them all."""
        left = self._scribe.settle()
        if not self._scribe.is_stuck:
            self._readings.let_go()
            self._events.let_go()
            self._ballast.remove()
        if left:
            raise JournalError(left)


def _refuse(torn: Torn | None) -> None:
    if torn:
        raise JournalError(f"{torn}; recover the run first")
