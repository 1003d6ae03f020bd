"""Opening a serial port: its settings as an address gives them, and the proof that nobody else in this computer uses it.

A port is one device whichever way it is written (`/dev/serial/by-id/…`, `by-path`, `ttyUSB0`, a link of your own); what is
locked is the device. `flock` keeps out whoever asks for it (other programs of this kind, and every user of it in this one);
TIOCEXCL keeps out those who do not ask, except the superuser.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import stat
import termios
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import serial

from chargerd.errors import LinkClosedError

PARITIES = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
STOP_BITS: dict[str, float] = {"1": 1, "1.5": 1.5, "2": 2}
DATA_BITS = {"7": 7, "8": 8}

LOCK_WAIT_S = 0.5
"""A port that was just let go is closed by its worker thread a moment later: so long is its lock waited for."""

_IN_USE = "another program uses this port; close it (chargerd find says which)"
_GONE = "the port went away; plug it in again"
_TROUBLES: Mapping[int, str] = {
    errno.ENOENT: "there is no such port; plug it in, or write one that is there (chargerd find lists them)",
    errno.EACCES: "this port may not be used by you; chargerd find says which group to join",
    errno.EPERM: "this port may not be used by you; chargerd find says which group to join",
    errno.EAGAIN: _IN_USE,
    errno.EBUSY: _IN_USE,
    errno.EIO: _GONE,
    errno.ENXIO: _GONE,
    errno.ENODEV: _GONE,
    errno.ENOTTY: "this is no serial port",
    errno.EINVAL: "this port does not take these settings; another baud rate, parity or number of bits",
}
"""What the kernel says of a port (errno) → what to do. Fault texts of the libraries repeat number and path twice."""

PTY_MAJORS = range(136, 144)
"""Device numbers of pseudo-terminals (Linux, Documentation/admin-guide/devices.txt)."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How the bits go: as the address says, else 9600 baud, 8 data bits, no parity, 1 stop bit, no flow control."""

    baud: int
    parity: str
    data_bits: int
    stop_bits: float
    flow: str

    @staticmethod
    def of(options: Mapping[str, str]) -> Settings:
        """Read the options of a checked address."""
        return Settings(
            int(options.get("baud", "9600")),
            PARITIES[options.get("parity", "none")],
            DATA_BITS[options.get("bits", "8")],
            STOP_BITS[options.get("stop", "1")],
            options.get("flow", "none"),
        )

    def __str__(self) -> str:
        return f"{self.baud} baud {self.data_bits}{self.parity}{self.stop_bits:g}, flow {self.flow}"


def device_of(path: str) -> str:
    """Return the device a path leads to now; links may lead elsewhere after the next plugging-in."""
    return str(Path(path).resolve())


def open_port(path: str, settings: Settings, timeout_s: float) -> serial.Serial:
    """Open a port for us alone, empty, with parity errors turned into NUL bytes, which no reply may hold.

    Raises:
        OSError: there is none, it may not be used, or another program holds it (serial.SerialException is one).
    """
    port = serial.Serial(
        path, settings.baud, bytesize=settings.data_bits, parity=settings.parity, stopbits=settings.stop_bits,
        xonxoff=settings.flow == "xon", rtscts=settings.flow == "rts",
        timeout=timeout_s, write_timeout=timeout_s, exclusive=True,
    )  # fmt: skip
    try:
        if settings.parity != serial.PARITY_NONE:
            judge_parity(port.fileno())
        exclude_others(port.fileno())
        port.reset_input_buffer()
    except (OSError, ValueError, termios.error):
        port.close()
        raise
    return port


def port_trouble(path: str, fault: Exception) -> str:
    """Return what is wrong with a port, said once, and what to do."""
    number = getattr(fault, "errno", None) or next((part for part in fault.args if isinstance(part, int)), None)
    if number is None and (told := re.search(r"\(([0-9]+), '", str(fault))):  # pyserial puts termios's error into its text
        number = int(told[1])
    said = _TROUBLES.get(number or 0)
    if said is None:
        said = os.strerror(number) if number else f"{fault}"
    return f"{path}: {said}"


def close_port(port: serial.Serial) -> None:
    """Let a port go."""
    try:
        if port.is_open:
            admit_others(port.fileno())
    finally:
        port.close()


def judge_parity(descriptor: int) -> None:
    """Have the driver look at parity, which pyserial leaves off: a byte with a parity error is then read as NUL.

    As termios(3) says of INPCK without IGNPAR and PARMRK.
    """
    attributes = termios.tcgetattr(descriptor)
    attributes[0] = (attributes[0] | termios.INPCK) & ~(termios.IGNPAR | termios.PARMRK)
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)


def exclude_others(descriptor: int) -> None:
    """Have the kernel refuse further openings of a real port.

    Not of a pseudo-terminal: the kernel forgets the refusal of a real port with its last closing, that of a pseudo-terminal
    only with its other end (measured), and `off` must get in after the holder was killed.
    """
    if not is_pseudo(descriptor):
        fcntl.ioctl(descriptor, termios.TIOCEXCL)


def admit_others(descriptor: int) -> None:
    """Take `exclude_others` back."""
    if not is_pseudo(descriptor):
        fcntl.ioctl(descriptor, termios.TIOCNXCL)


def is_pseudo(descriptor: int) -> bool:
    """Tell a pseudo-terminal from a port."""
    status = os.fstat(descriptor)
    return stat.S_ISCHR(status.st_mode) and os.major(status.st_rdev) in PTY_MAJORS


class PortLock:
    """The same exclusion for a port that a VISA library opens by itself: a second descriptor that only holds the lock."""

    def __init__(self, path: str) -> None:
        """Take the lock. Raises LinkClosedError when another holds it, OSError when there is no such port."""
        self._descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            self._lock(path)
        except (OSError, LinkClosedError):
            os.close(self._descriptor)
            raise

    def exclude(self) -> None:
        """Keep out those who do not ask for the lock, once the library has opened the port."""
        exclude_others(self._descriptor)

    def _lock(self, path: str) -> None:
        pause = threading.Event()
        for _ in range(int(LOCK_WAIT_S / 0.02)):
            try:
                fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                pause.wait(0.02)
            else:
                return
        raise LinkClosedError(f"{path}: another program, or another address of this one, uses this port")

    def close(self) -> None:
        """Let it go."""
        try:
            admit_others(self._descriptor)
        finally:
            os.close(self._descriptor)
