"""The keeper as a process above a real worker and a real socket: whatever the worker does, the instrument is switched off in time.

Time bounds are judged by the instrument's own record of when `OUTP OFF` came: patience + one second for the kill + off's bound.
"""

from __future__ import annotations

import itertools
import json
import os
import pty
import select
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from chargerd.daemon import keeper
from tests.daemon.fake_worker import KeptWorker
from tests.daemon.scpi_responder import Responder, boot_s, off_plan

OFF_BOUND_S = 1.0 + 1 * 2 * 0.5 + 2.0  # what off promises for one output, two tries of 0.5 s
PATIENCE_S = 0.5
BOUND_S = PATIENCE_S + keeper.KILL_S + OFF_BOUND_S


@pytest.fixture
def supply(tmp_path: Path) -> Iterator[Responder]:
    with Responder() as responder:
        (tmp_path / "off-plan.json").write_text(json.dumps(off_plan(tmp_path, responder)), encoding="ascii")
        yield responder


def wait_gone(pid: int) -> bool:
    """Whether a process that is not our child has ended, within ten seconds."""
    try:
        process = os.pidfd_open(pid)
    except ProcessLookupError:
        return True
    ready, _, _ = select.select([process], [], [], 10)
    os.close(process)
    return bool(ready)


# --- an orderly run -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", [0, 3])
def test_an_orderly_end_passes_the_workers_exit_code_and_touches_no_instrument(tmp_path: Path, supply: Responder, status: int) -> None:
    with KeptWorker(tmp_path, f"limits(); beat(); beat(energised=False); done(); sys.exit({status})") as kept:
        assert kept.ended() == status
        assert supply.messages == []


def test_a_worker_that_ends_before_any_limits_passes_its_exit_code(tmp_path: Path, supply: Responder) -> None:
    with KeptWorker(tmp_path, "sys.exit(2)") as kept:
        assert kept.ended() == 2
        assert supply.messages == []


def test_a_worker_may_think_for_longer_than_patience_before_its_first_limits(tmp_path: Path, supply: Responder) -> None:
    with KeptWorker(tmp_path, "pause(1.0); limits(); beat(); done()", patience_s=PATIENCE_S) as kept:
        assert kept.ended() == 0
        assert supply.messages == []


def test_a_program_that_cannot_be_started_is_told(tmp_path: Path) -> None:
    with KeptWorker(tmp_path, "", command=("/nonexistent/program",)) as kept:
        assert kept.ended() == 2
        assert "nothing was started" in kept.said()


@pytest.mark.parametrize("patience", [0.0, -1.0, float("nan"), float("inf"), 61.0])
def test_a_patience_that_is_none_or_endless_is_refused(tmp_path: Path, patience: float) -> None:
    with KeptWorker(tmp_path, "", patience_s=patience) as kept:
        assert kept.ended() == 2


def test_limits_without_an_off_plan_are_refused_and_nothing_can_start(tmp_path: Path) -> None:
    with KeptWorker(tmp_path, 'limits(); tell("acknowledged")') as kept:
        assert kept.ended() == 1
        assert kept.process.stdout is not None
        assert kept.process.stdout.read() == b""


# --- what ends in off ---------------------------------------------------------------------------------------------------------

FAILURES = {
    "silence": 'tell("last"); pause(60)',
    "silence after the limits": 'tell("last"); pause(60)',
    "busy loop": 'tell("last")\nwhile True: pass',
    "garbage": 'tell("last"); say(b"\\x00\\xff{"); pause(60)',
    "half a line without end": 'tell("last")\nwhile True: os.write(BEATS, b"x" * 4096)',
    "voltage too high": 'tell("last"); beat_on(voltage_V=2.76)',
    "voltage too low": 'tell("last"); beat_on(voltage_V=0.49)',
    "current too high": 'tell("last"); beat_on(current_A=1.7)',
    "discharge current too high": 'tell("last"); beat_on(current_A=-1.7)',
    "temperature too high": 'tell("last"); beat_on(temperature_degC=45.5)',
    "NaN": 'tell("last"); beat_on(voltage_V=float("nan"))',
    "sample too old": 'tell("last"); beat_on(age_s=3.5)',
    "rows not written": 'tell("last"); beat_on(unwritten_s=60.0)',
    "seq stands still": 'tell("last"); seq = 0; beat_on()',
    "second, different limits": 'tell("last"); limits(voltage_max_V=3.0); beat_on()',
    "off not verified by the worker": 'tell("last"); done(verified_off=False); pause(60)',
    "energised after done": 'tell("last"); done(); beat_on()',
    "exit 0 without done": 'tell("last"); sys.exit(0)',
    "exception": 'tell("last"); raise RuntimeError("planted")',
    "kill -9": 'tell("last"); os.kill(os.getpid(), signal.SIGKILL)',
    "segmentation fault": 'tell("last"); os.kill(os.getpid(), signal.SIGSEGV)',
    "killed after done": 'tell("last"); done(); os.kill(os.getpid(), signal.SIGKILL)',
    "SIGSTOP": 'tell("last"); os.kill(os.getpid(), signal.SIGSTOP)',
    "pipe closed": 'tell("last"); os.close(BEATS); pause(60)',
    "pipe closed after done, never ending": 'tell("last"); done(); os.close(BEATS); pause(60)',
}


