"""Asks the simulated bench beside this program to warm one of its sensors, as a person would: for rehearsals only.

A simulated bench listens on a local socket that no file stands for, named after the bench file's own digest. A real bench has
nobody there; whoever else listened could warm nothing real, and what is proven so counts for simulated benches only.
"""

from __future__ import annotations

import asyncio
import contextlib

from chargerd.config.bench import BenchFile

WITHIN_S = 2.0


def hand_name(bench: BenchFile) -> str:
    """Return the socket's name (Linux: an abstract one)."""
    return f"\0chargerd simulated hand {bench.sha256}"


async def simulated_hand(bench: BenchFile, sensor: str) -> bool:
    """Have the simulated bench hold this sensor; return whether it does. Never raises for a bench that has no hand."""
    try:
        async with asyncio.timeout(WITHIN_S):
            reader, writer = await asyncio.open_unix_connection(hand_name(bench))
            try:
                writer.write(f"hold {sensor}\n".encode())
                return await reader.readline() == b"held\n"
            finally:
                writer.close()
                with contextlib.suppress(OSError):
                    await writer.wait_closed()
    except OSError:  # nobody there, or (TimeoutError is one) no answer
        return False
