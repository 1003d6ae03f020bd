"""A run on a disk that is really full, and on one that really hangs: outputs off at the simulated instrument, in time.

Full: a tmpfs filled by another program. Hanging: an ext4 in a file, frozen as for a snapshot (FIFREEZE): every write and sync
of it waits until it is thawed.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from chargerd.errors import Exit
from chargerd.journal.scribe import CLOSE_S, WAIT_MAX_S

from .bench_process import (
    KEEPER_KILL_S,
    KEEPER_PATIENCE_S,
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

TOOLS = ("mount", "umount", "mkfs.ext4", "fsfreeze")
pytestmark = [
    pytest.mark.timeout(240),
    pytest.mark.peer,
    pytest.mark.skipif(
        os.geteuid() != 0 or not all(map(shutil.which, TOOLS)), reason="file systems are mounted by root only, with their tools"
    ),
]
PROFILE = """\
profile: long-charge
about: A charge that is on for minutes.
attended: yes
steps:
  - charge:
      current: 100 mA
      voltage: 1.60 V
      sample_every: 1 s
      ends_when: {charge: 60 mAh, time: 8 min}
"""
PASS_S = 2.0
OFF_VERIFIED = 90


@pytest.fixture
def on_disk(make_bench: Callable[..., Bench]) -> Iterator[Callable[[str], Bench]]:
    """A bench whose data folder is a file system of its own, and what takes that away again."""
    with ExitStack() as stack:

        def make(kind: str) -> Bench:
            bench = make_bench(profile=PROFILE)
            bench.data.mkdir()
            if kind == "tmpfs":
                subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16m", "none", bench.data], check=True)
            else:
                image = bench.folder / "disk.img"
                with image.open("wb") as file:
                    file.truncate(32 << 20)
                subprocess.run(["mkfs.ext4", "-q", "-F", image], check=True)
                subprocess.run(["mount", "-o", "loop", image, bench.data], check=True)
            stack.callback(subprocess.run, ["umount", "-l", bench.data], check=True)
            stack.callback(subprocess.run, ["fsfreeze", "-u", bench.data], check=False, capture_output=True)
            return bench

        yield make


def fill(place: Path) -> None:
    with (place / "another").open("ab", buffering=0) as file, suppress(OSError):
        while True:
            file.write(b"x" * 4096)


def charging(bench: Bench) -> tuple[Run, Path]:
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")
    wait_until(lambda: len(rows(folder, "readings.csv")) > 4, "the ledger's row of the start is written, too")
    return run, folder


def off_at_s(bench: Bench, since_s: float, within_s: float) -> float:
    """How long after an instant everything was off; fails when that takes longer."""
    wait_until(lambda: not bench.is_on(), "everything is off", within_s)
    took_s = bench.off_after_s(since_s)
    assert took_s is not None
    return took_s


@pytest.mark.campaign
def test_a_full_disk_ends_the_run_in_order_after_a_minute_and_the_record_says_why(on_disk: Callable[[str], Bench]) -> None:
    bench = on_disk("tmpfs")
    run, folder = charging(bench)
    fill(bench.data)
    full_s = bench.now_s()

    took_s = off_at_s(bench, full_s, WAIT_MAX_S + 30.0)
    wait_until(lambda: states(folder)[-1:] == ["STOPPED"], "the record says so")
    run.process.send_signal(signal.SIGTERM)  # nobody waits for the hour that is watched
    code = run.wait()

    assert WAIT_MAX_S - PASS_S <= took_s <= WAIT_MAX_S + 2 * PASS_S + WORKER_OFF_S + 4096 / 250
    assert code == Exit.STOPPED, run.said()
    assert [event["detail"]["what"] for event in events(folder, "storage")][:1] == ["full"]
    assert "rows have waited 60 s for the disk" in events(folder, "stop")[0]["detail"]["reason"]
    assert not (folder / "keeper.log").exists(), "the keeper had to act"
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK


@pytest.mark.campaign
def test_a_disk_that_hangs_ends_the_run_in_order_after_a_minute(on_disk: Callable[[str], Bench]) -> None:
    bench = on_disk("ext4")
    run, folder = charging(bench)
    subprocess.run(["fsfreeze", "-f", bench.data], check=True)
    frozen_s, known = bench.now_s(), len(rows(folder, "readings.csv"))

    took_s = off_at_s(bench, frozen_s, WAIT_MAX_S + 30.0)
    at_off = len(rows(folder, "readings.csv"))
    subprocess.run(["fsfreeze", "-u", bench.data], check=True)
    wait_until(lambda: states(folder)[-1:] == ["STOPPED"], "the record says so")
    run.process.send_signal(signal.SIGTERM)
    code = run.wait()

    assert WAIT_MAX_S - 5.0 - PASS_S <= took_s <= WAIT_MAX_S + 2 * PASS_S + WORKER_OFF_S
    assert at_off <= known + 1
    assert len(rows(folder, "readings.csv")) >= known + int(WAIT_MAX_S / PASS_S)
    assert code == Exit.STOPPED, run.said()
    assert not (folder / "keeper.log").exists(), "the keeper had to act"
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK


def test_a_stop_switches_off_at_once_although_the_disk_hangs(on_disk: Callable[[str], Bench]) -> None:
    bench = on_disk("ext4")
    run, folder = charging(bench)
    subprocess.run(["fsfreeze", "-f", bench.data], check=True)
    wait_until(lambda: is_waiting(run.worker()), "a row waits for the disk")
    asked_s = bench.now_s()
    run.process.send_signal(signal.SIGTERM)

    took_s = off_at_s(bench, asked_s, 10.0)
    subprocess.run(["fsfreeze", "-u", bench.data], check=True)
    code = run.wait()

    assert took_s <= PASS_S + WORKER_OFF_S, run.said()
    assert code in (Exit.STOPPED, Exit.JOURNAL), run.said()  # written after all, or given up after a few seconds
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK
    assert CLOSE_S < 5.0, "the keeper would not wait so long"


def test_a_hung_worker_that_a_hanging_disk_keeps_from_dying_does_not_keep_the_outputs_on(on_disk: Callable[[str], Bench]) -> None:
    bench = on_disk("ext4")
    run, folder = charging(bench)
    worker = run.worker()
    subprocess.run(["fsfreeze", "-f", bench.data], check=True)
    wait_until(lambda: is_waiting(worker), "a row waits for the disk")
    stopped_s = bench.now_s()
    os.kill(worker, signal.SIGSTOP)

    took_s = off_at_s(bench, stopped_s, 40.0)
    assert is_waiting(worker)  # its other threads are gone, this one is not
    subprocess.run(["fsfreeze", "-u", bench.data], check=True)
    code = run.wait()

    assert took_s <= KEEPER_PATIENCE_S + 2 * KEEPER_KILL_S + off_s(folder)
    assert code == OFF_VERIFIED, run.said()


def is_waiting(worker: int) -> bool:
    """Whether a thread of the worker stands in a call that nothing ends but the disk (state D)."""
    stats = [path.read_text().rpartition(")")[2].split()[0] for path in Path(f"/proc/{worker}/task").glob("*/stat")]
    return "D" in stats
