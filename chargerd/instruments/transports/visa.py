"""Everything else the VISA standard names (`visa://USB0::…::INSTR`) through PyVISA, one daemon thread per instrument.

The library is `@py` (pure Python) unless the address names another: `visa+ivi://…`, or `visa://…?library=` with whatever
PyVISA's ResourceManager takes, such as a path or `bench.yaml@sim`. One resource manager per library is made and never
closed: closing one invalidates the sessions of all. A time-out longer than 0.5 s is cut to it, so that switching off never
waits longer than that behind a mute question.
"""

from __future__ import annotations

import re
import termios
import threading

import pyvisa
import pyvisa.constants
import pyvisa.errors
import pyvisa.resources

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import REPLY_LENGTH_MAX, Address, InFlight
from chargerd.instruments.transports.serial_port import PortLock, device_of
from chargerd.instruments.transports.worker import BLOCKING_MAX_S, BlockingLink

DEFAULT_LIBRARY = "@py"

_FAULTS = (pyvisa.errors.Error, OSError, ValueError, TypeError, AttributeError, termios.error)
"""What leaves a call of the VISA libraries tried, bare errors of sockets, of serial ports and of decoding among it."""

_SERIAL_PORT = re.compile(r"ASRL(/[^:]+)::INSTR", re.IGNORECASE)

_STREAMS = (pyvisa.resources.SerialInstrument, pyvisa.resources.TCPIPSocket)
"""Where a reply's end is a byte of it. Everywhere else the interface itself marks the end (IEEE 488.1 END and its kin)."""

_PARITIES = {name: getattr(pyvisa.constants.Parity, name) for name in ("none", "even", "odd")}
_STOP_BITS = {
    "1": pyvisa.constants.StopBits.one, "1.5": pyvisa.constants.StopBits.one_and_a_half, "2": pyvisa.constants.StopBits.two,
}  # fmt: skip
_FLOWS = {
    "none": pyvisa.constants.ControlFlow.none, "xon": pyvisa.constants.ControlFlow.xon_xoff,
    "rts": pyvisa.constants.ControlFlow.rts_cts,
}  # fmt: skip

_MANAGERS: dict[str, pyvisa.ResourceManager] = {}
_MANAGERS_LOCK = threading.Lock()


def manager(library: str) -> pyvisa.ResourceManager:
    """Return the one resource manager of a VISA library. Raises what PyVISA raises."""
    with _MANAGERS_LOCK:
        if library not in _MANAGERS:
            _MANAGERS[library] = pyvisa.ResourceManager(library)
        return _MANAGERS[library]


class VisaLink(BlockingLink):
    """One session. See `Link`."""

    def __init__(self, address: Address, in_flight: InFlight | None) -> None:
        self._address = address
        self._session: pyvisa.resources.MessageBasedResource | None = None
        self._lock: PortLock | None = None
        serial_port = _SERIAL_PORT.match(address.target)
        self._port = serial_port[1] if serial_port is not None else ""
        if in_flight is not None and self._port:
            # Every call of ours is counted from its beginning to its end; a peer's own count of its bytes would never be read.
            in_flight.forget(device_of(self._port))
        super().__init__(address.text, _FAULTS, in_flight)

    def open(self, deadline_s: float) -> None:
        """Open the session; a serial port for us alone. Runs in the worker."""
        if self._port:
            self._lock = PortLock(self._port)
        visa = manager(self._address.options.get("library", DEFAULT_LIBRARY))
        session = visa.open_resource(self._address.target, open_timeout=int(deadline_s * 1000))
        if not isinstance(session, pyvisa.resources.MessageBasedResource):
            session.close()
            raise LinkClosedError(f"{self.name}: not an instrument that exchanges messages")
        self._session = session
        session.write_termination = self._address.send_terminator.decode("ascii")
        session.read_termination = self._address.terminator.decode("ascii")
        if isinstance(session, pyvisa.resources.SerialInstrument):
            self._set_line(session)
        if self._lock is not None:
            self._lock.exclude()

    def _set_line(self, session: pyvisa.resources.SerialInstrument) -> None:
        options = self._address.options
        if "baud" in options:
            session.baud_rate = int(options["baud"])
        if "parity" in options:
            session.parity = _PARITIES[options["parity"]]
        if "bits" in options:
            session.data_bits = int(options["bits"])
        if "stop" in options:
            session.stop_bits = _STOP_BITS[options["stop"]]
        if "flow" in options:
            session.flow_control = _FLOWS[options["flow"]]

    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Ask and return the reply."""
        session = self._ready(deadline_s)
        if isinstance(session, pyvisa.resources.SerialInstrument) and session.bytes_in_buffer:
            raise LinkGarbledError(f"{self.name}: bytes nobody asked for")
        session.write_raw(message + self._address.send_terminator)
        reply = session.read_raw(REPLY_LENGTH_MAX)
        end = self._address.terminator
        if not reply:
            raise LinkGarbledError(f"{self.name}: an empty reply")
        if len(reply) > REPLY_LENGTH_MAX or (isinstance(session, _STREAMS) and not reply.endswith(end)):
            raise LinkGarbledError(f"{self.name}: a reply without end: {reply[:40]!r}")
        reply = reply.removesuffix(end)
        if end in reply:
            raise LinkGarbledError(f"{self.name}: more than one reply to one question: {reply[:80]!r}")
        return reply.removesuffix(b"\r")

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send what has no reply."""
        self._ready(deadline_s).write_raw(message + self._address.send_terminator)

    def _ready(self, deadline_s: float) -> pyvisa.resources.MessageBasedResource:
        assert self._session is not None
        self._session.timeout = int(min(deadline_s, BLOCKING_MAX_S) * 1000)
        return self._session

    def release(self) -> None:
        """Close the session, then let the port go."""
        try:
            if self._session is not None:
                self._session.close()
        finally:
            if self._lock is not None:
                self._lock.close()
                self._lock = None

    def explain(self, fault: Exception) -> LinkError:
        """Return what to tell of an error of the library."""
        if isinstance(fault, pyvisa.errors.VisaIOError) and fault.error_code == pyvisa.constants.StatusCode.error_timeout:
            return LinkTimeoutError(f"{self.name}: no reply in time")
        return LinkClosedError(f"{self.name}: {type(fault).__name__}: {fault}")


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> VisaLink:
    """Open a VISA session. Raises LinkClosedError or LinkTimeoutError."""
    link = VisaLink(address, in_flight)
    await link.call(lambda: link.open(deadline_s), deadline_s)
    return link
