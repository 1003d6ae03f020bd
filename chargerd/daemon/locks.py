"""One program per instrument on this machine: an exclusive lock for every wire, held for the life of a run.

A lock is the name of a local socket that no file stands for: the kernel gives it to one process at a time, whoever runs it and
with whatever folders of its own, and takes it back when that process ends.
"""

from __future__ import annotations

import errno
import hashlib
import socket
from collections.abc import Iterable
from types import TracebackType
from typing import Self

from chargerd.errors import RefusedError
from chargerd.instruments.transports.wires import wires


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
