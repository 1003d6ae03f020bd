"""When a server must act by itself: to send what comes unasked, and to follow the faults of its port."""

from __future__ import annotations

import asyncio
from math import inf
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from chargerd.sim.wire import Peer


class Speaker:
    """Sends what comes unasked over one connection, at its time. `feed` is called with no bytes whenever it is due."""

    def __init__(self, peer: Peer, clock: Callable[[], float], feed: Callable[[bytes], None]) -> None:
        self._peer = peer
        self._clock = clock
        self._feed = feed
        self._due: asyncio.TimerHandle | None = None

    def look_again(self) -> None:
        """Reckon anew when something comes unasked; call it after every change."""
        self.stop()
        now_s = self._clock()
        next_s = self._peer.next_s(now_s)
        if next_s < inf:
            self._due = asyncio.get_running_loop().call_later(max(next_s - now_s, 0.0), self._speak)

    def stop(self) -> None:
        """Say nothing more."""
        if self._due is not None:
            self._due.cancel()
            self._due = None

    def _speak(self) -> None:
        self._due = None
        self._feed(b"")


class Turns:
    """Calls `turn` at every instant at which a fault changes the port."""

    def __init__(self, peer: Peer, clock: Callable[[], float], turn: Callable[[], Awaitable[None]]) -> None:
        self._peer = peer
        self._clock = clock
        self._turn = turn
        self._timers: list[asyncio.TimerHandle] = []

    def look_again(self) -> None:
        """Set the timers anew; call it after arming a fault."""
        self.stop()
        loop, now_s = asyncio.get_running_loop(), self._clock()
        self._timers = [loop.call_later(edge_s - now_s, self._begin) for edge_s in self._peer.faults.edges_s(now_s)]

    def stop(self) -> None:
        """Follow no fault any more."""
        for timer in self._timers:
            timer.cancel()

    def _begin(self) -> None:
        self._task = asyncio.ensure_future(self._turn())
