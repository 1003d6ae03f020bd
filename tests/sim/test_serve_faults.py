"""Faults of the port and unasked speech on real wires: TCP, ptys, folders of files. Under the jumping clock, and once at true speed."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from chargerd.sim.faults import fault_of, forever, once
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.panel import Lie
from chargerd.sim.serve import Bench, TcpServer
from chargerd.sim.world import World
from tests.sim.test_serve import PtyClient, connected, tcp_ask, wait_virtual

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable


def made_world() -> World:
    """A supply, a printing board, a one-wire sensor and a supply for a fan, none of them on a cell."""
    world = World()
    for name, kind, behaviour in (
        ("supply", "supply", "scpi-supply"),
        ("board", "thermometer", "line-sensor-prints"),
        ("wire", "thermometer", "file-one-wire"),
        ("fan", "supply", "line-supply"),
    ):
        panel = world.add_panel(kind, name, world.add_node(name, None))
        world.add_peer(name, behaviour, [panel])
    for name in ("board", "wire"):
        world.panels[name].lies["temperature_degC"] = Lie(value=23.5)
    return world


def jumping(main: Callable[[Bench, JumpLoop], Awaitable[Any]]) -> Any:
    async def whole() -> Any:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, JumpLoop)
        bench = Bench(made_world(), loop.time)
        try:
            return await main(bench, loop)
        finally:
            await bench.close()

    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        return runner.run(whole())


async def arm(bench: Bench, name: str, **raw: Any) -> None:
    await bench.command({"fault": {"peer": name, **raw}})


def arrived(descriptor: int) -> bytes:
    """All that comes; the kernel hands a terminal's bytes over a little after they were written."""
    received = b""
    while select.select([descriptor], [], [], 0.5)[0]:
        received += os.read(descriptor, 65_536)
    return received


async def turn() -> None:
    loop = asyncio.get_running_loop()
    reached = loop.create_future()
    loop.call_soon(reached.set_result, None)
    await reached


# -- unasked ------------------------------------------------------------------------------------------------------


def test_a_printing_board_is_heard_over_tcp_once_a_second_by_everyone_who_listens() -> None:
    async def main(bench: Bench, loop: JumpLoop) -> list[tuple[float, bytes]]:
        address = (await bench.start())["board"]
        heard = []
        await wait_virtual(0.4)
        async with connected(address) as (reader, _), connected(address) as (other, _):
            for _ in range(3):
                heard.append((round(loop.time(), 6), await reader.readline()))
                heard[-1] = (round(loop.time(), 6), heard[-1][1])
            assert await other.readline() == heard[0][1]
        return heard

    assert jumping(main) == [(1.0, b"t1=23.5\r\n"), (2.0, b"t1=23.5\r\n"), (3.0, b"t1=23.5\r\n")]


def test_a_printing_board_is_heard_on_a_pty_from_when_somebody_counts_there() -> None:
    async def main(bench: Bench, loop: JumpLoop) -> list[tuple[float, bytes]]:
        path = (await bench.start({"board": {"wire": "pty"}}, in_flight=loop.in_flight))["board"].removeprefix("serial://")
        await wait_virtual(10.5)  # nobody is there: nothing waits, and time does not stand still
        client = PtyClient(path, loop.in_flight)
        loop.in_flight.add(0, path)
        heard = []
        for _ in range(2):
            line = await client._lines.get()
            heard.append((round(loop.time(), 6), line))
        client.close()
        await wait_virtual(10.0)
        return heard

    assert jumping(main) == [(11.0, b"t1=23.5\r"), (12.0, b"t1=23.5\r")]


def test_on_a_real_clock_a_pty_nobody_reads_does_not_fill_up() -> None:
    async def main() -> tuple[int, bytes]:
        world, now = made_world(), [0.0]
        bench = Bench(world, lambda: now[0])
        path = (await bench.start({"board": {"wire": "pty"}}))["board"].removeprefix("serial://")
        server: Any = bench.servers["board"]
        for second in range(1, 2001):
            now[0] = float(second)
            server._feed(b"")
        client = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        waiting = len(arrived(client))
        now[0] += 1.0
        server._feed(b"")
        fresh = arrived(client)
        os.close(client)
        await bench.close()
        return waiting, fresh

    waiting, fresh = asyncio.run(main())
    assert 1000 < waiting <= 4096  # what Linux keeps for a terminal; it hands over in its own time
    assert fresh == b"t1=23.5\r\n"


