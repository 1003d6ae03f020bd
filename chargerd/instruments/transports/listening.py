"""Listening to a device that prints unasked (`listen=yes`): the newest whole line, with the time when *that* line came.

What was cut off by our joining in, is still being printed, is over-long or holds anything but printable ASCII never becomes
a reply. Two lines that lost the line end between them look like one: the anchored reply grammar of the dialect refuses it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError

LINE_LENGTH_MAX = 1024
"""Bytes without a line end before a device is held to be babbling, or to be listened to at the wrong speed."""

LOOK_EVERY_S = 0.05
"""How often a transport that must be looked at is looked at while a line is waited for."""

_PRINTABLE = frozenset(range(0x20, 0x7F)) | {0x09}


class Lines:
    """Cuts a stream into lines and keeps the newest whole one."""

    def __init__(self, terminator: bytes) -> None:
        self._terminator = terminator
        self._pending = bytearray()
        self._is_joined = False
        self.newest: tuple[bytes, float] | None = None

    def feed(self, data: bytes, at_s: float) -> bool:
        """Take what came at `at_s`; tell whether a line was completed by it.

        Raises:
            LinkGarbledError: no line end for too long, or bytes that no text has.
        """
        self._pending += data
        *ended, rest = bytes(self._pending).split(self._terminator)
        self._pending = bytearray(rest)
        if ended and not self._is_joined:
            self._is_joined = True
            del ended[0]  # we joined in its middle, or may have
        if len(rest) > LINE_LENGTH_MAX:
            raise LinkGarbledError(f"{len(rest)} bytes and no end of the line")
        whole = False
        for ended_line in ended:
            line = ended_line.removesuffix(b"\r")
            if len(line) > LINE_LENGTH_MAX or not _PRINTABLE.issuperset(line):
                raise LinkGarbledError(f"not a line of text: {line[:40]!r}")
            if line.strip():
                self.newest, whole = (line, at_s), True
        return whole


class ListeningLink:
    """A link to a device that prints unasked. See `Link`; the only question is the empty one.

    Its `query` returns the newest whole line that is not older than `deadline_s`, or waits for the next as long. `write`
    sends a command that has no reply. The transport calls `received` and `lost` in the loop's thread, and gives `send` and
    `stop`.
    """

    def __init__(self, name: str, terminator: bytes, send_terminator: bytes) -> None:
        self._name = name
        self._send_terminator = send_terminator
        self._lines = Lines(terminator)
        self._loop = asyncio.get_running_loop()
        self._fault: LinkError | None = None
        self._waiting: list[asyncio.Future[None]] = []
        self.send: Callable[[bytes], None] = lambda _: None
        self.stop: Callable[[], None] = lambda: None
        self.look: Callable[[], None] | None = None
        """For a transport that cannot call us when something comes: fetches what has come, each with its time."""

    @property
    def dirty(self) -> bool:
        """True once anything unexpected happened, or the link was closed."""
        return self._fault is not None

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        del urgent  # listening holds nobody up
        return (await self._newest(message, deadline_s))[0]

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`: each line with the time of its own arrival."""
        return [await self._newest(message, deadline_s) for message in messages]

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`. Writing never waits: what is not taken at once ends the link."""
        del deadline_s, urgent
        self._usable()
        try:
            self.send(message + self._send_terminator)
        except OSError as fault:
            raise self.lost(LinkClosedError(f"{self._name}: {fault}")) from None

    async def close(self) -> None:
        """See `Link.close`."""
        self.lost(LinkClosedError(f"{self._name}: the link is closed"))

    def received(self, data: bytes, at_s: float | None = None) -> None:
        """Take what came, now or at that time of the loop. Called by the transport."""
        if self._fault is not None:
            return
        try:
            if self._lines.feed(data, self._loop.time() if at_s is None else at_s):
                self._wake()
        except LinkGarbledError as fault:
            self.lost(LinkGarbledError(f"{self._name}: {fault}"))

    def lost(self, fault: LinkError) -> LinkError:
        """End the link, once. Called by the transport when the other side is gone."""
        if self._fault is None:
            self._fault = fault
            self.stop()
            self._wake()
        return fault

    async def _newest(self, message: bytes, deadline_s: float) -> tuple[bytes, float]:
        if message:
            text = message.decode("ascii", "replace")
            raise self.lost(LinkGarbledError(f"{self._name}: {text} asked of a device that only prints (listen=yes)"))
        since_s = self._loop.time() - deadline_s
        try:
            async with asyncio.timeout(deadline_s):
                while (newest := self._fresh(since_s)) is None:
                    await self._next()
        except TimeoutError as late:
            if isinstance(late, LinkError):
                raise
            raise self.lost(LinkTimeoutError(f"{self._name}: printed no whole line within {deadline_s:g} s")) from None
        return newest

    def _fresh(self, since_s: float) -> tuple[bytes, float] | None:
        self._usable()
        if self.look is not None:
            self.look()
            self._usable()
        newest = self._lines.newest
        return newest if newest is not None and newest[1] >= since_s else None

    async def _next(self) -> None:
        if self.look is not None:
            await asyncio.sleep(LOOK_EVERY_S)
            return
        waiter: asyncio.Future[None] = self._loop.create_future()
        self._waiting.append(waiter)
        try:
            await waiter
        finally:
            self._waiting.remove(waiter)

    def _usable(self) -> None:
        if self._fault is not None:
            raise type(self._fault)(str(self._fault))

    def _wake(self) -> None:
        for waiter in self._waiting:
            if not waiter.done():
                waiter.set_result(None)
