"""One program per instrument on this machine: an exclusive lock for every wire, held for the life of a run.

A lock is the name of a local socket that no file stands for: the kernel gives it to one process at a time, whoever runs it and
with whatever folders of its own, and takes it back when that process ends.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import socket
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

from chargerd.errors import RefusedError
from chargerd.instruments.transports.registry import parse_address, plain_address

NETWORKED = ("tcp", "modbus-tcp")
"""Transports whose target is `host:port`."""


def wires(text: str) -> Iterator[str]:
    """Yield every name of what an address leads to, whichever way it is written.

    Host names come with the numbers they stand for, devices as the file their links lead to and by the kernel's number of them.
    A sensor that is a file has none: it is only read, and may be read by many. Raises BenchError.
    """
    address = plain_address(parse_address(text))
    if address.scheme == "file":
        return
    if address.scheme in NETWORKED:
        host, _, port = address.target.lower().rpartition(":")
        host = host.strip("[]")
        yield f"tcp {host} {port}"
        with contextlib.suppress(OSError):  # no such name now: opening it will say so
            for *_, where in socket.getaddrinfo(host, int(port), type=socket.SOCK_STREAM):
                yield f"tcp {where[0]} {port}"
        return
    device = address.target
    if address.scheme == "visa" and device.upper().startswith("ASRL/"):
        device = device[4:].partition("::")[0]
    if not device.startswith("/"):
        yield f"{address.scheme} {device.upper()}"
        return
    yield f"device {Path(device).resolve()}"
    with contextlib.suppress(OSError):  # not plugged in now: opening it will say so
        status = Path(device).stat()
        if stat.S_ISCHR(status.st_mode):
            yield f"device {os.major(status.st_rdev)}:{os.minor(status.st_rdev)}"


class AddressLocks:
    """Locks for a set of addresses. Raises RefusedError when another program holds one."""

    def __init__(self, addresses: Iterable[str]) -> None:
        self._held: list[socket.socket] = []
        try:
            written = {wire: text for text in addresses for wire in wires(text)}
            for wire, address in sorted(written.items()):
                self._lock(wire, address)
        except RefusedError:
            self.close()
            raise

    def _lock(self, wire: str, address: str) -> None:
        held = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._held.append(held)
        try:
            held.bind("\0chargerd " + hashlib.sha256(wire.encode()).hexdigest())
        except OSError as fault:
            if fault.errno != errno.EADDRINUSE:
                raise
            raise RefusedError(f"another run on this machine uses {address}; stop it first") from None

    def close(self) -> None:
        """Let all of them go."""
        for held in self._held:
            held.close()
        self._held.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
