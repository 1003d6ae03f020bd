"""One shipped profile over three links: our TCP, PyVISA's serial on a pty, pyserial on a pty. The decisions are the same.

Simulated instruments and the channel share one process and a clock that jumps while nothing is on its way; everything from
the dialect's bytes to the journal is what a real bench uses.
"""

from __future__ import annotations

import asyncio
import csv
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from chargerd import ENGINE_VERSION, __version__
from chargerd.cli.files import example_bench, profile_path
from chargerd.cli.simulated import world_of_bench
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.profile import load_profile
from chargerd.core.engine import Engine
from chargerd.core.events import Start
from chargerd.core.states import State
from chargerd.daemon.channel import Channel
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import jumping_clock
from chargerd.daemon.frozen import FrozenRun, open_run
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.resume import replay
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import small_cell
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.serve import Bench

BEGAN = datetime(2026, 3, 14, 20, 0, tzinfo=UTC)
LINKS: dict[str, tuple[str, Callable[[str], str]]] = {
    "tcp": ("tcp", lambda served: served),
    "visa": ("pty", lambda served: f"visa://ASRL{served.removeprefix('serial://')}::INSTR"),
    "serial": ("pty", lambda served: f"{served}?baud=115200"),
}
"""Link → what the simulator serves, and how the bench file names what it serves."""


@dataclass(frozen=True)
class Ran:
    """What one run left behind, as far as it must not depend on the link."""

    state: State
    decisions: list[tuple[str, str, str]]
    readings: int
    differences: int
    energised_at_end: bool


def small_plover() -> Cell:
    """A formed plover a tenth of the size: a run of a day becomes one of half an hour. Its resistances stay, or nothing flowed."""
    return Cell(small_cell(factor=0.1), fresh=False)


def run_over(link: str, folder: Path) -> Ran:
    (folder / "data").mkdir(parents=True)
    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        return runner.run(_run_over(link, folder))


async def _run_over(link: str, folder: Path) -> Ran:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpLoop)
    wire, name_of = LINKS[link]
    bench_path = folder / "bench.yaml"
    text = example_bench().read_text(encoding="utf-8").replace("fuse: 1 A", "fuse: 2.5 A")
    bench_path.write_text(text, encoding="utf-8")
    world = world_of_bench(load_bench(bench_path), {"slip-1": small_plover()}, seed=7)
    served = Bench(world, loop.time)
    addresses = await served.start({name: {"wire": wire} for name in world.peers}, in_flight=loop.in_flight)
    try:
        for name, address in addresses.items():
            text = re.sub(rf"(?m)^(  {name}:\n(?:    .*\n)*?    address: ).*$", rf"\g<1>{name_of(address)}", text)
        bench_path.write_text(text, encoding="utf-8")
        run, state = await _one_run(bench_path, folder / "data", loop)
    finally:
        await served.close()
    replayed = replay(run.folder, lambda: Engine(run.plan), engine_version=ENGINE_VERSION)
    with (run.folder / "events.csv").open(encoding="utf-8", newline="") as file:
        decisions = [(row["after_seq"], row["kind"], _decided(row)) for row in csv.DictReader(file) if row["kind"] != "observed"]
    on = any(panel.conducts for panel in world.panels.values())
    return Ran(state, decisions, replayed.readings, replayed.differences_count, on)


async def _one_run(bench_path: Path, data: Path, loop: JumpLoop) -> tuple[FrozenRun, State]:
    bench_file, cell = load_bench(bench_path), load_cell(example_bench().parent / "cells" / "plover-01.yaml")
    profile = load_profile(profile_path("fast-formation-attended"))
    clock = jumping_clock(loop, BEGAN)
    head = RunHead(
        "slip-1", clock.utc(), __version__, ENGINE_VERSION, Frozen(cell.name, cell.text),
        Frozen(bench_file.name, bench_file.text), Frozen(profile.name, profile.text),
        {name: spec.identity for name, spec in bench_file.instruments.items()},
    )  # fmt: skip
    run = open_run(create_run(data, head), simulated=True)
    bench = await ChannelBench.open(run.bench, "slip-1", now=clock.now_s, in_flight=loop.in_flight)

    async def prove() -> None:
        """No keeper here: nothing that this process could leave on is real."""

    try:
        journal = JournalWriter.create(run.folder, bench.columns, engine_version=ENGINE_VERSION)
        channel = Channel(Engine(run.plan), bench, journal, clock, Checking(prove), lambda done: None)
        return run, await channel.run(Start(by="test"))
    finally:
        await bench.close()


def _decided(row: dict[str, str]) -> str:
    """What was decided, without what was measured."""
    named = re.findall(r'"(?:step|end|before|after|reason|cause|name|activity)":"?[^,"}]*', row["detail"])
    return " ".join(named)


@pytest.fixture(scope="module")
def over_tcp(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    return run_over("tcp", tmp_path_factory.mktemp("tcp") / "run")


@pytest.mark.timeout(180)
def test_the_shipped_profile_completes_over_tcp(over_tcp: Ran):
    assert (over_tcp.state, over_tcp.differences, over_tcp.energised_at_end) == (State.COMPLETE, 0, False)
    steps = [decision for _, kind, decision in over_tcp.decisions if kind == "step-started"]
    assert len(steps) == 3
    assert over_tcp.readings > 1500
    assert "resistance-measured" in [kind for _, kind, _ in over_tcp.decisions]


@pytest.mark.timeout(180)
@pytest.mark.parametrize("link", ["visa", "serial"])
def test_a_pty_through_another_library_decides_the_same(link: str, over_tcp: Ran, tmp_path: Path):
    ran = run_over(link, tmp_path / "run")

    assert (ran.state, ran.differences, ran.energised_at_end) == (State.COMPLETE, 0, False)
    assert ran.decisions == over_tcp.decisions
    assert ran.readings == over_tcp.readings
