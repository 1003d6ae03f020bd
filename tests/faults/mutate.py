"""Alters the modules that protect, one place at a time, and looks whether their own tests notice: `python -m tests.faults.mutate`.

Each mutant lives in a copy of the tree. A test that goes red, or hangs, kills it. What lives is printed by its line: either a test
is missing, or the change changes nothing, which `equivalent.py` then says with the reason. Ends with 1 when a score is too low.
"""

from __future__ import annotations

import argparse
import contextlib
import ctypes
import math
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.faults.equivalent import EQUIVALENT
from tests.faults.knock import COPIED, LEFT_OUT, ROOT
from tests.faults.mutants import Mutant, mutants

GOAL = 0.90
"""The least share of mutants that must be killed."""
PR_SET_CHILD_SUBREAPER = 36
"""From linux/prctl.h: what outlives its parent becomes a child of this process, which then can end it."""
CORE = tuple(f"tests/core/test_{name}.py" for name in ("exact_limits", "protection_sums", "limits", "detectors", "ammeter_and_bank", "zero"))
KEEPER = ("tests/daemon/test_keeper_watch.py", "tests/daemon/test_keeper.py")
OFF = ("tests/daemon/test_off.py", "tests/daemon/test_off_frames.py", "tests/daemon/test_off_pins.py")
TESTS: dict[str, tuple[str, ...]] = {
    **{f"chargerd/core/detect/{name}.py": CORE for name in ("currents", "outputs", "protection", "sight", "sums", "table", "temperatures", "voltages")},
    "chargerd/core/limits.py": (*CORE, "tests/core/test_engine.py"),
    "chargerd/core/deadline.py": ("tests/core/test_deadline.py", "tests/core/test_engine.py"),
    "chargerd/core/states.py": ("tests/core/test_states.py", "tests/core/test_engine.py"),
    "chargerd/daemon/keeper.py": KEEPER,
    "chargerd/daemon/off.py": OFF,
    "chargerd/daemon/off_wire.py": OFF,
    "chargerd/instruments/framing/scpi.py": ("tests/instruments/test_scpi_grammar.py",),
    "chargerd/journal/rowcheck.py": ("tests/journal/test_rowcheck.py",),
    "chargerd/journal/resume.py": ("tests/journal/test_resume.py",),
    "chargerd/journal/reader.py": ("tests/journal/test_reader.py", "tests/journal/test_resume.py"),
}  # fmt: skip
"""The modules that protect, and the tests that are theirs: the fastest first."""


@dataclass(frozen=True)
class Outcome:
    """What became of one mutant: killed, hung (which is killed, too) or alive; in how long."""

    mutant: Mutant
    word: str
    took_s: float


class Copy:
    """A copy of the tree in which one module after the other is altered."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="mutants-"))
        self._count = 0
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, self.folder / name, ignore=LEFT_OUT)
            elif source.is_file():
                shutil.copy2(source, self.folder / name)

    def run(self, module: str, text: str | None, tests: tuple[str, ...], within_s: float) -> tuple[str, float]:
        """Run tests against an altered module (None: as it is). Returns killed, hung or alive, and the time taken, s."""
        path, began_s = self.folder / module, time.monotonic()
        if text is not None:
            path.write_text(text, encoding="utf-8")
            self._count += 1  # a time that no compiled file has: two mutants of one length in one second would share theirs
            os.utime(path, (self._count, self._count))
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "pytest_timeout", "--no-header", "--tb=no"]
        try:
            done = subprocess.run(
                [*command, *tests], cwd=self.folder, timeout=within_s, check=False, stdin=subprocess.DEVNULL,
                env=os.environ | {"PYTHONPATH": str(self.folder), "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
            )  # fmt: skip
            word = "alive" if done.returncode == 0 else "killed"
        except subprocess.TimeoutExpired:
            word = "hung"
        end_children()
        shutil.copy2(ROOT / module, path)
        return word, time.monotonic() - began_s


def end_children() -> None:
    """End what the tests of a mutant left behind: workers whose keeper never came to kill them, by their numbers."""
    while pids := Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii").split():
        for pid in map(int, pids):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
            with contextlib.suppress(ChildProcessError):
                os.waitpid(pid, 0)


class Process:
    """What each process of the pool has: its copy."""

    copy: Copy | None = None

    @classmethod
    def begin(cls) -> None:
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)

    @classmethod
    def run(cls, module: str, mutant: Mutant | None, within_s: float) -> Outcome:
        if cls.copy is None:
            cls.copy = Copy()
        word, took_s = cls.copy.run(module, None if mutant is None else mutant.text, TESTS[module], within_s)
        return Outcome(mutant or Mutant(0, "", "", ""), word, took_s)

    @classmethod
    def end(cls) -> None:
        if cls.copy is not None:
            shutil.rmtree(cls.copy.folder)
            cls.copy = None


def sample(module: str, every: int, seed: int) -> tuple[list[Mutant], int]:
    """The mutants of a module that are tried, equivalent ones left out, and how many there are in all."""
    every_one = [m for m in mutants((ROOT / module).read_text(encoding="utf-8")) if (module, m.where, m.change) not in EQUIVALENT]
    chosen = random.Random(f"{seed} {module}").sample(every_one, math.ceil(len(every_one) / every))
    return sorted(chosen, key=lambda mutant: mutant.line), len(every_one)


def try_module(module: str, pool: ProcessPoolExecutor, every: int, seed: int) -> float:
    """Try one module and say what lives. Returns the share that was killed."""
    sound = pool.submit(Process.run, module, None, 600.0).result()
    if sound.word != "alive":
        raise SystemExit(f"{module}: its tests are {sound.word} without any change")
    within_s = 4 * sound.took_s + 30.0  # others may work on this machine, too
    chosen, count = sample(module, every, seed)
    outcomes = list(pool.map(Process.run, [module] * len(chosen), chosen, [within_s] * len(chosen)))
    alive = [outcome.mutant for outcome in outcomes if outcome.word == "alive"]
    hung = sum(outcome.word == "hung" for outcome in outcomes)
    score = 1.0 if not chosen else 1.0 - len(alive) / len(chosen)
    left_out = sum(key[0] == module for key in EQUIVALENT)
    print(f"{score:6.1%}  {module}: {len(chosen) - len(alive)} of {len(chosen)} killed ({hung} hung), of {count} in all, "
          f"{left_out} equivalent left out", flush=True)  # fmt: skip
    for mutant in alive:
        print(f"        {module}:{mutant.line}: {mutant.change}    [{mutant.where}]", flush=True)
    return score


def main(argv: list[str]) -> int:
    """Try modules; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.mutate", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("module", nargs="*", help="path, or the end of one (detect/voltages); all that protect when none is named")
    parser.add_argument("--every", type=int, default=1, metavar="N", help="try one mutant in N")
    parser.add_argument("--seed", type=int, default=0, help="which ones")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    args = parser.parse_args(argv)
    chosen = [module for module in TESTS if not args.module or any(name.removesuffix(".py") in module for name in args.module)]
    if not chosen:
        parser.error(f"none of {', '.join(TESTS)}")
    with ProcessPoolExecutor(args.processes, initializer=Process.begin) as pool:
        try:
            scores = [try_module(module, pool, args.every, args.seed) for module in chosen]
        finally:
            for _ in range(args.processes):
                pool.submit(Process.end)
    return 0 if min(scores) >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
