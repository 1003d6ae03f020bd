"""A simulated instrument on a TCP port or a pty, served by a thread of its own on the real clock, for tests that block."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from chargerd.sim.serve import PtyServer, TcpServer
from chargerd.sim.wire import Peer

T = TypeVar("T")


class Served:
    """One peer. `path` of the pty, or `port` on loopback."""

    def __init__(self, peer: Peer, server: PtyServer | TcpServer, loop: asyncio.AbstractEventLoop, zero_s: float) -> None:
        self.peer = peer
        self._server = server
        self._loop = loop
        self._zero_s = zero_s

    @property
    def path(self) -> str:
        assert isinstance(self._server, PtyServer)
        return self._server.path

    @property
    def port(self) -> int:
        assert isinstance(self._server, TcpServer)
        return self._server.port

    @property
    def said(self) -> list[str]:
        """Every message it received, in order."""
        return [exchange.received for exchange in self.peer.log]

    def wait_for(self, message: str, times: int = 1, within_s: float = 10.0) -> bool:
        """Tell whether it has received that message so often; what was written last may still be on its way."""
        until_s, pause = time.monotonic() + within_s, threading.Event()
        while self.said.count(message) < times and time.monotonic() < until_s:
            pause.wait(0.01)
        return self.said.count(message) >= times

    def do(self, work: Callable[[float], T]) -> T:
        """Do something to it in its own thread, given its time."""

        async def body() -> T:
            return work(time.monotonic() - self._zero_s)

        return asyncio.run_coroutine_threadsafe(body(), self._loop).result(10)

    def say(self, data: bytes) -> None:
        """Put bytes on the line that nobody asked for."""
        assert isinstance(self._server, PtyServer)
        master = self._server._master
        self.do(lambda _: os.write(master, data))


@contextmanager
def served(peer: Peer, *, on_pty: bool) -> Iterator[Served]:
    loop = asyncio.new_event_loop()
    zero_s = time.monotonic()

    def clock() -> float:
        return time.monotonic() - zero_s

    server = PtyServer(peer, clock) if on_pty else TcpServer(peer, clock)
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    asyncio.run_coroutine_threadsafe(server.start(), loop).result(10)
    try:
        yield Served(peer, server, loop, zero_s)
    finally:
        asyncio.run_coroutine_threadsafe(server.close(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
