"""Peers on real wires: TCP, pty, the side door, and a whole process of its own."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import select
import socket
import subprocess
import sys
import tty
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from chargerd.sim.faults import forever, once
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.serve import Bench
from chargerd.sim.world import boathouse_bench

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable

    from chargerd.sim.jump_clock import InFlight

POLLS, PERIOD_S, TIME_OUT_S = 1500, 57.6, 0.5
"""A day of polling, thinned to be quick: 24 h = 1500 × 57.6 s. A time-out before the answer is false: the bench is well."""


def jumping(main: Callable[[Bench, JumpLoop], Awaitable[Any]], **bench_options: Any) -> Any:
    async def whole() -> Any:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, JumpLoop)
        bench = Bench(boathouse_bench("plover", **bench_options), loop.time)
        try:
            return await main(bench, loop)
        finally:
            await bench.close()

    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        return runner.run(whole())


@contextlib.asynccontextmanager
async def connected(address: str) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    host, _, port = address.removeprefix("tcp://").partition(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    try:
        yield reader, writer
    finally:
        writer.close()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


async def tcp_ask(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, message: str) -> str:
    writer.write(message.encode() + b"\n")
    async with asyncio.timeout(TIME_OUT_S):
        return (await reader.readline()).decode().rstrip("\n")


class PtyClient:
    """A client that counts what it sends and receives, as a transport under a jumping clock must."""

    def __init__(self, path: str, in_flight: InFlight) -> None:
        self._path, self._in_flight = path, in_flight
        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._fd)
        self._lines: asyncio.Queue[bytes] = asyncio.Queue()
        self._buffer = b""
        asyncio.get_running_loop().add_reader(self._fd, self._read)

    def _read(self) -> None:
        try:
            data = os.read(self._fd, 4096)
        except OSError:
            data = b""
        if not data:  # Linux: end of file or EIO once the other end is gone
            asyncio.get_running_loop().remove_reader(self._fd)
            self._lines.put_nowait(b"gone")
            return
        self._in_flight.done(len(data), self._path)
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        for line in lines:
            self._lines.put_nowait(line)

    async def ask(self, message: str) -> str:
        data = message.encode() + b"\n"
        self._in_flight.add(len(data), self._path)
        os.write(self._fd, data)
        async with asyncio.timeout(TIME_OUT_S):
            return (await self._lines.get()).decode()

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._fd)
        os.close(self._fd)
        self._in_flight.forget(self._path)


async def wait_virtual(seconds: float) -> None:
    loop = asyncio.get_running_loop()
    reached = loop.create_future()
    loop.call_later(seconds, reached.set_result, None)
    await reached


# -- TCP ----------------------------------------------------------------------------------------------------------


def test_a_day_over_tcp_without_a_false_time_out() -> None:
    async def main(bench: Bench, loop: JumpLoop) -> tuple[float, int]:
        addresses = await bench.start()
        async with connected(addresses["supply"]) as (reader, writer):
            await tcp_ask(reader, writer, "VOLT 1.85;CURR 0.5;OUTP ON;*OPC?")
            good = 0
            for _ in range(POLLS):
                await wait_virtual(PERIOD_S)
                good += len((await tcp_ask(reader, writer, "MEAS:VOLT?;CURR?")).split(";")) == 2
        return loop.time(), good

    assert jumping(main) == (pytest.approx(86_400.0), POLLS)


def test_two_clients_do_not_disturb_each_others_half_messages() -> None:
    async def main(bench: Bench, _: JumpLoop) -> list[str]:
        address = (await bench.start())["supply"]
        async with connected(address) as first, connected(address) as second:
            first[1].write(b"VOLT 1.")
            answer = await tcp_ask(*second, "VOLT?")
            return [answer, await tcp_ask(*first, "5;VOLT?")]

    assert jumping(main) == ["+0.00000E+00", "+1.50000E+00"]


def test_a_late_reply_comes_late_and_a_dropped_link_is_reset() -> None:
    async def main(bench: Bench, loop: JumpLoop) -> tuple[float, str]:
        faults = bench.world.peers["supply"].faults
        faults.arm(once("late", delay_s=0.25))
        faults.arm(once("drop", at_question=2))
        async with connected((await bench.start())["supply"]) as (reader, writer):
            await tcp_ask(reader, writer, "*IDN?")
            came_s = loop.time()
            try:
                return came_s, await tcp_ask(reader, writer, "*IDN?")
            except ConnectionResetError:
                return came_s, "reset"

    assert jumping(main) == (0.25, "reset")


def test_a_port_that_refuses_is_closed_for_that_time_and_then_open_again() -> None:
    async def main(bench: Bench, _: JumpLoop) -> list[str]:
        bench.world.peers["supply"].faults.arm(forever("refuse", at_s=10.0, for_s=20.0))
        address = (await bench.start())["supply"]
        seen = []
        async with connected(address) as (reader, writer):
            seen.append(await tcp_ask(reader, writer, "*OPC?"))
            await wait_virtual(15.0)
            try:
                seen.append(await tcp_ask(reader, writer, "*OPC?"))
            except ConnectionError:
                seen.append("reset")
        try:
            async with connected(address):
                seen.append("connected")
        except ConnectionRefusedError:
            seen.append("refused")
        await wait_virtual(20.0)
        async with connected(address) as (reader, writer):
            seen.append(await tcp_ask(reader, writer, "*OPC?"))
        return seen

    assert jumping(main) == ["1", "reset", "refused", "1"]


# -- pty ----------------------------------------------------------------------------------------------------------


def test_a_day_over_a_pty_without_a_false_time_out() -> None:
    async def main(bench: Bench, loop: JumpLoop) -> tuple[float, int]:
        addresses = await bench.start({"supply": {"wire": "pty"}}, in_flight=loop.in_flight)
        client = PtyClient(addresses["supply"].removeprefix("serial://"), loop.in_flight)
        await client.ask("VOLT 1.85;CURR 0.5;OUTP ON;*OPC?")
        good = 0
        for _ in range(POLLS):
            await wait_virtual(PERIOD_S)
            good += len((await client.ask("MEAS:VOLT?;CURR?")).split(";")) == 2
        client.close()
        return loop.time(), good

    assert jumping(main) == (pytest.approx(86_400.0), POLLS)


def test_a_dropped_pty_hangs_up_and_its_link_points_to_a_new_one(tmp_path: Path) -> None:
    async def main(bench: Bench, loop: JumpLoop) -> tuple[str, str]:
        bench.world.peers["supply"].faults.arm(once("drop"))
        link = tmp_path / "supply"
        await bench.start({"supply": {"wire": "pty", "link": str(link)}}, in_flight=loop.in_flight)
        client = PtyClient(str(link.readlink()), loop.in_flight)
        first = await client.ask("*OPC?")
        client.close()
        while not link.is_symlink():
            await wait_virtual(0.1)
        client = PtyClient(str(link.readlink()), loop.in_flight)
        second = await client.ask("*OPC?")
        client.close()
        return first, second

    assert jumping(main) == ("gone", "1")


def test_a_flood_larger_than_the_buffer_of_a_pty_arrives_whole() -> None:
    async def main(bench: Bench, loop: JumpLoop) -> int:
        faults = bench.world.peers["supply"].faults
        faults.arm(once("flood", bytes=50_000))
        addresses = await bench.start({"supply": {"wire": "pty"}}, in_flight=loop.in_flight)
        client = PtyClient(addresses["supply"].removeprefix("serial://"), loop.in_flight)
        with contextlib.suppress(TimeoutError):
            await client.ask("VOLT?")
        answer = await client.ask("*OPC?")
        client.close()
        return len(answer)

    assert jumping(main) == 50_001


# -- another process ----------------------------------------------------------------------------------------------


class Process:
    """A bench in a process of its own, at true speed; it ends when its standard input does."""

    def __init__(self, folder: Path, spec: dict[str, Any]) -> None:
        path = folder / "bench.json"
        path.write_text(json.dumps(spec), encoding="utf-8")
        command = [sys.executable, "-m", "chargerd.sim.serve", "--spec", str(path), "--until-eof"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self._process.stdout is not None
        readable, _, _ = select.select([self._process.stdout], [], [], 20.0)
        assert readable, "the bench did not say that it is ready"
        self.ready = json.loads(self._process.stdout.readline())

    def end(self) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        code = self._process.wait(20.0)
        self._process.stdout.close()
        return code


def line_of(connection: socket.socket, message: str) -> str:
    connection.sendall(message.encode() + b"\n")
    received = b""
    while not received.endswith(b"\n"):
        received += connection.recv(65_536)
    return received.decode().rstrip("\n")


def open_socket(address: str) -> socket.socket:
    host, _, port = address.removeprefix("tcp://").partition(":")
    return socket.create_connection((host, int(port)), timeout=10.0)


def test_a_bench_in_another_process_takes_faults_and_reports_through_its_side_door(tmp_path: Path) -> None:
    process = Process(tmp_path, {"seed": 1, "channels": [{"cell": "dotterel"}]})
    with open_socket(process.ready["addresses"]["supply"]) as supply, open_socket(process.ready["side_door"]) as door:
        assert line_of(supply, "VOLT 1.9;CURR 0.2;OUTP ON;*IDN?") == "Boathouse,Source 3A,SN1,1.0"
        assert json.loads(line_of(door, '{"fault": {"peer": "supply", "kind": "replace", "text": "ERR"}}')) == {"ok": True}
        assert line_of(supply, "MEAS:VOLT?") == "ERR"
        assert line_of(supply, "OUTP OFF;OUTP?") == "0"

        report = json.loads(line_of(door, '{"report": true}'))["report"]
        ((start_s, end_s),) = report["panels"]["supply"]["energised"]

        assert 0.0 <= start_s < end_s <= report["now_s"]
        for nonsense in ('{"fault": {"peer": "nobody", "kind": "hang"}}', '{"fault": {"peer": "supply"}}', "{", "[]", "{}"):
            assert json.loads(line_of(door, nonsense))["ok"] is False, nonsense
        assert json.loads(line_of(door, '{"disarm": "supply"}')) == {"ok": True}
    assert process.end() == 0
