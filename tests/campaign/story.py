"""Whole short runs that pass every kind of step, and the loop that drives one, with a hook after each pass.

As `tests/worlds/world_bench.run_world`, but a run may be left by a fork of the process in the middle: the fork is the copy of
the world, of the program and of everything in flight between them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from chargerd import ENGINE_VERSION
from chargerd.cli.simulated import world_of_bench
from chargerd.core.demand import Energise
from chargerd.core.engine import Engine
from chargerd.core.events import Answer, Record, Start
from chargerd.core.states import State
from chargerd.daemon.channel import Channel, Pass
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import jumping_clock
from chargerd.daemon.frozen import FrozenRun
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.writer import JournalWriter
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import make_cell
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.timeline import Terminals
from chargerd.sim.world import World
from tests.campaign.script import Script, arm
from tests.worlds import switched_bench
from tests.worlds.world_bench import BEGAN, PASSES_AT_ONCE, Ran, Stage, bench_text, make_run, peers_in_memory

EVERY_S = 5.0
ANSWERS_AFTER_S = 15.0
"""The person of the story answers a question this long after it was asked."""

HEAD = "profile: {name}\nabout: Invented; one of each kind of step, short.\nattended: yes\nsteps:\n"
CHECK = "  - connection_check: {}\n"
CC = """\
  - charge:
      current: 300 mA
      voltage: 1.85 V
      interrupt: {every: 1 min, lasts: 1 s}
      sample_every: 5 s
      ends_when: {charge: 1 Ah, time: 150 s}
"""
ZERO = "  - zero_current: {lasts: 20 s}\n"
RAMP = """\
  - charge:
      current: 300 mA
      voltage: 1.85 V
      ramp: 8 V/h
      sample_every: 5 s
      ends_when: {charge: 1 Ah, time: 2 min}
"""
REST = "  - rest: {lasts: 60 s, sample_every: 5 s}\n"
PULSES = """\
  - pulses:
      train:
        - discharge: {current: 0.2 It, lasts: 10 s}
        - rest: {lasts: 20 s}
        - charge: {current: 0.2 It, lasts: 10 s}
      ends_when: {voltage_below: 0.80 V}
"""
CV = """\
  - constant_voltage:
      current: 300 mA
      voltage: 1.65 V
      sample_every: 5 s
      ends_when: {charge: 1 Ah, time: 2 min}
"""
TOP = """\
  - charge:
      current: 300 mA
      voltage: 1.85 V
      interrupt: {every: 1 min, lasts: 1 s}
      sample_every: 5 s
      ends_when: {gassing_time: 20 min, gas_charge: 20 % rated, charge: 1 Ah, time: 2 min}
"""
ASK = "  - ask_person: {question: Is the vent open, within: 10 min}\n"
DISCHARGES = """\
  - discharge:
      current: 300 mA
      sample_every: 5 s
      ends_when: {voltage_below: 0.80 V, charge: 1 Ah, time: 2 min}
  - discharge:
      current: 300 mA
      power: 200 mW
      sample_every: 5 s
      ends_when: {voltage_below: 0.80 V, charge: 1 Ah, time: 1 min}
  - discharge:
      current: 300 mA
      resistance: 10 ohm
      sample_every: 5 s
      ends_when: {voltage_below: 0.80 V, charge: 1 Ah, time: 1 min}
"""
THRESHOLD = {"  threshold: unmeasured": "  threshold: 1.60 V"}
"""So low that the end of the story's charges counts as gassing, without hours of charging before."""
TWO_AMPERES = {"  charge_current: 2.5 A": "  charge_current: 2 A", "  discharge_current: 2.5 A": "  discharge_current: 2 A"}


FAN = {
    "    dialect: scpi-supply\n": '    dialect: scpi-supply-channel-list\n    output: "1"\n',
    "  load:\n    address": """\
  fan:
    address: memory://world-supply
    dialect: scpi-supply-channel-list
    output: "2"
    identity: "Boathouse,Source 3A,SN1,1.0"
    ratings: {voltage: 30 V, current: 3 A}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}
    resolution: {voltage: 1 mV, current: 1 mA}
    isolated: yes
  load:
    address""",
    "keep_on: []": "keep_on: [fan]",
}
"""The supply has a second output that feeds a fan, which must stay on whatever happens."""
LOSES_FROM_S = 30.0
LONG_PASS_S = 60.0
"""No keeper listens to a run of days that a campaign watches: a pass between readings would only look at the clock."""


