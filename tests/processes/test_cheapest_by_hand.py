"""What a person types with the cheapest bench: `simulate` in one terminal, `run` in another, then `off`, `replay` and `report`.

Every instrument on a pty of its own, at true speed: Modbus, frames of bytes, lines that come unasked.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from tests.processes.bench_process import ROOT

PROFILE = """\
profile: seconds
about: A few seconds of charge, rest and discharge.
attended: yes
steps:
  - charge:
      current: C/10
      voltage: 1.75 V
      sample_every: 1 s
      ends_when: {time: 10 s, charge: 20 % rated}
  - rest: {lasts: 5 s, sample_every: 1 s}
  - discharge:
      current: C/5
      sample_every: 1 s
      ends_when: {voltage_below: 0.80 V, time: 10 s, charge: 20 % rated}
"""
CELL = example_bench().parent / "cells" / "plover-01.yaml"
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}


def typed(*words: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "chargerd", *map(str, words)]
    return subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True, timeout=120, check=False)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Path]:
    """The shipped bench file with its ports in this folder, served by `simulate`."""
    path = tmp_path / "bench.yaml"
    text = example_bench().with_name("bench-cheapest.yaml").read_text(encoding="utf-8")
    path.write_text(text.replace("///tmp/boathouse-", f"//{tmp_path}/boathouse-"), encoding="utf-8")
    command = [sys.executable, "-m", "chargerd", "simulate", str(path), "--formed"]
    with subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.PIPE, text=True) as simulator:
        try:
            assert simulator.stdout is not None
            told = iter(simulator.stdout.readline, "")
            assert any("simulated instruments are ready" in line for line in told)
            yield path
        finally:
            simulator.send_signal(signal.SIGINT)
            simulator.wait(20)


@pytest.mark.timeout(180)
def test_a_short_run_on_real_ptys_completes_is_off_and_can_be_replayed(bench: Path) -> None:
    folder = bench.parent
    (folder / "seconds.yaml").write_text(PROFILE, encoding="utf-8")

    ran = typed("run", folder / "seconds.yaml", "--cell", CELL, "--bench", bench)
    off = typed("off", folder / "boathouse-data")
    (run,) = (folder / "boathouse-data" / "runs").iterdir()
    replayed, reported = typed("replay", run), typed("report", run)

    assert (ran.returncode, ran.stderr) == (0, "")
    assert "Complete: program complete" in ran.stdout
    assert ran.stdout.index("Record: ") < ran.stdout.index("Stop with Ctrl-C. If anything seems wrong: chargerd off ")
    assert off.returncode == 0
    for name in ("supply", "relay-10", "relay-15", "relay-cell"):
        assert f"slip-1 {name}: off, verified by " in off.stdout + off.stderr
    assert replayed.returncode == 0
    assert "reproduce every decision and every sum" in replayed.stdout
    assert "This bench cannot tell" in reported.stdout
