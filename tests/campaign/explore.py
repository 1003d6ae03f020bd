"""Injected runs as forks of one run without faults: each begins in the middle of it, in exactly its state.

`fork` copies cell, panels, links, program, timers and open files at once, at a price of a few milliseconds. The child puts copies of
the journal's files in place of those it shares with its parent, arms the script, goes on, is judged, and says what was found.
"""

from __future__ import annotations

import asyncio
import gc
import json
import os
import shutil
import signal
import tempfile
import time
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from chargerd.daemon.channel import Pass
from tests.campaign.judge import Finding, judge
from tests.campaign.script import Script
from tests.campaign.story import Live, drive
from tests.worlds.world_bench import Ran

HANGS_AFTER_S = 120
"""Real seconds after which an injected run is held to hang: most take a tenth of one."""

Wanted = Callable[[Live, int], Iterable[Script]]


@dataclass
class Outcome:
    """What one injected run showed."""

    script: Script
    findings: list[Finding]
    state: str
    cause: str
    rows: int
    simulated_s: float


@dataclass
class Explored:
    """All runs of one exploration."""

    outcomes: list[Outcome] = field(default_factory=list)
    core_s: float = 0.0

    @property
    def rows(self) -> int:
        return sum(outcome.rows for outcome in self.outcomes)

    def found(self) -> list[Outcome]:
        return [outcome for outcome in self.outcomes if outcome.findings]


def scratch() -> str | None:
    """Memory if there is some to write files in: a campaign's journals are judged and thrown away."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def run_script(script: Script) -> Outcome:
    """The same run from its very beginning, alone: what a fork found must be found again here."""

    def hook(live: Live, done: Pass) -> None:
        if live.armed is None and live.stage.now_s() >= script.arm_s:
            live.arm(script)

    with tempfile.TemporaryDirectory(dir=scratch()) as folder:
        ran, live = drive(script.story, Path(folder), seed=script.seed, hook=hook, loss=script.loss)
        return outcome_of(script, ran, live, 0)


def outcome_of(script: Script, ran: Ran, live: Live, from_row: int) -> Outcome:
    findings = judge(ran, script, live.truths)
    rows = ran.looks[-1].seq if ran.looks else 0  # type: ignore[attr-defined]
    return Outcome(script, findings, ran.state.value, ran.cause, rows - from_row, ran.ended_s)


class _Explorer:
    def __init__(self, wanted: Wanted, folder: Path, jobs: int) -> None:
        self._wanted = wanted
        self._folder = folder
        self._jobs = jobs
        self._running: dict[int, tuple[Script, Path]] = {}
        self._count = 0
        self._last_row = -1
        self.done = Explored()
        self.child: tuple[Script, Path, int, Live] | None = None

    def hook(self, live: Live, done: Pass) -> None:
        if live.in_fork or done.seq == self._last_row:
            return
        self._last_row = done.seq
        for script in self._wanted(live, done.seq):
            while len(self._running) >= self._jobs:
                self._reap()
            self._count += 1
            place = self._folder / f"fork-{self._count}"
            shutil.copytree(live.frozen.folder, place / "run")  # before the fork: the parent goes on writing
            process = os.fork()
            if process == 0:
                self._become(live, script, place, done.seq)
                return
            self._running[process] = (script, place)

    def _become(self, live: Live, script: Script, place: Path, row: int) -> None:
        """In the child: nothing of the parent's files may be written any more."""
        gc.disable()
        signal.alarm(HANGS_AFTER_S)
        asyncio._set_running_loop(live.stage.loop)
        live.in_fork = True
        here = str(live.frozen.folder)
        for entry in list(Path("/proc/self/fd").iterdir()):
            try:
                target = entry.readlink()
            except OSError:
                continue
            if str(target).startswith(here + "/"):
                own = os.open(place / "run" / target.name, os.O_WRONLY | os.O_APPEND)
                os.dup2(own, int(entry.name))
                os.close(own)
        live.folder = place / "run"
        self.child = (script, place, row, live)
        live.arm(script)

    def finish_child(self, ran: Ran | None, failure: str) -> None:
        """In the child: say what was found, and be gone."""
        assert self.child is not None
        script, place, row, live = self.child
        if ran is not None:
            try:
                outcome = outcome_of(script, ran, live, row)
            except Exception:  # noqa: BLE001 - a judge that fails is a finding too
                failure = traceback.format_exc()[-1500:]
        if failure:
            outcome = Outcome(script, [Finding("harness", failure)], "", "", 0, 0.0)
        text = json.dumps(
            [[list(found) for found in outcome.findings], outcome.state, outcome.cause, outcome.rows, outcome.simulated_s]
        )
        (place / "outcome.json").write_text(text, encoding="utf-8")
        os._exit(0)

    def _reap(self) -> None:
        process, status, usage = os.wait4(-1, 0)
        if process not in self._running:
            return
        script, place = self._running.pop(process)
        self.done.core_s += usage.ru_utime + usage.ru_stime
        try:
            findings, state, cause, rows, simulated_s = json.loads((place / "outcome.json").read_text(encoding="utf-8"))
            outcome = Outcome(script, [Finding(*found) for found in findings], state, cause, rows, simulated_s)
        except (OSError, ValueError) as lost:
            outcome = Outcome(script, [Finding("harness", f"the run died with {status}: {lost}")], "", "", 0, 0.0)
        self.done.outcomes.append(outcome)
        shutil.rmtree(place, ignore_errors=True)

    def wait(self) -> None:
        while self._running:
            self._reap()


def explore(story: str, wanted: Wanted, *, seed: int = 1, jobs: int = 1, until_s: float = 4000.0) -> Explored:
    """Run a story once; `wanted(live, row)` says after each row which injected runs leave it there."""
    began_s = time.process_time()
    with tempfile.TemporaryDirectory(dir=scratch()) as folder:
        explorer = _Explorer(wanted, Path(folder), jobs)
        gc.collect()
        gc.freeze()
        ran, failure = None, ""
        try:
            ran, _ = drive(story, Path(folder) / "story", seed=seed, hook=explorer.hook, until_s=until_s)
        except BaseException:
            if explorer.child is None:
                raise
            failure = traceback.format_exc()[-1500:]
        if explorer.child is not None:
            explorer.finish_child(ran, failure)
        explorer.wait()
    gc.unfreeze()
    explorer.done.core_s += time.process_time() - began_s
    return explorer.done
