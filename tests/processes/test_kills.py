"""kill -9 of worker, keeper and both at seeded random moments: off within the bound, record whole, run goes on.

The long campaign of the same kind is `python -m tests.processes.kill_many --count 200`.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from chargerd.errors import Exit

from .bench_process import WORKER_OFF_S, Bench, events, is_alive, reach, rows, states, wait_until
from .kills import campaign, moments

KILLS, SIDE_BY_SIDE, SEED = 14, 14, 20251003


@pytest.mark.timeout(300)
def test_kills_at_random_moments_leave_everything_off_and_a_run_that_goes_on(tmp_path: Path):
    outcomes = campaign(moments(KILLS, SEED), tmp_path, SIDE_BY_SIDE, lambda outcome: None)

    assert [(str(outcome.moment), outcome.wrong) for outcome in outcomes if outcome.wrong] == []
    assert {"opening", "checking", "cc", "cv", "gassing", "rest", "discharge"} == {outcome.moment.phase for outcome in outcomes}
    assert any(outcome.was_on for outcome in outcomes)


@pytest.mark.timeout(120)
def test_a_killed_keeper_trips_its_run_at_once(bench: Bench):
    """The pipe to the keeper breaks at once: the worker need not wait for anybody's patience."""
    run = bench.run()
    folder = bench.run_folder()
    worker = run.worker()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")

    killed_s = bench.now_s()
    run.process.kill()
    wait_until(lambda: not bench.is_on(), "the source is off", 2 * WORKER_OFF_S)
    took_s = bench.off_after_s(killed_s)
    wait_until(lambda: not is_alive(worker), "the worker has ended")

    assert took_s is not None
    assert took_s <= WORKER_OFF_S
    assert states(folder)[-1] == "TRIPPED"
    assert [event["detail"]["cause"] for event in events(folder, "tripped")] == ["keeper-lost"]
    assert bench.resume(folder).wait() == Exit.REFUSED, "a trip is left by a person's clear"


@pytest.mark.timeout(180)
def test_a_run_whose_last_rows_were_torn_in_the_crash_goes_on(bench: Bench):
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    os.kill(run.worker(), signal.SIGKILL)
    assert run.wait() == Exit.KEEPER_ACTED
    known = rows(folder, "readings.csv")
    for name in ("readings.csv", "events.csv"):
        with (folder / name).open("ab") as file:
            file.write(b"%d,half a row that the power cut" % (len(rows(folder, name)) + 1))

    replayed = bench.chargerd("replay", str(folder))
    resumed = bench.resume(folder)

    assert (replayed.returncode, replayed.stdout.count("left out")) == (Exit.OK, 2)
    assert (resumed.wait(), states(folder)[-1]) == (Exit.OK, "COMPLETE")
    assert known == rows(folder, "readings.csv")[: len(known)]
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK


@pytest.mark.timeout(180)
def test_what_a_killed_pair_left_on_is_found_switched_off_and_told_at_resume(bench: Bench):
    run = bench.run()
    folder = bench.run_folder()
    worker = run.worker()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")
    for pid in (run.keeper, worker):
        os.kill(pid, signal.SIGKILL)
    run.wait()
    assert bench.is_on(), "nobody is left who could have switched it off"

    first = bench.resume(folder)
    wait_until(lambda: states(folder)[-1] == "TRIPPED", "the run trips", 30.0)
    bench.chargerd("stop", str(folder))  # ends the hour of watching
    code = first.wait()

    # How long it charged the cell nobody knows: the run is over, and the channel waits for a person.
    assert code == Exit.TRIPPED, first.said()
    assert not bench.is_on()
    assert [event["detail"]["cause"] for event in events(folder, "tripped")] == ["source-found-on"]
    assert "was on and was switched off (verified)" in events(folder, "tripped")[0]["detail"]["text"]
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK


@pytest.mark.timeout(120)
def test_a_run_that_was_killed_blocks_a_new_one_until_it_is_ended(bench: Bench, make_bench: Callable[..., Bench]):
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    os.kill(run.worker(), signal.SIGKILL)
    run.wait()

    second = bench.run()
    refused = second.wait()
    closed = bench.chargerd("stop", str(folder), "--reason", "test: enough")
    third = bench.run()
    reach(third, bench.run_folder(), "cc")

    assert (refused, closed.returncode) == (Exit.REFUSED, Exit.OK)
    assert f"chargerd stop data/runs/{folder.name}" in second.said()
    assert (states(folder)[-1], [event["detail"]["reason"] for event in events(folder, "stop")]) == ("STOPPED", ["test: enough"])
