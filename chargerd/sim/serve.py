"""Simulated instruments on real wires: TCP and pty servers, and a side door for tests in other processes.

Both servers call `Session.feed` and nothing else of an instrument. They run on any asyncio loop, the jumping one too; as a
program of its own, `python -m chargerd.sim.serve --spec FILE`, on the real clock. Only loopback is ever listened on.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import socket
import struct
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chargerd.sim.benches import world_from
from chargerd.sim.faults import fault_of
from chargerd.sim.folder_server import FolderServer
from chargerd.sim.pty_server import READ_BYTES, PtyServer
from chargerd.sim.timers import Speaker, Turns
from chargerd.sim.wire import Session
from chargerd.sim.world import World

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from chargerd.sim.jump_clock import InFlight
    from chargerd.sim.wire import Peer

HOST = "127.0.0.1"
LINGER_RESET = struct.pack("ii", 1, 0)
"""SO_LINGER with no time: closing resets the connection instead of ending it in order."""


class _Connection(asyncio.Protocol):
    """One TCP client of one peer."""

    def __init__(self, server: TcpServer) -> None:
        self._server = server
        self._session = Session(server.peer)
        self._transport: asyncio.Transport | None = None
        self._speaker = Speaker(server.peer, server.clock, self.data_received)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._server.connections.add(self)
        self.data_received(b"")

    def connection_lost(self, exc: Exception | None) -> None:
        del exc
        self._server.connections.discard(self)
        self._transport = None
        self._speaker.stop()

    def data_received(self, data: bytes) -> None:
        try:
            pieces = self._session.feed(data, self._server.clock())
        except ConnectionAbortedError:
            self.end()
            return
        except (ConnectionResetError, ConnectionRefusedError):
            self.reset()
            return
        loop = asyncio.get_running_loop()
        for delay_s, piece in pieces:
            if delay_s > 0.0:
                loop.call_later(delay_s, self._send, piece)
            else:
                self._send(piece)
        self.look_again()

    def _send(self, piece: bytes) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(piece)

    def look_again(self) -> None:
        """Follow the faults: read or not, and when to speak unasked."""
        if self._transport is None or self._transport.is_closing():
            return
        is_deaf = self._server.peer.faults.is_deaf(self._server.clock())
        if is_deaf is self._transport.is_reading():
            (self._transport.pause_reading if is_deaf else self._transport.resume_reading)()
            if not is_deaf:
                asyncio.get_running_loop().call_soon(self.data_received, b"")
        self._speaker.look_again()

    def end(self) -> None:
        """Let the client see an orderly end."""
        if self._transport is not None:
            self._transport.close()

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
        self._behind = peer
        self._turns = Turns(peer, clock, self.refresh)

    @property
    def address(self) -> str:
        """Where a bench file finds it."""
        return f"tcp://{HOST}:{self.port}"

    async def start(self) -> None:
        """Listen, and from then on follow the faults of the port."""
        await self.refresh()

    async def refresh(self) -> None:
        """Look at the faults again: call it after arming one that acts by time."""
        self._turns.look_again()
        now_s = self.clock()
        behind = self.peer.behind(now_s)
        if self.peer.faults.is_refusing(now_s):
            self._stop_listening()
        elif self._server is None:
            loop = asyncio.get_running_loop()
            self._server = await loop.create_server(lambda: _Connection(self), HOST, self.port)
            self.port = self._server.sockets[0].getsockname()[1]
        if behind is not self._behind:
            self._behind = behind
            self._reset_all()
        for connection in tuple(self.connections):
            connection.look_again()

    def _stop_listening(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        self._reset_all()

    def _reset_all(self) -> None:
        for connection in tuple(self.connections):
            connection.reset()

    async def close(self) -> None:
        """Stop listening and reset every connection."""
        self._turns.stop()
        self._stop_listening()


Server = TcpServer | PtyServer | FolderServer


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
            wires: for each peer its wire, {"wire": "tcp", "port": 0}, {"wire": "pty", "link": PATH or nothing}, or {"wire":
                "folder", "folder": PATH} for one that speaks files; None puts every peer on a TCP port the system chooses.
            in_flight: see PtyServer.
        """
        for name, wire in ({name: {} for name in self.world.peers} if wires is None else wires).items():
            peer = self.world.peers[name]
            if wire.get("wire", "tcp") == "tcp":
                self.servers[name] = TcpServer(peer, self._clock, port=int(wire.get("port", 0)))
            elif wire["wire"] == "folder":
                self.servers[name] = FolderServer(peer, self._clock, Path(wire["folder"]))
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
        for server in self.servers.values():  # a swap concerns two of them
            await server.refresh()
        return {}


async def serve_spec(spec: Mapping[str, Any], ready: Callable[[str], object], stop: asyncio.Event) -> None:
    """Serve a world from plain data (`benches.world_from`, with `wires` as `Bench.start` takes them) until `stop` is set.

    Args:
        spec: the world.
        ready: called with one JSON line of all addresses once everything listens.
        stop: set by whoever wants the end.
    """
    loop = asyncio.get_running_loop()
    zero_s = loop.time()
    bench = Bench(world_from(spec), lambda: loop.time() - zero_s)
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
