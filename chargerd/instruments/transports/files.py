"""Sensors that the kernel shows as files (`file:///sys/bus/w1/devices/28-…`): one-wire, hwmon, IIO.

The message is the name of a file below that folder, the reply is its content, its lines joined by blanks. The folder may be
reached through links, as all of /sys is, but is looked up once, at opening; below it no link and no `..` is followed. A sensor
that was unplugged has lost its folder: the link is closed, and whoever stands at the same path later is asked who it is.
Nothing is ever written. A one-wire reading takes the 0.75 s of its conversion, and a dead bus may never answer: reading has a
thread of its own.
"""

from __future__ import annotations

import os
import re
import stat

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError
from chargerd.instruments.transports.link import Address, InFlight
from chargerd.instruments.transports.worker import BlockingLink

CONTENT_LENGTH_MAX = 4096
"""Bytes. The kernel gives an attribute one page (Linux, Documentation/filesystems/sysfs.rst)."""

_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.:-]*(?:/[A-Za-z0-9_][A-Za-z0-9_.:-]*)*")

_HANGING: set[str] = set()
"""Folders of which a reading has not come back: no second thread is sent after the first."""


class FileLink(BlockingLink):
    """One sensor's folder. See `Link`."""

    def __init__(self, address: Address, in_flight: InFlight | None) -> None:
        super().__init__(address.text, (OSError, ValueError), in_flight)
        self._path = address.target
        self._folder: int | None = None

    def open(self) -> None:
        """Find the folder. Runs in the worker."""
        self._folder = os.open(self._path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)

    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Read the file of that name."""
        del deadline_s  # kept outside this thread
        name = message.decode("ascii", "replace")
        if _NAME.fullmatch(name) is None:
            raise LinkGarbledError(f"{self.name}: {name!r} is no name of a file below this folder")
        _HANGING.add(self._path)
        try:
            content = self._read(name)
        finally:
            _HANGING.discard(self._path)
        if len(content) > CONTENT_LENGTH_MAX:
            raise LinkGarbledError(f"{self.name}: {name} holds more than {CONTENT_LENGTH_MAX} bytes")
        return b" ".join(content.splitlines())

    def _read(self, name: str) -> bytes:
        assert self._folder is not None
        opened = [os.dup(self._folder)]
        try:
            *folders, last = name.split("/")
            for folder in folders:
                opened.append(os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=opened[-1]))
            opened.append(os.open(last, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=opened[-1]))
            if not stat.S_ISREG(os.fstat(opened[-1]).st_mode):
                raise LinkGarbledError(f"{self.name}: {name} is no plain file")
            content = b""
            while len(content) <= CONTENT_LENGTH_MAX and (piece := os.read(opened[-1], CONTENT_LENGTH_MAX + 1)):
                content += piece
            return content
        finally:
            for descriptor in reversed(opened):
                os.close(descriptor)

    def send(self, message: bytes, deadline_s: float) -> None:
        """Refuse: a sensor's files are read."""
        del deadline_s
        raise LinkError(f"{self.name}: files are read, never written; {message[:40]!r} was not")

    def release(self) -> None:
        """Let the folder go."""
        if self._folder is not None:
            os.close(self._folder)
            self._folder = None

    def explain(self, fault: Exception) -> LinkError:
        """Return what to tell of an error of the operating system."""
        return LinkClosedError(f"{self.name}: {getattr(fault, 'strerror', None) or fault}")


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> FileLink:
    """Open a sensor's folder. Raises LinkClosedError when there is none, or when its last reading still hangs."""
    if address.target in _HANGING:
        raise LinkClosedError(f"{address.text}: an earlier reading has not come back; the bus seems dead")
    link = FileLink(address, in_flight)
    await link.call(link.open, deadline_s)
    return link
