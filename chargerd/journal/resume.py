"""Rebuilds the engine from a run's files: folds every input through it again and compares what it derives with what was written.

Starting is recovering: a new run folds empty files. What the engine derives beyond the end of the events file is owed, not
wrong: a crash came between the input and its events. `replay` is the proof that the record reproduces the decisions.
"""

from __future__ import annotations

import mmap
import os
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from chargerd.core.derived import Derived
from chargerd.core.events import Record, Tick
from chargerd.core.reading import Reading
from chargerd.errors import JournalError, RefusedError
from chargerd.journal.columns import COLUMNS, EVENTS, OWN_KINDS, READINGS, Checkpoint, derived_cells
from chargerd.journal.reader import EventRow, ReadingRow, Torn, events_segments, iter_events, iter_readings, readings_segments
from chargerd.journal.rowcheck import cells_of, fault_of
from chargerd.journal.runfolder import open_file, read_run
from chargerd.journal.segments import Segment, holding
from chargerd.journal.writer import Owed

DIFFERENCES_MAX = 1000
"""More differences than this are counted, not kept: one wrong row makes all after it wrong."""
_CHECKPOINT = f",output,{Checkpoint.kind},".encode()
_MARKS = (_CHECKPOINT, b'"{""engine"":')
"""Either shows that a damaged row was a checkpoint, which is derived and can be done without; one flipped bit spares one."""
_DERIVED_NAMES = tuple(column.name for column in COLUMNS if column.source == "derived")


class Engine(Protocol):
    """What the fold needs of the engine. `now_s` is the `elapsed_s` of the row."""

    @property
    def derived(self) -> Derived:
        """The derived columns of the last reading."""

    def take(self, reading: Reading, now_s: float) -> tuple[Record, ...]:
        """Judge a reading and return what follows from it."""

    def command(self, record: Record, now_s: float) -> tuple[Record, ...]:
        """Take a command or an observation and return what follows. Raises KeyError when the state does not allow it."""

    def tick(self, now_s: float) -> tuple[Record, ...]:
        """Let time pass without a reading and return what follows from it."""

    def memory_json(self) -> str:
        """Return the memory as canonical JSON."""

    def load_memory(self, text: str) -> None:
        """Take over a memory. Raises ValueError when it is not one."""


E = TypeVar("E", bound=Engine)


@dataclass(frozen=True, slots=True)
class Difference:
    """What one column of one row holds, and what the engine derives now. "" stands for no row."""

    file: str
    seq: int
    column: str
    wrote: str
    derived: str

    def __str__(self) -> str:
        return f"{self.file}: row {self.seq}: {self.column}: wrote {self.wrote!r}, derived again {self.derived!r}"


@dataclass(frozen=True, slots=True)
class Folded(Generic[E]):
    """An engine that stands where the files end. `owed` is to be written by `JournalWriter.restore` before anything else.

    `checkpoint` is the events row the fold began at, 0 for the beginning; `skipped` tells of checkpoints that were no good.
    `differences` must be empty for the run to go on.
    """

    engine: E
    last_elapsed_s: float
    last_utc: str
    differences: tuple[Difference, ...]
    owed: tuple[Owed, ...]
    checkpoint: int
    skipped: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Replayed:
    """What came of deriving a whole run again: nothing but `owed` and `torn`, which a crash leaves, in a true record."""

    readings: int
    events: int
    differences: tuple[Difference, ...]
    differences_count: int
    owed: tuple[Owed, ...]
    torn: tuple[Torn, ...]


