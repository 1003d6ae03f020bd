"""SCPI over a plain TCP socket (`tcp://host:port`, `TCPIP::host::port::SOCKET`): our own small link on asyncio.

Own, because the general instrument library hands a reply that came too late to the *next* question, spins on a closed
socket until its time-out, and blocks without limit on a peer that does not read.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import REPLY_LENGTH_MAX, Address, InFlight, Link, Turn
from chargerd.instruments.transports.listening import ListeningLink


class TcpLink(asyncio.Protocol):
    """One connection. See `Link`.

    A list of questions runs inside the protocol: each reply sends the next question from the same callback, so that a sample
    costs one turn of the waiting task, not one for every question.
    """

    def __init__(self, address: Address, loop: asyncio.AbstractEventLoop) -> None:
        self._name = address.text
        self._terminator = address.terminator
        self._send_terminator = address.send_terminator
        self._loop = loop
        self._turn = Turn()
        self._transport: asyncio.Transport | None = None
        self._received = bytearray()
        self._waiter: asyncio.Future[None] | None = None
        self._questions: Sequence[bytes] = ()
        self._replies: list[tuple[bytes, float]] = []
        self._deadline_s = self._due_s = 0.0
        self._timer: asyncio.TimerHandle | None = None
        self._fault: LinkError | None = None
        self._is_told = False

    @property
    def dirty(self) -> bool:
        """True once anything unexpected happened, or the link was closed."""
        return self._fault is not None

    # asyncio calls these -------------------------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport; be told as soon as the peer does not take what is written."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.set_write_buffer_limits(high=0)

    def data_received(self, data: bytes) -> None:
        """Collect one reply and send the next question; anything beyond a reply, or that nobody waits for, ends the link."""
        received = self._received
        received += data
        end = received.find(self._terminator)
        if len(self._replies) >= len(self._questions):
            self._fail(LinkGarbledError(f"{self._name}: bytes nobody asked for: {bytes(received[:40])!r}"))
        elif end < 0:
            if len(received) > REPLY_LENGTH_MAX:
                self._fail(LinkGarbledError(f"{self._name}: {len(received)} bytes and no end of the reply"))
        elif end + len(self._terminator) < len(received):
            self._fail(LinkGarbledError(f"{self._name}: more than one reply to one question: {bytes(received[:80])!r}"))
        else:
            self._replies.append((bytes(received[:end]).removesuffix(b"\r"), self._loop.time()))
            received.clear()
            self._go_on()

    def connection_lost(self, exc: Exception | None) -> None:
        """End whoever waits."""
        self._fail(LinkClosedError(f"{self._name}: the connection was closed" + (f": {exc}" if exc else "")))

    def resume_writing(self) -> None:
        """Let a waiting `write` go on: the peer has taken everything."""
        if not self._questions:
            self._settle()

    # our own -----------------------------------------------------------------------------------------------------------

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        return (await self._exchange((message,), deadline_s, urgent=urgent))[0][0]

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`."""
        return await self._exchange(messages, deadline_s, urgent=False)

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`."""
        await self._take_turn(deadline_s, urgent=urgent)
        try:
            transport = self._usable()
            transport.write(self._framed(message))
            if transport.get_write_buffer_size():
                self._questions, self._replies = (), []
                await self._wait(deadline_s)
        finally:
            self._turn.give()

    async def close(self) -> None:
        """See `Link.close`."""
        self._fail(LinkClosedError(f"{self._name}: the link is closed"))

    async def _exchange(
        self, messages: Sequence[bytes], deadline_s: float, *, urgent: bool
    ) -> list[tuple[bytes, float]]:
        await self._take_turn(deadline_s, urgent=urgent)
        try:
            self._usable()
            replies = self._replies = []
            self._questions = messages
            self._go_on()
            await self._wait(deadline_s)
        finally:
            self._questions, self._replies = (), []
            self._turn.give()
        return replies

    def _go_on(self) -> None:
        """Send the next question, or let the one who asked go on."""
        if len(self._replies) == len(self._questions):
            self._settle()
            return
        assert self._transport is not None
        self._due_s = self._loop.time() + self._deadline_s
        self._transport.write(self._framed(self._questions[len(self._replies)]))

    def _framed(self, message: bytes) -> bytes:
        return message + self._send_terminator

    def _shown(self, message: bytes) -> str:
        return message.decode("ascii", "replace")

    async def _wait(self, deadline_s: float) -> None:
        """Wait until all is answered, or taken; whatever else happens ends the link."""
        self._deadline_s = deadline_s
        self._due_s = self._loop.time() + deadline_s
        self._timer = self._loop.call_at(self._due_s, self._look_at_the_clock)
        waiter = self._waiter = self._loop.create_future()
        done = False
        try:
            self._usable()
            await waiter
            done = True
        finally:
            self._timer.cancel()
            self._waiter = None
            if not done:
                self._fail(LinkClosedError(f"{self._name}: closed after a question without answer"))

    def _look_at_the_clock(self) -> None:
        """One timer serves a whole list: each reply moves `_due_s`, and the timer follows when it fires."""
        if self._due_s > self._loop.time():
            self._timer = self._loop.call_at(self._due_s, self._look_at_the_clock)
            return
        question = self._questions[len(self._replies)] if self._questions else b"what is sent"
        self._fail(LinkTimeoutError(f"{self._name}: no reply to {self._shown(question)} within {self._deadline_s:g} s"))

    def _settle(self) -> None:
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)

    async def _take_turn(self, deadline_s: float, *, urgent: bool) -> None:
        if self._turn.take_now():
            return
        try:
            async with asyncio.timeout(deadline_s):
                await self._turn.take(urgent=urgent)
        except TimeoutError:
            raise LinkTimeoutError(f"{self._name}: an earlier question took {deadline_s:g} s") from None

    def _usable(self) -> asyncio.Transport:
        if self._fault is not None:
            # Told as what it was to the first who uses the link after it, afterwards as a closed link.
            kind = LinkClosedError if self._is_told else type(self._fault)
            self._is_told = True
            raise kind(str(self._fault))
        assert self._transport is not None
        return self._transport

    def _fail(self, fault: LinkError) -> None:
        if self._fault is not None:
            return
        self._fault = fault
        self._received.clear()
        if self._transport is not None:
            self._transport.abort()
        if self._waiter is not None and not self._waiter.done():
            self._is_told = True
            self._waiter.set_exception(type(fault)(str(fault)))


class _Ear(asyncio.Protocol):
    """Hears a connection for a listening link."""

    def __init__(self, link: ListeningLink) -> None:
        self._link = link

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Let the link write, and end the connection."""
        assert isinstance(transport, asyncio.Transport)
        self._link.send, self._link.stop = transport.write, transport.abort

    def data_received(self, data: bytes) -> None:
        """Pass on what came."""
        self._link.received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """End the link."""
        self._link.lost(LinkClosedError("the connection was closed" + (f": {exc}" if exc else "")))


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> Link:
    """Connect to `host:port`. `in_flight` is not needed: loopback hands bytes over at once.

    Raises:
        LinkClosedError: refused, unreachable, no such host.
        LinkTimeoutError: no connection within `deadline_s` seconds.
    """
    del in_flight
    if address.has("listen"):
        ear = ListeningLink(address.text, address.terminator, address.send_terminator)
        await connect(_Ear(ear), address, deadline_s)
        return ear
    link = TcpLink(address, asyncio.get_running_loop())
    await connect(link, address, deadline_s)
    return link


async def connect(protocol: asyncio.Protocol, address: Address, deadline_s: float) -> None:
    """Connect a protocol to `host:port`. Raises as `open_link`."""
    host, _, port = address.target.rpartition(":")
    try:
        async with asyncio.timeout(deadline_s):
            await asyncio.get_running_loop().create_connection(lambda: protocol, host.strip("[]"), int(port))
    except TimeoutError:
        raise LinkTimeoutError(f"{address.text}: no connection within {deadline_s:g} s") from None
    except OSError as fault:
        said = os.strerror(fault.errno) if fault.errno is not None and fault.errno > 0 else fault.strerror or fault
        raise LinkClosedError(f"{address.text}: cannot connect: {said}; is it on, and is this its address?") from None
