"""Frames of bytes to a peer in this process (`bytes-memory://name`), for rehearsals and campaigns. See `serial_bytes`."""

from __future__ import annotations

import asyncio

from chargerd.errors import LinkClosedError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import Address, InFlight
from chargerd.instruments.transports.memory import MemoryLink, Peer, peer_at


class BytesMemoryLink(MemoryLink):
    """Questions and replies that are frames. See `Link`. What comes after a reply is found by the next question."""

    def __init__(self, address: Address, peer: Peer, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__(address, peer, loop)
        self._send_terminator = b""

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """Send a frame that has no reply."""
        if message[:1] != b"\0":
            raise self._fail(LinkGarbledError(f"{self._name}: {message[1:].hex(' ').upper()} has a reply, which must be read"))
        await super().write(message[1:], deadline_s=deadline_s, urgent=urgent)

    async def _ask(self, message: bytes, deadline_s: float) -> bytes:
        if not message:
            raise self._fail(LinkGarbledError(f"{self._name}: a message without its first byte, the length of the reply"))
        length, received, until_s = message[0], b"", self._hand_over(message[1:]) + deadline_s
        while len(received) < length:
            self._coming.sort(key=lambda piece: piece[0])
            due_s = self._coming[0][0] if self._coming else until_s
            await self._until(min(due_s, until_s))
            if due_s >= until_s:
                asked = message[1:].hex(" ").upper()
                came = f"{len(received)} of {length} bytes in reply to {asked}"
                raise self._fail(LinkTimeoutError(f"{self._name}: {came} within {deadline_s:g} s"))
            received += self._coming.pop(0)[1]
        if len(received) > length:
            self._coming.append((self._loop.time(), received[length:]))
        return received[:length]

    async def _until(self, at_s: float) -> None:
        """Wait; whoever gives up meanwhile leaves a reply on its way, so that the link cannot be used any more."""
        try:
            if at_s > self._loop.time():
                await asyncio.sleep(at_s - self._loop.time())
        except asyncio.CancelledError:
            self._fail(LinkClosedError(f"{self._name}: closed after a question without answer"))
            raise


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> BytesMemoryLink:
    """Connect to the peer of that name. Raises LinkClosedError when there is none, or it refuses the connection."""
    del deadline_s, in_flight
    return BytesMemoryLink(address, peer_at(address), asyncio.get_running_loop())
