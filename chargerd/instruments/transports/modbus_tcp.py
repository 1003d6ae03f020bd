"""Modbus on TCP (`modbus-tcp://host:502?unit=1`), own asyncio link: every request has a number, which its reply must carry.

A message is the PDU of a request, the reply the PDU that fits it. Behind a gateway several units share one address; each has a
connection of its own here, so that none waits for another.
"""

from __future__ import annotations

import asyncio

from chargerd.errors import LinkGarbledError
from chargerd.instruments.framing import modbus_frame
from chargerd.instruments.transports.link import Address, InFlight
from chargerd.instruments.transports.tcp import TcpLink, connect


class ModbusTcpLink(TcpLink):
    """One connection to one unit. See `Link`."""

    def __init__(self, address: Address, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__(address, loop)
        self._unit = int(address.options["unit"])
        self._transaction = 0

    def data_received(self, data: bytes) -> None:
        """Collect one reply and send the next request; anything that does not fit ends the link."""
        self._received += data
        try:
            reply = self._whole_reply(bytes(self._received))
        except LinkGarbledError as fault:
            self._fail(LinkGarbledError(f"{self._name}: {fault}"))
            return
        if reply is not None:
            self._replies.append((reply, self._loop.time()))
            self._received.clear()
            self._go_on()

    def _whole_reply(self, received: bytes) -> bytes | None:
        """Return the PDU that came, or None while it is still coming. Raises LinkGarbledError."""
        if len(self._replies) >= len(self._questions):
            raise LinkGarbledError(f"bytes nobody asked for: {received[:40].hex(' ')}")
        if len(received) < modbus_frame.TCP_HEADER:
            return None
        length = modbus_frame.tcp_length(received)
        if len(received) > length:
            raise LinkGarbledError(f"more than one reply: {received[:40].hex(' ')}")
        if len(received) < length:
            return None
        return modbus_frame.tcp_reply(received, self._transaction, self._unit, self._questions[len(self._replies)])

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """Refuse: the one Modbus message without a reply is a broadcast, which is never sent."""
        del deadline_s, urgent
        fault = LinkGarbledError(f"{self._name}: {message.hex(' ')} has a reply, which must be read")
        self._fail(fault)
        raise fault

    def _framed(self, message: bytes) -> bytes:
        self._transaction = (self._transaction + 1) % 0x10000
        return modbus_frame.tcp_frame(self._transaction, self._unit, message)

    def _shown(self, message: bytes) -> str:
        return message.hex(" ")


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> ModbusTcpLink:
    """Connect. Raises as a TCP link does."""
    del in_flight
    link = ModbusTcpLink(address, asyncio.get_running_loop())
    await connect(link, address, deadline_s)
    return link
