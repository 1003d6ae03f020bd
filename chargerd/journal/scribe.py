"""Carries rows to the disk in their order, and knows what to do when the disk refuses. Control never waits for it.

Rows wait in memory until the disk has them: written in order, so that no event is in a file whose reading is not. Full: the
ballast is let go, the rows go into its room, and until it could be taken again nothing may be switched on. Read-only or
forbidden: the rows wait. An error of a sync or a write is believed the first time: the file goes on in a new segment; the
second error ends the record. What waits too long, or is too much, must end the run in order: `must_stop` says so.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from chargerd.journal.ballast import Ballast
from chargerd.journal.columns import Storage
from chargerd.journal.disk import AtOnce, Disk
from chargerd.journal.rowfile import NoRoomError, RowFile, UntrustedError

WAIT_MAX_S = 60.0
"""As long as the keeper believes a channel whose rows wait: a longer time would lose more of a run than a person can judge."""
WAIT_MAX_ROWS = 600
"""Ten a second for that time: memory stays bounded."""
KEPT_MAX_ROWS = 10_000
"""More rows than this are not kept unsynced; only a run whose time jumps has so many within seconds."""
FULL_MAX = 3
"""A disk that was full and had room again so often is used by something else: a person must look, as after a third pause."""
CLOSE_S = 3.0
"""A disk that hangs must not keep the worker longer than the keeper waits for its beat (5 s)."""


@dataclass(frozen=True, slots=True)
class Write:
    """A row for the end of a file: its cells after `seq`, or what gives them when the row's turn has come."""

    file: RowFile
    body: str | Callable[[], str]
    at_s: float


@dataclass(frozen=True, slots=True)
class Sync:
    """Make these files safe, in this order, before anything after this is written."""

    files: tuple[RowFile, ...]


