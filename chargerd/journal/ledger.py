"""Append-only ledgers that outlive runs: one per channel (trips, clears, restarts) and one per cell (lifetime gas, notes).

They are written seldom and matter long, so every row is on the disk before it is acknowledged. A torn tail is cut and told;
any other damage refuses: a latch that cannot be read is not a latch that may be passed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, ClassVar, Self

from chargerd.errors import InternalError, JournalError, RefusedError
from chargerd.journal.columns import LEDGER_COLUMNS
from chargerd.journal.reader import Rows, Torn, header_length
from chargerd.journal.recovery import cut
from chargerd.journal.rowcheck import END, fault_of, is_utc, quoted_json
from chargerd.journal.rowfile import RowFile
from chargerd.journal.runfolder import checked_name, lock, make_folder, open_file
from chargerd.journal.segments import Segment

Fact = str | float | int | bool | None
_HEADER = ",".join(LEDGER_COLUMNS).encode() + END


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One dated fact."""

    seq: int
    utc: str
    kind: str
    facts: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Trip:
    """A latched trip: the first cause since the last clear."""

    seq: int
    utc: str
    run: str
    cause: str
    value: float | None
    limit: float | None
    text: str


class Ledger:
    """One ledger, open for writing by this program alone. `rows` holds all of it, `torn` what was cut at opening."""

    folder: ClassVar[str]
    kinds: ClassVar[frozenset[str]]

    def __init__(self, file: RowFile, rows: list[LedgerRow], torn: Torn | None) -> None:
        self.rows = rows
        self.torn = torn
        self._file = file

    @classmethod
    def open(cls, data: Path, name: str) -> Self:
        """Open `<data>/<folder>/<name>.csv`, a new one when there is none, and cut a torn tail.

        Raises JournalError on damage, RefusedError on a wrong name or when another program writes it.
        """
        folder = make_folder(data, cls.folder, may_exist=True)
        path = folder / f"{checked_name(name)}.csv"
        descriptor = open_file(folder, path.name, os.O_RDWR | os.O_APPEND | os.O_CREAT)
        try:
            lock(descriptor, path)
            size = os.fstat(descriptor).st_size
            if size < len(_HEADER) and os.pread(descriptor, size, 0) == _HEADER[:size]:
                # Nothing, or what a crash left of the header: no row was ever here.
                os.ftruncate(descriptor, 0)
                file = RowFile(descriptor, path, 0, 0)
                file.begin(LEDGER_COLUMNS)
                return cls(file, [], None)
            rows, torn = cls.read(data, name)
            if torn:
                size -= torn.bytes
                _refuse_damage(torn, os.pread(descriptor, torn.bytes, size))
                cut(descriptor, size, torn)
        except (JournalError, RefusedError):
            os.close(descriptor)
            raise
        return cls(RowFile(descriptor, path, len(rows), size), rows, torn)

    @classmethod
    def read(cls, data: Path, name: str) -> tuple[list[LedgerRow], Torn | None]:
        """Return the rows of a ledger and its torn tail, changing nothing. Raises JournalError on damage."""
        folder = data / cls.folder
        path = folder / f"{checked_name(name)}.csv"
        with os.fdopen(open_file(folder, path.name, os.O_RDONLY), "rb") as file:
            begin = header_length(file.readline(len(_HEADER)), LEDGER_COLUMNS, path)

        def make(cells: list[str], seq: int, _path: Path) -> LedgerRow:
            number, utc, kind, detail = cells
            if number != str(seq) or kind not in cls.kinds or not is_utc(utc):
                raise ValueError(f"{number} {kind} at {utc!r} is no row {seq} of this ledger")
            return LedgerRow(seq, utc, kind, json.loads(detail))

        rows = Rows((Segment(path, 1, begin),), make)
        return list(rows), rows.torn

    def append(self, kind: str, utc: str, **facts: Fact) -> int:
        """Write one fact down, wait until the disk has it, and return its seq. Raises JournalError, InternalError."""
        if kind not in self.kinds or not is_utc(utc):
            raise InternalError(f"{self._file.path}: {kind} at {utc!r} has no place in this ledger")
        try:
            detail = json.dumps(facts, sort_keys=True, separators=(",", ":"), allow_nan=False)
        except ValueError as error:
            raise InternalError(f"{self._file.path}: {kind}: {error}") from error
        seq = self._file.append(f"{utc},{kind},{quoted_json(detail)},")
        self._file.sync()
        self.rows.append(LedgerRow(seq, utc, kind, facts))
        return seq

    def close(self) -> None:
        """Let the ledger go."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


def _refuse_damage(torn: Torn, tail: bytes) -> None:
    """Raise JournalError when the tail was a whole row once: a latched trip must not pass for a torn one.

    A crash leaves a row's beginning, or zeros where a page did not reach the disk; a whole row of other bytes is damage. One
    zero byte alone can be a flipped bit.
    """
    if (tail.endswith(END) and b"\0\0" not in tail) or not fault_of(tail[:-2] + END):
        raise JournalError(f"{torn.path}: row {torn.seq + 1}, line {torn.seq + 2}: {torn.what}")


class ChannelLedger(Ledger):
    """What happened on a channel, over all runs. The latch lives here: it survives every restart."""

    folder = "channels"
    kinds = frozenset({"tripped", "cleared", "started", "ended", "restarted", "granted", "planned", "disk-failed"})

    def latched(self) -> Trip | None:
        """Return the trip that is latched, the first cause since the last clear, or None."""
        trip: Trip | None = None
        for row in self.rows:
            if row.kind == "cleared":
                trip = None
            elif row.kind == "tripped" and trip is None:
                trip = Trip(seq=row.seq, utc=row.utc, **row.facts)
        return trip

    def tripped(
        self, utc: str, run: str, cause: str, *, value: float | None = None, limit: float | None = None, text: str = ""
    ) -> int:
        """Latch a trip. A later one is written too; the first stays the cause."""
        return self.append("tripped", utc, run=run, cause=cause, value=value, limit=limit, text=text)

    def cleared(self, utc: str, reason: str, by: str) -> int:
        """Clear the latch; this starts nothing. Raises RefusedError without a reason, or when nothing is latched."""
        if not reason.strip():
            raise RefusedError("a trip is cleared with a reason: say what was found and what was done about it")
        if self.latched() is None:
            raise RefusedError(f"{self._file.path}: no trip is latched here, there is nothing to clear")
        return self.append("cleared", utc, reason=reason, by=by)

    def started(self, utc: str, run: str, **facts: Fact) -> int:
        """A run began on this channel."""
        return self.append("started", utc, run=run, **facts)

    def ended(self, utc: str, run: str, how: str) -> int:
        """A run ended on this channel."""
        return self.append("ended", utc, run=run, how=how)

    def restarted(self, utc: str, run: str, by: str, **facts: Fact) -> int:
        """A run was resumed after the program had ended; `by` says by whom or what, `crashed` whether without a new boot."""
        return self.append("restarted", utc, run=run, by=by, **facts)

    def granted(self, utc: str, run: str, *, unattended: bool) -> int:
        """CHECKING has passed; `unattended`: nobody need be there. Only such a run ever goes on by itself."""
        return self.append("granted", utc, run=run, unattended=unattended)

    def planned(self, utc: str, run: str, **digests: str) -> int:
        """A life of a run has frozen its off plan; from now on outputs may be on."""
        return self.append("planned", utc, run=run, **digests)

    def disk_failed(self, utc: str, run: str, text: str) -> int:
        """The record of a run could not be written. The run never goes on by itself after that."""
        return self.append("disk-failed", utc, run=run, text=text)

    def open_run(self) -> str:
        """Return the run that was started, or gone on with, and has not ended; "" when there is none."""
        run = ""
        for row in self.rows:
            if row.kind in ("started", "restarted"):
                run = row.facts["run"]
            elif row.kind == "ended":
                run = ""
        return run


class CellLedger(Ledger):
    """What is known of one cell, over all runs: notes of people and the charge that went into gas."""

    folder = "cells"
    kinds = frozenset({"note", "gas", "started", "ended", "resistance"})

    def note(self, utc: str, text: str, by: str, **facts: Fact) -> int:
        """Write down a dated fact: a weighing, a voltage read by hand, water, a remark. Keys carry their unit: `mass_g`."""
        return self.append("note", utc, text=text, by=by, **facts)

    def started(self, utc: str, run: str) -> int:
        """A run began with this cell."""
        return self.append("started", utc, run=run)

    def ended(self, utc: str, run: str, how: str) -> int:
        """A run with this cell ended."""
        return self.append("ended", utc, run=run, how=how)

    def gas(self, utc: str, run: str, gas_charge_Ah: float) -> int:
        """Write down the gas charge of a run so far, Ah; a later, larger one of the same run takes its place."""
        return self.append("gas", utc, run=run, gas_charge_Ah=gas_charge_Ah)

    def lifetime_gas_charge_Ah(self) -> float:
        """Return the charge that went into gas in all runs of this cell, Ah. It never falls."""
        largest: dict[str, float] = {}
        for row in self.rows:
            if row.kind == "gas":
                largest[row.facts["run"]] = max(row.facts["gas_charge_Ah"], largest.get(row.facts["run"], 0.0))
        return sum(largest.values())

    def resistance(self, utc: str, run: str, resistance_ohm: float) -> int:
        """Write down the resistance that a start's probe has shown, clips and leads included."""
        return self.append("resistance", utc, run=run, resistance_ohm=resistance_ohm)

    def last_resistance_ohm(self) -> float | None:
        """Return the resistance at this cell's last start, None when there was none."""
        return next((row.facts["resistance_ohm"] for row in reversed(self.rows) if row.kind == "resistance"), None)
