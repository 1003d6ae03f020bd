"""A run as a service: what is said on the notification socket, and what ExecStopPost= does after each kind of death.

Keeper, worker, simulated instruments and `off` are processes of their own; times are read from the simulator's record of when its
outputs conducted. In place of systemd stands `manager.py`.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterator

import pytest

from chargerd.config.safety_time import SERVICE_MANAGER_S
from chargerd.errors import Exit
from tests.processes.bench_process import KEEPER_KILL_S, KEEPER_PATIENCE_S, Bench, Run, events, off_s, reach, states, wait_until
from tests.processes.test_resume_by_itself import grant, safe_bench

from .manager import Manager, kill, worker_of
from .unit_files import one

__all__ = ["safe_bench"]
SLOW = """\
profile: slow-charge
about: A charge below the gassing threshold that outlasts these tests.
attended: yes
steps:
  - charge:
      current: 50 mA
      voltage: 1.75 V
      sample_every: 500 ms
      ends_when: {charge: 20 mAh, time: 20 min}
  - rest: {lasts: 1 s, sample_every: 500 ms}
"""


@pytest.fixture
def slow_bench(make_bench: Callable[..., Bench]) -> Bench:
    return make_bench(profile=SLOW)


@pytest.fixture
def manager(slow_bench: Bench) -> Iterator[Manager]:
    with Manager(slow_bench) as manager:
        yield manager


def charging(manager: Manager) -> tuple[Run, int]:
    """A run of the unit's whose source is on, and its worker's pid."""
    run = manager.start()
    folder = manager.bench.run_folder()
    manager.wait_ready(run)
    reach(run, folder, "cc")
    wait_until(manager.bench.is_on, "the source is on")
    return run, worker_of(run)


def judge(manager: Manager, since_s: float, bound_s: float) -> None:
    """Every output off, and in time."""
    after_s = manager.bench.off_after_s(since_s)
    assert after_s is not None, "an output is still on"
    assert after_s <= bound_s


# --- what the keeper says -------------------------------------------------------------------------------------------------


@pytest.mark.timeout(120)
def test_ready_is_said_when_the_worker_has_spoken_and_the_watchdog_is_fed_only_while_it_is_proven(manager: Manager):
    run, worker = charging(manager)
    first = manager.listen()[0]
    wait_until(lambda: len(manager.listen()) > 4, "the watchdog is fed")

    os.kill(worker, signal.SIGSTOP)
    stopped_s, at_s = manager.bench.now_s(), time.monotonic()
    wait_until(lambda: bool(manager.listen()) and run.process.poll() is not None, "the keeper has acted")
    last = manager.listen()[-1]

    assert first.split("\n")[:2] == ["READY=1", "WATCHDOG=1"]
    assert (manager.bench.run_folder() / "off-plan.json").is_file(), "nothing was said before there was a plan to switch off by"
    assert last.split("\n")[0] == "STOPPING=1"
    assert "has been silent" in last
    fed_s = max(heard_s for heard_s, text in manager.heard if "WATCHDOG=1" in text)
    assert at_s < fed_s < at_s + KEEPER_PATIENCE_S + 1.0, "it is borne with for that long, and no longer"
    assert run.process.returncode == Exit.KEEPER_ACTED
    judge(manager, stopped_s, KEEPER_PATIENCE_S + KEEPER_KILL_S + off_s(manager.bench.run_folder()))


@pytest.mark.timeout(120)
def test_a_stop_ends_in_order_with_a_code_the_unit_takes_for_success(manager: Manager):
    run, _ = charging(manager)
    since_s = manager.bench.now_s()

    run.process.send_signal(signal.SIGTERM)  # KillMode=mixed: to the keeper alone
    code = run.wait()
    after = manager.stop_post()

    assert code in {int(word) for word in one(manager.unit, "Service", "SuccessExitStatus").split()}
    assert states(manager.bench.run_folder())[-1] == "STOPPED"
    assert (after.returncode, after.stdout.count("off, verified")) == (Exit.OK, 2)
    judge(manager, since_s, KEEPER_PATIENCE_S + KEEPER_KILL_S + off_s(manager.bench.run_folder()))


# --- who switches off when something has died -----------------------------------------------------------------------------


@pytest.mark.timeout(120)
def test_worker_and_keeper_killed_together_everything_is_off_within_the_bound_of_off(manager: Manager):
    run, worker = charging(manager)
    killed_s = manager.bench.now_s()
    kill(worker, run.keeper)
    run.wait()
    assert manager.bench.is_on(), "nobody is left who could have switched it off"

    after = manager.stop_post()

    assert (after.returncode, after.stdout.count("off, verified")) == (Exit.OK, 2), after.stdout + after.stderr
    judge(manager, killed_s, off_s(manager.bench.run_folder()))


@pytest.mark.timeout(120)
def test_a_keeper_killed_above_a_worker_that_hangs_leaves_nothing_on(manager: Manager):
    run, worker = charging(manager)
    os.kill(worker, signal.SIGSTOP)
    killed_s = manager.bench.now_s()
    kill(run.keeper)
    run.wait()
    assert manager.bench.is_on(), "the worker hangs, so nobody has switched it off"

    kill(worker)  # KillMode=mixed: what is left of the unit is killed as soon as its main process is gone
    after = manager.stop_post()

    assert (after.returncode, after.stdout.count("off, verified")) == (Exit.OK, 2), after.stdout + after.stderr
    judge(manager, killed_s, off_s(manager.bench.run_folder()))


@pytest.mark.timeout(150)
def test_keeper_and_worker_that_both_hang_are_ended_by_the_watchdog_and_off_frees_the_port(manager: Manager):
    run, worker = charging(manager)
    for pid in (run.keeper, worker):
        os.kill(pid, signal.SIGSTOP)
    hung_s = manager.bench.now_s()

    manager.watchdog(run)
    assert manager.bench.is_on(), "the worker still holds the port"
    after = manager.stop_post()

    assert (after.returncode, after.stdout.count("off, verified")) == (Exit.OK, 2), after.stdout + after.stderr
    judge(manager, hung_s, SERVICE_MANAGER_S + off_s(manager.bench.run_folder()) - 1.0)  # the second that off asks is in both


# --- what a start begins, and what it does not ------------------------------------------------------------------------------


@pytest.mark.timeout(120)
def test_a_start_that_is_refused_switches_nothing_of_the_living_off(slow_bench: Bench, manager: Manager):
    """The living one is of a terminal; so would be a second unit's."""
    living = slow_bench.run()
    reach(living, slow_bench.run_folder(), "cc")
    wait_until(slow_bench.is_on, "the source is on")

    refused = manager.start()
    code = refused.wait()
    after = manager.stop_post()

    assert (code, after.returncode, after.stdout) == (Exit.REFUSED, 0, "")
    assert slow_bench.is_on()
    assert living.process.poll() is None
    assert not (manager.folder / "run").is_symlink()


