"""Kills at seeded random moments, and what must hold afterwards, judged by the simulator's own record.

A worker killed alone is the keeper's business, a keeper killed alone the worker's: it trips, since nobody guards it any more.
When both are killed at once nothing of ours is left to switch off; a service manager's stop command then runs `chargerd off`,
which this campaign does in its place.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from chargerd.errors import Exit

from .bench_process import (
    CURRENT_MAX_A,
    KEEPER_KILL_S,
    SAMPLE_EVERY_S,
    WORKER_OFF_S,
    Bench,
    Run,
    events,
    off_s,
    reach,
    rows,
    states,
    wait_until,
)

SYNC_EVERY_S = 5.0
"""Rows are safe from a power cut after this at the latest (the journal's promise)."""
CHARGE_MAX_Ah = CURRENT_MAX_A * (SYNC_EVERY_S + SAMPLE_EVERY_S) / 3600.0
"""How far a resumed run's charge may be from the truth, for each restart."""
LASTS_S = {"opening": 1.2, "checking": 0.8, "cc": 4.0, "cv": 2.0, "gassing": 4.0, "rest": 0.8, "discharge": 7.0}
"""Phase → within how long after its beginning the kill comes; the shortest that phases last here."""
EARLY = ("opening", "checking")
"""Phases in which nothing may be on yet."""
SLOW_CHECKING_S = 0.15
"""The thermometer answers this late while CHECKING is to be hit: it would be over within 30 ms."""


@dataclass(frozen=True)
class Moment:
    """When to kill whom. `at_write` waits for the next row to be written, so that the kill comes beside that write."""

    number: int
    victim: str
    phase: str
    after_s: float
    at_write: bool = False

    def __str__(self) -> str:
        return f"{self.number}: {self.victim} {self.after_s:.2f} s into {self.phase}{', at a write' if self.at_write else ''}"


@dataclass
class Outcome:
    """What one kill showed. `wrong` is empty when all held."""

    moment: Moment
    wrong: list[str] = field(default_factory=list)
    was_on: bool = False
    off_after_s: float | None = None
    bound_s: float = 0.0
    charge_error_Ah: float | None = None
    lost_bytes: int = 0
    ended: str = ""

    def expect(self, expected: object, actual: object, fact: str) -> None:
        if expected != actual:
            self.wrong.append(f"{fact}: expected {expected!r}, was {actual!r}")


def moments(count: int, seed: int) -> list[Moment]:
    """Moments spread over victims and phases; equal seeds give equal moments."""
    chance = random.Random(seed)
    victims = ("worker", "worker", "keeper", "worker", "both")
    made = []
    for number in range(count):
        phase = list(LASTS_S)[number % len(LASTS_S)]
        at_write = phase not in EARLY and number % 3 == 1
        made.append(Moment(number, victims[number % len(victims)], phase, chance.uniform(0.0, LASTS_S[phase]), at_write))
    return made


def campaign(chosen: Sequence[Moment], folder: Path, parallel: int, tell: Callable[[Outcome], None]) -> list[Outcome]:
    """Try all moments, so many benches side by side; tell each outcome as it comes."""

    def one(moment: Moment) -> Outcome:
        outcome = _try_one(moment, folder / f"kill-{moment.number}")
        tell(outcome)
        return outcome

    with ThreadPoolExecutor(parallel) as pool:
        return list(pool.map(one, chosen))


def _try_one(moment: Moment, folder: Path) -> Outcome:
    outcome = Outcome(moment)
    bench = Bench(folder, seed=moment.number)
    try:
        _kill_and_go_on(bench, moment, outcome)
    except (AssertionError, OSError, ValueError, TimeoutError) as fault:
        outcome.wrong.append(f"{type(fault).__name__}: {fault}")
    finally:
        bench.close()
    return outcome


def _kill_and_go_on(bench: Bench, moment: Moment, outcome: Outcome) -> None:
    if moment.phase in EARLY:
        bench.fault("probe", "late", delay_s=SLOW_CHECKING_S)
    run = bench.run()
    folder = bench.run_folder()
    worker = run.worker()
    reach(run, folder, moment.phase)
    _wait_for_moment(folder, moment)
    outcome.was_on = bench.is_on()
    killed_s = bench.now_s()
    _kill(run, worker, moment.victim)
    before = _bytes_of(folder)
    code = run.wait()
    bench.disarm("probe")
    _judge_off(bench, moment, outcome, run, worker, folder, killed_s)
    outcome.expect(_exit_code(moment.victim, folder), code, "exit code of the keeper")
    if moment.phase in EARLY:
        outcome.expect([], bench.report()["panels"]["supply"]["energised"], "energised before CHECKING had passed")
    if not (folder / "events.csv").is_file():
        _judge_never_begun(bench, outcome, folder)
    elif moment.victim == "keeper":
        _judge_tripped(bench, outcome, folder)
    else:
        _judge_resumed(bench, outcome, folder, before)


def _exit_code(victim: str, folder: Path) -> int:
    if victim != "worker":
        return -signal.SIGKILL
    # Without an off plan nothing was permitted to switch on, but neither can anything be proven off.
    return Exit.KEEPER_ACTED if (folder / "off-plan.json").is_file() else Exit.KEEPER_NOT_VERIFIED


def _wait_for_moment(folder: Path, moment: Moment) -> None:
    due_s = time.monotonic() + moment.after_s
    with contextlib.suppress(AssertionError):
        wait_until(lambda: time.monotonic() >= due_s, "the moment", moment.after_s + 5.0)
    if moment.at_write:
        path = folder / "readings.csv"
        size = path.stat().st_size
        end_s = time.monotonic() + 5.0
        while path.stat().st_size == size and time.monotonic() < end_s:
            pass  # spinning: the kill is to come within microseconds of the write


def _kill(run: Run, worker: int, victim: str) -> None:
    for pid in {"worker": [worker], "keeper": [run.keeper], "both": [run.keeper, worker]}[victim]:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def _bytes_of(folder: Path) -> dict[str, bytes]:
    """What had been written of both files."""
    return {name: (folder / name).read_bytes() for name in ("readings.csv", "events.csv") if (folder / name).is_file()}


def _judge_off(bench: Bench, moment: Moment, outcome: Outcome, run: Run, worker: int, folder: Path, killed_s: float) -> None:
    has_plan = (folder / "off-plan.json").is_file()
    plan_s = off_s(folder) if has_plan else 0.0
    if moment.victim == "worker":
        outcome.bound_s = KEEPER_KILL_S + plan_s
    elif moment.victim == "keeper":
        outcome.bound_s = WORKER_OFF_S
        wait_until(lambda: not Path(f"/proc/{worker}").exists() or _is_zombie(worker), "the worker has ended")
    elif has_plan:
        asked_s = bench.now_s()
        off = bench.chargerd("off", str(bench.data))
        outcome.expect(Exit.OK, off.returncode, f"exit code of off ({off.stdout}{off.stderr})")
        outcome.bound_s = asked_s - killed_s + plan_s
    outcome.off_after_s = bench.off_after_s(killed_s)
    if outcome.off_after_s is None:
        outcome.wrong.append(f"an output is still on; {run.said()}")
    elif outcome.off_after_s > outcome.bound_s:
        outcome.wrong.append(f"off after {outcome.off_after_s:.2f} s, the bound is {outcome.bound_s:.2f} s")


def _is_zombie(pid: int) -> bool:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] == "Z"
    return True


