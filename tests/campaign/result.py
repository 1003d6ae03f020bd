"""What a campaign hands back, and the fork that runs one piece of it apart."""

from __future__ import annotations

import os
import pickle
import resource
import tempfile
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.campaign.explore import Explored, Outcome, scratch


@dataclass
class Result:
    """Counts by their names, what was found, and what it cost."""

    counts: dict[str, float] = field(default_factory=dict)
    found: list[str] = field(default_factory=list)
    failing: list[Outcome] = field(default_factory=list)
    core_s: float = 0.0

    def add(self, **counts: float) -> None:
        for name, count in counts.items():
            self.counts[name] = self.counts.get(name, 0.0) + count

    def take(self, explored: Explored) -> None:
        self.add(runs=len(explored.outcomes), samples=explored.rows, simulated_h=sum(one.simulated_s for one in explored.outcomes) / 3600.0)
        self.core_s += explored.core_s
        self.failing += explored.found()


def apart(pieces: Sequence[Callable[[], Any]], jobs: int) -> tuple[list[Any], float]:
    """Run each piece in a fork of its own, so many at a time; what they return, in order, and the core seconds spent.

    Raises:
        RuntimeError: a piece failed.
    """
    waiting, running, done, core_s = list(enumerate(pieces)), {}, {}, 0.0
    with tempfile.TemporaryDirectory(dir=scratch()) as folder:
        while waiting or running:
            while waiting and len(running) < jobs:
                number, piece = waiting.pop(0)
                process = os.fork()
                if process == 0:
                    _work(piece, Path(folder) / str(number))
                running[process] = number
            process, _, usage = os.wait4(-1, 0)
            if process in running:
                number = running.pop(process)
                core_s += usage.ru_utime + usage.ru_stime
                done[number] = pickle.loads((Path(folder) / str(number)).read_bytes())
    failures = [value for is_good, value in done.values() if not is_good]
    if failures:
        raise RuntimeError(failures[0])
    return [done[number][1] for number in sorted(done)], core_s


def _work(piece: Callable[[], Any], place: Path) -> None:
    try:
        answer = (True, piece())
    except BaseException:  # noqa: BLE001 - whatever it is, the parent must hear of it
        answer = (False, traceback.format_exc())
    place.write_bytes(pickle.dumps(answer))
    os._exit(0)


def core_seconds() -> float:
    """Of this process and of the children it has waited for."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime
