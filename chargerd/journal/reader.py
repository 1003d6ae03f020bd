"""Reads a run's files strictly, and cuts away the tail that a crash tore.

What a crash leaves is at the end: half a row, zeros, bytes that never were a row, events whose readings are gone. That is cut
and told. Anything wrong with a whole row after it is damage, and damage is refused: the error names file, row and line.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar

from chargerd.core.derived import Derived
from chargerd.core.events import Record, Tick
from chargerd.core.reading import Measured, Reading
from chargerd.errors import JournalError
from chargerd.journal.columns import (
    DERIVED_END,
    EVENT_COLUMNS,
    EVENTS,
    KINDS,
    READINGS,
    derived_of,
    inputs_of,
    measured_of,
    readings_header,
)
from chargerd.journal.rowcheck import END, cells_of, fault_of, number_of, utc_cell
from chargerd.journal.runfolder import lock, open_file

T = TypeVar("T")
_HEADER_MAX_BYTES = 1 << 20
_WINDOW_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class Torn:
    """A tail that is no record: `bytes` of them after row `seq`, the last whole one."""

    path: Path
    seq: int
    bytes: int
    what: str

    def __str__(self) -> str:
        return f"{self.path}: {self.bytes} bytes after row {self.seq}: {self.what}"


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One readings row. `cells` are its texts without `row_check`, in the order of the header."""

    seq: int
    utc: str
    elapsed_s: float
    cells: list[str]
    inputs: tuple[str, ...]
    path: Path

    def reading(self) -> Reading:
        """Return the reading as the engine was given it. Raises JournalError."""
        inputs: dict[str, Measured] = {}
        cells = iter(self.cells[DERIVED_END:])
        try:
            for name, value, age in zip(self.inputs, cells, cells, strict=True):
                if value or age:
                    inputs[name] = measured_of(value, age)
        except ValueError as error:
            raise self._damage(error) from error
        return Reading(self.elapsed_s, inputs)

    def derived(self) -> Derived:
        """Return what the engine worked out at this reading. Raises JournalError."""
        try:
            return derived_of(self.derived_cells())
        except ValueError as error:
            raise self._damage(error) from error

    def derived_cells(self) -> list[str]:
        """Return the derived cells as texts, in the order of `columns.COLUMNS` from `state` on."""
        return self.cells[3:DERIVED_END]

    def cell(self, column: str) -> str:
        """Return the text of one column. Raises KeyError when there is none of that name."""
        header = readings_header(self.inputs)
        if column not in header[:-1]:
            raise KeyError(column)
        return self.cells[header.index(column)]

    def _damage(self, error: ValueError) -> JournalError:
        return JournalError(f"{self.path}: row {self.seq}, line {self.seq + 1}: {error}")


@dataclass(frozen=True, slots=True)
class EventRow:
    """One events row, an input or an output of the engine, or a checkpoint."""

    seq: int
    after_seq: int
    utc: str
    elapsed_s: float
    direction: str
    kind: str
    detail: str
    path: Path

    @property
    def is_input(self) -> bool:
        """Tell whether the engine was given this, and did not derive it."""
        return self.direction == "input"

    @property
    def record(self) -> Record:
        """The command, event or checkpoint itself. Raises JournalError when the detail is not that of its kind."""
        try:
            return KINDS[self.kind].from_detail(self.detail)
        except (ValueError, TypeError) as error:
            raise JournalError(f"{self.path}: row {self.seq}, line {self.seq + 1}: {error}") from error