def _judge_never_begun(bench: Bench, outcome: Outcome, folder: Path) -> None:
    """Killed before the first row: nothing ever was on, and the run may simply be started anew."""
    outcome.ended = "never begun"
    refused = bench.chargerd("resume", str(folder), "--plain")
    outcome.expect(True, refused.returncode in (Exit.REFUSED, Exit.JOURNAL), f"resume of nothing is refused ({refused.stderr})")
    outcome.expect(False, "Traceback" in refused.stderr, "a traceback")
    _judge_new_run(bench, outcome)


def _judge_tripped(bench: Bench, outcome: Outcome, folder: Path) -> None:
    """The worker found itself without a guard: it trips, or CHECKING fails since nobody acknowledges the limits."""
    outcome.ended = (states(folder) or [""])[-1]
    outcome.expect(Exit.OK, bench.chargerd("replay", str(folder)).returncode, "replay after the kill")
    if outcome.moment.phase not in EARLY or outcome.ended != "IDLE":
        causes = [event["detail"]["cause"] for event in events(folder, "tripped")]
        outcome.expect((["keeper-lost"], "TRIPPED"), (causes, outcome.ended), "causes of a trip and last state")
        outcome.expect(Exit.REFUSED, bench.chargerd("resume", str(folder), "--plain").returncode, "resume of a tripped run")
        outcome.expect(Exit.OK, bench.clear().returncode, "clear")
    _judge_new_run(bench, outcome)


