"""Frames of bytes on serial ports (`serial-bytes:///dev/ttyUSB1?baud=9600`): relay boards and the like.

A message begins with one byte that says how many bytes of reply will come (0: none); the rest is the frame. Frames have no
end that could be looked for, so a reply is exactly that many bytes, and before the first question the line must be silent.
"""

from __future__ import annotations

from chargerd.errors import LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import Address, InFlight
from chargerd.instruments.transports.serial_bus import Bus, BusLink, join_bus

QUIET_S = 0.03
"""Silence after which nothing is on its way any more: longer than the pause within a frame at 1200 baud (8 ms a byte)."""

CHATTER_LENGTH_MAX = 4096


class BytesLink(BusLink):
    """Questions and replies that are frames. See `Link`."""

    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Send a frame and return the reply, without any byte count."""
        if not message:
            raise LinkGarbledError(f"{self.name}: a message without its first byte, the length of the reply")
        port = self.quiet_port(deadline_s)
        length = message[0]
        port.write(message[1:])
        reply: bytes = port.read(length) if length else b""
        if len(reply) < length:
            asked = message[1:].hex(" ").upper()
            raise LinkTimeoutError(f"{self.name}: {len(reply)} of {length} bytes in reply to {asked} within {port.timeout:g} s")
        return reply

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send a frame that has no reply."""
        if message[:1] != b"\0":
            raise LinkGarbledError(f"{self.name}: {message[1:].hex(' ').upper()} has a reply, which must be read")
        self.quiet_port(deadline_s).write(message[1:])

    def settle(self) -> None:
        """Read what an earlier user still had coming, until nothing comes. Raises LinkGarbledError when that never ends."""
        port = self.bus.port
        port.timeout = QUIET_S
        length = 0
        while piece := port.read(64):
            length += len(piece)
            if length > CHATTER_LENGTH_MAX:
                raise LinkGarbledError(f"{self.name}: it talks without being asked")


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> BytesLink:
    """Open the port, or join those who use it already, and wait for silence. Raises as a serial line does."""
    bus: Bus = await join_bus(address, deadline_s=deadline_s, in_flight=in_flight)
    link = BytesLink(address, bus)
    if bus.users == 1:
        await link.work(link.settle, deadline_s)
    return link