@pytest.mark.parametrize("failure", FAILURES)
def test_every_failure_of_the_worker_ends_in_verified_off_in_time(tmp_path: Path, supply: Responder, failure: str) -> None:
    first_beat = "" if failure == "silence after the limits" else "beat();"
    with KeptWorker(tmp_path, f"limits(); {first_beat} {FAILURES[failure]}", patience_s=PATIENCE_S) as kept:
        last_s = kept.wait_told("last")

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED, kept.said()
        assert not supply.is_on
        assert supply.off_s - last_s <= BOUND_S
        assert "all outputs are off, verified" in kept.said()


def test_a_closed_pipe_is_not_waited_out_as_a_silence(tmp_path: Path, supply: Responder) -> None:
    with KeptWorker(tmp_path, 'limits(); beat(); tell("last"); os.close(BEATS); pause(60)', patience_s=30.0) as kept:
        last_s = kept.wait_told("last")

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert supply.off_s - last_s <= keeper.KILL_S + OFF_BOUND_S
        assert "closed its pipe without saying done" in kept.said()


def test_a_missing_value_is_tolerated_and_then_is_not(tmp_path: Path, supply: Responder) -> None:
    snippet = 'limits(age_max_s=0.6); beat(); tell("last"); beat_on(voltage_V=None)'
    with KeptWorker(tmp_path, snippet) as kept:
        last_s = kept.wait_told("last")

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert 0.4 <= supply.off_s - last_s <= 0.6 + keeper.KILL_S + OFF_BOUND_S
        assert "no voltage_V" in kept.said()


def test_a_hung_worker_that_holds_the_only_session_is_killed_first(tmp_path: Path) -> None:
    with Responder(one_session=True) as supply:
        (tmp_path / "off-plan.json").write_text(json.dumps(off_plan(tmp_path, supply)), encoding="ascii")
        port = supply.address.rpartition(":")[2]
        snippet = (
            "signal.signal(signal.SIGABRT, signal.SIG_IGN); signal.signal(signal.SIGTERM, signal.SIG_IGN);"
            f'line = socket.create_connection(("127.0.0.1", {port})); limits(); beat(); tell("last"); pause(60)'
        )
        with KeptWorker(tmp_path, snippet, patience_s=PATIENCE_S) as kept:
            last_s = kept.wait_told("last")

            assert kept.ended() == keeper.EXIT_OFF_VERIFIED, kept.said()
            assert supply.off_s - last_s <= BOUND_S


def test_what_the_worker_started_is_killed_with_it(tmp_path: Path, supply: Responder) -> None:
    snippet = (
        'import subprocess; child = subprocess.Popen([sys.executable, "-c", "import signal; signal.pause()"]);'
        'limits(); beat(); print("child", child.pid, flush=True); tell("last"); os._exit(1)'
    )
    with KeptWorker(tmp_path, snippet) as kept:
        child = int(kept.wait_told("child"))

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert wait_gone(child)


def test_the_worker_is_asked_for_a_traceback_before_it_is_killed(tmp_path: Path, supply: Responder) -> None:
    snippet = 'import faulthandler; faulthandler.enable(); limits(); beat(); tell("last"); pause(60)'
    with KeptWorker(tmp_path, snippet, patience_s=PATIENCE_S) as kept:
        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert kept.process.stderr is not None
        assert b"Fatal Python error: Aborted" in kept.process.stderr.read()


