"""Whole runs of the shipped profiles: with lost replies and faults that pass, for nuisance trips, for memory and books, side by side."""

from __future__ import annotations

import asyncio
import gc
import re
import tempfile
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

from chargerd import ENGINE_VERSION
from chargerd.core.engine import Engine
from chargerd.core.events import Start
from chargerd.daemon.channel import Channel, Pass
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import jumping_clock
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.transports import memory
from chargerd.journal.writer import JournalWriter
from chargerd.sim.faults import forever
from chargerd.sim.jump_clock import JumpLoop
from tests.campaign.explore import Outcome, outcome_of, run_script, scratch
from tests.campaign.kinds import Raw
from tests.campaign.result import Result, apart
from tests.campaign.script import Script
from tests.campaign.story import STORIES, Live, drive, world_for
from tests.worlds.programs import CYCLE
from tests.worlds.world_bench import BEGAN, bench_text, make_run

LOSS = 0.01
HOUR_S = 3600.0
PROFILES = ("long", "capacity", "long", "resistance")
PASSING: tuple[Raw, ...] = (
    {"kind": "mute", "times": 1}, {"kind": "hang", "times": 1}, {"kind": "drop", "times": 1}, {"kind": "late", "delay_s": 0.7, "times": 1},
    {"kind": "duplicate", "times": 1}, {"kind": "echo", "times": 1}, {"kind": "shift", "times": 1}, {"kind": "not_a_number", "header": "MEAS", "times": 1},
    {"kind": "refuse", "for_s": 6.0, "times": None}, {"kind": "mute", "for_s": 8.0, "times": None}, {"kind": "slow", "for_s": 8.0, "times": None},
)  # fmt: skip
"""What must end no run."""
LASTING: tuple[Raw, ...] = (
    {"peer": "supply", "kind": "refuse", "times": None}, {"peer": "probe", "kind": "mute", "times": None}, {"peer": "load", "kind": "hang", "times": None},
    {"peer": "supply", "kind": "reboot", "output_on": True}, {"peer": "supply", "kind": "panel_switch", "on": True},
    {"peer": "load", "kind": "panel_switch", "on": True}, {"peer": "supply", "kind": "stick_on"}, {"peer": "supply", "kind": "ignore_off", "times": None},
    {"peer": "load", "kind": "change"}, {"peer": "supply", "kind": "crowbar"}, {"peer": "supply", "kind": "not_a_number", "header": "MEAS", "times": None},
)  # fmt: skip
"""What must."""


def nuisance(hours: float, each_h: float, seed: int, jobs: int) -> Result:
    """So many hours of shipped profiles at 1 % lost replies: any trip is one too many."""
    result = Result()
    runs = round(hours / each_h)
    scripts = [
        Script(PROFILES[number % len(PROFILES)], until_s=each_h * HOUR_S, seed=(seed + number) % 100_000, loss=LOSS) for number in range(runs)
    ]
    outcomes, core_s = apart([partial(run_script, script) for script in scripts], jobs)
    _count(result, outcomes, core_s)
    trips = [one for one in outcomes if one.cause]
    result.add(trips=len(trips))
    hours_done = max(result.counts["simulated_h"], 1e-9)
    result.counts["trips_per_1000_h"] = round(1000.0 * len(trips) / hours_done, 2)
    if result.counts["trips_per_1000_h"] >= 1.0:
        result.found += [f"{one.cause} after {one.simulated_s / HOUR_S:.2f} h of {one.script.story}, seed {one.script.seed}" for one in trips]
    return result


def mixed(runs: int, each_h: float, seed: int, jobs: int) -> Result:
    """Whole runs with 1 % lost replies, several faults that pass, a person who pauses and resumes, and at last a fault that lasts."""
    result = Result()
    outcomes, core_s = apart([partial(run_script, _mixed(each_h, seed + number)) for number in range(runs)], jobs)
    _count(result, outcomes, core_s)
    return result


