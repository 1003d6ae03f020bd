"""Feeds a dead-man relay while a bench is being proven, as the keeper does in a run: without it nothing passes its contacts.

From the proving process itself: when that hangs or dies, nothing is fed any more and the relay lets go.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from chargerd.config.bench import BenchFile
from chargerd.daemon.dead_man import concerns, opened_feed
from chargerd.errors import RefusedError

TOGGLE_S = 0.5
"""As the keeper feeds."""


class Feeding:
    """One relay's feed. `fault`: why it is not fed, in words; empty as long as it is."""

    def __init__(self) -> None:
        self.fault = ""
        self._descriptor = -1
        self._task: asyncio.Task[None] | None = None

    def open(self, feed: str, held: ExitStack) -> None:
        """Open the feed and begin. Never raises: what cannot be fed is said where it is to be proven."""
        try:
            self._descriptor = held.enter_context(opened_feed(feed))
        except (RefusedError, OSError) as fault:
            self.fault = str(fault)
        held.callback(self.leave)
        self.begin()

    def begin(self) -> None:
        """Feed it from now on."""
        if not self.fault:
            self._task = asyncio.create_task(self._feed())

    def leave(self) -> None:
        """Feed it no more."""
        if self._task is not None:
            self._task.cancel()

    async def _feed(self) -> None:
        level = 0
        while True:
            level ^= 1
            try:
                os.write(self._descriptor, b"%d\n" % level)
            except OSError as fault:  # its bridge has ended, or nobody takes what is on the line
                self.fault = f"it cannot be fed any more: {fault.strerror}"
                return
            await asyncio.sleep(TOGGLE_S)


@contextmanager
def fed(bench: BenchFile, channel: str) -> Iterator[Feeding | None]:
    """Feed the bench's dead-man relay, where it cuts anything of that channel; None where it does not."""
    if bench.dead_man is None or not concerns(bench, bench.channels[channel]):
        yield None
        return
    with ExitStack() as held:
        feeding = Feeding()
        feeding.open(bench.dead_man.feed, held)
        yield feeding