def test_foreign_bytes_arrive_at_their_time_without_a_question() -> None:
    async def main(bench: Bench, loop: JumpLoop) -> list[Any]:
        address = (await bench.start())["supply"]
        async with connected(address) as (reader, writer):
            assert await tcp_ask(reader, writer, "*OPC?") == "1"
            await arm(bench, "supply", kind="foreign", at_s=5.0, to="line", text="AT\n")
            line = await reader.readline()
            came_s = round(loop.time(), 6)
            await arm(bench, "supply", kind="foreign")
            await wait_virtual(1.0)
            return [came_s, line, await tcp_ask(reader, writer, "SYST:ERR?")]

    assert jumping(main) == [5.0, b"AT\n", '-113,"Undefined header"']


# -- the port -----------------------------------------------------------------------------------------------------


def test_a_link_may_end_in_order() -> None:
    async def main(bench: Bench, _: JumpLoop) -> bytes:
        address = (await bench.start())["supply"]
        await arm(bench, "supply", kind="drop", orderly=True)
        async with connected(address) as (reader, writer):
            writer.write(b"*OPC?\n")
            return await reader.read()

    assert jumping(main) == b""


def test_a_deaf_tcp_port_answers_all_when_it_hears_again() -> None:
    async def main(bench: Bench, loop: JumpLoop) -> tuple[str, float]:
        address = (await bench.start())["supply"]
        async with connected(address) as (reader, writer):
            await tcp_ask(reader, writer, "*OPC?")
            await arm(bench, "supply", kind="deaf", at_s=2.0, for_s=30.0)
            await wait_virtual(3.0)
            with pytest.raises(TimeoutError):
                await tcp_ask(reader, writer, "VOLT 1.5;VOLT?")
            assert bench.world.panels["supply"].get("voltage_set_V") == 0.0
            return (await reader.readline()).decode(), round(loop.time(), 6)

    assert jumping(main) == ("+1.50000E+00\n", 32.0)


def test_a_long_write_to_a_deaf_port_never_returns() -> None:
    # C18: what a driver's blocking call meets; here the kernel's buffers are filled and the socket stays unwritable
    async def main() -> int:
        world, now = made_world(), [0.0]
        world.peers["supply"].faults.arm(forever("deaf"))
        server = TcpServer(world.peers["supply"], lambda: now[0])
        await server.start()
        loop = asyncio.get_running_loop()
        client = socket.socket()
        client.setblocking(False)
        client.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        await loop.sock_connect(client, ("127.0.0.1", server.port))
        while not server.connections:
            await turn()
        sent, stuck = 0, 0
        while stuck < 3:
            try:
                sent += client.send(b"9" * 65_536)
                stuck = 0
            except BlockingIOError:
                stuck += 1
                await turn()
                select.select([], [client], [], 0.05)
        client.close()
        await server.close()
        return sent

    assert asyncio.run(main()) > 0


def test_a_pty_is_pulled_at_its_time_and_plugged_in_again(tmp_path: Path) -> None:
    async def main(bench: Bench, loop: JumpLoop) -> list[Any]:
        link = tmp_path / "port"
        await bench.start({"fan": {"wire": "pty", "link": str(link)}}, in_flight=loop.in_flight)
        await arm(bench, "fan", kind="refuse", at_s=10.0, for_s=5.0)
        client = PtyClient(str(link.readlink()), loop.in_flight)
        seen: list[Any] = [await client._lines.get()]  # the cable hangs up though nobody asked
        seen.append((round(loop.time(), 6), link.is_symlink()))
        client.close()
        await wait_virtual(6.0)
        seen.append(link.is_symlink())
        return seen

    assert jumping(main) == [b"gone", (10.0, False), True]


