"""Talking to a run that goes on: status, stop, a panel that was switched off, resume, a second run on the same bench."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from chargerd.errors import Exit

from .bench_process import WORKER_OFF_S, Bench, events, reach, states, wait_until

pytestmark = pytest.mark.timeout(180)


def test_status_says_what_the_run_does_and_how_it_ended(bench: Bench):
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")

    live = bench.chargerd("status", str(folder))
    as_json = bench.chargerd("status", str(folder), "--json")
    stopped = bench.chargerd("stop", str(folder), "--reason", "test: seen enough")
    code = run.wait()
    after = bench.chargerd("status", str(folder))

    status = json.loads(as_json.stdout)
    assert (live.returncode, "Charging with" in live.stdout) == (Exit.OK, True), live.stdout + live.stderr
    assert (status["channel"], status["cell"], status["state"]) == ("slip-1", "dotterel-01", "RUNNING")
    assert (stopped.returncode, code) == (Exit.OK, Exit.STOPPED)
    assert (after.returncode, "STOPPED (test: seen enough)" in after.stdout) == (Exit.OK, True), after.stdout
    assert [event["detail"]["reason"] for event in events(folder, "stop")] == ["test: seen enough"]


def test_a_stop_is_off_within_the_workers_bound(bench: Bench):
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")

    bench.chargerd("stop", str(folder))
    answered_s = bench.now_s()
    run.wait()

    took_s = bench.off_after_s(answered_s)
    assert took_s is not None
    assert took_s <= WORKER_OFF_S


def test_a_panel_switched_off_pauses_and_only_a_persons_resume_goes_on(bench: Bench):
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")

    too_early = bench.chargerd("resume", str(folder))
    bench.fault("supply", "panel_switch", on=False)
    wait_until(lambda: states(folder)[-1] == "PAUSED", "the run pauses")
    paused = bench.chargerd("status", str(folder))
    readings_s = bench.now_s()
    wait_until(lambda: bench.now_s() - readings_s > 3.0, "some passes have gone by")
    on_by_itself = bench.is_on()
    resumed = bench.chargerd("resume", str(folder))
    code = run.wait()

    assert (too_early.returncode, "not paused" in too_early.stderr) == (Exit.REFUSED, True), too_early.stderr
    assert (paused.returncode, "aused" in paused.stdout) == (Exit.OK, True), paused.stdout
    assert on_by_itself is False
    assert (resumed.returncode, code) == (Exit.OK, Exit.OK), resumed.stderr + run.said()
    assert states(folder) == ["CHECKING", "RUNNING", "PAUSED", "CHECKING", "RUNNING", "COMPLETE"]
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK


def test_a_second_run_on_one_bench_is_refused_and_the_first_goes_on(bench: Bench):
    first = bench.run()
    folder = bench.run_folder()
    reach(first, folder, "cc")
    wait_until(bench.is_on, "the source is on")
    # The same instruments under another data folder: only the lock on their addresses can tell.
    other = bench.folder / "other.yaml"
    other.write_text((bench.folder / "bench.yaml").read_text(encoding="utf-8").replace("data: data", "data: other"))

    second = bench.run()
    third = bench.start("run", "profile.yaml", "--cell", "cell.yaml", "--bench", "other.yaml", "--plain")
    codes = (second.wait(), third.wait())

    assert codes == (Exit.REFUSED, Exit.REFUSED), second.said() + third.said()
    assert "Traceback" not in second.said() + third.said()
    assert "another run on this machine uses" in third.said()
    assert bench.is_on(), "the first run's source is still on"
    assert (first.process.poll(), states(folder)) == (None, ["CHECKING", "RUNNING"])


ASKS = """\
profile: asks
about: Invented; a question between two rests.
steps:
  - rest: {lasts: 2 s, sample_every: 1 s}
  - ask_person: {question: Is the vent open, within: 10 min}
  - charge:
      current: 100 mA
      voltage: 1.80 V
      sample_every: 1 s
      ends_when: {time: 10 s, charge: 100 mAh}
"""


def test_a_question_waits_for_its_answer_and_a_resume_is_none(make_bench: Callable[..., Bench]):
    bench = make_bench(profile=ASKS)
    run = bench.run()
    folder = bench.run_folder()
    wait_until(lambda: states(folder)[-1:] == ["PAUSED"], "the question is asked")
    asked = bench.chargerd("status", str(folder))
    resumed = bench.chargerd("resume", str(folder))
    waiting = (bench.is_on(), states(folder))
    answered = bench.chargerd("resume", str(folder), "--answer", "yes, I looked")
    wait_until(lambda: states(folder)[-2:] == ["CHECKING", "RUNNING"], "it goes on through checking")
    again = bench.chargerd("resume", str(folder), "--answer", "yes")
    code = run.wait()
    late = bench.chargerd("resume", str(folder), "--answer", "yes")

    assert (asked.returncode, "Is the vent open" in asked.stdout) == (Exit.OK, True), asked.stdout
    assert (resumed.returncode, "it asks: Is the vent open" in resumed.stderr) == (Exit.REFUSED, True), resumed.stderr
    assert waiting == (False, ["CHECKING", "RUNNING", "PAUSED"])
    assert answered.returncode == Exit.OK, answered.stderr
    assert (again.returncode, "not paused" in again.stderr) == (Exit.REFUSED, True), again.stderr
    assert (late.returncode, "nobody asks" in late.stderr) == (Exit.REFUSED, True), late.stderr
    assert code == Exit.OK, run.said()
    assert [event["detail"]["text"] for event in events(folder, "answer")] == ["yes, I looked"]
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK
