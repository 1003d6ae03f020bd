"""The relay at the cell, the dead-man relay and a watchdog are proven by what they do to the voltage at the cell's clips."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from chargerd.config.bench import load_bench
from chargerd.daemon.commissioning import Proving, two_points
from chargerd.daemon.commissioning_feed import fed
from chargerd.daemon.commissioning_last import dead_man_lets_go, last_steps, relay_cuts, watchdog
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.contract.steps import ContractError, NotHereError
from chargerd.instruments.transports.memory import PEERS
from chargerd.sim.benches import bench_of
from chargerd.sim.relay import Relay
from chargerd.sim.world import World
from tests.instruments.rig import run as on_jumping_clock
from tests.worlds import switched_bench


class Person:
    def tell(self, text: str) -> None:
        del text

    async def confirm(self, text: str) -> bool:
        return bool(text)


def open_clips(*, switch: str) -> World:
    """The switched bench with nothing at its clips; `switch` is the contact between supply and clips."""
    instruments: dict[str, Any] = {
        "supply": {"kind": "supply", "behaviour": "scpi-supply", "identity": "Boathouse,Source 3A,SN1,1.0"},
        "probe": {"kind": "thermometer", "behaviour": "scpi-thermometer", "identity": "Boathouse,Thermometer,SN6,1.0"},
        "meter": {"kind": "meter", "behaviour": "scpi-meter", "identity": "Boathouse,Meter 6,SN5,1.0"},
        switch: {"kind": "relay"},
    }
    return bench_of({
        "seed": 1, "instruments": instruments,
        "channels": {"slip-1": {"cell": None, "source": "supply", "meter": "meter", "temperature": "probe", "switch": switch}},
        "peers": {"board": {"behaviour": "scpi-relays", "identity": "Boathouse,Relays 8,SN26,1.0", "panels": [switch]}},
    })  # fmt: skip


async def proving_of(text: str, world: World, folder: Path) -> tuple[Proving, ChannelBench]:
    loop = asyncio.get_running_loop()
    zero_s = loop.time()
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    bench = load_bench(folder / "bench.yaml")
    for name, peer in world.peers.items():
        PEERS[f"world-{name}"] = lambda data, now_s, peer=peer: peer.feed(data, now_s - zero_s)
    opened = await ChannelBench.open(bench, "slip-1", now=loop.time)
    await opened.identify()
    return Proving(bench, bench.channels["slip-1"], opened.instruments, Person(), loop.time), opened


def result_of(
    step: Callable[[Proving], Awaitable[str]], text: str, world: World, folder: Path, *, break_it: Callable[[World], None] | None = None
) -> tuple[str, Proving]:
    async def main() -> tuple[str, Proving]:
        proving, opened = await proving_of(text, world, folder)
        if break_it is not None:
            break_it(world)
        try:
            return await step(proving), proving
        finally:
            await opened.make_safe()
            await opened.close()

    try:
        return on_jumping_clock(main)
    finally:
        for name in world.peers:
            PEERS.pop(f"world-{name}", None)


def test_a_relay_that_cuts_is_proven_by_the_meter_behind_it(tmp_path: Path) -> None:
    world = open_clips(switch="relay")
    said, _ = result_of(relay_cuts, switched_bench.text(mirror=False, load=""), world, tmp_path)

    assert said.startswith("closed 1.0")
    assert not world.panels["supply"].conducts
    assert world.panels["relay"].get("closed") is False


def test_a_relay_that_is_bypassed_is_found_although_it_says_open(tmp_path: Path) -> None:
    def bypass(world: World) -> None:
        world.arm({"panel": "relay", "kind": "weld", "state": "closed"}, 0.0)

    world = open_clips(switch="relay")
    with pytest.raises(ContractError, match=r"welded or bypassed|says closed|told to be open"):
        result_of(relay_cuts, switched_bench.text(mirror=False, load=""), world, tmp_path, break_it=bypass)
    assert not world.panels["supply"].conducts


def test_the_two_point_check_closes_the_relay_and_opens_it_again(tmp_path: Path) -> None:
    world = open_clips(switch="relay")
    said, proving = result_of(two_points, switched_bench.text(mirror=False, load=""), world, tmp_path)

    assert "mV at 1.8 V" in said
    assert abs(proving.numbers["meter_minus_source_at_1.8V_V"]) < 0.01
    assert world.panels["relay"].get("closed") is False


def test_a_supply_without_a_watchdog_proves_none(tmp_path: Path) -> None:
    with pytest.raises(NotHereError, match="its output stays on"):
        result_of(watchdog, switched_bench.text(mirror=False, load=""), open_clips(switch="relay"), tmp_path)


# --- a dead-man relay, on a real line and the real clock ---------------------------------------------------------------------

DEAD_MAN = "dead_man: {{feed: line://{line}, drop_out: 1 s, cuts: [supply]}}\n"


def dead_man_result(
    folder: Path, holds_s: float, step: Callable[[Proving], Awaitable[str]] = dead_man_lets_go
) -> tuple[str, Proving, World]:
    """A real pty for the line, and behind it a simulated contact that lets go `holds_s` after the last byte."""
    world = open_clips(switch="contact")
    master, slave = os.openpty()
    tty.setraw(slave)
    text = switched_bench.text(mirror=False, load="", more=DEAD_MAN.format(line=os.ttyname(slave)))
    start = text.index("  relay:\n")
    text = (text[:start] + text[text.index("channels:\n") :]).replace(", switch: relay", "")

    async def main() -> tuple[str, Proving]:
        loop = asyncio.get_running_loop()
        proving, opened = await proving_of(text, world, folder)
        zero_s, contact = loop.time(), world.panels["contact"]
        assert isinstance(contact, Relay)
        let_go: list[asyncio.TimerHandle] = []

        def set_contact(state: bool) -> None:
            contact.set("closed", state, loop.time() - zero_s)

        def heard() -> None:
            os.read(master, 64)
            for handle in let_go:
                handle.cancel()
            set_contact(True)
            let_go[:] = [loop.call_later(holds_s, set_contact, False)]

        loop.add_reader(master, heard)
        try:
            with fed(proving.bench, "slip-1") as proving.feeding:
                return await step(proving), proving
        finally:
            loop.remove_reader(master)
            await opened.make_safe()
            await opened.close()

    try:
        said, proving = asyncio.run(main())
        return said, proving, world
    finally:
        os.close(master)
        os.close(slave)
        for name in world.peers:
            PEERS.pop(f"world-{name}", None)


def test_a_dead_man_relay_is_fed_and_then_measured_letting_go(tmp_path: Path) -> None:
    said, proving, world = dead_man_result(tmp_path, holds_s=0.8)

    assert said.startswith("let go ")
    assert 0.2 <= proving.numbers["dead_man_drop_out_s"] <= 1.2
    assert proving.proven == {"dead-man"}
    assert not world.panels["supply"].conducts


def test_what_is_measured_behind_a_dead_man_relay_is_measured_while_it_is_fed(tmp_path: Path) -> None:
    said, proving, _ = dead_man_result(tmp_path, 0.8, two_points)

    assert "mV at 1.8 V" in said
    assert abs(proving.numbers["meter_minus_source_at_1.8V_V"]) < 0.01


def test_a_dead_man_relay_that_cannot_be_fed_says_why_where_it_is_proven(tmp_path: Path) -> None:
    async def main() -> None:
        text = switched_bench.text(mirror=False, load="", more=DEAD_MAN.format(line="/dev/none-of-this-name"))
        proving, opened = await proving_of(text, open_clips(switch="relay"), tmp_path)
        try:
            with fed(proving.bench, "slip-1") as proving.feeding, pytest.raises(ContractError, match="cannot be fed: no such device"):
                await dead_man_lets_go(proving)
        finally:
            await opened.make_safe()
            await opened.close()

    on_jumping_clock(main)


def test_a_dead_man_relay_that_does_not_let_go_in_time_fails(tmp_path: Path) -> None:
    with pytest.raises(ContractError, match="the supply still reaches the clips"):
        dead_man_result(tmp_path, holds_s=60.0)


def test_the_last_steps_are_those_of_the_channel(tmp_path: Path) -> None:
    async def main() -> list[str]:
        proving, opened = await proving_of(switched_bench.text(mirror=False, load=""), open_clips(switch="relay"), tmp_path)
        await opened.close()
        return [name for name, _, _ in last_steps(proving)]

    assert on_jumping_clock(main) == ["relay cuts the cell off", "its own watchdog", "while the computer starts"]
