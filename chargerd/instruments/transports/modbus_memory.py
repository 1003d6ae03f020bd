"""Modbus frames of a serial line to a peer in this process (`modbus-memory://name?unit=1`), for rehearsals and campaigns."""

from __future__ import annotations

import asyncio

from chargerd.errors import LinkClosedError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.framing import modbus_frame
from chargerd.instruments.transports.link import Address, InFlight
from chargerd.instruments.transports.memory import MemoryLink, Peer, peer_at


class ModbusMemoryLink(MemoryLink):
    """One unit. See `Link`. What comes after a reply is found by the next question."""

    def __init__(self, address: Address, peer: Peer, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__(address, peer, loop)
        self._send_terminator = b""
        self._unit = int(address.options["unit"])

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """Refuse: the one Modbus message without a reply is a broadcast, which is never sent."""
        del deadline_s, urgent
        raise self._fail(LinkGarbledError(f"{self._name}: {message.hex(' ')} has a reply, which must be read"))

    async def _ask(self, message: bytes, deadline_s: float) -> bytes:
        now_s = self._hand_over(modbus_frame.rtu_frame(self._unit, message))
        received = b""
        answered = False
        try:
            while not self._is_whole(received, message):
                piece = await self._next_piece(now_s + deadline_s)
                if not piece and not received:
                    raise LinkTimeoutError(f"{self._name}: no reply to {message.hex(' ')} within {deadline_s:g} s")
                if not piece:
                    break
                received += piece
            reply = modbus_frame.rtu_reply(received, self._unit, message)
            answered = True
        except LinkGarbledError as fault:
            raise LinkGarbledError(f"{self._name}: {message.hex(' ')} was answered by {fault}") from None
        else:
            return reply
        finally:
            if not answered:
                self._fail(LinkClosedError(f"{self._name}: closed after a question without answer"))

    def _is_whole(self, received: bytes, message: bytes) -> bool:
        """Tell whether nothing more need come: a whole frame, or one of another unit."""
        if len(received) < modbus_frame.SHORTEST_REPLY:
            return False
        return received[0] != self._unit or len(received) >= modbus_frame.rtu_reply_length(message, received)

    async def _next_piece(self, until_s: float) -> bytes:
        """Return what comes next, or nothing once it is `until_s`."""
        self._coming.sort(key=lambda piece: piece[0])
        due_s = self._coming[0][0] if self._coming else until_s
        if due_s >= until_s:
            await asyncio.sleep(until_s - self._loop.time())
            return b""
        if due_s > self._loop.time():
            await asyncio.sleep(due_s - self._loop.time())
        return self._coming.pop(0)[1]


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> ModbusMemoryLink:
    """Connect to the peer of that name. Raises LinkClosedError when there is none, or it refuses the connection."""
    del deadline_s, in_flight
    return ModbusMemoryLink(address, peer_at(address), asyncio.get_running_loop())
