"""Cuts away the tail that a crash tore from a run's files, and opens them where they go on.

What a crash leaves is at the end: half a row, zeros, bytes that never were a row, events whose readings are gone. That is cut
and told. Where a file goes on in segments, its end is that of the last one.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from chargerd.core.events import Tick
from chargerd.errors import JournalError, RefusedError
from chargerd.journal.columns import EVENT_COLUMNS, EVENTS, READINGS
from chargerd.journal.reader import Torn, header_length, readings_header_of
from chargerd.journal.rowcheck import cells_of, fault_of
from chargerd.journal.runfolder import lock, open_file
from chargerd.journal.segments import HEADER_MAX_BYTES, segment_paths

_WINDOW_BYTES = 1 << 16


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
    header = os.pread(descriptor, HEADER_MAX_BYTES, 0).partition(b"\n")[0] + b"\n"
    inputs, begin = readings_header_of(header, path)
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

    header = os.pread(descriptor, HEADER_MAX_BYTES, 0).partition(b"\n")[0] + b"\n"
    begin = header_length(header, EVENT_COLUMNS, path)
    cells, size, torn = last_row(descriptor, begin, path, counts)
    return Tail(int(cells[0]) if cells else 0, size, torn, after_seq=int(cells[1]) if cells else 0)


@dataclass(frozen=True, slots=True)
class OpenFile:
    """The segment of a file that goes on: `held` is the first segment, which carries the lock."""

    descriptor: int
    held: int
    path: Path
    base: str
    number: int

    def header(self) -> bytes:
        """Return its first line."""
        return os.pread(self.descriptor, HEADER_MAX_BYTES, 0).partition(b"\n")[0] + b"\n"


class OpenRun:
    """Both files of a run, locked, open where they go on. Raises JournalError, RefusedError when the run is being written."""

    def __init__(self, folder: Path, flags: int) -> None:
        self.files: list[OpenFile] = []
        self._descriptors: list[int] = []
        try:
            for name in (READINGS, EVENTS):
                held = self._open(folder / name, flags)
                lock(held, folder / name)
                paths = segment_paths(folder / name)
                last = held if len(paths) == 1 else self._open(paths[-1], flags)
                self.files.append(OpenFile(last, held, paths[-1], name, len(paths)))
        except (JournalError, RefusedError):
            self.close()
            raise

    def _open(self, path: Path, flags: int) -> int:
        self._descriptors.append(open_file(path.parent, path.name, flags))
        return self._descriptors[-1]

    def tails(self) -> tuple[Tail, Tail]:
        """Survey the end of both. Raises JournalError."""
        readings, events = self.files
        tail = readings_tail(readings.descriptor, readings.path)
        tails = tail, events_tail(events.descriptor, events.path, tail.seq)
        for file, found in zip(self.files, tails, strict=True):
            if file.number > 1 and not found.seq:
                # A segment is given its name only when it holds rows, and they were safe after their readings.
                raise JournalError(f"{file.path}: holds no row: the disk lost what it had confirmed; start a new run")
        return tails

    def close(self) -> None:
        """Let both go."""
        for descriptor in self._descriptors:
            os.close(descriptor)


def recover(folder: Path) -> tuple[Torn, ...]:
    """Cut the torn tails of a run's files, so that both are whole rows and no event is without its reading; return what was cut.

    Does not judge the rows before: `resume.fold` does. Raises JournalError on damage that no crash makes, RefusedError when
    the run is being written.
    """
    opened = OpenRun(folder, os.O_RDWR)
    try:
        tails = opened.tails()
        for file, tail in zip(opened.files, tails, strict=True):
            cut(file.descriptor, tail.size, tail.torn)
    finally:
        opened.close()
    return tuple(tail.torn for tail in tails if tail.torn)


def cut(descriptor: int, size: int, torn: Torn | None) -> None:
    """Cut what is torn, and make sure of it. Raises JournalError."""
    if not torn:
        return
    try:
        os.ftruncate(descriptor, size)
        os.fsync(descriptor)
    except OSError as error:
        raise JournalError(f"{torn.path}: the torn tail cannot be cut: {error.strerror}") from error
