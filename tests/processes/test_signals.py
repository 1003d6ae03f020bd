"""Signals, terminals and `off`: however a run is ended, everything is off and proven, and the record says why."""

from __future__ import annotations

import json
import os
import pty
import select
import shutil
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from chargerd.errors import Exit

from .bench_process import (
    KEEPER_KILL_S,
    KEEPER_PATIENCE_S,
    WORKER_OFF_S,
    Bench,
    Run,
    events,
    is_alive,
    off_s,
    reach,
    rows,
    states,
    wait_until,
)

pytestmark = pytest.mark.timeout(180)
SETSID = shutil.which("setsid")


def charging(bench: Bench, run: Run) -> Path:
    """The run's folder, once its source really conducts."""
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")
    return folder


def stops(folder: Path) -> list[tuple[str, str]]:
    return [(event["detail"]["by"], event["detail"]["reason"]) for event in events(folder, "stop")]


def off_result(folder: Path) -> list[tuple[str, bool]]:
    """What `off` wrote down: each output, verified or not."""
    return [(row["output"], row["verified"]) for row in json.loads((folder / "off-result.json").read_text())["outputs"]]


def assert_off_within(bench: Bench, since_s: float, bound_s: float) -> None:
    took_s = bench.off_after_s(since_s)
    assert took_s is not None, "an output is still on"
    assert took_s <= bound_s


# --- signals to the keeper -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT])
def test_one_signal_ends_the_run_in_order(bench: Bench, number: signal.Signals):
    run = bench.run()
    folder = charging(bench, run)

    asked_s = bench.now_s()
    run.process.send_signal(number)
    code = run.wait()

    assert_off_within(bench, asked_s, WORKER_OFF_S)
    assert (code, states(folder)[-1]) == (Exit.STOPPED, "STOPPED")
    # The keeper forwards every request to end as SIGTERM, so that the worker has one way to stop, and says whose it was.
    assert stops(folder) == [("signal", number.name)]
    assert events(folder, "observed")[-1]["detail"]["verified"] is True


RESTS = """\
profile: rests
about: Nothing is on for a minute.
attended: yes
steps:
  - rest: {lasts: 60 s, sample_every: 500 ms}
"""


@pytest.mark.parametrize(
    ("phase", "number"), [("checking", signal.SIGTERM), ("checking", signal.SIGHUP), ("rest", signal.SIGHUP), ("paused", signal.SIGINT)]
)
def test_a_signal_ends_a_run_in_order_in_every_state(make_bench: Callable[..., Bench], phase: str, number: signal.Signals):
    bench = make_bench(profile=RESTS) if phase == "rest" else make_bench()
    run = bench.run()
    folder = bench.run_folder()
    if phase == "paused":
        charging(bench, run)
        wait_until(lambda: len(rows(folder, "readings.csv")) > 3, "it has charged for a while")
        bench.fault("supply", "panel_switch", on=False)  # a person at its panel: the run waits for a person
    wanted = {"checking": "CHECKING", "rest": "RUNNING", "paused": "PAUSED"}[phase]
    wait_until(lambda: states(folder)[-1:] == [wanted] or run.process.poll() is not None, f"the run is {wanted}")

    asked_s = bench.now_s()
    run.process.send_signal(number)
    code = run.wait()

    assert_off_within(bench, asked_s, WORKER_OFF_S)
    assert not bench.is_on()
    # Asked while it was checking, a run may end there or just after.
    assert states(folder)[-1] in (("STOPPED", "IDLE") if phase == "checking" else ("STOPPED",)), run.said()
    assert code in ((Exit.STOPPED, Exit.REFUSED) if phase == "checking" else (Exit.STOPPED,)), run.said()
    assert "Traceback" not in run.said()


def test_a_second_interrupt_means_at_once(bench: Bench):
    run = bench.run()
    folder = charging(bench, run)
    os.kill(run.worker(), signal.SIGSTOP)  # so that the first one cannot have ended it already

    asked_s = bench.now_s()
    run.process.send_signal(signal.SIGINT)
    first_s = time.monotonic()
    wait_until(lambda: time.monotonic() - first_s > 0.3, "a person presses again")
    run.process.send_signal(signal.SIGINT)
    code = run.wait()

    assert code == Exit.KEEPER_ACTED
    assert_off_within(bench, asked_s, 0.3 + 1.0 + KEEPER_KILL_S + off_s(folder))
    assert off_result(folder) == [("supply", True), ("load", True)]
    assert "asked a second time to stop" in run.said()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_to_the_worker_itself_ends_the_run_in_order(bench: Bench, number: signal.Signals):
    run = bench.run()
    folder = charging(bench, run)

    asked_s = bench.now_s()
    os.kill(run.worker(), number)
    code = run.wait()

    assert_off_within(bench, asked_s, WORKER_OFF_S)
    assert (code, states(folder)[-1], stops(folder)) == (Exit.STOPPED, "STOPPED", [("signal", number.name)])


