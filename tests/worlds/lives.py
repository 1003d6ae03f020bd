"""A run that is killed in the middle and gone on with: the program dies at one exchange, the bench and its cell live on.

A kill is a BaseException out of the wire, before or after the bytes of the n-th exchange have arrived: no `except` and no make-safe
of the program sees it, as none sees kill -9. What switches off is `make_safe` of another program, so long after; like `off` it
leaves `off-result.json`, by the boot's clock.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from chargerd.cli.simulated import world_of_bench
from chargerd.core.events import Record, Resume, Start
from chargerd.core.resumption import Decision, may_go_on
from chargerd.core.states import State
from chargerd.daemon.channel import Channel, Pass
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import Clock, jumping_clock
from chargerd.daemon.frozen import FrozenRun
from chargerd.daemon.lives import BY_ITSELF, Life, begin, decide, digests, find, write_gap
from chargerd.daemon.probing import probe
from chargerd.errors import RefusedError
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.transports import memory
from chargerd.journal.ledger import ChannelLedger
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import make_cell
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.world import World
from tests.worlds.world_bench import BEGAN, Feed, Openings, bench_text, make_run


class Killed(BaseException):
    """The program is gone."""


@dataclass
class Wire:
    """Counts exchanges; the program dies at `dies_at`, before the peer heard it or after."""

    dies_at: int | None = None
    after: bool = False
    count: int = 0


class Dying(Openings):
    """In-memory peers to whom the n-th message never comes, or whose answer never does."""

    def __init__(self, world: World, clock: Callable[[], float], wire: Wire) -> None:
        super().__init__(world, clock)
        self._wire = wire

    def get(self, key: str, default: Feed | None = None) -> Feed | None:  # type: ignore[override]  # as its base
        feed = super().get(key, default)
        if feed is None:
            return None

        def dying(data: bytes, now_s: float) -> list[tuple[float, bytes]]:
            self._wire.count += 1
            dies = self._wire.count == self._wire.dies_at
            if dies and not self._wire.after:
                raise Killed
            reply = feed(data, now_s)
            if dies:
                raise Killed
            return reply

        return dying


@dataclass(frozen=True)
class Look:
    """After one pass: what the program counts, and what is true. Charges in Ah of this step alone, a run has but one."""

    time_s: float
    state: State
    worst_Ah: float
    measured_Ah: float
    true_Ah: float
    gassing_s: float
    gas_Ah: float
    source_on: bool
    true_V: float
    seq: int
    """The last reading's row: what is counted is as old as that."""


@dataclass
class Lived:
    """What became of a run in its lives."""

    folder: Path
    frozen: FrozenRun
    world: World
    state: State
    looks: list[Look] = field(default_factory=list)
    decisions: list[Decision] = field(default_factory=list)
    killed_s: float | None = None
    off_s: float | None = None
    exchanges: int = 0
    records: list[Record] = field(default_factory=list)
    was_over: bool = False
    """The kill came after the run had ended."""
    kill_look: int = 0
    """How many looks there had been when the program was killed."""


def live(
    folder: Path, profile: str, *, dies_at: int | None, after: bool = False, off_after_s: float = 2.0, gap_s: float = 30.0,
    cell: Cell | None = None, by_itself: bool = True,
) -> Lived:  # fmt: skip
    """Run a profile, kill the program at an exchange, switch off so long after, go on `gap_s` after the kill."""
    frozen = make_run(folder, profile, bench_text(), "plover-01", None)
    world = world_of_bench(frozen.bench, {frozen.channel.name: cell or make_cell("plover", stored_Ah=0.5)}, seed=1, keeps_log=True)
    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        return runner.run(_live(frozen, world, Wire(dies_at, after), off_after_s, gap_s, by_itself=by_itself))