def test_all_channels_are_switched_off_when_one_fails(tmp_path: Path, supply: Responder) -> None:
    with Responder() as other:
        plan = tmp_path / "other.json"
        plan.write_text(json.dumps(off_plan(tmp_path, other, channel="bench-2")), encoding="ascii")
        snippet = f'limits(); limits("bench-2", off_plan={str(plan)!r}); beat(); beat("bench-2"); beat_on(voltage_V=9.0)'
        with KeptWorker(tmp_path, snippet) as kept:
            assert kept.ended() == keeper.EXIT_OFF_VERIFIED
            assert not supply.is_on
            assert not other.is_on


def test_an_instrument_that_ignores_off_is_announced(tmp_path: Path) -> None:
    with Responder(ignores_off=True) as supply:
        (tmp_path / "off-plan.json").write_text(json.dumps(off_plan(tmp_path, supply, timeout_s=0.1)), encoding="ascii")
        with KeptWorker(tmp_path, "limits(); beat(); sys.exit(0)") as kept:
            assert kept.ended() == keeper.EXIT_OFF_NOT_VERIFIED
            assert "NOT VERIFIED: switch the outputs off by hand" in kept.said()
            assert "bench-1 supply: NOT VERIFIED: off was sent" in kept.said()


def test_a_plan_that_was_deleted_after_the_limits_is_executed_as_frozen(tmp_path: Path, supply: Responder) -> None:
    with KeptWorker(tmp_path, "limits(); beat(); os.unlink(PLAN); sys.exit(0)") as kept:
        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert not supply.is_on


def test_the_plan_of_an_earlier_life_is_executed_when_the_worker_dies_early(tmp_path: Path, supply: Responder) -> None:
    with KeptWorker(tmp_path, "os.kill(os.getpid(), signal.SIGKILL)") as kept:
        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert not supply.is_on


def test_an_early_death_without_any_plan_is_not_called_verified(tmp_path: Path) -> None:
    with KeptWorker(tmp_path, "os.kill(os.getpid(), signal.SIGKILL)") as kept:
        assert kept.ended() == keeper.EXIT_OFF_NOT_VERIFIED
        assert "this off plan cannot be used" in kept.said()


def run_with_planted(folder: Path, planted: str, snippet: str) -> tuple[int, str]:
    """The keeper with a fault planted in its own code."""
    program = "import sys; from chargerd.daemon import keeper; " + planted + "; sys.exit(keeper.main(sys.argv[1:]))"
    with KeptWorker(folder, snippet):  # only for the worker's program file
        pass
    arguments = ["--run-dir", folder, "--", sys.executable, folder / "chargerd/daemon/worker.py", snippet, folder / "off-plan.json"]
    done = subprocess.run([sys.executable, "-c", program, *arguments], capture_output=True, check=False, text=True, timeout=30)
    return done.returncode, done.stderr


def test_a_fault_of_the_keeper_itself_ends_in_off(tmp_path: Path, supply: Responder) -> None:
    code, said = run_with_planted(tmp_path, "keeper.Watch.need_beats = None", "limits(); beat_on()")

    assert code == 1
    assert "the keeper itself failed" in said
    assert not supply.is_on


def test_an_off_that_cannot_be_started_is_not_called_verified(tmp_path: Path, supply: Responder) -> None:
    code, said = run_with_planted(tmp_path, "sys.executable = '/nonexistent/python'", "limits(); beat(); sys.exit(0)")

    assert code == keeper.EXIT_OFF_NOT_VERIFIED
    assert "off could not do its work" in said
    assert supply.is_on


def test_an_off_that_never_ends_is_ended(tmp_path: Path, supply: Responder) -> None:
    code, said = run_with_planted(tmp_path, "keeper.OFF_MAX_S = 0.0", "limits(); beat(); sys.exit(0)")

    assert code == keeper.EXIT_OFF_NOT_VERIFIED
    assert "off could not do its work" in said


def test_a_keeper_that_is_not_told_where_to_keep_its_log_starts_nothing() -> None:
    done = subprocess.run(
        [sys.executable, "-P", keeper.__file__, "--", "/bin/true"], capture_output=True, encoding="utf-8", timeout=20, check=False
    )

    assert done.returncode == keeper.EXIT_NOT_STARTED
    assert "--run-dir" in done.stderr