@dataclass(frozen=True)
class Story:
    """A run without faults: what is run, on which bench, with which cell."""

    profile: str
    behind_relay: bool
    stored_Ah: float = 0.7
    cell_edit: dict[str, str] = field(default_factory=dict)
    every_s: float = EVERY_S
    cell_file: str = "plover-01"
    fresh: bool = False
    pass_every_s: float = 2.0
    bench_edit: dict[str, str] = field(default_factory=dict)

    def bench(self) -> str:
        return switched_bench.text() if self.behind_relay else bench_text(self.bench_edit)

    def cell(self) -> Cell:
        return make_cell("plover", stored_Ah=self.stored_Ah, fresh=self.fresh)


STORIES: dict[str, Story] = {
    "relay": Story(
        HEAD.format(name="relay-story") + CHECK + CC + ZERO + RAMP + REST + PULSES + CV + TOP + ASK + DISCHARGES + REST,
        behind_relay=True, cell_edit={**TWO_AMPERES, **THRESHOLD},
    ),
    "plain": Story(
        HEAD.format(name="plain-story") + CHECK + CC + RAMP + REST + PULSES + CV + TOP + ASK + DISCHARGES + REST,
        behind_relay=False, cell_edit=THRESHOLD,
    ),
}  # fmt: skip
STORIES |= {
    "fan": Story(
        HEAD.format(name="fan-story") + CHECK + CC + REST + PULSES + DISCHARGES, behind_relay=False, cell_edit=THRESHOLD, bench_edit=FAN,
    ),
    "long": Story("gentle-formation", behind_relay=False, stored_Ah=0.0, fresh=True, pass_every_s=LONG_PASS_S),
    "capacity": Story("capacity-check", behind_relay=False, stored_Ah=0.3, pass_every_s=LONG_PASS_S),
    "resistance": Story("resistance-check", behind_relay=False, pass_every_s=LONG_PASS_S),
}  # fmt: skip
"""`relay`: supply, load, meter at the cell, thermometer, a relay with a second contact. `plain`: supply, load, thermometer.
`fan`: the same, and a fan on the supply's second output. The others are the shipped profiles on the plain bench."""


class Truth(NamedTuple):
    """After one pass: what the channel thinks, what its protection has counted, and what is true at the cell."""

    time_s: float
    state: State
    may_energise: bool
    source_on: bool
    load_on: bool
    is_connected: bool
    voltage_V: float
    current_A: float
    temperature_degC: float
    in_C: float
    out_C: float
    step: str
    started_s: float
    sums: tuple[float, float, float, float, float]
    """Of protection: s, Ah, Wh, gas Ah, gassing s of the present step."""
    seq: int
    missing: bool
    valid_until_s: float
    """Of the lease; 0 when nothing is demanded."""
    counted_s: float
    """Up to when protection has counted; 0 when it counts nothing."""


@dataclass
class Live:
    """A run under way. `in_fork`: in this process it is the injected one, and its end is the process's."""

    stage: Stage
    frozen: FrozenRun
    limit: asyncio.Timeout
    records: list[tuple[float, Record]] = field(default_factory=list)
    looks: list[Truth] = field(default_factory=list)
    in_fork: bool = False
    armed: Script | None = None
    asked_s: float | None = None
    folder: Path | None = None
    truths: dict[float, list[Terminals]] = field(default_factory=dict)
    """What was true at the cell when a reading came back, by instant; at one instant several may come back, CHECKING's first."""

    def arm(self, script: Script) -> None:
        arm(self.stage, script)
        self.armed = script
        self.limit.reschedule(script.until_s)


Hook = Callable[[Live, Pass], None]


def drive(
    story_name: str, folder: Path, *, seed: int = 1, until_s: float = 4000.0, hook: Hook | None = None, loss: float = 0.0
) -> tuple[Ran, Live]:
    """Run a story until its end or until `until_s`, losing a share `loss` of all replies. The hook may fork; then this returns in each process."""
    story = STORIES[story_name]
    folder.mkdir(parents=True, exist_ok=True)
    frozen = make_run(folder, story.profile, story.bench(), story.cell_file, story.cell_edit)
    done: list[tuple[Ran, Live]] = []

    async def go() -> None:
        done.append(await _drive(story, frozen, seed, until_s, hook, loss))

    with asyncio.Runner(loop_factory=JumpLoop) as runner:
        runner.run(go())  # a result would be put into words, with everything in it, when the runner gives SIGINT back
    return done[0]


def world_for(story: Story, frozen: FrozenRun, seed: int) -> World:
    if story.behind_relay:
        return switched_bench.world(story.cell(), seed=seed)
    return world_of_bench(frozen.bench, {frozen.channel.name: story.cell()}, seed=seed, keeps_log=True)