async def _live(frozen: FrozenRun, world: World, wire: Wire, off_after_s: float, gap_s: float, *, by_itself: bool) -> Lived:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpLoop)
    clock = jumping_clock(loop, BEGAN)
    lived = Lived(frozen.folder, frozen, world, State.IDLE)
    before = memory.PEERS
    memory.PEERS = Dying(world, loop.time, wire)
    try:
        with ChannelLedger.open(frozen.data, frozen.channel.name) as ledger:
            bench = await _open(frozen, loop)
            life = begin(frozen, bench.columns)
            ledger.started(clock.utc(), frozen.folder.name)
            ledger.granted(clock.utc(), frozen.folder.name, unattended=True)
            try:
                await _one_life(lived, life, bench, clock, ledger)
            except Killed:
                lived.killed_s, lived.kill_look = loop.time(), len(lived.looks)
                await _next(lived, clock, loop, ledger, off_after_s, gap_s, by_itself=by_itself)
    finally:
        memory.PEERS = before
    lived.exchanges = wire.count
    return lived


async def _open(frozen: FrozenRun, loop: JumpLoop) -> ChannelBench:
    return await ChannelBench.open(frozen.bench, frozen.channel.name, now=loop.time, in_flight=loop.in_flight)


async def _next(
    lived: Lived, clock: Clock, loop: JumpLoop, ledger: ChannelLedger, off_after_s: float, gap_s: float, *, by_itself: bool
) -> None:
    frozen = lived.frozen
    assert lived.killed_s is not None
    await clock.wait_until(lived.killed_s + off_after_s)
    await _switch_off(frozen, loop)
    lived.off_s = loop.time()
    await clock.wait_until(lived.killed_s + gap_s)
    try:
        found = find(frozen, clock, ledger)
    except RefusedError:
        lived.was_over = True
        return
    lived.decisions.append(decide(found, clock, ledger))
    bench = await _open(frozen, loop)
    lived.decisions.append(may_go_on(await probe(bench, frozen.channel, frozen.plan, found.band_V(clock))))
    journal, elapsed_s = write_gap(found, clock)
    first = Start(by="resume") if found.engine.state is State.IDLE else Resume(by=BY_ITSELF if by_itself else "person")
    await _one_life(lived, Life(found.engine, journal, first, elapsed_s), bench, clock, ledger)


async def _switch_off(frozen: FrozenRun, loop: JumpLoop) -> None:
    bench = await _open(frozen, loop)
    observed = await bench.make_safe()
    assert all(one.verified for one in observed)
    await bench.close()
    if not (frozen.folder / "off-plan.json").is_file():
        return  # killed before it was written: nothing could be on
    result = {
        "version": 1, "written_utc": "2026-03-14T20:00:00Z", "boot_id": "jumping", "boot_s": loop.time(),
        "plan_sha256": hashlib.sha256((frozen.folder / "off-plan.json").read_bytes()).hexdigest(),
        "outputs": [{"channel": frozen.channel.name, "output": "supply", "verified": True, "told": "", "was_on": None}],
    }  # fmt: skip
    (frozen.folder / "off-result.json").write_text(json.dumps(result), encoding="ascii")


async def _one_life(lived: Lived, life: Life, bench: ChannelBench, clock: Clock, ledger: ChannelLedger) -> None:
    world, name = lived.world, lived.frozen.channel.name
    (cell,) = [node.cell for node in world.nodes.values() if node.cell is not None]

    def watch(done: Pass) -> None:
        world.advance_to(clock.now_s())
        m = life.engine.memory
        lived.records.extend(record for _, record in done.records)
        lived.looks.append(
            Look(
                clock.now_s(), life.engine.state, m.protection.charge_Ah, m.tally.charge_in_Ah, cell.charge_in_C / 3600.0,
                m.gas.gassing_s, max(m.gas.charge_Ah, m.protection.gas_charge_Ah), world.panels["supply"].conducts,
                cell.voltage_V, done.seq,
            )
        )  # fmt: skip

    async def prove() -> None:
        content = json.dumps({"of": name, "at_s": clock.now_s()}).encode()
        ledger.planned(clock.utc(), lived.folder.name, **digests(lived.frozen, content))
        (lived.folder / "off-plan.json").write_bytes(content)

    channel = Channel(life.engine, bench, life.journal, clock, Checking(prove), watch, base_s=life.base_s)
    lived.state = await channel.run(life.first)
    await bench.close()