def test_a_stopped_worker_is_killed_and_its_outputs_are_switched_off(bench: Bench):
    run = bench.run()
    folder = charging(bench, run)
    worker = run.worker()

    stopped_s = bench.now_s()
    os.kill(worker, signal.SIGSTOP)
    code = run.wait()

    assert_off_within(bench, stopped_s, KEEPER_PATIENCE_S + KEEPER_KILL_S + off_s(folder))
    assert (code, is_alive(worker)) == (Exit.KEEPER_ACTED, False)
    assert "has been silent for" in run.said()
    assert off_result(folder) == [("supply", True), ("load", True)]


# --- terminals -----------------------------------------------------------------------------------------------------------


@pytest.mark.skipif(SETSID is None, reason="setsid is not installed (Debian: util-linux)")
def test_a_closed_terminal_makes_safe(bench: Bench):
    master, slave = pty.openpty()
    command = ["run", "profile.yaml", "--cell", "cell.yaml", "--bench", "bench.yaml", "--cell-name", "dotterel-01"]
    run = bench.start(*command, through=[str(SETSID), "--ctty"], stdin=slave, stdout=slave, stderr=slave)
    os.close(slave)
    reader = Reader(master)
    wait_until(lambda: "Is the sensor probe fixed to this cell?" in reader.said(), "it asks for a hand")
    os.write(master, b"no\n")
    folder = charging(bench, run)
    wait_until(lambda: "Charging" in reader.said(), "the live view is drawn")

    closed_s = bench.now_s()
    reader.close()
    code = run.wait()

    assert_off_within(bench, closed_s, WORKER_OFF_S)
    assert (code, states(folder)[-1], stops(folder)) == (Exit.STOPPED, "STOPPED", [("signal", "SIGHUP")])


def test_an_output_nobody_reads_any_more_does_not_disturb_the_run(bench: Bench):
    read, write = os.pipe()
    run = bench.run(stdout=write)
    os.close(write)
    folder = charging(bench, run)

    os.close(read)
    reach(run, folder, "cv")  # goes on writing lines into a broken pipe
    code_at_end = run.wait()

    assert (code_at_end, states(folder)[-1]) == (Exit.OK, "COMPLETE")


class Reader:
    """Reads a pty's master so that the other side never blocks."""

    def __init__(self, master: int) -> None:
        self._master = master
        self._chunks: list[bytes] = []
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._closing_r, self._closing_w = os.pipe()
        self._thread.start()

    def _read(self) -> None:
        while True:
            ready, _, _ = select.select([self._master, self._closing_r], [], [])
            if self._closing_r in ready:
                return
            try:
                self._chunks.append(os.read(self._master, 65536))
            except OSError:
                return

    def said(self) -> str:
        return b"".join(self._chunks).decode(errors="replace")

    def close(self) -> None:
        os.close(self._closing_w)
        self._thread.join(10)
        os.close(self._closing_r)
        os.close(self._master)


# --- off while a run is in progress ---------------------------------------------------------------------------------------


def test_off_asks_the_worker_which_stops_in_order(bench: Bench):
    run = bench.run()
    folder = charging(bench, run)

    asked_s = bench.now_s()
    off = bench.chargerd("off", str(bench.data))
    code = run.wait()

    assert_off_within(bench, asked_s, off_s(folder))

    assert (off.returncode, off.stdout.count("off, verified by")) == (Exit.OK, 2), off.stdout + off.stderr
    assert (states(folder)[-1], stops(folder)) == ("STOPPED", [("signal", "SIGTERM")])
    # On a busy machine the worker may need more than the second that `off` gives it to end after everything is off.
    assert code in (Exit.STOPPED, Exit.KEEPER_ACTED)


def test_off_kills_a_worker_that_does_not_answer(bench: Bench):
    run = bench.run()
    folder = charging(bench, run)
    worker = run.worker()
    os.kill(worker, signal.SIGSTOP)

    asked_s = bench.now_s()
    off = bench.chargerd("off", str(bench.data))

    assert_off_within(bench, asked_s, off_s(folder))
    assert (off.returncode, off.stdout.count("off, verified by")) == (Exit.OK, 2), off.stdout + off.stderr
    assert (is_alive(worker), run.wait()) == (False, Exit.KEEPER_ACTED)
    assert not bench.is_on()


def test_off_with_hung_instruments_ends_in_time_and_says_not_verified(make_bench: Callable[..., Bench]):
    bench = make_bench()
    run = bench.run()
    folder = charging(bench, run)
    os.kill(bench.simulator, signal.SIGSTOP)

    began_s = time.monotonic()
    off = bench.chargerd("off", str(bench.data))
    took_s = time.monotonic() - began_s

    try:
        assert off.returncode == Exit.NOT_VERIFIED_OFF
        assert [line.split(":")[1].strip() for line in off.stdout.splitlines()] == ["NOT VERIFIED", "NOT VERIFIED"]
        assert took_s <= off_s(folder) + 2.0, "starting a verb costs up to 2 s on a busy machine"
    finally:
        os.kill(bench.simulator, signal.SIGCONT)
    assert run.wait() in (Exit.KEEPER_ACTED, Exit.KEEPER_NOT_VERIFIED, Exit.TRIPPED)
    wait_until(lambda: not bench.is_on(), "what was sent to the hung instruments has reached them")
