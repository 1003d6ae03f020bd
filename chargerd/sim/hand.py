"""The simulated person of a simulated bench: holds a temperature sensor when whoever proves the bench asks for it."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from chargerd.sim.world import World

HELD_S = 60.0
"""Long enough for a sensor with a lag to be seen to rise."""


async def open_hand(world: World, clock: Callable[[], float], name: str) -> asyncio.Server:
    """Listen on the local socket of that name for `hold SENSOR`; answer `held`, or `no` and why."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            writer.write(_hold(world, clock(), line.decode(errors="replace")).encode() + b"\n")
            await writer.drain()
        writer.close()

    return await asyncio.start_unix_server(serve, name)


def _hold(world: World, now_s: float, line: str) -> str:
    verb, _, sensor = line.strip().partition(" ")
    if verb != "hold":
        return "no: say hold SENSOR"
    try:
        world.arm({"panel": sensor, "kind": "hand", "held_s": HELD_S}, now_s)
    except (KeyError, ValueError, TypeError) as fault:
        return f"no: {fault!r}"
    return "held"
