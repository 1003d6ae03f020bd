"""A whole run on a simulated bench in one process: real files, real driver bytes, real journal, real loop; only time jumps.

Bench and cell are the shipped invented ones, the profile is the test's. What is judged is the simulated panels' own record of
when they conducted, the cell's own books, and the bytes each instrument heard, never what the program believes.
"""

from __future__ import annotations

import asyncio
import re
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from chargerd import ENGINE_VERSION, __version__
from chargerd.cli.files import example_bench, profile_path
from chargerd.cli.simulated import world_of_bench
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.profile import load_profile
from chargerd.core.engine import Engine
from chargerd.core.events import Record, Start, StateChanged, StepEnded, Tripped
from chargerd.core.states import State
from chargerd.daemon.channel import Channel, Pass
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import Clock, jumping_clock
from chargerd.daemon.frozen import FrozenRun, open_run
from chargerd.daemon.starting import ANYHOW, Starting
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.transports import memory
from chargerd.journal.resume import Replayed, fold, replay
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter
from chargerd.sim.cell import Cell
from chargerd.sim.faults import Fault
from chargerd.sim.fixtures import make_cell
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.panel import Panel
from chargerd.sim.serve import Bench as ServedBench
from chargerd.sim.wire import Exchange
from chargerd.sim.world import World

BEGAN = datetime(2026, 3, 14, 20, 0, tzinfo=UTC)
OPENED = "(opened)"
"""What stands in `Ran.heard` where the driver opened a new link."""

PASSES_AT_ONCE = 20
"""More passes than this without time going on are a loop that waits for what is already due."""

Feed = Callable[[bytes, float], list[tuple[float, bytes]]]
Act = Callable[["Stage"], None]


class Look(NamedTuple):
    """After one pass of the channel: what it thinks, and what is true."""

    time_s: float
    state: State
    may_energise: bool
    source_on: bool
    load_on: bool


@dataclass
class Stage:
    """What a test may reach into while the run goes on. `ask` is the person, `world` the bench before him."""

    world: World
    channel: Channel
    engine: Engine
    loop: JumpLoop

    def now_s(self) -> float:
        return self.loop.time()


@dataclass
class Ran:
    """A run that is over, or was cut off at its time limit."""

    folder: Path
    frozen: FrozenRun
    world: World
    engine: Engine
    state: State
    is_over: bool
    records: list[tuple[float, Record]]
    looks: list[Look]
    heard: dict[str, list[Exchange]]
    ended_s: float
    kept: dict[str, bytes] = field(default_factory=dict)
    decided: list[tuple[str, str]] = field(default_factory=list)
    """Filled by tests whose folder does not outlive the run."""

    @property
    def source(self) -> Panel:
        return self.world.panels["supply"]

    @property
    def load(self) -> Panel:
        return self.world.panels["load"]

    def kinds(self) -> list[str]:
        return [record.kind for _, record in self.records]

    def trips(self) -> list[tuple[float, Tripped]]:
        return [(time_s, record) for time_s, record in self.records if isinstance(record, Tripped)]

    @property
    def cause(self) -> str:
        """The first-out cause, "" when nothing tripped."""
        return self.trips()[0][1].cause if self.trips() else ""

    def states(self) -> list[str]:
        """Every state the channel went through after IDLE."""
        return [record.after for _, record in self.records if isinstance(record, StateChanged)]

    def ends(self) -> list[str]:
        return [record.end for _, record in self.records if isinstance(record, StepEnded)]

    def off_s(self, after_s: float) -> float | None:
        """When source and load were both truly off after an instant: at once, at a later one, or never (None)."""
        changes = sorted({after_s, *(e.time_s for p in (self.source, self.load) for e in p.output_log if e.time_s > after_s)})
        return next((at_s for at_s in changes if not conducts_at(self.source, at_s) and not conducts_at(self.load, at_s)), None)

    def journal_bytes(self) -> dict[str, bytes]:
        return {name: (self.folder / name).read_bytes() for name in ("readings.csv", "events.csv", "readings.csv-metadata.json")}

    def heard_bytes(self) -> dict[str, list[str]]:
        return {name: [exchange.received for exchange in log] for name, log in self.heard.items()}

    def decisions(self) -> list[tuple[str, str]]:
        """Every row of events.csv after which reading it came and what it said, without its times."""
        return [(row.split(b",")[1].decode(), kind_of(row)) for row in (self.folder / "events.csv").read_bytes().split(b"\r\n")[1:-1]]

    def replayed(self) -> Replayed:
        return replay(self.folder, lambda: Engine(self.frozen.plan), engine_version=ENGINE_VERSION)

    def folded_memory(self) -> str:
        folded = fold(self.folder, lambda: Engine(self.frozen.plan), engine_version=ENGINE_VERSION)
        assert (folded.differences, folded.owed) == ((), ())
        return folded.engine.memory_json()


