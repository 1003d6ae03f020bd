"""Everything else the VISA standard names (`visa://USB0::…::INSTR`) through PyVISA, one daemon thread per instrument.

The library is `@py` (pure Python) unless the address names another: `visa+ivi://…`, or `visa://…?library=` with whatever
PyVISA's ResourceManager takes, such as a path or `bench.yaml@sim`. One resource manager per library is made and never
closed: closing one invalidates the sessions of all. A time-out longer than 0.5 s is cut to it, so that switching off never
waits longer than that behind a mute question.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

import pyvisa
import pyvisa.constants
import pyvisa.errors
import pyvisa.resources

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import REPLY_LENGTH_MAX, Address, InFlight, query_each
from chargerd.instruments.transports.worker import BLOCKING_MAX_S, Worker

DEFAULT_LIBRARY = "@py"

_FAULTS = (pyvisa.errors.Error, OSError, ValueError, TypeError, AttributeError)
"""What leaves a query of the VISA libraries tried, bare socket and decoding errors among it."""

_SERIAL_PORT = re.compile(r"ASRL(/[^:]+)::INSTR", re.IGNORECASE)

_MANAGERS: dict[str, pyvisa.ResourceManager] = {}
_MANAGERS_LOCK = threading.Lock()

T = TypeVar("T")


def _manager(library: str) -> pyvisa.ResourceManager:
    with _MANAGERS_LOCK:
        if library not in _MANAGERS:
            _MANAGERS[library] = pyvisa.ResourceManager(library)
        return _MANAGERS[library]


class VisaLink:
    """One session. See `Link`."""

    def __init__(self, address: Address, in_flight: InFlight | None) -> None:
        self._name = address.text
        self._address = address
        self._terminator = address.terminator
        self._session: pyvisa.resources.MessageBasedResource | None = None
        serial_port = _SERIAL_PORT.match(address.target)
        if in_flight is not None and serial_port is not None:
            # Every call of ours is counted from its beginning to its end; a peer's own count of its bytes would never be read.
            in_flight.forget(str(Path(serial_port[1]).resolve()))
        self._worker = Worker(address.text, _FAULTS, self._explain, self._close, in_flight)

    @property
    def dirty(self) -> bool:
        """True once anything unexpected happened, or the link was closed."""
        return self._worker.is_given_up

    async def open(self, deadline_s: float) -> None:
        """Open the session. Raises LinkError."""
        await self._call(lambda: self._open(deadline_s), deadline_s, urgent=False)

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        return await self._call(lambda: self._exchange(message, deadline_s), deadline_s, urgent=urgent)

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`."""
        return await query_each(self, messages, deadline_s)

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`."""
        await self._call(lambda: self._send(message, deadline_s), deadline_s, urgent=urgent)

    async def close(self) -> None:
        """See `Link.close`."""
        self._worker.give_up()

    async def _call(self, work: Callable[[], T], deadline_s: float, *, urgent: bool) -> T:
        done = False
        try:
            result = await self._worker.call(work, deadline_s=deadline_s, urgent=urgent)
            done = True
            return result
        finally:
            if not done:
                self._worker.give_up()

    # in the worker's thread ----------------------------------------------------------------------------------------------

    def _open(self, deadline_s: float) -> None:
        manager = _manager(self._address.options.get("library", DEFAULT_LIBRARY))
        session = manager.open_resource(self._address.target, open_timeout=int(deadline_s * 1000))
        if not isinstance(session, pyvisa.resources.MessageBasedResource):
            session.close()
            raise LinkClosedError(f"{self._name}: not an instrument that exchanges messages")
        self._session = session
        end = self._terminator.decode("ascii")
        session.write_termination = session.read_termination = end
        if isinstance(session, pyvisa.resources.SerialInstrument) and "baud" in self._address.options:
            session.baud_rate = int(self._address.options["baud"])

    def _exchange(self, message: bytes, deadline_s: float) -> bytes:
        session = self._ready(deadline_s)
        if isinstance(session, pyvisa.resources.SerialInstrument) and session.bytes_in_buffer:
            raise LinkGarbledError(f"{self._name}: bytes nobody asked for")
        session.write_raw(message + self._terminator)
        reply = session.read_raw(REPLY_LENGTH_MAX)
        if not reply.endswith(self._terminator) or len(reply) > REPLY_LENGTH_MAX:
            raise LinkGarbledError(f"{self._name}: a reply without end: {reply[:40]!r}")
        reply = reply.removesuffix(self._terminator)
        if self._terminator in reply:
            raise LinkGarbledError(f"{self._name}: more than one reply to one question: {reply[:80]!r}")
        return reply.removesuffix(b"\r")

    def _send(self, message: bytes, deadline_s: float) -> None:
        self._ready(deadline_s).write_raw(message + self._terminator)

    def _ready(self, deadline_s: float) -> pyvisa.resources.MessageBasedResource:
        assert self._session is not None
        self._session.timeout = int(min(deadline_s, BLOCKING_MAX_S) * 1000)
        return self._session

    def _close(self) -> None:
        if self._session is not None:
            self._session.close()

    def _explain(self, fault: Exception) -> LinkError:
        if isinstance(fault, pyvisa.errors.VisaIOError) and fault.error_code == pyvisa.constants.StatusCode.error_timeout:
            return LinkTimeoutError(f"{self._name}: no reply in time")
        return LinkClosedError(f"{self._name}: {type(fault).__name__}: {fault}")


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> VisaLink:
    """Open a VISA session. Raises LinkClosedError or LinkTimeoutError."""
    link = VisaLink(address, in_flight)
    await link.open(deadline_s)
    return link
