"""How many rows a second `replay` reads, checks, folds and compares."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from bench.run_in_memory import record
from chargerd import ENGINE_VERSION
from chargerd.core.engine import Engine
from chargerd.journal.resume import fold, replay


def measure() -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        run = record(Path(folder), 10.0)
        began_s = time.perf_counter()
        done = replay(run.folder, lambda: Engine(run.plan), engine_version=ENGINE_VERSION)
        took_s = time.perf_counter() - began_s
        yield f"{done.readings} rows in {took_s:.2f} s, {done.readings / took_s:.0f} rows/s, {done.differences_count} differences"
        began_s = time.perf_counter()
        fold(run.folder, lambda: Engine(run.plan), engine_version=ENGINE_VERSION)
        yield f"fold from the last checkpoint in {time.perf_counter() - began_s:.2f} s; goal 5 s"