def lossy(world: World, share: float, seed: int) -> None:
    """Let every peer lose that share of its replies, each carried out: the wire is what is bad, not the instrument.

    From half a minute on: CHECKING refuses a start on one lost reply, with a person standing by.
    """
    chance = Random(seed)

    def losing(feed: Callable[[bytes, float], Any]) -> Callable[[bytes, float], Any]:
        return lambda data, now_s: [piece for piece in feed(data, now_s) if now_s < LOSES_FROM_S or chance.random() >= share]

    for peer in world.peers.values():
        peer.feed = losing(peer.feed)  # type: ignore[method-assign]


async def _drive(story: Story, frozen: FrozenRun, seed: int, until_s: float, hook: Hook | None, loss: float) -> tuple[Ran, Live]:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpLoop)
    world = world_for(story, frozen, seed)
    if loss:
        lossy(world, loss, seed)
    if "fan" in world.panels:
        for setting, value in (("voltage_set_V", 12.0), ("current_set_A", 0.5), ("output", True)):
            world.panels["fan"].set(setting, value, 0.0, cause="panel")
    with peers_in_memory(world, loop.time):
        bench = await ChannelBench.open(frozen.bench, frozen.channel.name, now=loop.time, in_flight=loop.in_flight)
        engine = Engine(frozen.plan)

        def watch(done: Pass) -> None:
            note(live, began_s, done)
            if hook is not None:
                hook(live, done)

        async def prove() -> None:
            """No keeper here: nothing that this process could leave on is real."""

        journal = JournalWriter.create(frozen.folder, bench.columns, engine_version=ENGINE_VERSION)
        channel = Channel(
            engine, bench, journal, jumping_clock(loop, BEGAN), Checking(prove), watch, pass_every_s=story.pass_every_s
        )
        began_s = loop.time()
        is_over = True
        try:
            async with asyncio.timeout_at(until_s) as limit:
                live = Live(Stage(world, channel, engine, loop), frozen, limit)
                bench.read = truthful(bench.read, live)  # type: ignore[method-assign]
                await channel.run(Start(by="campaign"))
        except TimeoutError:
            is_over = False
        ended_s = loop.time()
        world.advance_to(ended_s)
        ran = Ran(
            live.folder or frozen.folder, frozen, world, engine, engine.state, is_over, live.records, live.looks,  # type: ignore[arg-type]
            {name: peer.log for name, peer in world.peers.items()}, ended_s,
        )  # fmt: skip
        if not live.in_fork:
            await bench.close()
        return ran, live


def truthful(read: Callable[..., Any], live: Live) -> Callable[..., Any]:
    """Reading as ever, and what was true when it came back."""

    async def read_and_note(*, full: bool) -> Any:
        inputs = await read(full=full)
        now_s, node = live.stage.now_s(), live.stage.world.nodes["slip-1"]
        at, cell = node.look(now_s), node.cell
        true = at if cell is None else at._replace(temperature_degC=cell.temperature_degC)
        live.truths.setdefault(live.stage.channel.elapsed_s(), []).append(true)
        return inputs

    return read_and_note


def note(live: Live, began_s: float, done: Pass) -> None:
    """Add what this pass did and what is true after it; let the person of the story answer a question."""
    stage, looks = live.stage, live.looks
    now_s, memory = stage.now_s(), stage.engine.memory
    if [look.time_s for look in looks[-PASSES_AT_ONCE:]] == [now_s] * PASSES_AT_ONCE:
        raise AssertionError(f"{PASSES_AT_ONCE} passes at {now_s} s: time stands still")
    live.records.extend((began_s + done.elapsed_s, record) for _, record in done.records)
    looks.append(look(live, done))
    if memory.asked_s is not None and live.asked_s != memory.asked_s:
        live.asked_s = memory.asked_s
        stage.loop.call_at(now_s + ANSWERS_AFTER_S, stage.channel.ask, Answer(by="campaign", text="yes, I looked"))


def look(live: Live, done: Pass) -> Truth:
    stage = live.stage
    world, engine, now_s = stage.world, stage.engine, stage.now_s()
    world.advance_to(now_s)
    node = world.nodes["slip-1"]
    at, relay, protection = node.look(now_s), world.panels.get("relay"), engine.memory.protection
    cell = node.cell
    assert cell is not None
    return Truth(
        now_s, engine.state, done.demand.energise is not Energise.NONE, world.panels["supply"].conducts,
        world.panels["load"].conducts, relay is None or relay.conducts, at.voltage_V, at.current_A, cell.temperature_degC,
        cell.charge_in_C, cell.charge_out_C, engine.step.number, engine.memory.step_started_s,
        (protection.step_s, protection.charge_Ah, protection.energy_Wh, protection.gas_charge_Ah, protection.gassing_s),
        done.seq, bool(engine.memory.missing),
        done.demand.valid_until_s if done.demand.energise is not Energise.NONE else 0.0, protection.last_s or 0.0,
    )  # fmt: skip
