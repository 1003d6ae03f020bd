"""One daemon thread for calls that block: VISA libraries and serial ports. Switching off goes before everything waiting.

The deadline is kept outside the thread. A call that does not come back in time is given up with its thread: the link is
closed, and nothing queues behind it. A daemon thread cannot keep the program from ending.
"""

from __future__ import annotations

import asyncio
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from itertools import count
from queue import PriorityQueue
from typing import TypeVar

from chargerd.errors import LinkClosedError, LinkError, LinkTimeoutError
from chargerd.instruments.transports.link import InFlight, query_each

GRACE_S = 0.1
"""A blocking call gets this much longer than its own time-out before its thread is given up."""

BLOCKING_MAX_S = 0.5
"""Longest time-out given to a blocking call: an urgent switching off waits for the call before it, and no longer."""

URGENT, LEAVE, ORDINARY = range(3)
"""What goes before what: switching off is written even on the way out."""

T = TypeVar("T")
_Job = tuple[int, int, Callable[[], None]]


class Worker:
    """Runs calls one after the other in a thread of its own.

    `faults` are the exceptions a call may end with; `explain` turns one into an error of ours. `close` is run in the thread
    when the worker is given up.
    """

    def __init__(
        self, name: str, faults: tuple[type[Exception], ...], explain: Callable[[Exception], LinkError],
        close: Callable[[], None], in_flight: InFlight | None,
    ) -> None:  # fmt: skip
        self.name = name
        self.is_given_up = False
        self._is_leaving = False
        self._is_broken = False
        self._faults = faults
        self._explain = explain
        self._close = close
        self._in_flight = in_flight
        self._jobs: PriorityQueue[_Job] = PriorityQueue()
        self._number = count()
        self._thread = threading.Thread(target=self._run, name=f"link {name}", daemon=True)
        self._thread.start()

    async def call(
        self, work: Callable[[], T], *, deadline_s: float, urgent: bool = False, after_fault: bool = False
    ) -> T:
        """Run `work` in the thread and return its result.

        A call that waited behind one that failed is not run: the late reply to that one could pass for its own. Unless
        `after_fault` says that it cannot, as of a command to switch off that has no reply.

        Raises:
            LinkClosedError: a call before it failed, or the worker was given up.
            LinkTimeoutError: it did not come back within `deadline_s` (plus a grace); the worker is given up.
            LinkError: what `explain` made of its exception.
        """
        if self.is_given_up:
            raise LinkClosedError(f"{self.name}: the link is closed")
        loop = asyncio.get_running_loop()
        result: asyncio.Future[T] = loop.create_future()
        key = object()
        if self._in_flight is not None:
            self._in_flight.add(1, key)

        def settle(value: T | None, fault: LinkError | None) -> None:
            # The count falls only here, in the loop's own thread: a clock that jumps must not do so before the result is in.
            if self._in_flight is not None:
                self._in_flight.forget(key)
            if result.done():
                return
            if fault is not None:
                result.set_exception(fault)
            else:
                result.set_result(value)  # type: ignore[arg-type]  # None only when T allows it

        def job() -> None:
            value: T | None = None
            fault: LinkError | None = LinkClosedError(f"{self.name}: not sent, the link broke at what was asked before")
            if after_fault or not self._is_broken:
                value, fault = self._outcome(work)
                self._is_broken |= fault is not None  # here: the loop hears of it only when the next call may have begun
            if not loop.is_closed():
                loop.call_soon_threadsafe(settle, value, fault)

        self._jobs.put((URGENT if urgent else ORDINARY, next(self._number), job))
        try:
            async with asyncio.timeout(deadline_s + GRACE_S):
                return await result
        except TimeoutError as late:
            self.give_up()
            if isinstance(late, LinkError):
                raise
            raise LinkTimeoutError(f"{self.name}: no answer within {deadline_s:g} s; its call never came back") from None

    def give_up(self) -> None:
        """End the thread after what it does now and what is urgent; then it runs `close`, and tells who still waits."""
        if self.is_given_up:
            return
        self.is_given_up = True

        def leave() -> None:
            self._is_leaving = self._is_broken = True
            self._outcome(self._close)

        self._jobs.put((LEAVE, next(self._number), leave))

    def _outcome(self, work: Callable[[], T]) -> tuple[T | None, LinkError | None]:
        try:
            return work(), None
        except LinkError as fault:
            return None, fault
        except self._faults as fault:
            return None, self._explain(fault)

    def _run(self) -> None:
        while not self._is_leaving or not self._jobs.empty():  # nothing is put in any more once it leaves
            self._jobs.get()[2]()


class BlockingLink(ABC):
    """A link with a worker of its own. See `Link`. A transport adds `exchange`, `send` and `release`, run in the worker."""

    def __init__(self, name: str, faults: tuple[type[Exception], ...], in_flight: InFlight | None) -> None:
        self.name = name
        self._worker = Worker(name, faults, self.explain, self.release, in_flight)

    @property
    def dirty(self) -> bool:
        """True once anything unexpected happened, or the link was closed."""
        return self._worker.is_given_up

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        return await self.call(lambda: self.exchange(message, deadline_s), deadline_s, urgent=urgent)

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`."""
        return await query_each(self, messages, deadline_s)

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`."""
        await self.call(lambda: self.send(message, deadline_s), deadline_s, urgent=urgent, after_fault=True)

    async def close(self) -> None:
        """See `Link.close`."""
        self._worker.give_up()

    async def call(self, work: Callable[[], T], deadline_s: float, *, urgent: bool = False, after_fault: bool = False) -> T:
        """Run a call in the worker; whatever ends it but a result ends the link. `after_fault`: see `Worker.call`."""
        done = False
        try:
            result = await self._worker.call(work, deadline_s=deadline_s, urgent=urgent, after_fault=after_fault)
            done = True
            return result
        finally:
            if not done:
                self._worker.give_up()

    @abstractmethod
    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Ask and return the reply."""

    @abstractmethod
    def send(self, message: bytes, deadline_s: float) -> None:
        """Send what has no reply."""

    @abstractmethod
    def release(self) -> None:
        """Let everything go: the last thing the worker does."""

    def explain(self, fault: Exception) -> LinkError:
        """Return what to tell of an exception of the library."""
        return LinkClosedError(f"{self.name}: {type(fault).__name__}: {fault}")
