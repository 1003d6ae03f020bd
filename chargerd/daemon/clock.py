"""The one clock of the daemon. Control runs on boot time; wall time is written into the record and never compared."""

from __future__ import annotations

import asyncio
import ctypes
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Left by systemd-timesyncd when it has set the clock in this boot (systemd-timesyncd.service(8))."""
TIMEX_BYTES = 512
"""More than `struct timex` has anywhere: the kernel writes 208 bytes."""
TIME_ERROR = 5


def utc_text(moment: datetime) -> str:
    """Return an RFC 3339 UTC time with milliseconds and `Z`."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Clock:
    """Boot-time seconds, UTC text, and waiting that a command may end early.

    `disk_s` is real time even where `now_s` jumps: rows are made safe against power cuts of the real world. `awake_s` counts as
    `now_s` does, except while the computer sleeps. `is_synchronised` tells whether a time service has set the wall clock;
    `boot` is this boot's id.
    """

    def __init__(
        self, now_s: Callable[[], float], utc: Callable[[], str], *, awake_s: Callable[[], float] | None = None,
        is_synchronised: Callable[[], bool] = lambda: False, boot: str = "",
    ) -> None:  # fmt: skip
        self.now_s = now_s
        self.utc = utc
        self.disk_s = time.monotonic
        self.awake_s = awake_s or now_s
        self.is_synchronised = is_synchronised
        self.boot = boot
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
    return Clock(
        boot_time_s, lambda: utc_text(datetime.now(UTC)), awake_s=time.monotonic, is_synchronised=is_synchronised, boot=boot_id()
    )


def jumping_clock(loop: asyncio.AbstractEventLoop, began: datetime) -> Clock:
    """Return a clock that follows an event loop whose time jumps; its UTC starts at `began` and is not this machine's."""
    start_s = loop.time()
    return Clock(loop.time, lambda: utc_text(began + timedelta(seconds=loop.time() - start_s)), boot="jumping")


def is_synchronised() -> bool:
    """Tell whether a time service has set this computer's wall clock: by its sign in /run, else by the kernel's own flag.

    A restored clock of a computer without one that runs on is wrong and looks right; only this tells. Where nothing tells, no.
    """
    return SYNCHRONISED.exists() or _kernel_says_synchronised()


def _kernel_says_synchronised() -> bool:
    """Ask the kernel by adjtimex, changing nothing (adjtimex(2): modes 0, TIME_ERROR = 5 is "clock not synchronised").

    Under a filter of system calls it is not asked: the call may be forbidden, and end the program.
    """
    try:
        if "\nSeccomp:\t0\n" not in Path("/proc/self/status").read_text(encoding="ascii", errors="replace"):
            return False
        asked = ctypes.create_string_buffer(TIMEX_BYTES)  # all zero: modes 0
        return int(ctypes.CDLL(None, use_errno=True).adjtimex(asked)) in range(TIME_ERROR)
    except (OSError, AttributeError):
        return False


def boot_id() -> str:
    """Return this boot's id, "" where the system has none."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
