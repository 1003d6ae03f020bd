"""Every name of the wire that an address leads to: two addresses that share one are one instrument, however they are written."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import stat
from collections.abc import Iterator
from pathlib import Path

from chargerd.instruments.transports.registry import parse_address, plain_address

_VISA_SOCKET = re.compile(r"TCPIP[0-9]*::([^:]+|\[[0-9A-Fa-f:]+\])::([0-9]+)::SOCKET", re.IGNORECASE)

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
    socket_name = _VISA_SOCKET.fullmatch(device) if address.scheme == "visa" else None
    if socket_name is not None:  # through a VISA library or not: it is the same port of the same instrument
        yield from wires(f"tcp://{socket_name[1]}:{socket_name[2]}")
        return
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
