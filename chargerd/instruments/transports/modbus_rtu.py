"""Modbus on a serial line (`modbus-rtu:///dev/ttyUSB0?baud=9600&parity=none&unit=1`): one bus, all its units behind one worker.

A message is the PDU of a request, the reply the PDU that fits it. There is no number that would tie a reply to its request, so
a reply that came late looks like any other: whatever does not fit in unit, function, byte count and check value, comes twice
or in part closes the port for *all* units of the bus. A bus is believed again after silence and after each unit's identity.
The identity itself waits when a late reply to what was asked before could pass for it: same unit, function and byte count. What
writes waits for nothing: its reply repeats what was written, and every write is read back.
An adapter that hears itself (echo) is found by its first question. Options as of any serial line, but for `bits`; `unit` is
set at the instrument. 8E1 is the standard's default, 8N1 what cheap instruments speak and what is assumed here.
"""

from __future__ import annotations

import time

from chargerd.errors import LinkGarbledError, LinkTimeoutError
from chargerd.instruments.framing import modbus_frame
from chargerd.instruments.transports.link import Address, InFlight
from chargerd.instruments.transports.serial_bus import Bus, join_bus
from chargerd.instruments.transports.serial_bytes import BytesLink
from chargerd.instruments.transports.worker import BLOCKING_MAX_S

SILENT_CHARACTERS = 3.5
CHARACTER_BITS = 11
SILENCE_FIXED_S = 0.00175
FIXED_ABOVE_BAUD = 19200
"""Frames are kept apart by 3.5 characters of 11 bits, above 19200 baud by 1.750 ms (Serial Line V1.02 §2.5.1.1)."""


def silence_s(baud: int) -> float:
    """Return how long a line must be silent between two frames."""
    return SILENCE_FIXED_S if baud > FIXED_ABOVE_BAUD else SILENT_CHARACTERS * CHARACTER_BITS / baud


class RtuLink(BytesLink):
    """One unit on a bus. See `Link`."""

    def __init__(self, address: Address, bus: Bus) -> None:
        super().__init__(address, bus)
        self.who = self._unit = int(address.options["unit"])
        self._silence_s = silence_s(bus.settings.baud)

    def passes(self, late: bytes, asked: bytes) -> bool:
        """Tell whether a good reply to one request would be taken for a reply to the other."""
        return modbus_frame.passes_for(late, asked)

    def is_sure(self, reply: bytes) -> bool:
        """Tell whether only this request can have got that reply: an exception says nothing but the function."""
        return not modbus_frame.is_exception(reply)

    def is_command(self, message: bytes) -> bool:
        """Tell whether this request writes: no reply to a reading passes for its own."""
        return not modbus_frame.is_read(message)

    def ask(self, message: bytes, deadline_s: float) -> bytes:
        """Send a request and return the reply that fits it."""
        try:
            return self._ask(message, time.monotonic() + deadline_s, deadline_s)
        finally:
            self.bus.heard_s = time.monotonic()

    def send(self, message: bytes, deadline_s: float) -> None:
        """Refuse: the one Modbus message without a reply is a broadcast, which is never sent."""
        del deadline_s
        raise LinkGarbledError(f"{self.name}: {message.hex(' ')} has a reply, which must be read")

    def _ask(self, message: bytes, until_s: float, deadline_s: float) -> bytes:
        time.sleep(max(0.0, self.bus.heard_s + self._silence_s - time.monotonic()))
        port = self.quiet_port(deadline_s)
        port.write(modbus_frame.rtu_frame(self._unit, message))
        frame: bytes = port.read(modbus_frame.SHORTEST_REPLY)
        if not frame:
            raise LinkTimeoutError(f"{self.name}: no reply to {message.hex(' ')} within {port.timeout:g} s")
        if len(frame) == modbus_frame.SHORTEST_REPLY and frame[0] == self._unit:
            port.timeout = max(0.001, min(BLOCKING_MAX_S, until_s - time.monotonic()))
            frame += port.read(modbus_frame.rtu_reply_length(message, frame) - len(frame))
        if port.in_waiting:
            raise LinkGarbledError(f"{self.name}: more than a reply to {message.hex(' ')}: {frame.hex(' ')} and more")
        try:
            return modbus_frame.rtu_reply(frame, self._unit, message)
        except LinkGarbledError as fault:
            raise LinkGarbledError(f"{self.name}: {message.hex(' ')} was answered by {fault}") from None


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> RtuLink:
    """Open the port and wait for silence, or join the other units of the bus. Raises as a serial line does."""
    bus = await join_bus(address, deadline_s=deadline_s, in_flight=in_flight)
    link = RtuLink(address, bus)
    if bus.users == 1:
        await link.work(link.settle, deadline_s)
    return link
