"""Writes a run's readings and events, one row with one write, and says when they are safe from a power cut.

The order in one pass: readings row n, the events derived from it, then commands and their events, all with `after_seq` n.
A command is written only after the readings before it are on the disk, and acknowledged only after it is there itself. So
after a crash no command is left whose readings are lost, and no reading whose commands are.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NamedTuple, Self

from chargerd.core.derived import Derived
from chargerd.core.events import Record, Tick
from chargerd.core.reading import Reading
from chargerd.errors import InternalError, JournalError, RefusedError
from chargerd.journal.columns import (
    EVENT_COLUMNS,
    EVENTS,
    KINDS,
    METADATA,
    READINGS,
    Checkpoint,
    csv_on_the_web,
    input_cells,
    quoted_derived,
    readings_header,
)
from chargerd.journal.reader import Torn, events_tail, readings_tail
from chargerd.journal.rowcheck import END, number_cell, quoted_json, sealed, utc_cell
from chargerd.journal.runfolder import RUN_FILE, lock, open_file, opened_folder, read_run, write_whole

SYNC_EVERY_S = 5.0
"""A power cut loses at most this much of the readings; a shorter time wears flash memory without making a run safer."""


class RowFile:
    """An append-only file of rows, locked against a second writer, each row one write, its seq without holes."""

    def __init__(self, descriptor: int, path: Path, seq: int, size: int) -> None:
        self.path = path
        self.seq = seq
        self.size = size
        self._descriptor = descriptor
        self._unsynced = True  # rows found at reopening may be in the kernel's memory only
        self._broken = ""

    @classmethod
    def create(cls, folder: Path, name: str, columns: Sequence[str]) -> Self:
        """Make the file with its header, and make both safe. Raises JournalError, RefusedError."""
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL
        file = cls(open_file(folder, name, flags), folder / name, 0, 0)
        try:
            lock(file._descriptor, file.path)
            file.begin(columns)
        except (JournalError, RefusedError):
            os.close(file._descriptor)
            raise
        return file

    def begin(self, columns: Sequence[str]) -> None:
        """Write the header of an empty file, and make file and folder safe. Raises JournalError."""
        self._write(",".join(columns).encode() + END)
        self.sync()
        with opened_folder(self.path.parent) as directory:
            os.fsync(directory)

    def append(self, body: str) -> int:
        """Write one row whose cells after `seq` are `body`, each followed by a comma; return its seq.

        A row that does not fit is cut away again: nothing half stays, and `seq` and `size` are as before. Raises JournalError.
        """
        self._write(sealed(f"{self.seq + 1},{body}"))
        self.seq += 1
        return self.seq

    def _write(self, line: bytes) -> None:
        if self._broken:
            raise JournalError(self._broken)
        try:
            written = os.write(self._descriptor, line)
        except OSError as error:
            raise JournalError(f"{self.path}: row {self.seq + 1} not written: {error.strerror}") from error
        if written != len(line):
            try:
                os.ftruncate(self._descriptor, self.size)
            except OSError as error:
                self._broken = f"{self.path}: half of row {self.seq + 1} is in the file and cannot be cut: {error.strerror}"
                raise JournalError(self._broken) from error
            raise JournalError(f"{self.path}: row {self.seq + 1} not written: no room (half of it was cut away again)")
        self.size += written
        self._unsynced = True

    def sync(self) -> None:
        """Return when every row is safe from a power cut. Raises JournalError; after that nothing is written here any more.

        The kernel may drop the pages it failed to write and call the next fsync a success, so the first error is believed.
        """
        if self._broken:
            raise JournalError(self._broken)
        if not self._unsynced:
            return
        try:
            os.fdatasync(self._descriptor)
        except OSError as error:
            self._broken = f"{self.path}: rows up to {self.seq} may be lost: {error.strerror}; this file is not written again"
            raise JournalError(self._broken) from error
        self._unsynced = False

    def close(self) -> None:
        """Make every row safe and let the file go. Raises JournalError."""
        try:
            if not self._broken:
                self.sync()
        finally:
            os.close(self._descriptor)


class Owed(NamedTuple):
    """An event that was derived before a crash and did not reach the disk; the fold derived it again."""

    record: Record
    after_seq: int
    elapsed_s: float
    utc: str


class JournalWriter:
    """Appends to one run. Not for two threads. Every method raises JournalError when the disk does not take a row."""

    def __init__(self, readings: RowFile, events: RowFile, inputs: Sequence[str], engine_version: str) -> None:
        self._readings = readings
        self._events = events
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
        return cls(readings, RowFile.create(folder, EVENTS, EVENT_COLUMNS), inputs, engine_version)

    @classmethod
    def reopen(cls, folder: Path, *, engine_version: str) -> Self:
        """Go on after `recover`. Raises JournalError on a torn tail, RefusedError on another writer or engine version."""
        began = read_run(folder).engine_version
        if began != engine_version:
            raise RefusedError(
                f"{folder / RUN_FILE}: begun by engine version {began}, this is {engine_version}; start a new run"
            )
        files: list[int] = []
        try:
            for name in (READINGS, EVENTS):
                files.append(open_file(folder, name, os.O_RDWR | os.O_APPEND))
                lock(files[-1], folder / name)
            readings = readings_tail(files[0], folder / READINGS)
            events = events_tail(files[1], folder / EVENTS, readings.seq)
            _refuse(readings.torn or events.torn)
        except (JournalError, RefusedError):
            for descriptor in files:
                os.close(descriptor)
            raise
        writer = cls(
            RowFile(files[0], folder / READINGS, readings.seq, readings.size),
            RowFile(files[1], folder / EVENTS, events.seq, events.size),
            readings.inputs,
            engine_version,
        )
        writer._after_seq = events.after_seq
        return writer

    def reading(self, reading: Reading, derived: Derived, utc: str) -> int:
        """Write one readings row and return its seq. Raises InternalError on a value that cannot be written identically."""
        if self._tick_waits:
            self._sync()  # no reading may survive whose tick is lost
        try:
            elapsed = number_cell(reading.elapsed_s)
            body = f"{utc_cell(utc)},{elapsed},{quoted_derived(derived)}{input_cells(reading, self._inputs)}"
        except (ValueError, TypeError) as error:
            raise InternalError(f"{self._readings.path}: row {self._readings.seq + 1}: {error}") from error
        return self._readings.append(body)

    def record(self, record: Record, elapsed_s: float, utc: str) -> int:
        """Write a command or an event after the last readings row and return its seq.

        `elapsed_s` is the time the engine was given with the input this is, or follows from. An input other than a tick is
        safe from a power cut when this returns. Raises InternalError on a record the journal does not know.
        """
        if not record.is_input:
            return self._append(record, self._readings.seq, elapsed_s, utc)
        if isinstance(record, Tick):
            self._tick_waits = True
            return self._append(record, self._readings.seq, elapsed_s, utc)
        self._readings.sync()
        seq = self._append(record, self._readings.seq, elapsed_s, utc)
        self._sync()
        return seq

    def checkpoint(self, elapsed_s: float, utc: str, memory_json: str) -> int:
        """Write down the engine's memory, when every event of this pass is written; return the row's seq."""
        memory = Checkpoint(self._engine_version, memory_json, self._readings.size, self._readings.seq)
        return self._append(memory, self._readings.seq, elapsed_s, utc)

    def restore(self, owed: Iterable[Owed]) -> None:
        """Write, first thing after `reopen`, the events that a crash kept from the disk."""
        for record, after_seq, elapsed_s, utc in owed:
            self._append(record, after_seq, elapsed_s, utc)
        self._sync()

    def _append(self, record: Record, after_seq: int, elapsed_s: float, utc: str) -> int:
        if KINDS.get(record.kind) is not type(record) or after_seq < self._after_seq:
            raise InternalError(f"{self._events.path}: {record!r} after row {after_seq} has no place after {self._after_seq}")
        direction = "input" if record.is_input else "output"
        try:
            detail = quoted_json(record.detail())
            cells = f"{after_seq},{utc_cell(utc)},{number_cell(elapsed_s)},{direction},{record.kind},{detail},"
        except (ValueError, TypeError) as error:
            raise InternalError(f"{self._events.path}: row {self._events.seq + 1}: {error}") from error
        seq = self._events.append(cells)
        self._after_seq = after_seq
        return seq

    def sync_if_due(self, now_s: float) -> bool:
        """Make all rows safe when `SYNC_EVERY_S` have passed since the last time; tell whether they were."""
        if self._sync_due_s is not None and now_s < self._sync_due_s:
            return False
        self._sync()
        self._sync_due_s = now_s + SYNC_EVERY_S
        return True

    def unwritten_s(self, now_s: float) -> float:
        """Return how long the oldest row can have waited for the disk: the time since `sync_if_due` last made all rows safe."""
        return 0.0 if self._sync_due_s is None else max(now_s + SYNC_EVERY_S - self._sync_due_s, 0.0)

    def _sync(self) -> None:
        """Readings first: no event may be safe whose reading is not."""
        self._readings.sync()
        self._events.sync()
        self._tick_waits = False

    def close(self) -> None:
        """Make all rows safe and let both files go."""
        try:
            self._readings.close()
        finally:
            self._events.close()


def _refuse(torn: Torn | None) -> None:
    if torn:
        raise JournalError(f"{torn}; recover the run first")
