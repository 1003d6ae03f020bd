"""A run of the real channel on in-memory instruments, for measurements that need a record."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from pathlib import Path

from chargerd import ENGINE_VERSION, __version__
from chargerd.cli.files import example_bench, profile_path
from chargerd.cli.simulated import world_of_bench
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.profile import load_profile
from chargerd.core.engine import Engine
from chargerd.core.events import Start
from chargerd.daemon.channel import Channel, Pass
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import jumping_clock
from chargerd.daemon.frozen import FrozenRun, open_run
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.transports.memory import PEERS
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter
from chargerd.sim.fixtures import make_cell
from chargerd.sim.jump_clock import JumpLoop


def new_run(data: Path, bench_text: str) -> FrozenRun:
    """Make the run folder of a gentle formation of plover on that bench."""
    path = data / "bench.yaml"
    path.write_text(bench_text, encoding="utf-8")
    bench, profile = load_bench(path), load_profile(profile_path("gentle-formation"))
    cell = load_cell(example_bench().parent / "cells" / "plover-01.yaml")
    head = RunHead(
        "slip-1", datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"), __version__, ENGINE_VERSION,
        Frozen(cell.name, cell.text), Frozen(bench.name, bench.text), Frozen(profile.name, profile.text), {},
    )  # fmt: skip
    return open_run(create_run(data, head), simulated=True)


def record(data: Path, hours: float) -> FrozenRun:
    """Run for some hours on a jumping clock; return the run with its record."""
    text = example_bench().read_text(encoding="utf-8")
    for name, port in (("supply", 5025), ("load", 5026), ("probe", 5027)):
        text = text.replace(f"tcp://127.0.0.1:{port}", f"memory://{name}")
    run = new_run(data, text)

    async def go() -> None:
        loop = asyncio.get_running_loop()
        PEERS.update(world_of_bench(run.bench, {"slip-1": make_cell("plover", fresh=True)}).feeds())
        clock = jumping_clock(loop, datetime.now(UTC))
        bench = await ChannelBench.open(run.bench, "slip-1", now=clock.now_s)
        journal = JournalWriter.create(run.folder, bench.columns, engine_version=ENGINE_VERSION)

        async def prove() -> None:
            pass

        def watch(_done: Pass) -> None:
            pass

        task = asyncio.create_task(Channel(Engine(run.plan), bench, journal, clock, Checking(prove), watch).run(Start()))
        await asyncio.wait({task}, timeout=hours * 3600.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        runner.run(go())
    return run