def test_off_runs_in_a_session_of_its_own(tmp_path: Path, supply: Responder) -> None:
    """Whatever a terminal does to its foreground processes (Ctrl-C, Ctrl-Z, hanging up) is not done to *off*."""
    planted = "keeper.subprocess.run = lambda *_, **how: keeper_says(repr(sorted(how.items()))) or subprocess.CompletedProcess([], 0, '', '')"
    code, said = run_with_planted(tmp_path, f"import subprocess; keeper_says = lambda text: print(text, file=sys.stderr); {planted}",
                                  "limits(); beat(); sys.exit(0)")  # fmt: skip

    del supply
    assert code == keeper.EXIT_OFF_VERIFIED
    assert "('start_new_session', True)" in said
    assert "('stdin', -3)" in said, "subprocess.DEVNULL"


# --- signals and the terminal -------------------------------------------------------------------------------------------------

ORDERLY = 'signal.signal(signal.SIGTERM, orderly); limits(); beat(); tell("ready"); beat_on()'
DEAF = 'signal.signal(signal.SIGTERM, signal.SIG_IGN); limits(); beat(); tell("ready"); beat_on()'


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT])
def test_a_signal_lets_the_worker_make_safe_by_itself(tmp_path: Path, supply: Responder, number: signal.Signals) -> None:
    with KeptWorker(tmp_path, ORDERLY) as kept:
        kept.wait_told("ready")
        kept.process.send_signal(number)

        kept.wait_told("made safe")
        assert kept.ended() == 5
        assert supply.messages == []


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT])
def test_the_worker_is_told_whose_signal_is_passed_on(tmp_path: Path, supply: Responder, number: signal.Signals) -> None:
    del supply
    with KeptWorker(tmp_path, ORDERLY.replace("orderly)", 'lambda *_: (tell(json.loads(os.read(ACKS, 4096))["by"]), orderly()))')) as kept:
        kept.wait_told("ready")
        kept.process.send_signal(number)

        kept.wait_told(number.name)
        assert kept.ended() == 5


def test_a_worker_that_does_not_make_safe_in_time_is_killed(tmp_path: Path, supply: Responder) -> None:
    with KeptWorker(tmp_path, DEAF, patience_s=PATIENCE_S) as kept:
        kept.wait_told("ready")
        asked_s = boot_s()
        kept.process.send_signal(signal.SIGTERM)

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert PATIENCE_S <= supply.off_s - asked_s <= BOUND_S


@pytest.mark.parametrize("second", [signal.SIGINT, signal.SIGTERM])
def test_a_second_signal_does_not_wait(tmp_path: Path, supply: Responder, second: signal.Signals) -> None:
    snippet = DEAF.replace("signal.SIG_IGN", 'lambda *_: tell("asked")')
    with KeptWorker(tmp_path, snippet, patience_s=30.0) as kept:
        kept.wait_told("ready")
        kept.process.send_signal(signal.SIGINT)
        kept.wait_told("asked")  # two pending signals of one kind would be one
        again_s = boot_s()
        kept.process.send_signal(second)

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert supply.off_s - again_s <= keeper.KILL_S + OFF_BOUND_S


def test_a_terminal_that_hangs_up_twice_is_one_request(tmp_path: Path, supply: Responder) -> None:
    snippet = ORDERLY.replace("orderly)", 'lambda *_: (tell("asked"), pause(0.5), orderly()))')
    with KeptWorker(tmp_path, snippet) as kept:
        kept.wait_told("ready")
        kept.process.send_signal(signal.SIGHUP)
        kept.wait_told("asked")  # two pending signals of one kind would be one
        kept.process.send_signal(signal.SIGHUP)

        assert kept.ended() == 5
        assert supply.messages == []


def test_a_stop_before_any_limits_is_orderly(tmp_path: Path, supply: Responder) -> None:
    with KeptWorker(tmp_path, 'tell("ready"); pause(60)') as kept:
        kept.wait_told("ready")
        kept.process.send_signal(signal.SIGINT)

        assert kept.ended() == 128 + signal.SIGTERM
        assert supply.messages == []


