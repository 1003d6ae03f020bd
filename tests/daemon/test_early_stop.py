"""A stop that comes while the bench is still being opened ends the run in order, as one that comes later does."""

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from chargerd.errors import Exit
from tests.processes.bench_process import Bench, states, wait_until


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "bench")
    yield made
    made.close()


def is_caught(process: int, number: signal.Signals) -> bool:
    """Whether a process has its own handler of a signal, as the kernel tells."""
    status = Path(f"/proc/{process}/status").read_text(encoding="ascii")
    mask = next(line for line in status.splitlines() if line.startswith("SigCgt:")).split()[1]
    return bool(int(mask, 16) >> (number - 1) & 1)


@pytest.mark.timeout(60)
def test_a_stop_while_the_bench_is_opened_ends_in_order(bench: Bench) -> None:
    bench.fault("probe", "late", delay_s=0.4)
    run = bench.run()
    worker = run.worker()
    wait_until(lambda: is_caught(worker, signal.SIGTERM), "the worker listens to signals")
    os.kill(run.keeper, signal.SIGTERM)

    code = run.wait()

    assert (code, states(bench.run_folder())[-1:]) == (Exit.STOPPED, ["STOPPED"]), run.said()
    assert not bench.is_on()