class _Fold(Generic[E]):
    """One pass over both files in the order in which the engine saw them.

    With an engine version, the checkpoints it wrote are compared with its memory.
    """

    def __init__(self, engine: E, engine_version: str | None, elapsed_s: float, utc: str) -> None:
        self.engine = engine
        self.elapsed_s = elapsed_s
        self.utc = utc
        self.owed: deque[Owed] = deque()
        self.differences: list[Difference] = []
        self.count = 0
        self.readings = 0
        self.events = 0
        self._version = engine_version
        self._readings_seq = 0

    def run(self, readings: Iterator[ReadingRow], events: Iterator[EventRow], readings_seq: int) -> None:
        """Fold everything from after readings row `readings_seq`. Raises JournalError on an event in the wrong place."""
        self._readings_seq = readings_seq
        event = self._follow(next(events, None), events)
        for row in readings:
            if event and self.owed:
                self._overdue(event.seq)
            self._readings_seq = row.seq
            self._reading(row)
            if event and event.after_seq <= row.seq:
                event = self._follow(event, events)
        if event:
            raise JournalError(
                f"{event.path}: row {event.seq} follows readings row {event.after_seq}, the last one is {self._readings_seq}; "
                "recover the run first"
            )

    def _follow(self, event: EventRow | None, events: Iterator[EventRow]) -> EventRow | None:
        """Fold the events that follow the last reading; return the first of a later one."""
        while event and event.after_seq <= self._readings_seq:
            if event.after_seq < self._readings_seq:
                raise JournalError(f"{event.path}: row {event.seq} follows readings row {event.after_seq} out of order")
            self.events += 1
            if event.is_input:
                self._input(event)
            else:
                self._output(event)
            event = next(events, None)
        return event

    def _reading(self, row: ReadingRow) -> None:
        self.readings += 1
        self._owe(self.engine.take(row.reading(), row.elapsed_s), row)
        again = derived_cells(self.engine.derived)
        wrote = row.derived_cells()
        if again != wrote:
            for name, old, new in zip(_DERIVED_NAMES, wrote, again, strict=True):
                if old != new:
                    self._differ(READINGS, row.seq, name, old, new)

    def _input(self, event: EventRow) -> None:
        self._overdue(event.seq)
        record = event.record
        try:
            if isinstance(record, Tick):
                followed = self.engine.tick(event.elapsed_s)
            else:
                followed = self.engine.command(record, event.elapsed_s)
        except KeyError:
            # The engine's state does not allow this command. It was written before the engine was asked, refused then as it
            # is refused now, and nothing followed from it.
            followed = ()
        self._owe(followed, event)

    def _owe(self, records: tuple[Record, ...], row: ReadingRow | EventRow) -> None:
        self.elapsed_s = row.elapsed_s
        self.utc = row.utc
        self.owed.extend(Owed(record, self._readings_seq, row.elapsed_s, row.utc) for record in records)

    def _output(self, event: EventRow) -> None:
        if event.kind in OWN_KINDS:
            self._own(event)
            return
        wrote = f"{event.kind} {event.detail}"
        if not self.owed:
            self._differ(EVENTS, event.seq, "detail", wrote, "")
            return
        record, _, elapsed_s, _ = self.owed.popleft()
        if record.kind != event.kind or record.detail().replace("\x7f", "\\u007f") != event.detail:
            self._differ(EVENTS, event.seq, "detail", wrote, f"{record.kind} {record.detail()}")
        elif elapsed_s != event.elapsed_s:
            self._differ(EVENTS, event.seq, "elapsed_s", str(event.elapsed_s), str(elapsed_s))

    def _own(self, event: EventRow) -> None:
        """A row of the journal's own: time has gone on, and a checkpoint is compared."""
        self._overdue(event.seq)
        self.elapsed_s, self.utc = event.elapsed_s, event.utc
        if self._version is None or event.kind != Checkpoint.kind:
            return
        try:
            checkpoint = event.record
        except JournalError as error:
            self._differ(EVENTS, event.seq, "detail", event.detail, str(error))
            return
        if isinstance(checkpoint, Checkpoint) and checkpoint.engine == self._version:
            memory = self.engine.memory_json()
            if memory != checkpoint.memory:
                self._differ(EVENTS, event.seq, "memory", checkpoint.memory, memory)

    def _overdue(self, seq: int) -> None:
        """What is owed although a later row is there was never written: that is no crash."""
        while self.owed:
            record = self.owed.popleft().record
            self._differ(EVENTS, seq, "detail", "", f"{record.kind} {record.detail()}")

    def _differ(self, file: str, seq: int, column: str, wrote: str, derived: str) -> None:
        self.count += 1
        if self.count <= DIFFERENCES_MAX:
            self.differences.append(Difference(file, seq, column, wrote, derived))


