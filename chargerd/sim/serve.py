"""Simulated instruments on real wires: TCP and pty servers, and a side door for tests in other processes.

Both servers call `Session.feed` and nothing else of an instrument. They run on any asyncio loop, the jumping one too; as a
program of its own, `python -m chargerd.sim.serve --spec FILE`, on the real clock. Only loopback is ever listened on.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import signal
import socket
import struct
import sys
import tty
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chargerd.sim.faults import fault_of
from chargerd.sim.wire import Session
from chargerd.sim.world import World, world_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from chargerd.sim.jump_clock import InFlight
    from chargerd.sim.wire import Peer

HOST = "127.0.0.1"
READ_BYTES = 65536
LINGER_RESET = struct.pack("ii", 1, 0)
"""SO_LINGER with no time: closing resets the connection instead of ending it in order."""


class _Connection(asyncio.Protocol):
    """One TCP client of one peer."""

    def __init__(self, server: TcpServer) -> None:
        self._server = server
        self._session = Session(server.peer)
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._server.connections.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        del exc
        self._server.connections.discard(self)
        self._transport = None

    def data_received(self, data: bytes) -> None:
        try:
            pieces = self._session.feed(data, self._server.clock())
        except (ConnectionResetError, ConnectionRefusedError):
            self.reset()
            return
        loop = asyncio.get_running_loop()
        for delay_s, piece in pieces:
            if delay_s > 0.0:
                loop.call_later(delay_s, self._send, piece)
            else:
                self._send(piece)

    def _send(self, piece: bytes) -> None:
        if self._transport is not None:
            self._transport.write(piece)

    def reset(self) -> None:
        """Let the client see a reset."""
        if self._transport is not None:
            connected: socket.socket = self._transport.get_extra_info("socket")
            connected.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, LINGER_RESET)
            self._transport.abort()


class TcpServer:
    """A peer behind a TCP port. While a fault refuses, nobody listens there."""

    def __init__(self, peer: Peer, clock: Callable[[], float], *, port: int = 0) -> None:
        self.peer = peer
        self.clock = clock
        self.port = port
        self.connections: set[_Connection] = set()
        self._server: asyncio.Server | None = None
        self._turns: list[asyncio.TimerHandle] = []

    @property
    def address(self) -> str:
        """Where a bench file finds it."""
        return f"tcp://{HOST}:{self.port}"

    async def start(self) -> None:
        """Listen, and from then on follow the faults that refuse."""
        await self.refresh()

    async def refresh(self) -> None:
        """Look at the faults again: call it after arming one that refuses."""
        for turn in self._turns:
            turn.cancel()
        loop, now_s = asyncio.get_running_loop(), self.clock()
        edges_s = [edge_s for span in self.peer.faults.refusals() for edge_s in span if now_s < edge_s < float("inf")]
        self._turns = [loop.call_later(edge_s - now_s, self._turn) for edge_s in edges_s]
        if self.peer.faults.is_refusing(now_s):
            self._stop_listening()
        elif self._server is None:
            self._server = await loop.create_server(lambda: _Connection(self), HOST, self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    def _turn(self) -> None:
        self._task = asyncio.get_running_loop().create_task(self.refresh())

    def _stop_listening(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for connection in tuple(self.connections):
            connection.reset()

    async def close(self) -> None:
        """Stop listening and reset every connection."""
        for turn in self._turns:
            turn.cancel()
        self._stop_listening()


class PtyServer:
    """A peer behind a pty, as a serial port is seen. Dropping the link pulls the cable: a new pty takes its place.

    `in_flight` counts bytes on their way for a jumping clock; the client must count too (see `InFlight`), under the path
    of the pty.
    """

    def __init__(
        self, peer: Peer, clock: Callable[[], float], *, link: Path | None = None, in_flight: InFlight | None = None
    ) -> None:
        """A pty server.

        Args:
            peer: the instrument.
            clock: the world's time.
            link: a symbolic link kept pointing at the present pty; None for none.
            in_flight: of the loop's jumping clock; None on a real one.
        """
        self.peer = peer
        self.clock = clock
        self.link = link
        self.path = ""
        self._in_flight = in_flight
        self._session = Session(peer)
        self._master = self._slave = -1
        self._unsent = bytearray()

    @property
    def address(self) -> str:
        """Where a bench file finds it."""
        return f"serial://{self.path if self.link is None else self.link}"

    async def start(self) -> None:
        """Plug it in."""
        self._master, self._slave = os.openpty()  # the slave stays open, so that a client may come and go
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        if self.link is not None:
            self.link.unlink(missing_ok=True)
            self.link.symlink_to(self.path)
        asyncio.get_running_loop().add_reader(self._master, self._readable)

    async def refresh(self) -> None:
        """A port that refuses is noticed with the next message."""

    async def close(self) -> None:
        """Pull the cable."""
        self._unplug()

    def _unplug(self) -> None:
        if self._master < 0:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._master)
        loop.remove_writer(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1
        self._unsent.clear()
        if self._in_flight is not None:
            self._in_flight.forget(self.path)
        if self.link is not None:
            self.link.unlink(missing_ok=True)

    def _readable(self) -> None:
        data = os.read(self._master, READ_BYTES)
        if self._in_flight is not None:
            self._in_flight.done(len(data), self.path)
        try:
            pieces = self._session.feed(data, self.clock())
        except ConnectionResetError:
            self._unplug()
            self._task = asyncio.get_running_loop().create_task(self.start())
            return
        except ConnectionRefusedError:
            self._unplug()
            return
        loop = asyncio.get_running_loop()
        for delay_s, piece in pieces:
            if delay_s > 0.0:
                loop.call_later(delay_s, self._send, self._master, piece)
            else:
                self._send(self._master, piece)

    def _send(self, master: int, piece: bytes) -> None:
        if master != self._master:
            return  # unplugged since
        if self._in_flight is not None:
            self._in_flight.add_if_open(len(piece), self.path)
        self._unsent += piece
        self._flush()

    def _flush(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while self._unsent:
                del self._unsent[: os.write(self._master, self._unsent)]
        loop = asyncio.get_running_loop()
        if self._unsent:
            loop.add_writer(self._master, self._flush)
        else:
            loop.remove_writer(self._master)


Server = TcpServer | PtyServer


class Bench:
    """A world with its peers on wires."""

    def __init__(self, world: World, clock: Callable[[], float]) -> None:
        self.world = world
        self.servers: dict[str, Server] = {}
        self.side_door = ""
        self._clock = clock
        self._door: asyncio.Server | None = None

    async def start(
        self, wires: Mapping[str, Mapping[str, Any]] | None = None, *, in_flight: InFlight | None = None
    ) -> dict[str, str]:
        """Put peers on wires; the addresses by name.

        Args:
            wires: for each peer its wire, {"wire": "tcp", "port": 0} or {"wire": "pty", "link": PATH or nothing}; None
                puts every peer on a TCP port the system chooses.
            in_flight: see PtyServer.
        """
        for name, wire in ({name: {} for name in self.world.peers} if wires is None else wires).items():
            peer = self.world.peers[name]
            if wire.get("wire", "tcp") == "tcp":
                self.servers[name] = TcpServer(peer, self._clock, port=int(wire.get("port", 0)))
            else:
                link = None if wire.get("link") is None else Path(wire["link"])
                self.servers[name] = PtyServer(peer, self._clock, link=link, in_flight=in_flight)
            await self.servers[name].start()
        return {name: server.address for name, server in self.servers.items()}

    async def open_side_door(self) -> str:
        """Listen for JSON lines on one more loopback port; its `host:port`."""
        self._door = await asyncio.start_server(self._serve_side_door, HOST, 0)
        self.side_door = f"{HOST}:{self._door.sockets[0].getsockname()[1]}"
        return self.side_door

    async def close(self) -> None:
        """Take everything off the wires."""
        for server in self.servers.values():
            await server.close()
        if self._door is not None:
            self._door.close()

    async def _serve_side_door(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            try:
                reply = {"ok": True, **await self.command(json.loads(line))}
            except (KeyError, ValueError, TypeError, IndexError) as error:
                reply = {"ok": False, "error": f"{type(error).__name__}: {error}"}
            writer.write(json.dumps(reply).encode() + b"\n")
            await writer.drain()
        writer.close()

    async def command(self, command: Mapping[str, Any]) -> dict[str, Any]:
        """Carry out one line of the side door: `fault`, `disarm` (a peer) or `report`.

        Raises:
            KeyError, ValueError, TypeError, IndexError: for what does not exist.
        """
        if "fault" in command:
            raw = dict(command["fault"])
            name = raw.pop("peer")
            self.world.peers[name].faults.arm(fault_of(raw), self._clock())
        elif "disarm" in command:
            name = command["disarm"]
            self.world.peers[name].faults.disarm_all()
        elif "report" in command:
            return {"report": self.world.report(self._clock())}
        else:
            raise ValueError("say fault, disarm or report")
        if name in self.servers:
            await self.servers[name].refresh()
        return {}


async def serve_spec(spec: Mapping[str, Any], ready: Callable[[str], object], stop: asyncio.Event) -> None:
    """Serve a world from plain data (`world.world_of`, with `wires` as `Bench.start` takes them) until `stop` is set.

    Args:
        spec: the world.
        ready: called with one JSON line of all addresses once everything listens.
        stop: set by whoever wants the end.
    """
    loop = asyncio.get_running_loop()
    zero_s = loop.time()
    bench = Bench(world_of(spec), lambda: loop.time() - zero_s)
    addresses = await bench.start(spec.get("wires"))
    ready(json.dumps({"addresses": addresses, "side_door": await bench.open_side_door()}))
    try:
        await stop.wait()
    finally:
        await bench.close()


async def _main(spec: Mapping[str, Any], *, until_eof: bool) -> None:
    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    stdin = sys.stdin.fileno()

    def read_stdin() -> None:
        if not os.read(stdin, READ_BYTES):
            loop.remove_reader(stdin)
            stop.set()

    if until_eof:
        loop.add_reader(stdin, read_stdin)

    def say(line: str) -> None:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()

    await serve_spec(spec, say, stop)


def main(arguments: list[str] | None = None) -> int:
    """Serve a bench from a JSON file until SIGTERM, SIGINT or, if asked, the end of standard input."""
    parser = argparse.ArgumentParser(prog="python -m chargerd.sim.serve", description=main.__doc__)
    parser.add_argument("--spec", type=Path, required=True, help="JSON file: seed, channels, wires, faults")
    parser.add_argument("--until-eof", action="store_true", help="end when standard input ends")
    options = parser.parse_args(arguments)
    asyncio.run(_main(json.loads(options.spec.read_text(encoding="utf-8")), until_eof=options.until_eof))
    return 0


if __name__ == "__main__":
    sys.exit(main())
