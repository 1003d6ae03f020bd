"""Reads a run's files strictly, each with its segments. A tail that a crash tore is left out and told.

Anything wrong with a whole row after it is damage, and damage is refused: the error names file, row and line.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Generic, TypeVar

from chargerd.core.derived import Derived
from chargerd.core.events import Record
from chargerd.core.reading import Measured, Reading
from chargerd.errors import JournalError
from chargerd.journal.columns import (
    DERIVED_END,
    EVENT_COLUMNS,
    KINDS,
    derived_of,
    inputs_of,
    measured_of,
    readings_header,
)
from chargerd.journal.rowcheck import END, cells_of, fault_of, number_of, utc_cell
from chargerd.journal.runfolder import open_file
from chargerd.journal.segments import HEADER_MAX_BYTES, Segment, holding, place_of, segments_of

T = TypeVar("T")


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
        return JournalError(f"{place_of(self.path, self.seq)}: {error}")


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
            raise JournalError(f"{place_of(self.path, self.seq)}: {error}") from error


@dataclass(slots=True)
class Rows(Generic[T]):
    """Rows of one file and its segments, read as they are asked for. When the last was given, `torn` tells of a tail left out.

    `offset` is where the row after `after_seq` begins, in the segment that holds row `after_seq`; 0 stands for its first row.
    """

    segments: tuple[Segment, ...]
    make: Callable[[list[str], int, Path], T]
    offset: int = 0
    after_seq: int = 0
    skippable: tuple[bytes, ...] = ()
    """A damaged row with one of these in its bytes, between two whole ones, is left out and told in `skipped`."""
    torn: Torn | None = None
    skipped: list[str] = field(default_factory=list)

    def __iter__(self) -> Iterator[T]:
        """Give the rows in order. Raises JournalError at a damaged one."""
        seq, offset = self.after_seq, self.offset
        for segment in self.segments[holding(self.segments, seq) :]:
            for number, line in self._lines(segment, offset or segment.begin, max(seq, segment.first_seq - 1)):
                yield self._row(segment.path, line, number)
            offset = 0

    def _lines(self, segment: Segment, offset: int, seq: int) -> Iterator[tuple[int, bytes]]:
        """Give the rows of one segment that count, each with its seq."""
        last = segment.last
        with os.fdopen(open_file(segment.path.parent, segment.path.name, os.O_RDONLY), "rb") as file:
            file.seek(offset)
            for line in file:
                if seq == last:
                    return
                fault = fault_of(line)
                if fault:
                    seq, whole = self._after_damage(segment, file, line, seq, fault)
                    if not whole or seq == last:
                        break
                    line = whole  # noqa: PLW2901 - the first whole row after one that was left out
                seq += 1
                yield seq, line
        if last is not None and seq != last:
            raise JournalError(f"{place_of(segment.path, seq + 1)}: missing; the next segment begins with row {last + 1}")

    def _row(self, path: Path, line: bytes, seq: int) -> T:
        try:
            cells = cells_of(line)
            return self.make(cells, seq, path)
        except ValueError as error:
            raise JournalError(f"{place_of(path, seq)}: {error}") from error

    def _after_damage(
        self, segment: Segment, lines: Iterator[bytes], bad: bytes, seq: int, fault: str
    ) -> tuple[int, bytes]:
        """Return the seq before the next whole row and that row; an empty one when the tail is torn. Raises JournalError."""
        damaged = bytearray(bad)
        for line in lines:
            if not fault_of(line):
                if any(mark in damaged for mark in self.skippable) and line.startswith(b"%d," % (seq + 2)):
                    self.skipped.append(f"{segment.path}: row {seq + 1}: {fault}")
                    return seq + 1, line
                raise JournalError(f"{place_of(segment.path, seq + 1)}: {fault}")
            damaged += line
        self.torn = Torn(segment.path, seq, len(damaged), fault)
        return seq, b""


def readings_segments(path: Path) -> tuple[Segment, ...]:
    """Return the segments of a readings file. Raises JournalError."""
    return segments_of(path, lambda line, one: readings_header_of(line, one)[1])


def events_segments(path: Path) -> tuple[Segment, ...]:
    """Return the segments of an events file. Raises JournalError."""
    return segments_of(path, lambda line, one: header_length(line, EVENT_COLUMNS, one))


def iter_readings(path: Path, *, offset: int = 0, after_seq: int = 0) -> Rows[ReadingRow]:
    """Read a readings file and its segments from the first row, or from byte `offset`, where the row after `after_seq` begins.

    Raises JournalError, here for the headers and later for rows.
    """
    with os.fdopen(open_file(path.parent, path.name, os.O_RDONLY), "rb") as file:
        inputs, _ = readings_header_of(file.readline(HEADER_MAX_BYTES), path)
    width = len(readings_header(inputs)) - 1

    def make(cells: list[str], seq: int, path: Path) -> ReadingRow:
        _expect(cells, width, seq)
        return ReadingRow(seq, utc_cell(cells[1]), number_of(cells[2]), cells, inputs, path)

    return Rows(readings_segments(path), make, offset, after_seq)


def iter_events(path: Path, *, offset: int = 0, after_seq: int = 0) -> Rows[EventRow]:
    """Read an events file and its segments; as `iter_readings`."""

    def make(cells: list[str], seq: int, path: Path) -> EventRow:
        _expect(cells, len(EVENT_COLUMNS) - 1, seq)
        _, after, utc, elapsed, direction, kind, detail = cells
        if kind not in KINDS or direction != ("input" if KINDS[kind].is_input else "output"):
            raise ValueError(f"{direction} {kind} is no row of an events file")
        return EventRow(seq, int(after), utc_cell(utc), number_of(elapsed), direction, kind, detail, path)

    return Rows(events_segments(path), make, offset, after_seq)


def _expect(cells: list[str], width: int, seq: int) -> None:
    if len(cells) != width or cells[0] != str(seq):
        raise ValueError(f"{len(cells)} cells beginning with {cells[0]!r}, expected {width} beginning with {seq}")


def header_length(line: bytes, columns: tuple[str, ...], path: Path) -> int:
    """Return where the first row begins. Raises JournalError when the line is not the header of these columns."""
    if line != ",".join(columns).encode() + END:
        raise JournalError(f"{path}: line 1: the header is damaged")
    return len(line)


def readings_header_of(line: bytes, path: Path) -> tuple[tuple[str, ...], int]:
    """Return the judged inputs of a header and where the first row begins. Raises JournalError when it is damaged."""
    try:
        inputs = inputs_of(line.removesuffix(END).decode().split(","))
    except ValueError as error:
        raise JournalError(f"{path}: line 1: the header is damaged: {error}") from error
    return inputs, header_length(line, readings_header(inputs), path)
