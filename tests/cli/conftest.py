"""The program in a process of its own, for what only a process shows."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def chargerd_process(tmp_path: Path) -> Callable[..., tuple[int, str]]:
    """Run one command line to its end in an empty folder; its exit code and what it said on stderr."""

    def run(*arguments: str, closed_output: bool = False) -> tuple[int, str]:
        read, write = os.pipe()
        if closed_output:
            os.close(read)
        done = subprocess.run(
            [sys.executable, "-m", "chargerd", *arguments], cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)},
            stdin=subprocess.DEVNULL, stdout=write, stderr=subprocess.PIPE, encoding="utf-8", timeout=60, check=False,
        )  # fmt: skip
        os.close(write)
        if not closed_output:
            os.close(read)
        return done.returncode, done.stderr

    return run