def _judge_new_run(bench: Bench, outcome: Outcome) -> None:
    """The channel is free again: a new run switches on, and a stop ends it in order."""
    known = set(bench.run_folders())
    run = bench.run()
    wait_until(lambda: bool(set(bench.run_folders()) - known) or run.process.poll() is not None, "a new run has a folder")
    if run.process.poll() is not None:
        outcome.wrong.append(f"no new run: {run.said()}")
        return
    folder = (set(bench.run_folders()) - known).pop()
    reach(run, folder, "cc")
    outcome.expect(Exit.OK, bench.chargerd("stop", str(folder)).returncode, "stop of the new run")
    outcome.expect(Exit.STOPPED, run.wait(), "exit code of the new run")
    outcome.expect(False, bench.is_on(), "an output on after the stop")


def _judge_resumed(bench: Bench, outcome: Outcome, folder: Path, before: dict[str, bytes]) -> None:
    replayed = bench.chargerd("replay", str(folder))
    outcome.expect(Exit.OK, replayed.returncode, f"replay after the kill ({replayed.stdout}{replayed.stderr})")
    resumed = bench.resume(folder)
    outcome.expect(Exit.OK, resumed.wait(90.0), "exit code of the resumed run")
    outcome.ended = (states(folder) or [""])[-1]
    outcome.expect("COMPLETE", outcome.ended, f"last state ({resumed.said()[-400:]})")
    outcome.expect(Exit.OK, bench.chargerd("replay", str(folder)).returncode, "replay after the end")
    for name, content in before.items():
        whole = content[: content.rfind(b"\n") + 1]
        outcome.lost_bytes += len(content) - len(whole)
        outcome.expect(True, (folder / name).read_bytes().startswith(whole), f"{name} begins with what was written before")
    _judge_rows(outcome, folder)
    _judge_charge(bench, outcome, folder)


def _judge_rows(outcome: Outcome, folder: Path) -> None:
    readings, told = rows(folder, "readings.csv"), rows(folder, "events.csv")
    for name, found in (("readings.csv", readings), ("events.csv", told)):
        outcome.expect(list(range(1, len(found) + 1)), [int(row["seq"]) for row in found], f"{name}: seq without holes")
    outcome.expect(True, all(int(row["after_seq"]) <= len(readings) for row in told), "no event after a reading that is not there")
    outcome.expect(1, len(events(folder, "gap")), "gap rows")
    restarts = [event["kind"] for event in events(folder) if event["kind"] in ("resume", "start")][1:]
    outcome.expect(["resume"], restarts, "restarts")


def _judge_charge(bench: Bench, outcome: Outcome, folder: Path) -> None:
    last, truth = rows(folder, "readings.csv")[-1], bench.report()["nodes"]["slip-1"]
    errors = [float(last[f"charge_{way}_Ah"]) - truth[f"charge_{way}_C"] / 3600.0 for way in ("in", "out")]
    outcome.charge_error_Ah = max(map(abs, errors))
    if outcome.charge_error_Ah > CHARGE_MAX_Ah:
        outcome.wrong.append(f"charge is {outcome.charge_error_Ah * 1000:.3f} mAh from the truth, {CHARGE_MAX_Ah * 1000:.3f} allowed")
    if not outcome.was_on:
        return
    reported = bench.chargerd("report", str(folder))
    outcome.expect(Exit.OK, reported.returncode, f"exit code of report ({reported.stderr})")
    verdict: dict[str, Any] = json.loads((folder / "verdict.json").read_text(encoding="utf-8"))
    outcome.expect(True, "interrupted" in json.dumps(verdict), "the verdict says interrupted")


