"""Lines of text on serial ports (`serial:///dev/ttyUSB0?baud=9600&eol=lf`) through pyserial.

Options: `baud` `parity` `bits` `stop` `flow`, the line end `eol` of replies (and of messages, unless `send_eol` says
otherwise), `echo=yes` for a device that repeats each message before it answers, `listen=yes` for one that prints unasked.
An echo ends as replies do.
"""

from __future__ import annotations

import asyncio
import contextlib
import os

from chargerd.errors import LinkClosedError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import REPLY_LENGTH_MAX, Address, InFlight, Link
from chargerd.instruments.transports.listening import ListeningLink
from chargerd.instruments.transports.serial_bus import Bus, BusLink, join_bus
from chargerd.instruments.transports.serial_port import port_trouble

SHOWN_MAX = 40
"""Bytes of a wrong reply that are shown."""


class SerialLink(BusLink):
    """Questions and replies that are lines."""

    def __init__(self, address: Address, bus: Bus) -> None:
        super().__init__(address, bus)
        self._address = address
        self._terminator = address.terminator
        self._send_terminator = address.send_terminator
        self._has_echo = address.has("echo")

    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Ask and return the reply."""
        self.send(message, deadline_s)
        reply = self._line(message)
        if waiting := self.bus.port.in_waiting:
            more, asked = self.bus.port.read(min(waiting, SHOWN_MAX)), message.decode("ascii", "replace")
            raise LinkGarbledError(f"{self.name}: more than one reply to {asked}: {reply[:40]!r}, {more!r}{self.other_end(more)}")
        return reply

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send a line; where the device repeats it, read that and compare."""
        self.quiet_port(deadline_s).write(message + self._send_terminator)
        if self._has_echo:
            echo = self._line(message)
            if echo != message:
                raise LinkGarbledError(f"{self.name}: {message!r} was sent, but the device repeated {echo[:40]!r}")

    def _line(self, message: bytes) -> bytes:
        port = self.bus.port
        reply: bytes = port.read_until(self._terminator, REPLY_LENGTH_MAX)
        if reply.endswith(self._terminator):
            return reply.removesuffix(self._terminator).removesuffix(b"\r")
        if len(reply) >= REPLY_LENGTH_MAX:
            raise LinkGarbledError(f"{self.name}: {len(reply)} bytes and no end of the reply")
        began = f", only {reply[:SHOWN_MAX]!r}{self._address.other_end(reply)}" if reply else ""
        raise LinkTimeoutError(f"{self.name}: no reply to {message.decode('ascii', 'replace')} within {port.timeout:g} s{began}")

    def other_end(self, more: bytes) -> str:
        """See `Address.other_end`: of a sign alone behind the end that was waited for."""
        return self._address.other_end(more) if more in (b"\n", b"\r") else ""


class _Ear:
    """Reads a port in the loop's thread for a listening link."""

    def __init__(self, bus: Bus, link: ListeningLink, in_flight: InFlight | None) -> None:
        self._bus = bus
        self._link = link
        self._in_flight = in_flight
        self._loop = asyncio.get_running_loop()
        self._descriptor = bus.port.fileno()
        link.send, link.stop = self._send, self._stop
        if in_flight is not None:
            # Here the peer's bytes are read one by one as they come, so its count of them is the right one.
            in_flight.add(1, bus.device)
            in_flight.done(1, bus.device)
        self._loop.add_reader(self._descriptor, self._readable)

    def _readable(self) -> None:
        try:
            data = os.read(self._descriptor, 4096)
        except BlockingIOError:
            return
        except OSError as fault:
            self._link.lost(LinkClosedError(port_trouble(self._bus.path, fault)))
            return
        if not data:
            self._link.lost(LinkClosedError(f"{self._bus.path}: the port went away; plug it in again"))
            return
        if self._in_flight is not None:
            self._in_flight.done(len(data), self._bus.device)
        self._link.received(data)

    def _send(self, data: bytes) -> None:
        if os.write(self._descriptor, data) != len(data):
            raise OSError("the port does not take what is written")

    def _stop(self) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed already
            self._loop.remove_reader(self._descriptor)
        if self._in_flight is not None:
            self._in_flight.forget(self._bus.device)
        self._bus.fail()


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> Link:
    """Open the port, or join those who use it already. A device that is listened to shares its port with nobody.

    Raises:
        LinkClosedError: no such port, or another program holds it. LinkTimeoutError.
        LinkGarbledError: others use this port with other settings, or listen to it.
    """
    bus = await join_bus(address, deadline_s=deadline_s, in_flight=in_flight)
    if not address.has("listen"):
        return SerialLink(address, bus)
    if bus.users:
        raise LinkGarbledError(f"{address.text}: this port is in use already; a device that prints needs it for itself")
    bus.users, bus.is_listened_to = 1, True
    link = ListeningLink(address.text, address.terminator, address.send_terminator)
    _Ear(bus, link, in_flight)
    return link
