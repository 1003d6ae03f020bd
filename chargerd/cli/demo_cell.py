"""One cell of the demonstration, in a process of its own: simulated instruments on real TCP, the real channel, a jumping clock.

Everything between the sockets and the verdict is what a real bench uses, unmodified; only time jumps ahead when nothing can
happen before it.
"""

from __future__ import annotations

import asyncio
import re
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from multiprocessing.queues import Queue
from pathlib import Path
from typing import Any

from chargerd import ENGINE_VERSION, __version__
from chargerd.cli.files import example_bench, profile_path
from chargerd.cli.simulated import world_of_bench
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.profile import load_profile
from chargerd.core.engine import Engine
from chargerd.core.events import Start, Tripped
from chargerd.daemon.channel import Channel, Pass
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import Clock, jumping_clock
from chargerd.daemon.frozen import FrozenRun, open_run
from chargerd.daemon.watching import Watching
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.ledger import ChannelLedger
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter
from chargerd.sim.fixtures import make_cell
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.serve import Bench
from chargerd.sim.world import World
from chargerd.status.snapshot import Subject

SHOW_EVERY_S = 0.25
ZINC_AT_BUILD_AH = 0.61
"""Zinc laid on the negative foil at build, 0.4 of the rated capacity: what the shipped formation is best with."""
WATCH_AFTER_S = 3600.0
PASS_EVERY_S = 60.0
"""Between readings nothing is to be done here: no keeper waits for a beat."""
BETTER = (
    ("dialect: scpi-supply\n", "dialect: scpi-supply-compound\n"),
    ("dialect: scpi-load\n", "dialect: scpi-load-compound\n"),
    ("current: 0.1 % + 2 mA", "current: 0.02 % + 0.2 mA"),
    ("voltage: 0.05 % + 5 mV", "voltage: 0.02 % + 1 mV"),
)
"""The demonstration's instruments take several questions in a message (IEEE 488.2) and are better than the example's, so that
its cells can be told apart."""


@dataclass(frozen=True, slots=True)
class Job:
    """One run: a shipped profile and what goes wrong on purpose, as (peer, fault) in the simulator's words."""

    profile: str
    faults: tuple[tuple[str, dict[str, Any]], ...] = ()


@dataclass(frozen=True, slots=True)
class Finished:
    """One run that ended: where its record lies, and what the instruments' own books say."""

    cell: str
    profile: str
    folder: str
    state: str
    hours: float
    rows: int
    questions: int
    off_after_s: float | None = None
    trip: str = ""


@dataclass(frozen=True, slots=True)
class Done:
    """A cell's process has ended. `fault` is "" when all went as planned."""

    cell: str
    fault: str = ""


def work(cell: str, slip: int, folder: str, jobs: tuple[Job, ...], tell: Queue[Any]) -> None:
    """Run one cell's jobs one after the other; tell snapshots, finished runs and the end. The process's main function."""
    try:
        with asyncio.Runner(loop_factory=JumpLoop) as runner:
            runner.run(_work(cell, slip, Path(folder), jobs, tell))
        tell.put(Done(cell))
    except Exception as fault:  # noqa: BLE001 - the process boundary: the parent must hear of it instead of waiting
        tell.put(Done(cell, f"{type(fault).__name__}: {fault}"))


async def _work(cell: str, slip: int, folder: Path, jobs: tuple[Job, ...], tell: Queue[Any]) -> None:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpLoop)
    channel = f"slip-{slip}"
    text = example_bench().read_text(encoding="utf-8").replace("slip-1:", f"{channel}:")
    for plain, better in BETTER:
        text = text.replace(plain, better)
    home = folder / cell
    home.mkdir(parents=True)
    bench_path = home / "bench.yaml"
    bench_path.write_text(text, encoding="utf-8")
    simulated = make_cell(cell, fresh=True)
    simulated.zinc_C += ZINC_AT_BUILD_AH * 3600.0
    world = world_of_bench(load_bench(bench_path), {channel: simulated}, seed=slip)
    served = Bench(world, loop.time)
    addresses = await served.start()
    for name, address in addresses.items():
        text = re.sub(rf"(?m)^(  {name}:\n(?:    .*\n)*?    address: ).*$", rf"\g<1>{address}", text)
    bench_path.write_text(text.replace("data: boathouse-data", "data: .."), encoding="utf-8")
    clock = jumping_clock(loop, datetime.now(UTC))
    try:
        for job in jobs:
            run = _new_run(cell, bench_path, folder, job, clock)
            tell.put(await _one_run(run, job, world, clock, loop, tell))
    finally:
        await served.close()


