"""An asyncio loop whose time jumps to the next deadline as soon as nothing can happen before it.

A day of polling then takes seconds. The jump is allowed only while nothing is on its way: a pty hands bytes over some
time after they were written, and worker threads are invisible to the loop, so bytes written but not yet read and calls
given to threads are *counted* (`InFlight`), and time stands still until the count is zero. Waiting a little before each
jump instead would be a race.

Every peer must live in this process; time would jump past the answers of any other. Use:
`asyncio.Runner(loop_factory=JumpLoop).run(main())`.
"""

from __future__ import annotations

import asyncio
import selectors
import threading
import time
from typing import TYPE_CHECKING, Any, TypeVarTuple, Unpack

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping
    from concurrent.futures import Executor

Ts = TypeVarTuple("Ts")

LOOK_AGAIN_S = 0.02
"""Longest real wait for something counted as in flight before the count is looked at again."""

LOST_AFTER_S = 20.0
"""Real time after which something in flight is held to be lost: a counting bug must not become a test that hangs."""


class InFlight:
    """What has been sent and not yet received, by link. Safe to use from any thread.

    Call `add` *before* writing or handing over, `done` *after* reading; a worker thread calls `done` after it has
    posted its result to the loop. `key` names the link, so that closing it (`forget`) takes what was lost with it.
    A count never falls below zero: a link of which only one end counts cannot disturb the others.
    """

    __slots__ = ("_closed", "_counts", "_lock", "_open")

    def __init__(self) -> None:
        self._counts: dict[Hashable, int] = {}
        self._closed: set[Hashable] = set()
        self._open: set[Hashable] = set()
        self._lock = threading.Lock()

    def add(self, count: int = 1, key: Hashable = None) -> None:
        """Count `count` bytes or calls as on their way on the link `key`; a count of 0 only says that someone reads there."""
        with self._lock:
            self._closed.discard(key)
            self._open.add(key)
            if count:
                self._counts[key] = self._counts.get(key, 0) + count

    def add_if_open(self, count: int = 1, key: Hashable = None) -> None:
        """As `add`, for the end that answers: not counted while the other end has closed the link (`forget`)."""
        if key not in self._closed:
            self.add(count, key)

    def done(self, count: int = 1, key: Hashable = None) -> None:
        """Count `count` bytes or calls as arrived."""
        with self._lock:
            left = self._counts.get(key, 0) - count
            if left > 0:
                self._counts[key] = left
            else:
                self._counts.pop(key, None)

    def forget(self, key: Hashable) -> None:
        """Drop whatever is counted on a link that was closed: nobody will read it. `add` opens it again."""
        with self._lock:
            self._counts.pop(key, None)
            self._closed.add(key)
            self._open.discard(key)

    def is_open(self, key: Hashable) -> bool:
        """Whether the reading end has counted something on the link since it was last forgotten: somebody is there."""
        return key in self._open

    @property
    def is_clear(self) -> bool:
        """True when nothing is on its way."""
        return not self._counts

    def __repr__(self) -> str:
        return f"InFlight({self._counts})"


class _JumpSelector(selectors.BaseSelector):
    """Wraps the real selector; a wait that nothing can end early moves the virtual clock instead of waiting."""

    def __init__(self, in_flight: InFlight) -> None:
        self._real = selectors.DefaultSelector()
        self._in_flight = in_flight
        self._stuck_since_s: float | None = None
        self.now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None and self._in_flight.is_clear:
            return self._real.select(None)  # no deadline at all: only a descriptor or a thread can go on
        ready = self._real.select(0)
        if ready or (timeout is not None and timeout <= 0):
            self._stuck_since_s = None
            return ready
        if not self._in_flight.is_clear:
            return self._wait_for_arrival()
        self._stuck_since_s = None
        self.now_s += timeout or 0.0
        return ready

    def _wait_for_arrival(self) -> list[tuple[selectors.SelectorKey, int]]:
        real_s = time.monotonic()
        if self._stuck_since_s is None:
            self._stuck_since_s = real_s
        elif real_s - self._stuck_since_s > LOST_AFTER_S:
            raise RuntimeError(f"in flight for {LOST_AFTER_S} s and never received: {self._in_flight!r}")
        return self._real.select(LOOK_AGAIN_S)

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        return self._real.register(fileobj, events, data)

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        return self._real.unregister(fileobj)

    def modify(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        return self._real.modify(fileobj, events, data)

    def close(self) -> None:
        self._real.close()

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        return self._real.get_map()


class JumpLoop(asyncio.SelectorEventLoop):
    """An event loop on a virtual clock that starts at 0 s. `time()` is that clock; `in_flight` gates its jumps."""

    def __init__(self, in_flight: InFlight | None = None) -> None:
        self.in_flight = InFlight() if in_flight is None else in_flight
        self._jumping = _JumpSelector(self.in_flight)
        super().__init__(self._jumping)

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._jumping.now_s

    def run_in_executor(self, executor: Executor | None, func: Callable[[Unpack[Ts]], Any], *args: *Ts) -> asyncio.Future[Any]:
        """As the base class; the call counts as in flight until its result has reached the loop."""
        key = object()
        self.in_flight.add(1, key)
        future: asyncio.Future[Any] = super().run_in_executor(executor, func, *args)
        future.add_done_callback(lambda _: self.in_flight.done(1, key))
        return future
