"""Frames of bytes on serial ports (`serial-bytes:///dev/ttyUSB1?baud=9600`): relay boards and the like.

A message begins with one byte that says how many bytes of reply will come (0: none); the rest is the frame. Frames have no
end that could be looked for, so a reply is exactly that many bytes, and before the first question the line must be silent.
After a failure, what has a reply of the same length waits until no late one can be on its way (`Unanswered`).
"""

from __future__ import annotations

import time

from chargerd.errors import LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import Address, InFlight
from chargerd.instruments.transports.serial_bus import Bus, BusLink, join_bus
from chargerd.instruments.transports.worker import BLOCKING_MAX_S

QUIET_S = 0.03
"""Silence after which nothing is on its way any more: longer than the pause within a frame at 1200 baud (8 ms a byte)."""

CHATTER_LENGTH_MAX = 4096


class BytesLink(BusLink):
    """Questions and replies that are frames. See `Link`."""

    who = 0
    """Which of the devices on this line, where there are several."""

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`. Where its reply could be a late one to another question, up to a reply time-out is waited first."""
        # In short pieces, each a call of its own: switching off another unit of the bus goes in between.
        while self.bus.unanswered and not await self.work(lambda: self._is_told_apart(message), deadline_s, urgent=urgent):
            pass
        return await self.work(
            lambda: self.exchange(message, deadline_s), deadline_s, urgent=urgent, after_fault=self.is_command(message)
        )

    def passes(self, late: bytes, asked: bytes) -> bool:
        """Tell whether a reply to one message would be taken for a reply to the other: here, when it is as long."""
        return late[:1] == asked[:1] != b"\0"

    def is_sure(self, reply: bytes) -> bool:
        """Tell whether a good reply proves that this message was answered, and not an earlier one."""
        del reply
        return True

    def is_command(self, message: bytes) -> bool:
        """Tell whether this message must go out even right behind one that failed."""
        return message[:1] == b"\0"

    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Send a message and return its reply; keep the book of what was not answered."""
        book, late_s = self.bus.unanswered, min(deadline_s, BLOCKING_MAX_S)
        note = book.failed
        try:
            reply = self.ask(message, deadline_s)
            if not book or self.is_sure(reply):
                note = book.answered
            return reply
        finally:
            note(self.who, message, time.monotonic() + late_s)

    def _is_told_apart(self, message: bytes) -> bool:
        """Listen for a moment to what may come late, and forget it; True once `message` may be sent."""
        left_s = self.bus.unanswered.left_s(self.who, message, self.passes, time.monotonic())
        if left_s > 0.0:
            self.bus.port.timeout = min(left_s, QUIET_S)
            if self.bus.port.read(CHATTER_LENGTH_MAX):
                self.bus.heard_s = time.monotonic()
        return left_s <= 0.0

    def ask(self, message: bytes, deadline_s: float) -> bytes:
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
        if port.in_waiting:
            raise LinkGarbledError(f"{self.name}: more than {length} bytes in reply to {message[1:].hex(' ').upper()}")
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
