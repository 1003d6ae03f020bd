"""Finds out whether a bench is simulated now, and asks it to warm one of its sensors, as a person would: for rehearsals only.

A simulated bench listens on a local socket that no file stands for, named after the bench file's own digest. A real bench has
nobody there; whoever else listened could warm nothing real, and what is proven so counts for simulated benches only.
"""

from __future__ import annotations

import asyncio
import contextlib
import os

from chargerd.config.bench import BenchFile, InstrumentSpec
from chargerd.config.commissioned import is_simulated

WITHIN_S = 2.0
PTYS = "/dev/pts/"
"""Where Linux keeps pseudo-terminals: a program is at the other end, no instrument."""


def hand_name(bench: BenchFile) -> str:
    """Return the socket's name (Linux: an abstract one)."""
    return f"\0chargerd simulated hand {bench.sha256}"


async def is_simulated_now(bench: BenchFile) -> bool:
    """Tell whether any instrument is simulated: by the file, by a pseudo-terminal, or since a simulated bench serves this file.

    In doubt it is: a record that says so never counts for real instruments.
    """
    return is_simulated(bench) or any(map(_is_pty, bench.instruments.values())) or await _said(bench, "hello") is not None


def _is_pty(spec: InstrumentSpec) -> bool:
    path = spec.address.partition("://")[2].partition("?")[0]
    return path.startswith("/") and os.path.realpath(path).startswith(PTYS)


async def simulated_hand(bench: BenchFile, sensor: str) -> bool:
    """Have the simulated bench hold this sensor; return whether it does. Never raises for a bench that has no hand."""
    return await _said(bench, f"hold {sensor}") == b"held\n"


async def _said(bench: BenchFile, line: str) -> bytes | None:
    """Return what the simulated bench answers; None where there is none."""
    try:
        async with asyncio.timeout(WITHIN_S):
            reader, writer = await asyncio.open_unix_connection(hand_name(bench))
            try:
                writer.write(f"{line}\n".encode())
                return await reader.readline()
            finally:
                writer.close()
                with contextlib.suppress(OSError):
                    await writer.wait_closed()
    except OSError:  # nobody there, or (TimeoutError is one) no answer
        return None
