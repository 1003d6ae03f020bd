"""Serial lines (`serial:///dev/ttyUSB0?baud=9600&eol=lf`) through pyserial: one worker thread per port, shared by its users.

Replies that were on their way when a port was closed arrive when it is opened again, so every opening empties the input,
and the identity question that follows finds out what is still missing.
"""

from __future__ import annotations

import termios
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

import serial

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import REPLY_LENGTH_MAX, Address, InFlight, query_each
from chargerd.instruments.transports.worker import BLOCKING_MAX_S, Worker

T = TypeVar("T")


class _Bus:
    """One open port, its worker, and how many links use it."""

    def __init__(self, address: Address, in_flight: InFlight | None) -> None:
        self.users = 0
        self.is_failed = False
        self.path = address.target
        self.baud = int(address.options.get("baud", "9600"))
        self.port: serial.Serial | None = None
        self.is_closed = threading.Event()
        self._before = _LAST.get(self.path)
        if in_flight is not None:
            # Every call of ours is counted from its beginning to its end; a peer's own count of its bytes would never be read.
            in_flight.forget(str(Path(self.path).resolve()))
        self.worker = Worker(address.text, (OSError, ValueError, TypeError, termios.error), self._explain, self.close, in_flight)

    def _explain(self, fault: Exception) -> LinkError:
        return LinkClosedError(f"serial {self.path}: {fault}")

    def open(self) -> None:
        """Open the port for us alone, once those before have let it go, and empty it. Runs in the worker."""
        if self._before is not None:
            self._before.is_closed.wait(BLOCKING_MAX_S)
            self._before = None
        self.port = serial.Serial(
            self.path, self.baud, timeout=BLOCKING_MAX_S, write_timeout=BLOCKING_MAX_S, exclusive=True
        )
        self.port.reset_input_buffer()

    def fail(self) -> None:
        """Close the port for all its users: what comes now cannot be told apart any more."""
        if not self.is_failed:
            self.is_failed = True
            _BUSES.pop(self.path, None)
            self.worker.give_up()

    def close(self) -> None:
        """Close the port. Runs in the worker."""
        try:
            if self.port is not None:
                self.port.close()
        finally:
            self.is_closed.set()


_BUSES: dict[str, _Bus] = {}
"""Open ports by path."""

_LAST: dict[str, _Bus] = {}
"""The last bus on each path, open or closing: a port is let go by its worker thread, a moment after its link was closed."""


class SerialLink:
    """One instrument on a port. See `Link`."""

    def __init__(self, address: Address, bus: _Bus) -> None:
        self._name = address.text
        self._terminator = address.terminator
        self._bus = bus
        self._is_closed = False
        bus.users += 1

    @property
    def dirty(self) -> bool:
        """True once anything unexpected happened, or the link was closed."""
        return self._is_closed or self._bus.is_failed

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        return await self._call(lambda: self._exchange(message, deadline_s), deadline_s, urgent=urgent)

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`."""
        return await query_each(self, messages, deadline_s)

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`."""
        await self._call(lambda: self._send(message), deadline_s, urgent=urgent)

    async def close(self) -> None:
        """See `Link.close`. The port closes with its last user."""
        if not self._is_closed:
            self._is_closed = True
            self._bus.users -= 1
            if self._bus.users <= 0:
                self._bus.fail()

    async def _call(self, work: Callable[[], T], deadline_s: float, *, urgent: bool) -> T:
        if self.dirty:
            raise LinkClosedError(f"{self._name}: the link is closed")
        done = False
        try:
            result = await self._bus.worker.call(work, deadline_s=deadline_s, urgent=urgent)
            done = True
            return result
        finally:
            if not done:
                self._bus.fail()

    def _exchange(self, message: bytes, deadline_s: float) -> bytes:
        port = self._port()
        waiting = port.in_waiting
        if waiting:
            raise LinkGarbledError(f"{self._name}: bytes nobody asked for: {port.read(min(waiting, 40))!r}")
        port.timeout = min(deadline_s, BLOCKING_MAX_S)
        port.write(message + self._terminator)
        reply: bytes = port.read_until(self._terminator, REPLY_LENGTH_MAX)
        if reply.endswith(self._terminator):
            return reply.removesuffix(self._terminator).removesuffix(b"\r")
        if len(reply) >= REPLY_LENGTH_MAX:
            raise LinkGarbledError(f"{self._name}: {len(reply)} bytes and no end of the reply")
        raise LinkTimeoutError(f"{self._name}: no reply to {message.decode('ascii', 'replace')} within {port.timeout:g} s")

    def _send(self, message: bytes) -> None:
        self._port().write(message + self._terminator)

    def _port(self) -> serial.Serial:
        assert self._bus.port is not None
        return self._bus.port


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> SerialLink:
    """Open the port, or join those who use it already.

    Raises:
        LinkClosedError: no such port, or another program holds it. LinkTimeoutError.
        LinkGarbledError: others use this port at another speed.
    """
    bus = _BUSES.get(address.target)
    if bus is not None:
        if bus.baud != int(address.options.get("baud", "9600")):
            raise LinkGarbledError(f"{address.text}: this port is already open at {bus.baud} baud")
        return SerialLink(address, bus)
    bus = _Bus(address, in_flight)
    _BUSES[address.target] = _LAST[address.target] = bus
    link = SerialLink(address, bus)
    opened = False
    try:
        await bus.worker.call(bus.open, deadline_s=deadline_s)
        opened = True
    finally:
        if not opened:
            bus.fail()
    return link