@dataclass(slots=True)
class Rows(Generic[T]):
    """Rows of one file, read as they are asked for. When the last was given, `torn` tells of a tail that was left out."""

    path: Path
    make: Callable[[list[str], int], T]
    offset: int
    after_seq: int
    skippable: tuple[bytes, ...] = ()
    """A damaged row with one of these in its bytes, between two whole ones, is left out and told in `skipped`."""
    torn: Torn | None = None
    skipped: list[str] = field(default_factory=list)

    def __iter__(self) -> Iterator[T]:
        """Give the rows in order. Raises JournalError at a damaged one."""
        seq, offset = self.after_seq, self.offset
        with os.fdopen(open_file(self.path.parent, self.path.name, os.O_RDONLY), "rb") as file:
            file.seek(offset)
            for line in file:
                fault = fault_of(line)
                if fault:
                    seq, whole = self._after_damage(file, line, seq, fault)
                    if not whole:
                        break
                    line = whole  # noqa: PLW2901 - the first whole row after one that was left out
                seq += 1
                yield self._row(line, seq)

    def _row(self, line: bytes, seq: int) -> T:
        try:
            cells = cells_of(line)
            return self.make(cells, seq)
        except ValueError as error:
            raise JournalError(f"{self.path}: row {seq}, line {seq + 1}: {error}") from error

    def _after_damage(self, lines: Iterator[bytes], bad: bytes, seq: int, fault: str) -> tuple[int, bytes]:
        """Return the seq before the next whole row and that row; an empty one when the tail is torn. Raises JournalError."""
        damaged = bytearray(bad)
        for line in lines:
            if not fault_of(line):
                if any(mark in damaged for mark in self.skippable) and line.startswith(b"%d," % (seq + 2)):
                    self.skipped.append(f"{self.path}: row {seq + 1}: {fault}")
                    return seq + 1, line
                raise JournalError(f"{self.path}: row {seq + 1}, line {seq + 2}: {fault}")
            damaged += line
        self.torn = Torn(self.path, seq, len(damaged), fault)
        return seq, b""


def iter_readings(path: Path, *, offset: int = 0, after_seq: int = 0) -> Rows[ReadingRow]:
    """Read a readings file from its first row, or from byte `offset`, where the row after `after_seq` begins.

    Raises JournalError, here for the header and later for rows.
    """
    with os.fdopen(open_file(path.parent, path.name, os.O_RDONLY), "rb") as file:
        inputs, begin = _readings_header_of(file.readline(_HEADER_MAX_BYTES), path)
    width = len(readings_header(inputs)) - 1

    def make(cells: list[str], seq: int) -> ReadingRow:
        _expect(cells, width, seq)
        return ReadingRow(seq, utc_cell(cells[1]), number_of(cells[2]), cells, inputs, path)

    return Rows(path, make, offset or begin, after_seq)


def iter_events(path: Path, *, offset: int = 0, after_seq: int = 0) -> Rows[EventRow]:
    """Read an events file; as `iter_readings`."""
    with os.fdopen(open_file(path.parent, path.name, os.O_RDONLY), "rb") as file:
        begin = header_length(file.readline(_HEADER_MAX_BYTES), EVENT_COLUMNS, path)

    def make(cells: list[str], seq: int) -> EventRow:
        _expect(cells, len(EVENT_COLUMNS) - 1, seq)
        _, after, utc, elapsed, direction, kind, detail = cells
        if kind not in KINDS or direction != ("input" if KINDS[kind].is_input else "output"):
            raise ValueError(f"{direction} {kind} is no row of an events file")
        return EventRow(seq, int(after), utc_cell(utc), number_of(elapsed), direction, kind, detail, path)

    return Rows(path, make, offset or begin, after_seq)


def _expect(cells: list[str], width: int, seq: int) -> None:
    if len(cells) != width or cells[0] != str(seq):
        raise ValueError(f"{len(cells)} cells beginning with {cells[0]!r}, expected {width} beginning with {seq}")


def header_length(line: bytes, columns: tuple[str, ...], path: Path) -> int:
    """Return where the first row begins. Raises JournalError when the line is not the header of these columns."""
    if line != ",".join(columns).encode() + END:
        raise JournalError(f"{path}: line 1: the header is damaged")
    return len(line)


def _readings_header_of(line: bytes, path: Path) -> tuple[tuple[str, ...], int]:
    try:
        inputs = inputs_of(line.removesuffix(END).decode().split(","))
    except ValueError as error:
        raise JournalError(f"{path}: line 1: the header is damaged: {error}") from error
    return inputs, header_length(line, readings_header(inputs), path)


@dataclass(frozen=True, slots=True)
class Tail:
    """The last whole row of a file that counts, where it ends, and what is torn after it."""

    seq: int
    size: int
    torn: Torn | None
    after_seq: int = 0
    inputs: tuple[str, ...] = ()


