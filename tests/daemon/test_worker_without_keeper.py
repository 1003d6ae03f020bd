"""Every energised run has its guard: a worker started by hand refuses before it opens an instrument."""

import os
import subprocess
import sys
from pathlib import Path

from chargerd.errors import Exit
from tests.worlds.programs import CYCLE
from tests.worlds.world_bench import bench_text, make_run


def test_a_worker_without_a_keeper_refuses(tmp_path: Path) -> None:
    run = make_run(tmp_path, CYCLE, bench_text(), "plover-01", None)
    before = {path.name for path in run.folder.iterdir()}
    environment = {key: value for key, value in os.environ.items() if not key.startswith("CHARGERD_")}

    done = subprocess.run(
        [sys.executable, "-m", "chargerd.daemon.worker", str(run.folder), "--plain"], cwd=Path(__file__).parents[2],
        env=environment, capture_output=True, text=True, timeout=30, check=False,
    )  # fmt: skip

    assert (done.returncode, {path.name for path in run.folder.iterdir()}) == (Exit.REFUSED, before)
    assert "nobody would guard this run" in done.stderr