def _mixed(each_h: float, seed: int) -> Script:
    chance, until_s = Random(seed), each_h * HOUR_S
    faults = [
        {"peer": chance.choice(("supply", "load", "probe")), **chance.choice(PASSING), "at_s": round(chance.uniform(60.0, 0.8 * until_s), 1)}
        for _ in range(chance.randint(2, 8))
    ]
    faults.append({**chance.choice(LASTING), "at_s": round(chance.uniform(0.4, 0.9) * until_s, 1)})
    pause_s = round(chance.uniform(0.1, 0.4) * until_s, 1)
    acts = ({"do": "pause", "at_s": pause_s}, {"do": "resume", "at_s": pause_s + 90.0}) if chance.random() < 0.5 else ()
    return Script(
        chance.choice(PROFILES), arm_s=0.0, faults=tuple(faults), acts=acts, stop_s=until_s - 120.0, until_s=until_s, seed=seed % 100_000,
        loss=LOSS if chance.random() < 0.5 else 0.0,
    )  # fmt: skip


def _count(result: Result, outcomes: list[Outcome], core_s: float) -> None:
    result.core_s += core_s
    result.add(runs=len(outcomes), samples=sum(one.rows for one in outcomes), simulated_h=sum(one.simulated_s for one in outcomes) / HOUR_S)
    result.failing += [one for one in outcomes if one.findings]


# --- memory, descriptors, books ------------------------------------------------------------------------------------------------


def soak(hours: float, each_h: float, seed: int, jobs: int) -> Result:
    """Run after run in one process on the jumping clock: nothing may grow, and the books must be the cell's."""
    result = Result()
    (books,), core_s = apart([partial(_soak, round(hours / each_h), each_h, seed)], jobs)
    result.core_s = core_s
    result.counts = books["counts"]
    result.found = books["found"]
    return result


GROWTH_KIB_PER_1000_H = 1024.0
ALLOWED_KIB = 2048.0
"""Pages of the allocator come and go; less than this is no growth."""
BOOKS_SHARE, BOOKS_A = 0.0015, 0.0025
"""Accuracy of the simulated instruments: 0.1 % + 2 mA, and rounding."""


def _soak(runs: int, each_h: float, seed: int) -> dict[str, Any]:
    found: list[str] = []
    worst_share, seconds, rows, first_kib, first_fds = 0.0, 0.0, 0, 0, 0
    for number in range(runs + 1):
        with tempfile.TemporaryDirectory(dir=scratch()) as folder:
            ran, live = drive("capacity" if number % 2 else "long", Path(folder), seed=seed % 1000 + number, until_s=each_h * HOUR_S, hook=_forget)
            node, tally = ran.world.nodes["slip-1"], ran.engine.memory.tally
            flowed_h = (ran.ended_s) / HOUR_S
            for told_Ah, true_C in ((tally.charge_in_Ah, node.charge_in_C), (tally.charge_out_Ah, node.charge_out_C)):
                apart_Ah = abs(told_Ah - true_C / 3600.0)
                worst_share = max(worst_share, apart_Ah / max(true_C / 3600.0, 0.1))
                if apart_Ah > BOOKS_SHARE * true_C / 3600.0 + BOOKS_A * flowed_h:
                    found.append(f"run {number}: {told_Ah:.5f} Ah in the books, {true_C / 3600.0:.5f} Ah at the cell")
            again = ran.replayed()
            if again.differences:
                found.append(f"run {number}: replay differs: {again.differences[:1]}")
            seconds, rows = seconds + ran.ended_s, rows + live.looks[-1].seq
        del ran, live, node, tally, again
        gc.collect()
        kib, fds = resident_kib(), sum(1 for _ in Path("/proc/self/fd").iterdir())
        if number == 0:
            first_kib, first_fds = kib, fds  # what a first run loads stays
    grown_kib, hours = kib - first_kib, seconds / HOUR_S
    if grown_kib > ALLOWED_KIB + GROWTH_KIB_PER_1000_H * hours / 1000.0:
        found.append(f"{grown_kib} KiB more after {hours:.0f} h")
    if fds > first_fds:
        found.append(f"{fds - first_fds} descriptors more after {hours:.0f} h")
    counts = {
        "runs": runs + 1, "simulated_h": hours, "samples": rows, "grown_KiB": float(grown_kib), "descriptors_more": float(fds - first_fds),
        "worst_charge_difference_ppm": round(1e6 * worst_share, 1),
    }  # fmt: skip
    return {"found": found, "counts": counts}


