"""SCPI over a plain TCP socket (`tcp://host:port`, `TCPIP::host::port::SOCKET`): our own small link on asyncio.

Own, because the general instrument library hands a reply that came too late to the *next* question, spins on a closed
socket until its time-out, and blocks without limit on a peer that does not read.
"""

from __future__ import annotations

import asyncio

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import REPLY_LENGTH_MAX, Address, InFlight, Turn


class TcpLink(asyncio.Protocol):
    """One connection. See `Link`."""

    at_once = False

    def __init__(self, address: Address, loop: asyncio.AbstractEventLoop) -> None:
        self._name = address.text
        self._terminator = address.terminator
        self._loop = loop
        self._turn = Turn()
        self._transport: asyncio.Transport | None = None
        self._received = bytearray()
        self._waiter: asyncio.Future[bytes] | None = None
        self._drained: asyncio.Future[None] | None = None
        self._fault: LinkError | None = None

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
        """Collect one reply; anything beyond it, or that nobody waits for, ends the link."""
        received = self._received
        received += data
        end = received.find(self._terminator)
        waiter = self._waiter
        if waiter is None or waiter.done():
            self._fail(LinkGarbledError(f"{self._name}: bytes nobody asked for: {bytes(received[:40])!r}"))
        elif end < 0:
            if len(received) > REPLY_LENGTH_MAX:
                self._fail(LinkGarbledError(f"{self._name}: {len(received)} bytes and no end of the reply"))
        elif end + len(self._terminator) < len(received):
            self._fail(LinkGarbledError(f"{self._name}: more than one reply to one question: {bytes(received[:80])!r}"))
        else:
            reply = bytes(received[:end])
            received.clear()
            waiter.set_result(reply)

    def connection_lost(self, exc: Exception | None) -> None:
        """End whoever waits."""
        self._fail(LinkClosedError(f"{self._name}: the connection was closed" + (f": {exc}" if exc else "")))

    def resume_writing(self) -> None:
        """Let a waiting `write` go on."""
        if self._drained is not None and not self._drained.done():
            self._drained.set_result(None)

    # our own -----------------------------------------------------------------------------------------------------------

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        try:
            async with asyncio.timeout(deadline_s):
                await self._turn.take(urgent=urgent)
                try:
                    return await self._ask(message)
                finally:
                    self._turn.give()
        except TimeoutError as late:
            raise self._late(late, message, deadline_s) from None

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`."""
        try:
            async with asyncio.timeout(deadline_s):
                await self._turn.take(urgent=urgent)
                try:
                    await self._send(message)
                finally:
                    self._turn.give()
        except TimeoutError as late:
            raise self._late(late, message, deadline_s) from None

    async def close(self) -> None:
        """See `Link.close`."""
        self._fail(LinkClosedError(f"{self._name}: the link is closed"))

    async def _ask(self, message: bytes) -> bytes:
        transport = self._usable()
        waiter: asyncio.Future[bytes] = self._loop.create_future()
        self._waiter = waiter
        answered = False
        try:
            transport.write(message + self._terminator)
            reply = await waiter
            answered = True
        finally:
            self._waiter = None
            if not answered:
                self._fail(LinkClosedError(f"{self._name}: closed after a question without answer"))
        return reply.removesuffix(b"\r")

    async def _send(self, message: bytes) -> None:
        transport = self._usable()
        transport.write(message + self._terminator)
        if not transport.get_write_buffer_size():
            return
        self._drained = self._loop.create_future()
        sent = False
        try:
            await self._drained
            sent = True
        finally:
            self._drained = None
            if not sent:
                self._fail(LinkClosedError(f"{self._name}: closed because the instrument does not take what it is sent"))

    def _usable(self) -> asyncio.Transport:
        if self._fault is not None:
            raise type(self._fault)(str(self._fault))
        assert self._transport is not None
        return self._transport

    def _late(self, late: TimeoutError, message: bytes, deadline_s: float) -> LinkError:
        if isinstance(late, LinkError):
            return late
        return LinkTimeoutError(f"{self._name}: no reply to {message.decode('ascii', 'replace')} within {deadline_s:g} s")

    def _fail(self, fault: LinkError) -> None:
        if self._fault is not None:
            return
        self._fault = fault
        self._received.clear()
        if self._transport is not None:
            self._transport.abort()
        for waiter in (self._waiter, self._drained):
            if waiter is not None and not waiter.done():
                waiter.set_exception(type(fault)(str(fault)))


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> TcpLink:
    """Connect to `host:port`. `in_flight` is not needed: loopback hands bytes over at once.

    Raises:
        LinkClosedError: refused, unreachable, no such host.
        LinkTimeoutError: no connection within `deadline_s` seconds.
    """
    del in_flight
    host, _, port = address.target.rpartition(":")
    loop = asyncio.get_running_loop()
    link = TcpLink(address, loop)
    try:
        async with asyncio.timeout(deadline_s):
            await loop.create_connection(lambda: link, host.strip("[]"), int(port))
    except TimeoutError:
        raise LinkTimeoutError(f"{address.text}: no connection within {deadline_s:g} s") from None
    except OSError as fault:
        raise LinkClosedError(f"{address.text}: cannot connect: {fault.strerror or fault}") from None
    return link
