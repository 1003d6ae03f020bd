"""A serial port shared by its users: one open port, one worker thread, one question in flight on the whole wire.

Replies that were on their way when a port was closed arrive when it is opened again, so every opening empties the input,
and the identity question that follows finds out what is still missing. Which device a path leads to is looked up at each
opening: after a re-enumeration it may be another one, and only the identity tells.
"""

from __future__ import annotations

import termios
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import TypeVar

import serial

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError
from chargerd.instruments.transports.link import Address, InFlight, query_each
from chargerd.instruments.transports.serial_port import Settings, close_port, device_of, open_port, port_trouble
from chargerd.instruments.transports.unanswered import Unanswered
from chargerd.instruments.transports.worker import BLOCKING_MAX_S, Worker

T = TypeVar("T")

PORT_FAULTS = (OSError, ValueError, TypeError, termios.error)
"""What leaves a call of pyserial."""


class Bus:
    """One open port, its worker, and how many links use it."""

    def __init__(self, address: Address, in_flight: InFlight | None) -> None:
        self.users = 0
        self.is_failed = False
        self.is_listened_to = False
        self.heard_s = 0.0
        """When something last was on the line, on the monotonic clock, for protocols that keep frames apart by silence."""
        self.path = address.target
        self.device = device_of(address.target)
        self.settings = Settings.of(address.options)
        self.is_closed = threading.Event()
        self._port: serial.Serial | None = None
        self._before: Bus | None = _LAST.get(self.device)
        self.unanswered: Unanswered = Unanswered() if self._before is None else self._before.unanswered
        if in_flight is not None:
            # Every call of ours is counted from its beginning to its end; a peer's own count of its bytes would never be read.
            in_flight.forget(self.device)
        self.worker = Worker(address.text, PORT_FAULTS, self._explain, self.close, in_flight)

    @property
    def port(self) -> serial.Serial:
        """The open port."""
        assert self._port is not None
        return self._port

    def _explain(self, fault: Exception) -> LinkError:
        return LinkClosedError(port_trouble(self.path, fault))

    def open(self) -> None:
        """Open the port for us alone, once those before have let it go, and empty it. Runs in the worker."""
        if self._before is not None:
            self._before.is_closed.wait(BLOCKING_MAX_S)
            self._before = None
        self._port = open_port(self.device, self.settings, BLOCKING_MAX_S)

    def fail(self) -> None:
        """Close the port for all its users: what comes now cannot be told apart any more."""
        if not self.is_failed:
            self.is_failed = True
            if _BUSES.get(self.device) is self:
                del _BUSES[self.device]
            self.worker.give_up()

    def close(self) -> None:
        """Close the port. Runs in the worker."""
        try:
            if self._port is not None:
                close_port(self._port)
        finally:
            self.is_closed.set()


_BUSES: dict[str, Bus] = {}
"""Open ports by device."""

_LAST: dict[str, Bus] = {}
"""The last bus on each device, open or closing: a port is let go by its worker, a moment after its link was closed."""


class BusLink(ABC):
    """One instrument on a port. See `Link`. A kind of line adds `exchange` and `send`, which run in the worker."""

    def __init__(self, address: Address, bus: Bus) -> None:
        self.name = address.text
        self.bus = bus
        self._is_closed = False
        bus.users += 1

    @property
    def dirty(self) -> bool:
        """True once anything unexpected happened, or the link was closed."""
        return self._is_closed or self.bus.is_failed

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        return await self.work(lambda: self.exchange(message, deadline_s), deadline_s, urgent=urgent)

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`."""
        return await query_each(self, messages, deadline_s)

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`."""
        await self.work(lambda: self.send(message, deadline_s), deadline_s, urgent=urgent, after_fault=True)

    async def close(self) -> None:
        """See `Link.close`. The port closes with its last user."""
        if not self._is_closed:
            self._is_closed = True
            self.bus.users -= 1
            if self.bus.users <= 0:
                self.bus.fail()

    async def work(self, work: Callable[[], T], deadline_s: float, *, urgent: bool = False, after_fault: bool = False) -> T:
        """Run a call in the bus's worker; whatever ends it but a result closes the port for all its users.

        `after_fault`: see `Worker.call`.
        """
        if self.dirty:
            raise LinkClosedError(f"{self.name}: the link is closed")
        done = False
        try:
            result = await self.bus.worker.call(work, deadline_s=deadline_s, urgent=urgent, after_fault=after_fault)
            done = True
            return result
        finally:
            if not done:
                self.bus.fail()

    # in the worker's thread ----------------------------------------------------------------------------------------------

    @abstractmethod
    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Ask and return the reply."""

    @abstractmethod
    def send(self, message: bytes, deadline_s: float) -> None:
        """Send what has no reply."""

    def other_end(self, more: bytes) -> str:
        """Say what to write in the address where these bytes are the rest of a line end; here, nothing."""
        del more
        return ""

    def quiet_port(self, deadline_s: float) -> serial.Serial:
        """Return the port, its time-out set, when nothing waits on it that nobody asked for. Raises LinkGarbledError."""
        port = self.bus.port
        waiting = port.in_waiting
        if waiting:
            more = port.read(min(waiting, 40))
            raise LinkGarbledError(f"{self.name}: bytes nobody asked for: {more!r}{self.other_end(more)}")
        port.timeout = min(deadline_s, BLOCKING_MAX_S)
        return port


async def join_bus(address: Address, *, deadline_s: float, in_flight: InFlight | None) -> Bus:
    """Open the port of an address, or join those who use it already.

    Raises:
        LinkClosedError: no such port, or another program holds it. LinkTimeoutError.
        LinkGarbledError: others use this port with other settings, or listen to it.
    """
    bus = _BUSES.get(device_of(address.target))
    if bus is not None:
        if bus.settings != Settings.of(address.options):
            raise LinkGarbledError(f"{address.text}: this port is already open at {bus.settings}")
        if bus.is_listened_to:
            raise LinkGarbledError(f"{address.text}: what the device on this port prints has a listener already")
        return bus
    bus = Bus(address, in_flight)
    _BUSES[bus.device] = _LAST[bus.device] = bus
    opened = False
    try:
        await bus.worker.call(bus.open, deadline_s=deadline_s)
        opened = True
    finally:
        if not opened:
            bus.fail()
    return bus