@pytest.mark.parametrize("number", [signal.SIGUSR1, signal.SIGUSR2, signal.SIGTSTP, signal.SIGTTOU, signal.SIGPIPE])
def test_other_signals_neither_stop_nor_end_the_guard(tmp_path: Path, supply: Responder, number: signal.Signals) -> None:
    with KeptWorker(tmp_path, ORDERLY) as kept:
        kept.wait_told("ready")
        kept.process.send_signal(number)
        kept.process.send_signal(signal.SIGTERM)

        assert kept.ended() == 5


def test_a_terminal_cannot_put_the_guard_to_sleep(tmp_path: Path, supply: Responder) -> None:
    """By the kernel's own list: it never stops a process group without a parent in its session, so sending proves nothing."""
    del supply
    with KeptWorker(tmp_path, ORDERLY) as kept:
        kept.wait_told("ready")
        status = Path(f"/proc/{kept.process.pid}/status").read_text(encoding="ascii")
        ignored = int(next(line for line in status.splitlines() if line.startswith("SigIgn:")).split()[1], 16)

    for number in (signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU):
        assert ignored >> (number - 1) & 1, number


def test_ctrl_c_at_a_terminal_reaches_the_worker_once_through_the_keeper(tmp_path: Path, supply: Responder) -> None:
    """A real terminal whose foreground group is the keeper's."""
    del supply
    snippet = """
count = []
signal.signal(signal.SIGINT, lambda *_: count.append("INT"))
signal.signal(signal.SIGTERM, lambda *_: count.append("TERM"))
limits(); beat(); tell("ready")
while not count: beat(); pause(0.05)
for _ in range(6): beat(); pause(0.05)
done(state="STOPPED"); print("count", *count, 0, flush=True)
"""
    with KeptWorker(tmp_path, "") as kept:
        kept.ended()
    arguments = ["--run-dir", str(tmp_path), "--", sys.executable, str(tmp_path / "chargerd/daemon/worker.py"), snippet, str(tmp_path / "off-plan.json")]
    pid, terminal = pty.fork()
    if pid == 0:
        os.execv(sys.executable, [sys.executable, "-P", keeper.__file__, *arguments])
    screen = b""
    while b"ready" not in screen:
        screen += os.read(terminal, 4096)
    os.write(terminal, b"\x03")
    while b"count" not in screen or not screen.endswith(b"\n"):
        screen += os.read(terminal, 4096)
    _, status = os.waitpid(pid, 0)
    os.close(terminal)

    assert os.waitstatus_to_exitcode(status) == 0
    assert b"count TERM 0\r\n" in screen


def test_a_terminal_that_goes_away_makes_safe(tmp_path: Path, supply: Responder) -> None:
    with KeptWorker(tmp_path, "") as kept:
        kept.ended()
    snippet = 'signal.signal(signal.SIGTERM, signal.SIG_IGN); limits(); beat(); tell("ready"); beat_on()'
    arguments = ["--run-dir", str(tmp_path), "--patience", "0.5", "--", sys.executable, str(tmp_path / "chargerd/daemon/worker.py"), snippet]
    pid, terminal = pty.fork()
    if pid == 0:
        os.execv(sys.executable, [sys.executable, "-P", keeper.__file__, *arguments, str(tmp_path / "off-plan.json")])
    screen = b""
    while b"ready" not in screen:
        screen += os.read(terminal, 4096)
    os.close(terminal)
    _, status = os.waitpid(pid, 0)

    assert os.waitstatus_to_exitcode(status) == keeper.EXIT_OFF_VERIFIED
    assert not supply.is_on


@pytest.mark.parametrize("closed", ["2>&-", "0<&- 2>&-", "0<&- 1>&- 2>&-"])
def test_closed_standard_streams_do_not_matter(tmp_path: Path, supply: Responder, closed: str) -> None:
    prefix = ("/bin/sh", "-c", f'exec "$@" {closed}', "sh")
    # the worker can write to its own streams: none of them is closed, nor one of the keeper's pipes
    snippet = 'os.write(1, b"x"); os.write(2, b"x"); limits(); beat(); sys.exit(0)'
    with KeptWorker(tmp_path, snippet, prefix=prefix) as kept:
        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert not supply.is_on
        assert "all outputs are off, verified" in kept.said()


