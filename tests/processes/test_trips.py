"""A trip over real processes: off at once, latched over restarts, left only by a person's clear with a reason."""

from __future__ import annotations

import pytest

from chargerd.errors import Exit

from .bench_process import CHANNEL, SAMPLE_EVERY_S, TIMEOUT_S, WORKER_OFF_S, Bench, events, reach, rows, states, wait_until

pytestmark = pytest.mark.timeout(180)

TRIP_S = 2 * SAMPLE_EVERY_S + 2 * TIMEOUT_S + WORKER_OFF_S
"""From the first wrong value to off: it is seen at the next reading, and one more confirms; then switching off."""


def tripped(bench: Bench) -> str:
    """Trip a run by an over-voltage that only the supply's voltmeter sees; its folder's name."""
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")
    bench.fault("supply", "offset", quantity="voltage_V", by=2.0)
    wait_until(lambda: states(folder)[-1] == "TRIPPED", "the run trips")
    bench.disarm("supply")
    bench.chargerd("stop", str(folder))
    assert run.wait() == Exit.TRIPPED, run.said()
    return str(folder)


def test_an_over_voltage_switches_off_within_its_bound_and_the_run_ends_as_tripped(bench: Bench):
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")

    false_s = bench.now_s()
    bench.fault("supply", "offset", quantity="voltage_V", by=2.0)
    wait_until(lambda: states(folder)[-1] == "TRIPPED", "the run trips")
    took_s = bench.off_after_s(false_s)
    assert run.process.poll() is None, "after a trip the bench is logged for an hour more"
    known = len(rows(folder, "readings.csv"))
    wait_until(lambda: len(rows(folder, "readings.csv")) > known, "it is logged on")
    bench.chargerd("stop", str(folder))

    assert run.wait() == Exit.TRIPPED
    assert took_s is not None
    assert took_s <= TRIP_S
    causes = [event["detail"]["cause"] for event in events(folder, "tripped")]
    assert causes == ["over-voltage"]
    assert states(folder)[-1] == "TRIPPED", "a stop does not take a trip away"
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK


def test_a_latched_channel_starts_nothing_until_it_is_cleared_with_a_reason(bench: Bench):
    folder = tripped(bench)
    on_times = len(bench.report()["panels"]["supply"]["energised"])

    refused_run = bench.run()
    codes = [refused_run.wait()]
    refused_resume = bench.resume(bench.run_folder())
    codes.append(refused_resume.wait())
    empty = bench.clear("  ")
    none = bench.chargerd("clear", CHANNEL, "--data", str(bench.data))
    still = bench.run()
    still_code = still.wait()
    cleared = bench.clear("test: the voltmeter's lead was loose")
    after_clear = len(bench.report()["panels"]["supply"]["energised"])
    resumed = bench.resume(bench.run_folder())
    resumed_code = resumed.wait()

    assert codes == [Exit.REFUSED, Exit.REFUSED]
    for said in (refused_run.said(), refused_resume.said()):
        assert f"channel {CHANNEL} is tripped (over-voltage)" in said
        assert f"chargerd clear {CHANNEL}" in said
    assert (empty.returncode, none.returncode, still_code) == (Exit.REFUSED, Exit.FILE_OR_COMMAND, Exit.REFUSED)
    assert (cleared.returncode, "Nothing was started" in cleared.stdout) == (Exit.OK, True)
    assert after_clear == on_times, "clearing switches nothing on"
    assert (resumed_code, "this run is over (TRIPPED)" in resumed.said()) == (Exit.REFUSED, True), resumed.said()
    assert str(bench.run_folders()[0]) == folder
    assert len(bench.run_folders()) == 1, "a refused run leaves no folder"
    again = bench.run()
    wait_until(lambda: len(bench.run_folders()) == 2, "the next run has a folder")
    reach(again, bench.run_folder(), "cc")


def test_a_stuck_source_is_announced_and_never_called_off(bench: Bench):
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")

    bench.fault("supply", "stick_on")
    bench.chargerd("stop", str(folder))
    wait_until(lambda: states(folder)[-1:] == ["TRIPPED"], "the stop that could not be carried out trips")

    observed = [event["detail"] for event in events(folder, "observed") if event["detail"]["what"] == "off"]
    assert (observed[-1]["verified"], bench.is_on()) == (False, True)
    told = len(observed)
    wait_until(
        lambda: len([1 for e in events(folder, "observed") if e["detail"]["what"] == "off"]) > told, "off is tried again", 30.0
    )
    assert run.process.poll() is None, "nobody leaves an output that is on"
    assert bench.chargerd("off", str(bench.data)).returncode == Exit.NOT_VERIFIED_OFF