def fold(folder: Path, make_engine: Callable[[], E], *, engine_version: str, use_checkpoints: bool = True) -> Folded[E]:
    """Return an engine that has seen everything in a recovered run, from the last good checkpoint or from row 1.

    Only the rows after that checkpoint are looked at. Raises JournalError on damage in them or in `run.yaml`, RefusedError when
    another engine version wrote the run.
    """
    began = read_run(folder).engine_version
    if began != engine_version:
        raise RefusedError(f"{folder}: begun by engine version {began}, this is {engine_version}; start a new run")
    skipped: list[str] = []
    start = _checkpoint(folder, make_engine, engine_version, skipped) if use_checkpoints else None
    if start is None:
        start = _Start(make_engine(), Checkpoint(), 0, 0, 0.0, "")
    readings = iter_readings(folder / READINGS, offset=start.memory.readings_bytes, after_seq=start.memory.readings_seq)
    events = iter_events(folder / EVENTS, offset=start.offset, after_seq=start.seq)
    if use_checkpoints:
        events.skippable = _MARKS
    # After the last good checkpoint there are only bad ones, told in `skipped` already.
    state = _Fold(start.engine, None if use_checkpoints else engine_version, start.elapsed_s, start.utc)
    state.run(iter(readings), iter(events), start.memory.readings_seq)
    if readings.torn or events.torn:
        raise JournalError(f"{readings.torn or events.torn}; recover the run first")
    skipped += events.skipped
    return Folded(
        state.engine, state.elapsed_s, state.utc, tuple(state.differences), tuple(state.owed), start.seq, tuple(skipped)
    )


def replay(folder: Path, make_engine: Callable[[], Engine], *, engine_version: str) -> Replayed:
    """Derive a whole run again from row 1; checkpoints are compared, not used. Raises JournalError on damage."""
    readings, events = iter_readings(folder / READINGS), iter_events(folder / EVENTS)
    state = _Fold(make_engine(), engine_version, 0.0, "")
    state.run(iter(readings), iter(events), 0)
    torn = tuple(tail for tail in (readings.torn, events.torn) if tail)
    return Replayed(state.readings, state.events, tuple(state.differences), state.count, tuple(state.owed), torn)


@dataclass(frozen=True, slots=True)
class _Start(Generic[E]):
    """Where a fold begins: an engine, and the byte of the events file after its checkpoint."""

    engine: E
    memory: Checkpoint
    seq: int
    offset: int
    elapsed_s: float
    utc: str


def _checkpoint(folder: Path, make_engine: Callable[[], E], engine_version: str, skipped: list[str]) -> _Start[E] | None:
    """Return the last checkpoint that is good, None when there is none; tell in `skipped` of those that are not."""
    readings = readings_segments(folder / READINGS)
    for segment in reversed(events_segments(folder / EVENTS)):
        events = open_file(folder, segment.path.name, os.O_RDONLY)
        try:
            with mmap.mmap(events, 0, access=mmap.ACCESS_READ) as content:
                found = content.rfind(_CHECKPOINT)
                while found >= 0:
                    begin = content.rfind(b"\n", 0, found) + 1
                    end = content.find(b"\n", found) + 1 or len(content)
                    try:
                        start = _start_of(content[begin:end], end, readings, make_engine, engine_version)
                        if segment.last is None or start.seq <= segment.last:  # what is behind that does not count
                            return start
                    except ValueError as error:
                        skipped.append(f"{segment.path}: the checkpoint at byte {begin} is no good: {error}")
                    found = content.rfind(_CHECKPOINT, 0, begin)
        finally:
            os.close(events)
    return None


def _start_of(
    line: bytes, end: int, readings: tuple[Segment, ...], make_engine: Callable[[], E], engine_version: str
) -> _Start[E]:
    """Return the start that a checkpoint's line gives. Raises ValueError when it is no good, RefusedError."""
    fault = fault_of(line)
    if fault:
        raise ValueError(fault)
    seq, after_seq, utc, elapsed_s, _, _, detail = cells_of(line)
    memory = Checkpoint.from_detail(detail)
    if memory.engine != engine_version:
        raise RefusedError(f"written by engine version {memory.engine}, this is {engine_version}; start a new run")
    path = readings[holding(readings, memory.readings_seq)].path
    with os.fdopen(open_file(path.parent, path.name, os.O_RDONLY), "rb") as file:
        before = os.pread(file.fileno(), 1, max(memory.readings_bytes - 1, 0))
        following = os.pread(file.fileno(), len(str(memory.readings_seq + 1)) + 1, memory.readings_bytes)
    if before != b"\n" or following not in (b"", b"%d," % (memory.readings_seq + 1)) or int(after_seq) != memory.readings_seq:
        raise ValueError("it does not point at the end of a readings row")
    engine = make_engine()
    engine.load_memory(memory.memory)
    return _Start(engine, memory, int(seq), end, float(elapsed_s), utc)