def last_row(
    descriptor: int, begin: int, path: Path, counts: Callable[[list[str]], bool] = bool
) -> tuple[list[str], int, Torn | None]:
    """Return the cells of the last whole row that counts ([] when there is none), its end, and what is torn after it.

    Reads from the end of the file, so that its cost does not grow with the run. Raises JournalError.
    """
    size = os.fstat(descriptor).st_size
    window = _WINDOW_BYTES
    while True:
        start = max(begin, size - window)
        block = os.pread(descriptor, size - start, start)
        first = 0 if start == begin else block.find(b"\n") + 1
        for line, end in _lines_backwards(block, first):
            cells = _cells_or_none(line)
            if cells and counts(cells):
                return cells, start + end, _torn(path, int(cells[0]), block[end:])
        if start == begin:
            return [], begin, _torn(path, 0, block)
        window *= 8


def _lines_backwards(block: bytes, first: int) -> Iterator[tuple[bytes, int]]:
    """Give the lines of a block that have an end, the last one first, each with where it ends; none before `first`."""
    end = block.rfind(b"\n") + 1
    while end > first:
        begin = block.rfind(b"\n", 0, end - 1) + 1
        yield block[begin:end], end
        end = begin


def _torn(path: Path, seq: int, rest: bytes) -> Torn | None:
    if not rest:
        return None
    what = fault_of(rest[: rest.find(b"\n") + 1] or rest)
    return Torn(path, seq, len(rest), what or "events of readings that are not there")


def _cells_or_none(line: bytes) -> list[str]:
    return [] if fault_of(line) else cells_of(line)


def readings_tail(descriptor: int, path: Path) -> Tail:
    """Survey the end of a readings file. Raises JournalError when the header is damaged."""
    header = os.pread(descriptor, _HEADER_MAX_BYTES, 0).partition(b"\n")[0] + b"\n"
    inputs, begin = _readings_header_of(header, path)
    cells, size, torn = last_row(descriptor, begin, path)
    return Tail(int(cells[0]) if cells else 0, size, torn, inputs=inputs)


def events_tail(descriptor: int, path: Path, readings_seq: int) -> Tail:
    """Survey the end of an events file whose readings end with row `readings_seq`: later events have lost their cause.

    Raises JournalError when the header is damaged, or when a command was confirmed after a reading that is not there: the
    reading was on the disk before the command was written, so that disk, or someone, lost what it had confirmed.
    """

    def counts(cells: list[str]) -> bool:
        if int(cells[1]) <= readings_seq:
            return True
        if cells[4] == "input" and cells[5] != Tick.kind:
            raise JournalError(
                f"{path}: row {cells[0]}: {cells[5]} was confirmed after readings row {cells[1]}, but the readings end with "
                f"row {readings_seq}: the disk lost what it had confirmed; start a new run"
            )
        return False

    header = os.pread(descriptor, _HEADER_MAX_BYTES, 0).partition(b"\n")[0] + b"\n"
    begin = header_length(header, EVENT_COLUMNS, path)
    cells, size, torn = last_row(descriptor, begin, path, counts)
    return Tail(int(cells[0]) if cells else 0, size, torn, after_seq=int(cells[1]) if cells else 0)


def recover(folder: Path) -> tuple[Torn, ...]:
    """Cut the torn tails of a run's files, so that both are whole rows and no event is without its reading; return what was cut.

    Does not judge the rows before: `resume.fold` does. Raises JournalError on damage that no crash makes, RefusedError when
    the run is being written.
    """
    files: list[int] = []
    try:
        for name in (READINGS, EVENTS):
            files.append(open_file(folder, name, os.O_RDWR))
            lock(files[-1], folder / name)
        readings = readings_tail(files[0], folder / READINGS)
        events = events_tail(files[1], folder / EVENTS, readings.seq)
        for descriptor, tail in zip(files, (readings, events), strict=True):
            cut(descriptor, tail.size, tail.torn)
    finally:
        for descriptor in files:
            os.close(descriptor)
    return tuple(tail.torn for tail in (readings, events) if tail.torn)


def cut(descriptor: int, size: int, torn: Torn | None) -> None:
    """Cut what is torn, and make sure of it. Raises JournalError."""
    if not torn:
        return
    try:
        os.ftruncate(descriptor, size)
        os.fsync(descriptor)
    except OSError as error:
        raise JournalError(f"{torn.path}: the torn tail cannot be cut: {error.strerror}") from error