def kind_of(row: bytes) -> str:
    return row.split(b",")[5].decode()


def conducts_at(panel: Panel, time_s: float) -> bool:
    """Whether the panel truly conducted just after an instant, by its own record."""
    return next(entry.on for entry in reversed(panel.output_log) if entry.time_s <= time_s)


class Openings(dict[str, Feed]):
    """In-memory peers by name that note every link opened to them, for bytes must follow an identity on *that* link."""

    def __init__(self, world: World, clock: Callable[[], float]) -> None:
        super().__init__({f"world-{name}": peer.feed for name, peer in world.peers.items()})
        self._world = world
        self._clock = clock

    def get(self, key: str, default: Feed | None = None) -> Feed | None:  # type: ignore[override]  # one use, one signature
        peer = self._world.peers[key.removeprefix("world-")]
        now_s = self._clock()
        if peer.faults.is_refusing(now_s):
            return default
        peer.log.append(Exchange(now_s, OPENED, b""))
        return super().get(key, default)


@contextmanager
def peers_in_memory(world: World, clock: Callable[[], float]) -> Iterator[None]:
    """Put the world's instruments where `memory://world-<name>` finds them."""
    before = memory.PEERS
    memory.PEERS = Openings(world, clock)
    try:
        yield
    finally:
        memory.PEERS = before


def bench_text(edit: Mapping[str, str] | None = None) -> str:
    """The shipped bench file with its instruments in memory, and with these pieces of text replaced."""
    text = re.sub(
        r"(?m)^  (\w+):\n((?:    #.*\n)*)    address: .*$", r"  \1:\n\2    address: memory://world-\1",
        example_bench().read_text(encoding="utf-8"),
    ).replace("data: boathouse-data", "data: .")  # fmt: skip
    for old, new in (edit or {}).items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def make_run(folder: Path, profile: str, bench: str, cell_file: str, cell_edit: Mapping[str, str] | None) -> FrozenRun:
    """Write the three files, check them as `run` does, and make the run folder."""
    cell_text = (example_bench().parent / "cells" / f"{cell_file}.yaml").read_text(encoding="utf-8")
    for old, new in (cell_edit or {}).items():
        assert cell_text.count(old) == 1, old
        cell_text = cell_text.replace(old, new)
    if "\n" not in profile:
        profile = profile_path(profile).read_text(encoding="utf-8")
    paths = {}
    for kind, text in (("bench", bench), ("cell", cell_text), ("profile", profile)):
        paths[kind] = folder / f"{kind}.yaml"
        paths[kind].write_text(text, encoding="utf-8")
    files = load_bench(paths["bench"]), load_cell(paths["cell"]), load_profile(paths["profile"])
    head = RunHead(
        next(iter(files[0].channels)), BEGAN.isoformat(timespec="milliseconds").replace("+00:00", "Z"), __version__,
        ENGINE_VERSION, Frozen(files[1].name, files[1].text), Frozen(files[0].name, files[0].text),
        Frozen(files[2].name, files[2].text),
        {name: spec.identity for name, spec in files[0].instruments.items()},
    )  # fmt: skip
    run_folder = create_run(folder, head)
    if (folder / "dialects").is_dir():  # a person's own, as `run` freezes them
        shutil.copytree(folder / "dialects", run_folder / "dialects")
    return open_run(run_folder, simulated=True)


def run_world(
    folder: Path,
    profile: str,
    *,
    faults: tuple[tuple[str, Fault], ...] = (),
    acts: tuple[tuple[float, Act], ...] = (),
    cell: Cell | None = None,
    stored_Ah: float = 0.5,
    cell_file: str = "plover-01",
    cell_edit: Mapping[str, str] | None = None,
    bench_edit: Mapping[str, str] | None = None,
    seed: int = 1,
    latency_s: float = 0.0,
    wire: str = "memory",
    watch_after_s: float = 0.0,
    until_s: float = 4000.0,
    after_pass: Callable[[Stage, Pass], None] | None = None,
    bench: str = "",
    world_of: Callable[[Cell], World] | None = None,
    starting: Callable[[FrozenRun, World], Starting] | None = None,
    clock_of: Callable[[JumpLoop], Clock] | None = None,
) -> Ran:
    """Run a profile to its end, or for `until_s`, on the boathouse bench around a formed plover (or `cell`).

    Args:
        folder: an empty one; the run folder lies in it.
        profile: its text, or the name of a shipped one.
        faults: by instrument, armed when the links are open and CHECKING begins; their times are the run's.
        acts: what a test does at an instant of the run, before the channel's pass at that instant.
        cell: the simulated one; None makes a formed plover with `stored_Ah` in it.
        stored_Ah: see `cell`.
        cell_file: which shipped cell file describes it to the program.
        cell_edit: texts in that file to replace.
        bench_edit: texts in the bench file to replace.
        seed: of noise and faults.
        latency_s: from a question to its reply.
        wire: `memory`, or `tcp` for real sockets on this computer.
        watch_after_s: see Channel.
        until_s: the run is cancelled then.
        after_pass: called after every pass of the channel.
        bench: the text of another bench file, with instruments at `memory://world-<peer>`.
        world_of: makes the simulated bench that belongs to it.
        starting: what the start knows besides the bench, and who stands there.
        clock_of: makes the program's clock; None: one that follows the loop, its UTC beginning at `BEGAN`.
    """
    frozen = make_run(folder, profile, bench or bench_text(bench_edit), cell_file, cell_edit)
    simulated = cell if cell is not None else make_cell("plover", stored_Ah=stored_Ah)
    if world_of is not None:
        world = world_of(simulated)
    else:
        world = world_of_bench(frozen.bench, {frozen.channel.name: simulated}, seed=seed, keeps_log=True)
    for peer in world.peers.values():
        peer.latency_s = latency_s
    done: list[Ran] = []

    async def go() -> None:
        done.append(await _run(frozen, world, faults, acts, wire, watch_after_s, until_s, after_pass, starting, clock_of))

    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        runner.run(go())  # a result would be put into words, with everything in it, when the runner gives SIGINT back
    return done[0]