@pytest.mark.timeout(120)
@pytest.mark.parametrize("left", ["broken off", "ended"])
def test_a_restart_by_the_service_manager_begins_no_new_run_and_what_was_attended_stays_off(manager: Manager, left: str):
    """The worker may have ended its run in order while its keeper hung: nothing would then refuse another."""
    run, worker = charging(manager)
    kill(worker, run.keeper)
    run.wait()
    assert manager.stop_post().returncode == Exit.OK
    if left == "ended":
        assert manager.bench.chargerd("stop", str(manager.bench.run_folder())).returncode == Exit.OK

    again = manager.start()
    code = again.wait()

    never = {int(word) for word in one(manager.unit, "Service", "RestartPreventExitStatus").split()}
    assert code in never - {0}, again.said()
    assert left == "ended" or code == Exit.FOR_A_PERSON
    assert len(manager.bench.run_folders()) == 1
    assert not manager.bench.is_on()


@pytest.mark.timeout(150)
def test_a_granted_run_goes_on_after_a_restart_as_the_run_it_was(safe_bench: Bench):
    """The grant is written by the test, in place of whoever grants it."""
    with Manager(safe_bench) as manager:
        run, worker = charging(manager)
        folder = safe_bench.run_folder()
        kill(worker, run.keeper)
        run.wait()
        grant(safe_bench, folder)
        assert manager.stop_post().returncode == Exit.OK
        assert not safe_bench.is_on()
        manager.listen()
        manager.heard.clear()

        again = manager.start()
        manager.wait_ready(again)
        wait_until(safe_bench.is_on, "it charges again")
        again.process.send_signal(signal.SIGTERM)

        assert again.wait() == Exit.STOPPED, again.said()
        assert safe_bench.run_folders() == [folder]
        assert [event["detail"]["by"] for event in events(folder, "resume")] == ["service manager"]
        assert manager.stop_post().returncode == Exit.OK


@pytest.mark.timeout(120)
def test_without_a_place_for_the_link_nothing_starts(manager: Manager):
    manager.folder.rmdir()

    run = manager.start()

    assert run.wait() == Exit.REFUSED
    assert "the service manager's link cannot be left there" in run.said()
    assert manager.bench.report()["panels"]["supply"]["energised"] == []


@pytest.mark.timeout(60)
def test_a_verb_that_finds_nothing_to_do_says_ready_before_it_ends(manager: Manager):
    """Type=notify: one that ends with 0 and without that word counts as failed, and is started again (systemd.service(5))."""
    ended = manager.bench.start("runs", "--help", through=manager.through())
    quiet = ended.wait()
    assert (quiet, manager.listen()) == (Exit.OK, [])  # help is no work that was done

    listed = manager.bench.start("check", "cell.yaml", through=manager.through())

    assert listed.wait() == Exit.OK
    assert manager.says("READY=1")
