"""The one clock of the daemon. Control runs on boot time; wall time is written into the record and never compared."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path


def utc_text(moment: datetime) -> str:
    """Return an RFC 3339 UTC time with milliseconds and `Z`."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Clock:
    """Boot-time seconds, UTC text, and waiting that a command may end early.

    `disk_s` is real time even where `now_s` jumps: rows are made safe against power cuts of the real world.
    """

    def __init__(self, now_s: Callable[[], float], utc: Callable[[], str]) -> None:
        self.now_s = now_s
        self.utc = utc
        self.disk_s = time.monotonic
        self.woken = asyncio.Event()

    def wake(self) -> None:
        """End the present wait."""
        self.woken.set()

    async def wait_until(self, at_s: float) -> None:
        """Wait until `now_s()` has reached `at_s`, or until `wake`."""
        left_s = at_s - self.now_s()
        if left_s > 0.0 and not self.woken.is_set():
            try:
                async with asyncio.timeout(left_s):
                    await self.woken.wait()
            except TimeoutError:
                pass
        self.woken.clear()


def boot_time_s() -> float:
    """Return seconds since boot, suspend included. Another boot counts anew: never compare across boots."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def real_clock() -> Clock:
    """Return the clock of a real bench."""
    return Clock(boot_time_s, lambda: utc_text(datetime.now(UTC)))


def jumping_clock(loop: asyncio.AbstractEventLoop, began: datetime) -> Clock:
    """Return a clock that follows an event loop whose time jumps; its UTC starts at `began` and is not this machine's."""
    start_s = loop.time()
    return Clock(loop.time, lambda: utc_text(began + timedelta(seconds=loop.time() - start_s)))


def boot_id() -> str:
    """Return this boot's id, "" where the system has none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