@pytest.mark.parametrize("kind", ["broken", "full"])
def test_a_broken_or_full_pipe_for_messages_does_not_hold_off_up(tmp_path: Path, supply: Responder, kind: str) -> None:
    reader, writer = os.pipe()
    if kind == "broken":
        os.close(reader)
    else:
        os.set_blocking(writer, False)
        while True:
            try:
                os.write(writer, b"x" * 4096)
            except BlockingIOError:
                break
        os.set_blocking(writer, True)
    with KeptWorker(tmp_path, 'limits(); beat(); tell("last"); os._exit(0)', stderr=writer) as kept:
        last_s = kept.wait_told("last")

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert supply.off_s - last_s <= keeper.KILL_S + OFF_BOUND_S
    os.close(writer)
    if kind == "full":
        os.close(reader)


def test_the_worker_sees_the_end_of_its_pipe_when_the_keeper_dies(tmp_path: Path, supply: Responder) -> None:
    del supply
    snippet = 'limits(); beat(); print("pid", os.getpid(), flush=True); tell("ready"); assert os.read(ACKS, 1) == b""; tell("keeper gone")'
    with KeptWorker(tmp_path, snippet) as kept:
        worker = int(kept.wait_told("pid"))
        kept.wait_told("ready")
        kept.process.kill()

        kept.wait_told("keeper gone")
        assert wait_gone(worker)


# --- the relay and the service manager ----------------------------------------------------------------------------------------


def test_the_relay_is_fed_by_toggling_while_the_channel_is_proven_and_not_after(tmp_path: Path, supply: Responder) -> None:
    relay = tmp_path / "relay"
    relay.touch()
    snippet = 'limits(); tell("start")\nfor _ in range(30): beat(); pause(0.05)\ntell("last"); pause(60)'
    with KeptWorker(tmp_path, snippet, patience_s=PATIENCE_S, options=("--relay", f"bench-1={relay}")) as kept:
        kept.wait_told("last")

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        fed = relay.read_text(encoding="ascii").split()
        assert 3 <= len(fed) <= 6
        assert all(one != next_ for one, next_ in itertools.pairwise(fed))
        assert set(fed) == {"0", "1"}
    assert not supply.is_on


def test_a_relay_is_not_fed_for_a_channel_that_is_not_running(tmp_path: Path, supply: Responder) -> None:
    del supply
    relay = tmp_path / "relay"
    relay.touch()
    with KeptWorker(tmp_path, "limits(); beat(); done(); pause(1.2)", options=("--relay", f"bench-2={relay}")) as kept:
        assert kept.ended() == 0
        assert relay.read_bytes() == b""


def test_a_relay_that_cannot_be_fed_at_the_start_is_told_and_nothing_starts(tmp_path: Path) -> None:
    with KeptWorker(tmp_path, 'tell("started")', options=("--relay", f"bench-1={tmp_path}/none/relay")) as kept:
        assert kept.ended() == 2
        assert kept.process.stdout is not None
        assert kept.process.stdout.read() == b""


def test_a_relay_that_can_no_longer_be_fed_ends_the_run(tmp_path: Path, supply: Responder) -> None:
    relay = tmp_path / "relay"
    os.mkfifo(relay)
    reader = os.open(relay, os.O_RDONLY | os.O_NONBLOCK)
    with KeptWorker(tmp_path, 'limits(); beat(); tell("ready"); beat_on()', options=("--relay", f"bench-1={relay}")) as kept:
        kept.wait_told("ready")
        os.close(reader)

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert not supply.is_on


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_the_service_manager_is_fed_by_the_keeper_alone(tmp_path: Path, supply: Responder, kind: str) -> None:
    del supply
    with tempfile.TemporaryDirectory() as short, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        name = f"{short}/notify" if kind == "path" else f"@chargerd-test-{os.getpid()}-{os.urandom(4).hex()}"
        manager.bind(name if kind == "path" else "\0" + name[1:])
        manager.settimeout(20)
        snippet = 'tell(str("NOTIFY_SOCKET" in os.environ)); limits(); tell("ready"); [(beat(), pause(0.05)) for _ in range(30)]; sys.exit(0)'
        with KeptWorker(tmp_path, snippet, env={"NOTIFY_SOCKET": name}) as kept:
            kept.wait_told("False")
            first = manager.recv(4096)
            kept.ended()
            manager.setblocking(False)
            last = first
            while True:
                try:
                    last = manager.recv(4096)
                except BlockingIOError:
                    break

    assert first.startswith(b"READY=1\nWATCHDOG=1\nSTATUS=")
    assert b"executing the off plan" in last
    assert b"WATCHDOG" not in last
