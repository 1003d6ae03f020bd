"""A link to a peer in this process (`memory://name`): the same bytes as on a socket, without the socket.

For rehearsals and long test campaigns. A peer is a callable: it is given the bytes written to it and the loop's time in
seconds, and returns what it answers as (delay in seconds, bytes); it raises ConnectionError to drop the connection.
A reply without delay costs no turn of the event loop. To hear what it says unasked, before each message and with `listen=yes`,
it is given no bytes; what it said earlier has a delay of zero or less.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import REPLY_LENGTH_MAX, Address, InFlight, Link, Turn
from chargerd.instruments.transports.listening import ListeningLink

Peer = Callable[[bytes, float], list[tuple[float, bytes]]]

PEERS: dict[str, Peer] = {}
"""Peers by name. Whoever builds a simulated bench puts them here and takes them away again."""


class MemoryLink:
    """One connection to a peer. See `Link`."""

    def __init__(self, address: Address, peer: Peer, loop: asyncio.AbstractEventLoop) -> None:
        self._name = address.text
        self._terminator = address.terminator
        self._send_terminator = address.send_terminator
        self._peer = peer
        self._loop = loop
        self._turn = Turn()
        self._coming: list[tuple[float, bytes]] = []
        self._fault: LinkError | None = None

    @property
    def dirty(self) -> bool:
        """True once anything unexpected happened, or the link was closed."""
        return self._fault is not None

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        await self._turn.take(urgent=urgent)
        try:
            return await self._ask(message, deadline_s)
        finally:
            self._turn.give()

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`."""
        await self._turn.take(urgent=False)
        try:
            return [(await self._ask(message, deadline_s), self._loop.time()) for message in messages]
        finally:
            self._turn.give()

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`. Handing over takes no time, so `deadline_s` cannot pass."""
        del deadline_s
        await self._turn.take(urgent=urgent)
        try:
            self._hand_over(message)
        finally:
            self._turn.give()

    async def close(self) -> None:
        """See `Link.close`."""
        self._fail(LinkClosedError(f"{self._name}: the link is closed"))

    async def _ask(self, message: bytes, deadline_s: float) -> bytes:
        now_s = self._hand_over(message)
        coming = self._coming
        if len(coming) == 1 and coming[0][0] <= now_s:
            reply = coming.pop()[1]
            end = reply.find(self._terminator)
            if end >= 0 and end + len(self._terminator) == len(reply):
                return reply[:end].removesuffix(b"\r")
            coming.append((now_s, reply))
        return await self._wait_reply(message, now_s + deadline_s, deadline_s)

    def _hand_over(self, message: bytes) -> float:
        if self._fault is not None:
            raise type(self._fault)(str(self._fault))
        now_s = self._loop.time()
        self._give(b"", now_s)  # as a port is looked into before anything is written to it
        for arrival_s, data in self._coming:
            if arrival_s <= now_s:
                raise self._fail(LinkGarbledError(f"{self._name}: bytes nobody asked for: {data[:40]!r}"))
        self._give(message + self._send_terminator, now_s)
        return now_s

    def _give(self, data: bytes, now_s: float) -> None:
        try:
            replies = self._peer(data, now_s)
        except ConnectionError:
            raise self._fail(LinkClosedError(f"{self._name}: the connection was closed")) from None
        for delay_s, piece in replies:
            self._coming.append((now_s + delay_s, piece))

    async def _wait_reply(self, message: bytes, until_s: float, deadline_s: float) -> bytes:
        received = b""
        answered = False
        try:
            while True:
                self._coming.sort(key=lambda piece: piece[0])
                due_s = self._coming[0][0] if self._coming else until_s
                if due_s >= until_s:
                    await asyncio.sleep(until_s - self._loop.time())
                    text = message.decode("ascii", "replace")
                    raise LinkTimeoutError(f"{self._name}: no reply to {text} within {deadline_s:g} s")
                if due_s > self._loop.time():
                    await asyncio.sleep(due_s - self._loop.time())
                received += self._coming.pop(0)[1]
                end = received.find(self._terminator)
                if end < 0 and len(received) > REPLY_LENGTH_MAX:
                    raise LinkGarbledError(f"{self._name}: {len(received)} bytes and no end of the reply")
                if end >= 0:
                    break
            if end + len(self._terminator) < len(received):
                raise LinkGarbledError(f"{self._name}: more than one reply to one question: {received[:80]!r}")
            answered = True
            return received[:end].removesuffix(b"\r")
        finally:
            if not answered:
                self._fail(LinkClosedError(f"{self._name}: closed after a question without answer"))

    def _fail(self, fault: LinkError) -> LinkError:
        if self._fault is None:
            self._fault = fault
            self._coming.clear()
        return fault


class _Ear:
    """Hears a peer for a listening link; what is still on its way waits here."""

    def __init__(self, peer: Peer, link: ListeningLink) -> None:
        self._peer = peer
        self._link = link
        self._coming: list[tuple[float, bytes]] = []
        self._loop = asyncio.get_running_loop()
        link.look, link.send = self._look, self._give
        self._look()

    def _look(self) -> None:
        self._give(b"")

    def _give(self, data: bytes) -> None:
        now_s = self._loop.time()
        try:
            self._coming += [(now_s + delay_s, piece) for delay_s, piece in self._peer(data, now_s)]
        except ConnectionError as fault:
            self._link.lost(LinkClosedError(f"the connection was closed: {fault}"))
            return
        self._coming.sort(key=lambda piece: piece[0])
        while self._coming and self._coming[0][0] <= now_s:
            at_s, piece = self._coming.pop(0)
            self._link.received(piece, at_s)


def peer_at(address: Address) -> Peer:
    """Return the peer of that name. Raises LinkClosedError when there is none."""
    peer = PEERS.get(address.target)
    if peer is None:
        raise LinkClosedError(f"{address.text}: cannot connect: nobody of that name in this process")
    return peer


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> Link:
    """Connect to the peer of that name. Raises LinkClosedError when there is none, or it refuses the connection."""
    del deadline_s, in_flight
    peer = peer_at(address)
    if address.has("listen"):
        link = ListeningLink(address.text, address.terminator, address.send_terminator)
        _Ear(peer, link)
        return link
    return MemoryLink(address, peer, asyncio.get_running_loop())