class Scribe:
    """Everything that is to be written to one run's files, in order. `files`: no row of a later one may be safe before its cause.

    Called from one thread, except `_work` and what it calls, which are the disk's. `on_idle` is called, where `put` is, when
    nothing waits any more.
    """

    def __init__(self, files: tuple[RowFile, ...], ballast: Ballast) -> None:
        self.disk: Disk = AtOnce()
        self.now_s: Callable[[], float] = time.monotonic
        self.on_idle: Callable[[], None] = lambda: None
        self.dead = ""
        """Why nothing can be recorded any more."""
        self.full = ""
        """Why nothing may be switched on, although what is there may have been written: the ballast's room is in use."""
        self._files = files
        self._ballast = ballast
        self._waiting: deque[Write | Sync] = deque()
        self._news: deque[Storage] = deque()
        self._busy = False
        self._errors = 0
        self._full_count = 0
        self._full_since_s: float | None = None
        self._look_for_room = False
        self._lost = 0
        self._ended = False
        self.is_stuck = False
        """Whether the disk did not answer at the end."""

    # --- what waits ------------------------------------------------------------------------------------------------------

    def put(self, *orders: Write | Sync) -> None:
        """Take orders; nothing is refused here. What can never be written is counted and told at the end."""
        if self.dead:
            self._lost += sum(isinstance(order, Write) for order in orders)
            return
        self._waiting.extend(orders)
        self._go()

    @property
    def syncs(self) -> bool:
        """Whether a sync is ordered already: one that hangs is not followed by more."""
        return any(isinstance(order, Sync) for order in list(self._waiting))

    @property
    def is_blocked(self) -> bool:
        """Whether rows wait that the disk has refused."""
        return not self._busy and bool(self._waiting)

    @property
    def is_much_unsafe(self) -> bool:
        """Whether more rows are kept than should be."""
        return max(len(file.kept) for file in self._files) >= KEPT_MAX_ROWS

    @property
    def waits(self) -> bool:
        """Whether anything is not yet on the disk as ordered, or the disk is full: then nothing is switched on or raised."""
        return bool(self._busy or self._waiting or self.full or self.dead)

    @property
    def is_overfull(self) -> bool:
        """Whether more rows wait than memory is given for, or none can be recorded any more."""
        return bool(self.dead) or len(self._waiting) >= WAIT_MAX_ROWS

    def unwritten_s(self) -> float:
        """Return the age of the oldest row that a power cut would still take, or how long the disk has been full."""
        now_s = self.now_s()
        since_s = [file.kept_since_s for file in self._files]
        since_s += [order.at_s for order in list(self._waiting) if isinstance(order, Write)][:1]
        return max((now_s - at_s for at_s in (*since_s, self._full_since_s) if at_s is not None), default=0.0)

    def must_stop(self) -> str:
        """Return why the run must end in order, "" while it need not."""
        if self.dead:
            return f"the record cannot be kept: {self.dead}"
        if self.is_overfull:
            return f"{WAIT_MAX_ROWS} rows wait for the disk{self._why()}"
        if self._full_count > FULL_MAX:
            return f"the disk was full {self._full_count} times{self._why()}"
        if not self.unwritten_s() < WAIT_MAX_S:
            return f"rows have waited {WAIT_MAX_S:g} s for the disk{self._why()}"
        return ""

    def _why(self) -> str:
        return f": {self.full}" if self.full else ""

    def look(self) -> None:
        """Try again what could not be written. Called at every pass, at least each 2 s."""
        if self.full and self._full_since_s is None:
            self._full_since_s = self.now_s()
        self._look_for_room = bool(self.full)
        self._go()

    def take_news(self) -> list[Storage]:
        """Return, once, what has happened to the disk, for the record and the watchers."""
        news = []
        while self._news:
            news.append(self._news.popleft())
        return news

    # --- the disk's side -------------------------------------------------------------------------------------------------

    def _go(self) -> None:
        if not (self._busy or self.dead or self._ended) and (self._waiting or self._look_for_room):
            self._busy = True
            self.disk.start(self._work, self._done)

    def _done(self) -> None:
        self._busy = False
        if not self.full:
            self._full_since_s = None
            self._go()
        if not self.waits:
            self.on_idle()

    def _work(self) -> None:
        """Carry out what waits, as far as the disk takes it."""
        while self._waiting and not self.dead:
            try:
                self._carry_out(self._waiting[0])
            except NoRoomError as error:
                self._say_full(str(error))
                if not self._ballast.release():
                    return
            except UntrustedError as error:
                self._distrust(str(error))
            else:
                self._waiting.popleft()
        if self._look_for_room and self.full and not self.dead:
            self._look_for_room = False
            if self._ballast.restock():
                self.full = ""
                self._news.append(Storage("room", "the disk has room again"))

    def _carry_out(self, order: Write | Sync) -> None:
        if isinstance(order, Write):
            body = order.body if isinstance(order.body, str) else order.body()
            if order.file.distrust:
                self._renew(order.file, body)
            else:
                order.file.append(body, order.at_s)
            return
        for file in order.files:
            if file.distrust:
                self._renew(file)
            file.sync()

    def _renew(self, file: RowFile, body: str | None = None) -> None:
        for earlier in self._files[: self._files.index(file)]:
            if earlier.distrust:
                self._renew(earlier)
            earlier.sync()
        why, rows = file.distrust, len(file.kept)
        file.renew(body)
        self._news.append(Storage("segment", f"{why}; the last {rows} rows were written again, into {file.path.name}"))

    def _distrust(self, why: str) -> None:
        self._errors += 1
        if self._errors > 1:
            self.dead = why

    def _say_full(self, why: str) -> None:
        if not self.full:
            self._full_count += 1
            self._news.append(Storage("full", f"{why}; nothing is switched on until there is room"))
        self.full = why

    # --- the end ---------------------------------------------------------------------------------------------------------

    def settle(self) -> str:
        """Wait for the disk; return what is not on record, "" when all is. Nothing may be put after this."""
        self.is_stuck = not self.disk.finish(CLOSE_S)
        if self.is_stuck:
            self._ended = True
            return f"the disk does not answer; rows of the last {self.unwritten_s():.0f} s are not on record"
        self.disk = AtOnce()
        self._busy = False
        if not self.dead:
            self.put(Sync(self._files))
        self._ended = True  # the files are closed next, and their numbers may soon be those of others
        left = sum(isinstance(order, Write) for order in self._waiting) + self._lost
        return f"{self.dead or self.full}; {left} rows are not on record" if self.dead or self._waiting else ""