def _forget(live: Live, done: Pass) -> None:
    """What a test keeps of a run would be the growth."""
    del live.looks[:-25]
    live.records.clear()
    live.truths.clear()
    for peer in live.stage.world.peers.values():
        peer.log.clear()


def resident_kib() -> int:
    text = Path("/proc/self/status").read_text(encoding="ascii")
    return int(re.search(r"VmRSS:\s+(\d+) kB", text)[1])  # type: ignore[index]


# --- side by side --------------------------------------------------------------------------------------------------------------

CHANNELS = 8
HANGS_AT_S = 62.5


def side_by_side(rounds: int, seed: int, jobs: int) -> Result:
    """Eight channels in one loop, one of whose supplies hangs: the journals of the other seven are what they are without it."""
    result = Result()
    for number in range(rounds):
        (whole, hung), core_s = apart([partial(_channels, seed + number, hangs=hangs) for hangs in (False, True)], jobs)
        result.core_s += core_s
        which = (seed + number) % CHANNELS
        for channel in range(CHANNELS):
            if channel == which and hung[channel][1] != "reading-lost":
                result.found.append(f"channel {channel}: its supply hangs, and it ended by {hung[channel][1]!r}")
            if channel != which and hung[channel] != whole[channel]:
                result.found.append(f"channel {channel} is not what it was: channel {which} hangs (seed {seed + number})")
        result.add(rounds=1, channels=CHANNELS, simulated_h=2 * CHANNELS * 360.0 / HOUR_S)
    return result


def _channels(seed: int, *, hangs: bool) -> list[tuple[bytes, str]]:
    with tempfile.TemporaryDirectory(dir=scratch()) as folder, asyncio.Runner(loop_factory=JumpLoop) as runner:
        ended: list[tuple[bytes, str]] = []
        places = [Path(folder) / str(number) for number in range(CHANNELS)]
        for place in places:
            place.mkdir()

        async def go() -> None:
            runs = [_channel(places[number], number, seed, hangs=hangs and number == seed % CHANNELS) for number in range(CHANNELS)]
            ended.extend(await asyncio.gather(*runs))

        runner.run(go())
        return ended


async def _channel(folder: Path, number: int, seed: int, *, hangs: bool) -> tuple[bytes, str]:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpLoop)
    bench_file = bench_text().replace("memory://world-", f"memory://channel-{number}-")
    frozen = make_run(folder, CYCLE, bench_file, "plover-01", None)
    world = world_for(STORIES["plain"], frozen, seed + number)
    memory.PEERS |= {f"channel-{number}-{name.removeprefix(f'channel-{number}-')}": peer.feed for name, peer in world.peers.items()}
    if hangs:
        world.peers["supply"].faults.arm(forever("hang", at_s=HANGS_AT_S), loop.time())
    bench = await ChannelBench.open(frozen.bench, frozen.channel.name, now=loop.time, in_flight=loop.in_flight)
    engine = Engine(frozen.plan)

    async def prove() -> None:
        """No keeper here."""

    journal = JournalWriter.create(frozen.folder, bench.columns, engine_version=ENGINE_VERSION)
    channel = Channel(engine, bench, journal, jumping_clock(loop, BEGAN), Checking(prove), lambda _: None)
    try:
        async with asyncio.timeout(600.0):
            await channel.run(Start(by="campaign"))
    except TimeoutError:
        pass
    return (frozen.folder / "readings.csv").read_bytes(), engine.memory.trip_cause


__all__ = ["mixed", "nuisance", "outcome_of", "side_by_side", "soak"]
