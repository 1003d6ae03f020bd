"""What stands over a bench that is being proven: its off plan on disk, the keeper's limits, a beat each second, and one stop.

The keeper judges the supply's own readings against limits just above what any step asks for. They are taken here, beside the
steps and not by them; only the proof of a watchdog asks for silence, and then the last reading must not be older than that.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
from collections.abc import Callable
from pathlib import Path

from chargerd.core.limits import Limits
from chargerd.daemon.clock import boot_id
from chargerd.daemon.keeper_link import KeeperLink
from chargerd.daemon.worker import write_off_plan
from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.roles import WATCHDOG_S, Output, Source
from chargerd.journal.runfolder import OFF_PLAN

BEAT_S = 1.0
"""The keeper bears 5 s of silence."""
VOLTAGE_MAX_V, VOLTAGE_MIN_V, CURRENT_MAX_A = 3.0, -1.0, 0.5
"""No step asks for more than 2 V and 0.2 A; the rest is room for a supply that reads, or holds, badly."""
AGE_MAX_S = WATCHDOG_S + 15.0
"""While a supply's own watchdog is waited for, nobody may speak to it; a reading is never older otherwise."""

LIMITS = Limits(
    voltage_max_V=VOLTAGE_MAX_V, voltage_min_V=VOLTAGE_MIN_V, charge_current_max_A=CURRENT_MAX_A,
    discharge_current_max_A=CURRENT_MAX_A, temperature_max_degC=math.inf, temperature_min_degC=-math.inf, rise_max_K=math.inf,
)  # fmt: skip


class Guard:
    """One proving under its keeper. `stopped_by`: who ended it early, in words; empty: nobody. `all_off`: proven at the end."""

    keeper: KeeperLink

    def __init__(self, folder: Path, channel: str, utc: Callable[[], str]) -> None:
        self.stopped_by = ""
        self.all_off = False
        self.is_quiet = False
        self._folder = folder
        self._channel = channel
        self._utc = utc
        self._cancels: asyncio.Task[object] | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._stands = False
        self._beats = 0
        self._seen_s = 0.0
        self._values: tuple[float | None, float | None] = (None, None)

    # --- stopping --------------------------------------------------------------------------------------------------------

    def watch(self, task: asyncio.Task[object] | None) -> None:
        """From now on a stop cancels this task; None: nothing any more, all is being made safe."""
        self._cancels = task
        if task is not None and self.stopped_by:
            task.cancel()

    def stop(self, by: str) -> None:
        """End it early, in order. Only the first counts: a second must not end the switching off."""
        if not self.stopped_by:
            self.stopped_by = by
            if self._cancels is not None:
                self._cancels.cancel()

    # --- before anything is energised, and after -------------------------------------------------------------------------

    async def stand(self, opened: ChannelBench) -> None:
        """Leave the off plan, have the keeper freeze its limits, begin to beat.

        Raises:
            JournalError: the plan cannot be written. RefusedError: the keeper does not take it.
        """
        plan = opened.off_plan(
            run=f"commissioning {self._channel}", channel=self._channel, worker_pid=os.getpid(), boot_id=boot_id(),
            written_utc=self._utc(),
        )  # fmt: skip
        write_off_plan(self._folder, plan)
        self._stands = True
        await self.keeper.freeze(
            self._channel, LIMITS, age_max_s=AGE_MAX_S, off_plan=str(self._folder / OFF_PLAN), has_thermometer=False
        )
        outputs = [one for one in opened.instruments.values() if isinstance(one, Output)]
        self._seen_s = asyncio.get_running_loop().time()
        self._tasks = [asyncio.create_task(self._beat(outputs)), asyncio.create_task(self._look(outputs))]

    async def end(self) -> None:
        """Say that it is over. The plan stays unless all was proven off; the keeper then executes it."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._stands:
            if self.all_off:
                with contextlib.suppress(OSError):
                    (self._folder / OFF_PLAN).unlink()
            self.keeper.done(self._channel, "IDLE", verified_off=self.all_off)

    # --- beats -----------------------------------------------------------------------------------------------------------

    async def _beat(self, outputs: list[Output]) -> None:
        while True:
            now_s = asyncio.get_running_loop().time()
            is_on = any(output.is_on is not False for output in outputs)  # None: nobody knows
            if not is_on:
                self._seen_s, self._values = now_s, (None, None)
            self._beats += 1
            voltage_V, current_A = self._values
            self.keeper.beat(
                self._channel, self._beats, energised=is_on, age_s=now_s - self._seen_s, voltage_V=voltage_V, current_A=current_A,
                temperature_degC=None,
            )  # fmt: skip
            await asyncio.sleep(BEAT_S)

    async def _look(self, outputs: list[Output]) -> None:
        sources = [output for output in outputs if isinstance(output, Source)]
        while True:
            await asyncio.sleep(BEAT_S)
            for source in sources:
                if self.is_quiet or all(output.is_on is False for output in outputs):
                    continue
                began_s = asyncio.get_running_loop().time()
                try:
                    values = await source.voltage_V(), await source.current_A()
                except (LinkError, InstrumentError):
                    continue  # the last reading grows old
                if all(math.isfinite(value) for value in values):
                    self._seen_s, self._values = began_s, values
