"""A service manager's start after worker and keeper were killed: off first, then on only with what the rules allow.

Unattended runs are granted by a row of the channel's ledger; these tests write it themselves, in place of whoever grants it.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from chargerd.cli.resume_all import patient_ledger
from chargerd.daemon.clock import real_clock
from chargerd.daemon.control import ask
from chargerd.errors import Exit
from chargerd.journal.ledger import ChannelLedger

from .bench_process import CHANNEL, Bench, Run, events, in_phase, is_alive, reach, rows, states, wait_until

PROFILE = """\
profile: slow-charge
about: A charge below the gassing threshold that outlasts these tests.
steps:
  - charge:
      current: 50 mA
      voltage: 1.75 V
      sample_every: 500 ms
      ends_when: {charge: 20 mAh, time: 20 min}
  - rest: {lasts: 1 s, sample_every: 500 ms}
"""
SAFE_SUPPLY = """\
dialect: safe-supply
based_on: scpi-supply
about: The same supply, asked what its output does when mains return.
role: source
published: SCPI-1999
verified_on_hardware: none yet
power_on: "off"
"""


@pytest.fixture
def safe_bench(make_bench: Callable[..., Bench]) -> Bench:
    """A bench whose supply comes back with its output off, and says so in its dialect."""
    bench = make_bench(profile=PROFILE)
    (bench.folder / "dialects").mkdir()
    (bench.folder / "dialects" / "safe-supply.yaml").write_text(SAFE_SUPPLY, encoding="utf-8")
    text = (bench.folder / "bench.yaml").read_text(encoding="utf-8")
    (bench.folder / "bench.yaml").write_text(text.replace("dialect: scpi-supply", "dialect: safe-supply"), encoding="utf-8")
    return bench


def killed(bench: Bench) -> Path:
    """A charge whose worker and keeper were killed together: the source is still on."""
    run = bench.run()
    folder = bench.run_folder()
    worker = run.worker()
    reach(run, folder, "cc")
    wait_until(lambda: bench.is_on() and len(rows(folder, "readings.csv")) > 4, "the source is on and on record")
    kill_both(run, worker)
    assert bench.is_on(), "nobody is left who could have switched it off"
    return folder


def kill_both(run: Run, worker: int) -> None:
    for pid in (run.keeper, worker):
        os.kill(pid, signal.SIGKILL)
    run.wait()
    wait_until(lambda: not is_alive(worker), "the worker is gone")


def grant(bench: Bench, folder: Path) -> None:
    with patient_ledger(bench.data, CHANNEL) as ledger:  # the last threads of a killed worker may hold it for a moment
        ledger.granted(real_clock().utc(), folder.name, unattended=True)


def goes_on(bench: Bench, run: Run, folder: Path) -> None:
    wait_until(lambda: len(events(folder, "resume")) == 1 or run.process.poll() is not None, "somebody goes on with it")
    assert run.process.poll() is None, run.said()
    wait_until(lambda: in_phase(folder, "cc") and bench.is_on(), "it charges again")


def all_of(bench: Bench) -> Run:
    """What the service manager starts."""
    return bench.start("resume", "--all", str(bench.data))


@pytest.mark.timeout(180)
def test_a_granted_run_goes_on_by_itself_once_and_a_second_crash_leaves_it_for_a_person(safe_bench: Bench):
    bench = safe_bench
    folder = killed(bench)
    grant(bench, folder)

    first = all_of(bench)
    goes_on(bench, first, folder)
    (resume,) = events(folder, "resume")
    (gap,) = events(folder, "gap")
    status = json.loads(bench.chargerd("status", str(folder), "--json").stdout)

    assert (resume["detail"]["by"], states(folder)[-3:]) == ("service manager", ["PAUSED", "CHECKING", "RUNNING"])
    assert gap["detail"]["duration_s"] > 0.0
    assert "went on by itself" in status["warnings"][0]

    kill_both(first, first.worker())
    second = all_of(bench)

    assert second.wait() == Exit.FOR_A_PERSON, second.said()
    assert "broke down more than once" in second.said()
    assert not bench.is_on()
    assert (states(folder)[-1], events(folder)[-1]["kind"]) == ("PAUSED", "left-paused")
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK

    by_person = bench.resume(folder)
    wait_until(lambda: states(folder)[-1] == "RUNNING" and bench.is_on(), "a person goes on with it")
    assert bench.chargerd("stop", str(folder)).returncode == Exit.OK
    assert by_person.wait() == Exit.STOPPED
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK


@pytest.mark.timeout(120)
def test_a_run_nobody_granted_is_switched_off_and_left_for_a_person(safe_bench: Bench):
    bench = safe_bench
    folder = killed(bench)
    refused = bench.start("resume", str(folder), "--if-allowed", "--plain")

    assert refused.wait() == Exit.FOR_A_PERSON, refused.said()
    assert "attended only" in refused.said()
    assert not bench.is_on()
    assert states(folder)[-1] == "PAUSED"

    grant(bench, folder)  # too late: who left it for a person does not change that by trying again
    again = all_of(bench)
    assert again.wait() == Exit.FOR_A_PERSON, again.said()
    assert "left for a person" in again.said()
    assert len(events(folder, "resume")) == 0


@pytest.mark.timeout(120)
def test_a_run_whose_frozen_off_plan_was_changed_never_goes_on(safe_bench: Bench):
    bench = safe_bench
    folder = killed(bench)
    grant(bench, folder)
    plan = folder / "off-plan.json"
    plan.write_text(plan.read_text(encoding="ascii").replace('"tries": ', '"tries":  ', 1), encoding="ascii")

    refused = all_of(bench)
    assert refused.wait() == Exit.FOR_A_PERSON, refused.said()
    assert "never goes on: its off plan is missing or was changed" in refused.said()
    assert not bench.is_on()

    by_person = bench.resume(folder)
    assert by_person.wait() == Exit.REFUSED, by_person.said()
    assert bench.chargerd("stop", str(folder)).returncode == Exit.OK
    assert states(folder)[-1] == "STOPPED"


@pytest.mark.timeout(120)
def test_a_pause_by_a_person_is_never_ended_by_a_service_manager(safe_bench: Bench):
    bench = safe_bench
    run = bench.run()
    folder = bench.run_folder()
    worker = run.worker()
    reach(run, folder, "cc")
    wait_until(lambda: ask(folder, ask="pause", by="person") == {"answer": "pausing"}, "it is asked to pause")
    wait_until(lambda: states(folder)[-1] == "PAUSED" and not bench.is_on(), "it is paused")
    kill_both(run, worker)
    grant(bench, folder)

    for _ in range(2):
        refused = all_of(bench)
        assert refused.wait() == Exit.FOR_A_PERSON, refused.said()
    assert not bench.is_on()


@pytest.mark.timeout(120)
def test_a_run_that_is_alive_is_not_touched_and_a_folder_without_one_is_no_fault(safe_bench: Bench):
    bench = safe_bench
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")

    alone = bench.chargerd("resume", str(folder), "--if-allowed")
    every = bench.chargerd("resume", "--all", str(bench.data))

    assert (alone.returncode, every.returncode) == (Exit.REFUSED, Exit.OK)
    assert "is left alone" in every.stdout
    assert bench.is_on()
    assert bench.chargerd("stop", str(folder)).returncode == Exit.OK
    assert run.wait() == Exit.STOPPED
    assert "nothing to go on with" in bench.chargerd("resume", "--all", str(bench.data)).stdout


@pytest.mark.timeout(120)
def test_two_channels_are_gone_on_with_side_by_side(safe_bench: Bench):
    """The second channel is one of the ledgers only: its run is refused, and the first goes on all the same."""
    bench = safe_bench
    folder = killed(bench)
    grant(bench, folder)
    other = bench.data / "runs" / "20260314T200000Z_knot-01_slow"
    other.mkdir()
    with ChannelLedger.open(bench.data, "slip-2") as ledger:
        ledger.started(real_clock().utc(), other.name)

    both = all_of(bench)
    goes_on(bench, both, folder)
    both.process.send_signal(signal.SIGTERM)
    code = both.wait()

    assert code == Exit.STOPPED, both.said()
    assert not bench.is_on()