async def _run(
    frozen: FrozenRun, world: World, faults: tuple[tuple[str, Fault], ...], acts: tuple[tuple[float, Act], ...],
    wire: str, watch_after_s: float, until_s: float, after_pass: Callable[[Stage, Pass], None] | None,
    starting: Callable[[FrozenRun, World], Starting] | None,
    clock_of: Callable[[JumpLoop], Clock] | None,
) -> Ran:  # fmt: skip
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpLoop)
    served = ServedBench(world, loop.time)
    if wire == "tcp":
        at = await served.start()
        moved = {name: replace(spec, address=at[name]) for name, spec in frozen.bench.instruments.items()}
        frozen = replace(frozen, bench=replace(frozen.bench, instruments=moved))
    with peers_in_memory(world, loop.time):
        try:
            return await _drive(frozen, world, faults, acts, loop, watch_after_s, until_s, after_pass, starting, clock_of)
        finally:
            await served.close()


async def _drive(
    frozen: FrozenRun, world: World, faults: tuple[tuple[str, Fault], ...], acts: tuple[tuple[float, Act], ...],
    loop: JumpLoop, watch_after_s: float, until_s: float, after_pass: Callable[[Stage, Pass], None] | None,
    starting: Callable[[FrozenRun, World], Starting] | None,
    clock_of: Callable[[JumpLoop], Clock] | None,
) -> Ran:  # fmt: skip
    clock = jumping_clock(loop, BEGAN) if clock_of is None else clock_of(loop)
    bench = await ChannelBench.open(frozen.bench, frozen.channel.name, now=loop.time, in_flight=loop.in_flight)
    for name, fault in faults:
        world.peers[name].faults.arm(fault, loop.time())
    engine = Engine(frozen.plan)
    records: list[tuple[float, Record]] = []
    looks: list[Look] = []
    loads = [panel for name, panel in world.panels.items() if name == "load" or name.startswith("load-")]

    def watch(done: Pass) -> None:
        if [look.time_s for look in looks[-PASSES_AT_ONCE:]] == [loop.time()] * PASSES_AT_ONCE:
            raise AssertionError(f"{PASSES_AT_ONCE} passes at {loop.time()} s: time stands still")
        records.extend((began_s + done.elapsed_s, record) for _, record in done.records)
        world.advance_to(loop.time())
        looks.append(
            Look(loop.time(), engine.state, done.demand.energise != "none",
                 world.panels["supply"].conducts, any(panel.conducts for panel in loads))
        )  # fmt: skip
        if after_pass is not None:
            after_pass(stage, done)

    async def prove() -> None:
        """No keeper here: nothing that this process could leave on is real."""

    journal = JournalWriter.create(frozen.folder, bench.columns, engine_version=ENGINE_VERSION)
    checking = Checking(prove, starting=ANYHOW if starting is None else starting(frozen, world))
    channel = Channel(engine, bench, journal, clock, checking, watch, watch_after_s=watch_after_s)
    began_s = loop.time()
    stage = Stage(world, channel, engine, loop)
    handles = [loop.call_at(at_s, act, stage) for at_s, act in acts]
    is_over = True
    try:
        async with asyncio.timeout(until_s):
            await channel.run(Start(by="test"))
    except TimeoutError:
        is_over = False
    for handle in handles:
        handle.cancel()
    await bench.close()
    world.advance_to(loop.time())
    return Ran(
        frozen.folder, frozen, world, engine, engine.state, is_over, records, looks,
        {name: peer.log for name, peer in world.peers.items()}, loop.time(),
    )  # fmt: skip