def _new_run(cell: str, bench_path: Path, data: Path, job: Job, clock: Clock) -> FrozenRun:
    bench = load_bench(bench_path)
    cell_file = load_cell(example_bench().parent / "cells" / f"{cell}-01.yaml")
    profile = load_profile(profile_path(job.profile))
    head = RunHead(
        next(iter(bench.channels)), clock.utc(), __version__, ENGINE_VERSION, Frozen(cell_file.name, cell_file.text),
        Frozen(bench.name, bench.text), Frozen(profile.name, profile.text),
        {name: spec.identity for name, spec in bench.instruments.items()},
    )  # fmt: skip
    return open_run(create_run(data, head), simulated=True)


async def _one_run(run: FrozenRun, job: Job, world: World, clock: Clock, loop: JumpLoop, tell: Queue[Any]) -> Finished:
    from chargerd.sim.faults import forever

    bench = await ChannelBench.open(run.bench, run.channel.name, now=clock.now_s, in_flight=loop.in_flight)
    engine = Engine(run.plan)
    asked_before = _questions(world)
    began_s = clock.now_s()
    for peer, fault in job.faults:
        given = dict(fault)
        kind, after_s = given.pop("kind"), given.pop("after_s")
        world.peers[peer].faults.arm(forever(kind, at_s=began_s + after_s, **given), began_s)
    trips: list[tuple[float, Tripped]] = []
    watching = Watching(engine, _subject(run), (tell.put,), ())
    shown_s = [0.0]

    def after_pass(done: Pass) -> None:
        """A day takes a second here: a few snapshots a second of real time are enough."""
        watching.hear(done)
        real_s = time.monotonic()
        if real_s - shown_s[0] >= SHOW_EVERY_S:
            shown_s[0] = real_s
            watching.tell(done)
        trips.extend((began_s + done.elapsed_s, record) for _, record in done.records if isinstance(record, Tripped))

    async def prove() -> None:
        """No keeper here: nothing that this process could leave on is real."""

    with ChannelLedger.open(run.data, run.channel.name) as ledger:
        ledger.started(clock.utc(), run.folder.name)
        journal = JournalWriter.create(run.folder, bench.columns, engine_version=ENGINE_VERSION)
        channel = Channel(
            engine, bench, journal, clock, Checking(prove), after_pass, watch_after_s=WATCH_AFTER_S, pass_every_s=PASS_EVERY_S
        )
        state = await channel.run(Start(by="demo"))
        if trips:
            ledger.tripped(clock.utc(), run.folder.name, trips[0][1].cause, value=trips[0][1].value, limit=trips[0][1].limit)
        ledger.ended(clock.utc(), run.folder.name, state.value)
    await bench.close()
    log = world.panels[run.channel.source].output_log
    off_after_s = None
    if trips and job.faults:
        happened_s = began_s + job.faults[0][1]["after_s"]
        off_after_s = next((entry.time_s - happened_s for entry in log if not entry.on and entry.time_s >= happened_s), None)
    return Finished(
        run.cell.name, job.profile, str(run.folder), state.value, engine.memory.elapsed_s / 3600.0, channel.seq,
        _questions(world) - asked_before, off_after_s, trips[0][1].cause if trips else "",
    )  # fmt: skip


def _subject(run: FrozenRun) -> Subject:
    return Subject(
        run.bench.name, run.channel.name, run.cell.name, run.profile.name, run.folder.name, attended_only=False, simulated=True
    )


def _questions(world: World) -> int:
    """Questions the instruments have answered so far, by their own wire books."""
    return sum(peer.answers for peer in world.peers.values())