def test_two_ptys_are_swapped_mid_run_and_each_link_leads_to_the_other(tmp_path: Path) -> None:
    async def main(bench: Bench, loop: JumpLoop) -> list[Any]:
        links = {name: tmp_path / name for name in ("supply", "fan")}
        wires = {name: {"wire": "pty", "link": str(link)} for name, link in links.items()}
        await bench.start(wires, in_flight=loop.in_flight)
        await arm(bench, "supply", kind="swap", at_s=10.0, for_s=10.0, **{"with": "fan"})
        seen: list[Any] = []
        client = PtyClient(str(links["supply"].readlink()), loop.in_flight)
        seen.append(await client.ask("*IDN?"))
        seen.append(await client._lines.get())
        client.close()
        other = PtyClient(str(links["fan"].readlink()), loop.in_flight)
        seen.append(await other.ask("*IDN?"))
        other.close()
        await wait_virtual(15.0)
        again = PtyClient(str(links["supply"].readlink()), loop.in_flight)
        seen.append(await again.ask("*IDN?"))
        again.close()
        return seen

    assert jumping(main) == ["Boathouse,Source 3A,SN1,1.0", b"gone", "Boathouse,Source 3A,SN1,1.0", "Boathouse,Source 3A,SN1,1.0"]


def test_a_swap_resets_tcp_connections_of_both() -> None:
    async def main(bench: Bench, _: JumpLoop) -> list[str]:
        addresses = await bench.start()
        seen = []
        async with connected(addresses["supply"]) as one, connected(addresses["fan"]) as two:
            await tcp_ask(*one, "*OPC?")
            await arm(bench, "supply", kind="swap", at_s=5.0, **{"with": "fan"})
            await wait_virtual(6.0)
            for reader, _writer in (one, two):
                with contextlib.suppress(ConnectionError):
                    seen.append("ended" if await reader.read() == b"" else "spoke")
                    continue
                seen.append("reset")
        async with connected(addresses["fan"]) as (reader, writer):
            seen.append(await tcp_ask(reader, writer, "*IDN?"))
        return seen

    assert jumping(main) == ["reset", "reset", "Boathouse,Source 3A,SN1,1.0"]


# -- folders ------------------------------------------------------------------------------------------------------


def test_a_folder_follows_its_thermometer_and_its_faults(tmp_path: Path) -> None:
    async def main(bench: Bench, _: JumpLoop) -> list[Any]:
        folder = tmp_path / "28-0000b0a70001"
        address = (await bench.start({"wire": {"wire": "folder", "folder": str(folder)}}))["wire"]
        read = (folder / "temperature").read_text
        seen: list[Any] = [address == f"file://{folder}", read(), (folder / "name").read_text()]
        bench.world.panels["wire"].lies["temperature_degC"] = Lie(value=30.0)
        seen.append(read())
        await wait_virtual(1.0)
        seen.append(read())
        for raw in ({"kind": "reading", "value": 85.0}, {"kind": "mute", "header": "temp"}, {"kind": "drop", "header": "temp"}):
            await arm(bench, "wire", times=None, **raw)
            await wait_virtual(1.0)
            seen.append(read() if (folder / "temperature").exists() else "no file")
            bench.world.peers["wire"].faults.disarm_all()
        await arm(bench, "wire", kind="refuse")
        seen.append(sorted(path.name for path in folder.iterdir()))
        bench.world.peers["wire"].faults.disarm_all()
        await wait_virtual(1.0)
        seen.append(read())
        await bench.close()
        seen.append(list(folder.iterdir()))
        return seen

    assert jumping(main) == [
        True, "23500\n", "28-0000b0a70001\n", "23500\n", "30000\n", "85000\n", "85000\n", "no file", [], "30000\n", [],
    ]  # fmt: skip


def test_only_a_peer_that_speaks_files_has_a_folder(tmp_path: Path) -> None:
    async def main(bench: Bench, _: JumpLoop) -> None:
        await bench.start({"supply": {"wire": "folder", "folder": str(tmp_path / "x")}})

    with pytest.raises(TypeError, match="supply does not speak files"):
        jumping(main)


def test_faults_by_time_need_no_message() -> None:
    armed = [
        fault_of({"kind": kind, "at_s": 3.0, **({"with": "fan"} if kind == "swap" else {})})
        for kind in ("refuse", "deaf", "swap")
    ]
    world = made_world()
    for fault in armed:
        world.peers["supply"].faults.arm(fault)

    assert world.peers["supply"].faults.edges_s(0.0) == [3.0, 3.0, 3.0]
    assert world.peers["fan"].faults.edges_s(0.0) == [3.0]
    assert once("deaf").times == 1
