"""off: right identity → off and verified; no answer → off all the same; wrong identity → never a byte; always in bounded time."""

from __future__ import annotations

import io
import json
import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from chargerd.daemon import off
from chargerd.instruments.framing.scpi import parse_identity
from tests.daemon.scpi_responder import IDENTITY, Responder, boot_s, off_plan

PROGRAM = Path(off.__file__)


def write(folder: Path, plan: object, name: str = "off-plan.json") -> Path:
    path = folder / name
    path.write_text(json.dumps(plan), encoding="utf-8")
    return path


def execute(*paths: Path) -> tuple[int, str]:
    out = io.StringIO()
    code = off.run_off(paths, out=out)
    return code, out.getvalue()


def bound_s(*, outputs: int = 1, tries: int = 2, timeout_s: float = 0.5) -> float:
    """What off promises, all instruments dead and a hung worker included."""
    return 1.0 + outputs * tries * timeout_s + 2.0


@pytest.fixture
def supply() -> Iterator[Responder]:
    with Responder() as responder:
        yield responder


def hung_listener(stack: ExitStack) -> str:
    """An instrument that takes a connection and never says a word; its replies would need a program that is not there."""
    listener = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
    return f"tcp://127.0.0.1:{listener.getsockname()[1]}"


def dead_port() -> str:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return f"tcp://127.0.0.1:{listener.getsockname()[1]}"


# --- identity -----------------------------------------------------------------------------------------------------------------


def test_the_right_instrument_is_switched_off_and_verified(tmp_path: Path, supply: Responder) -> None:
    code, said = execute(write(tmp_path, off_plan(tmp_path, supply)))

    assert code == 0
    assert said == "bench-1 supply: off, verified by OUTP? 0 and MEAS:CURR? 0.0010\n"
    assert supply.messages == ["*IDN?", "OUTP OFF", "OUTP?", "MEAS:CURR?"]
    assert not supply.is_on


def test_the_result_is_left_beside_the_plan(tmp_path: Path, supply: Responder) -> None:
    execute(write(tmp_path, off_plan(tmp_path, supply)))

    result = json.loads((tmp_path / "off-result.json").read_text(encoding="ascii"))
    assert result["outputs"] == [
        {"channel": "bench-1", "output": "supply", "verified": True, "told": "OUTP? 0 and MEAS:CURR? 0.0010", "was_on": None}
    ]


def test_no_identity_answer_sends_off_all_the_same_and_says_unverified(tmp_path: Path) -> None:
    with Responder(answers={"*IDN?": None}) as supply:
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply, timeout_s=0.1)))

        assert code == 8
        assert said == "bench-1 supply: NOT VERIFIED: no identity answer; off was sent all the same\n"
        assert not supply.is_on


def test_blanks_around_the_fields_of_an_identity_are_no_other_instrument(tmp_path: Path) -> None:
    """A plan holds the identity as the program compares it, blanks removed; many instruments put some after the commas."""
    raw = "Boathouse, Source 3A, SN1 ,1.0 "
    with Responder(answers={"*IDN?": raw}) as supply:
        plan = off_plan(tmp_path, supply)
        plan["outputs"][0]["identity"] = parse_identity(raw)  # type: ignore[index]  # reason: a plan is plain data
        code, said = execute(write(tmp_path, plan))

        assert (code, supply.is_on) == (0, False), said


@pytest.mark.parametrize("answer", ["Boathouse,Source 3A,SN2,1.0", "Boat house,Source 3A,SN1,1.0", "boathouse,source 3a,sn1,1.0", "0", IDENTITY + "0", "\xb5"])
def test_a_wrong_identity_is_never_written_to(tmp_path: Path, answer: str) -> None:
    with Responder(answers={"*IDN?": answer}) as supply:
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply, timeout_s=0.1)))

        assert code == 8
        assert set(supply.messages) == {"*IDN?"}
        assert "another instrument answers" in said
        assert supply.is_on


def test_a_late_reply_to_another_question_is_not_taken_for_the_identity(tmp_path: Path) -> None:
    with Responder(greeting="+1.75000E+00\n") as supply:
        code, _ = execute(write(tmp_path, off_plan(tmp_path, supply)))

        assert code == 0
        assert not supply.is_on


def test_one_stray_line_in_place_of_the_identity_is_forgiven_on_the_next_try(tmp_path: Path) -> None:
    with Responder() as supply:
        replies = iter(["+1.75000E+00", IDENTITY])
        usual = supply.reply
        supply.reply = lambda message: (usual(message), next(replies))[1] if message == "*IDN?" else usual(message)  # type: ignore[method-assign]  # reason: a scripted answer
        code, _ = execute(write(tmp_path, off_plan(tmp_path, supply)))

        assert code == 0
        assert supply.messages[:3] == ["*IDN?", "*IDN?", "OUTP OFF"]


def test_half_an_identity_counts_as_no_answer(tmp_path: Path) -> None:
    with Responder(answers={"*IDN?": "Boathouse,Sou\x00"}) as supply:
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply, timeout_s=0.1)))

        assert code == 8
        assert "no identity answer" in said
        assert not supply.is_on


# --- verification -------------------------------------------------------------------------------------------------------------


def test_an_instrument_that_ignores_off_is_told_unverified_after_every_try(tmp_path: Path) -> None:
    with Responder(ignores_off=True) as supply:
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply, timeout_s=0.1)))

        assert code == 8
        assert supply.messages.count("OUTP OFF") == 2
        assert said == "bench-1 supply: NOT VERIFIED: off was sent, but OUTP? answered b'1\\n'\n"


def test_a_current_that_still_flows_is_not_off(tmp_path: Path) -> None:
    with Responder(answers={"MEAS:CURR?": "0.3"}) as supply:
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply, timeout_s=0.1)))

        assert code == 8
        assert "MEAS:CURR? answered b'0.3\\n'" in said


def test_a_current_that_falls_within_the_time_out_is_waited_for(tmp_path: Path, supply: Responder) -> None:
    readings = iter(["0.3", "0.1", "0.01"])
    usual = supply.reply
    supply.reply = lambda message: (usual(message), next(readings))[1] if message == "MEAS:CURR?" else usual(message)  # type: ignore[method-assign]  # reason: a scripted answer
    code, _ = execute(write(tmp_path, off_plan(tmp_path, supply)))

    assert code == 0
    assert supply.messages.count("OUTP OFF") == 1


def current_below(bound_A: float) -> off.wire.Exchange:
    return off.wire.Exchange(b"MEAS:CURR?\n", "MEAS:CURR?", re.compile("(.*)"), abs_below=bound_A)


# IEEE 488.2 decimal numbers only; 9.9E37 and 9.91E37 are SCPI's infinity and "not a number" (SCPI-1999 vol. 1, 7.2.1).
@pytest.mark.parametrize(
    "reply", ["nan", "inf", "-inf", "1_000e-6", "\uff10.0", "9.91E37", "-9.9E37", "1e400", "0,001", "0.001 A", "", "0x0", "1e-5000", ".", "e5"]
)
def test_what_is_no_number_proves_nothing(reply: str) -> None:
    assert not current_below(0.02).is_expected(f"{reply}\n".encode())


@pytest.mark.parametrize("reply", ["0", "+0.0010", "-1.9E-2", ".0", "0.", "1e-3"])
def test_a_small_number_of_either_sign_proves_off(reply: str) -> None:
    assert current_below(0.02).is_expected(f"{reply}\n".encode())


def test_without_a_bound_no_number_is_accepted() -> None:
    assert not off.wire.Exchange(b"OUTP?\n", "OUTP?", re.compile("(.*)"), accept=("0",)).is_expected(b"0.0\n")


@pytest.mark.parametrize("answer", ["0\x00", "0\n0"])
def test_half_a_reply_and_two_replies_prove_nothing(tmp_path: Path, answer: str) -> None:
    with Responder(answers={"OUTP?": answer}) as supply:
        code, _ = execute(write(tmp_path, off_plan(tmp_path, supply, timeout_s=0.1)))

        assert code == 8
        assert not supply.is_on


def test_a_plan_without_questions_is_never_verified(tmp_path: Path, supply: Responder) -> None:
    code, said = execute(write(tmp_path, off_plan(tmp_path, supply, verify=[])))

    assert code == 8
    assert "holds no question" in said
    assert not supply.is_on


def test_a_silent_verification_is_told(tmp_path: Path) -> None:
    with Responder(answers={"OUTP?": None}) as supply:
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply, timeout_s=0.1)))

        assert code == 8
        assert "OUTP? was not answered" in said


# --- dead and hung instruments ------------------------------------------------------------------------------------------------


def test_a_dead_port_is_told_by_name_and_does_not_hold_up_the_others(tmp_path: Path, supply: Responder) -> None:
    start_s = boot_s()
    code, said = execute(write(tmp_path, off_plan(tmp_path, dead_port(), supply)))

    assert code == 8
    assert "bench-1 supply: NOT VERIFIED: ConnectionRefusedError" in said
    assert "bench-1 load: off, verified" in said
    assert boot_s() - start_s <= bound_s(outputs=2)


def test_all_instruments_hung_ends_within_the_promised_time(tmp_path: Path) -> None:
    with ExitStack() as stack:
        plan = off_plan(tmp_path, *(hung_listener(stack) for _ in range(3)))
        start_s = boot_s()
        code, said = execute(write(tmp_path, plan))

        assert code == 8
        assert said.count("no identity answer; off was sent all the same") == 3
        assert boot_s() - start_s <= bound_s(outputs=3)


def test_a_silent_source_keeps_the_cells_relay_waiting_for_one_time_out_only(tmp_path: Path, supply: Responder) -> None:
    """Two tries take it 1.1 s; the relay, which ends the current as well, is opened after 0.6 s."""
    with ExitStack() as stack:
        start_s = boot_s()
        code, said = execute(write(tmp_path, off_plan(tmp_path, hung_listener(stack), supply)))

        assert code == 8
        assert "bench-1 load: off, verified" in said
        assert 0.5 <= supply.off_s - start_s < 1.0


def test_channels_with_instruments_of_their_own_go_side_by_side(tmp_path: Path) -> None:
    with ExitStack() as stack:
        paths = []
        for number in range(8):
            plan = off_plan(tmp_path, hung_listener(stack), channel=f"bench-{number}")
            paths.append(write(tmp_path, plan, f"off-plan-{number}.json"))
        start_s = boot_s()
        code, said = execute(*paths)

        assert code == 8
        assert said.count("NOT VERIFIED") == 8
        assert boot_s() - start_s <= bound_s(outputs=1)


def test_two_channels_on_one_instrument_are_verified_one_after_the_other(tmp_path: Path) -> None:
    with Responder() as supply:  # it would take both at once; many instruments would not
        paths = [write(tmp_path, off_plan(tmp_path, supply, channel=f"bench-{n}"), f"plan-{n}.json") for n in (1, 2)]
        code, said = execute(*paths)

        assert code == 0
        assert said.count("off, verified") == 2
        assert supply.most_sessions == 1
        result = json.loads((tmp_path / "off-result.json").read_text(encoding="ascii"))
        assert [row["channel"] for row in result["outputs"]] == ["bench-1", "bench-2"]


def test_the_source_is_switched_off_before_the_load(tmp_path: Path, supply: Responder) -> None:
    with Responder() as load:
        execute(write(tmp_path, off_plan(tmp_path, supply, load)))

        assert supply.off_s < load.off_s


def test_a_time_out_of_an_hour_in_the_plan_is_not_believed(tmp_path: Path) -> None:
    with ExitStack() as stack:
        path = write(tmp_path, off_plan(tmp_path, hung_listener(stack), timeout_s=3600, tries=1))
        start_s = boot_s()
        code, _ = execute(path)

        assert code == 8
        assert boot_s() - start_s <= bound_s(tries=1, timeout_s=off.TIMEOUT_MAX_S)


def test_an_instrument_that_never_stops_talking_is_given_up(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener, ExitStack() as stack:
        stopped = threading.Event()
        stack.callback(stopped.set)

        def babble() -> None:
            connection, _ = listener.accept()
            with connection:
                while not stopped.is_set():
                    try:
                        connection.sendall(b"1.234\n" * 10)
                    except OSError:
                        return

        thread = threading.Thread(target=babble)
        thread.start()
        address = f"tcp://127.0.0.1:{listener.getsockname()[1]}"
        code, said = execute(write(tmp_path, off_plan(tmp_path, address, timeout_s=0.2, tries=1)))
        thread.join(5)

        assert code == 8
        assert "it talks without being asked" in said


def test_an_endless_reply_is_cut(tmp_path: Path) -> None:
    with Responder(answers={"*IDN?": "x" * 10000 + "\x00"}) as supply:
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply, tries=1)))

        assert code == 8
        assert "a reply without end" in said


def test_a_driver_that_hangs_does_not_hold_up_the_next_output(
    tmp_path: Path, supply: Responder, monkeypatch: pytest.MonkeyPatch
) -> None:
    released = threading.Event()
    usual = off.wire.open_link

    def open_link(address: str, timeout_s: float) -> off.wire.Link:
        if address == "visa://GPIB0::5::INSTR":
            released.wait(20)
        return usual(address, timeout_s)

    monkeypatch.setattr(off.wire, "open_link", open_link)
    code, said = execute(write(tmp_path, off_plan(tmp_path, "visa://GPIB0::5::INSTR", supply, tries=1, timeout_s=0.2)))
    released.set()

    assert code == 8
    assert "bench-1 supply: NOT VERIFIED: off itself failed or hung" in said
    assert "bench-1 load: off, verified" in said


# --- addresses ----------------------------------------------------------------------------------------------------------------


def test_a_serial_line_is_switched_off(tmp_path: Path) -> None:
    with Responder(on_pty=True) as supply:
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply)))

        assert code == 0, said
        assert not supply.is_on


def test_a_serial_line_named_the_visa_way_is_switched_off(tmp_path: Path) -> None:
    with Responder(on_pty=True) as supply:
        device = supply.address.removeprefix("serial://").partition("?")[0]
        code, said = execute(write(tmp_path, off_plan(tmp_path, f"visa://ASRL{device}::INSTR")))

        assert code == 0, said
        assert not supply.is_on


def test_a_silent_serial_line_is_sent_off(tmp_path: Path) -> None:
    with Responder(on_pty=True, answers={"*IDN?": None}) as supply:
        code, _ = execute(write(tmp_path, off_plan(tmp_path, supply, timeout_s=0.1, tries=1)))

        assert code == 8
        assert supply.wait_for("OUTP OFF")


def test_a_socket_named_the_visa_way_needs_no_visa(tmp_path: Path, supply: Responder) -> None:
    port = supply.address.rpartition(":")[2]
    code, said = execute(write(tmp_path, off_plan(tmp_path, f"TCPIP0::127.0.0.1::{port}::SOCKET")))

    assert code == 0, said


def test_any_other_visa_resource_goes_through_pyvisa(tmp_path: Path) -> None:
    # A resource of the pure-Python VISA library that is a serial port by number: nothing answers, and off says so.
    code, said = execute(write(tmp_path, off_plan(tmp_path, "visa+py://ASRL77::INSTR", timeout_s=0.1, tries=1)))

    assert code == 8
    assert "bench-1 supply: NOT VERIFIED:" in said
    assert "off itself failed" not in said


VISA_INSTRUMENT = """
spec: "1.1"
devices:
  supply:
    eom:
      GPIB INSTR: {q: "\\n", r: "\\n"}
    dialogues:
      - {q: "*IDN?", r: "Boathouse,Source 3A,SN1,1.0"}
      - {q: "OUTP OFF"}
      - {q: "OUTP?", r: "0"}
      - {q: "MEAS:CURR?", r: "0.001"}
resources:
  GPIB0::5::INSTR: {device: supply}
"""


def test_a_visa_instrument_is_verified_through_the_library_that_the_address_names(tmp_path: Path) -> None:
    library = tmp_path / "visa.yaml"
    library.write_text(VISA_INSTRUMENT, encoding="ascii")
    code, said = execute(write(tmp_path, off_plan(tmp_path, f"visa://GPIB0::5::INSTR?library={library}@sim")))

    assert code == 0, said
    assert said == "bench-1 supply: off, verified by OUTP? 0 and MEAS:CURR? 0.001\n"


@pytest.mark.parametrize("address", ["tcp://127.0.0.1", "serial:///dev/no-such-port", "tcp://", "?", "GPIB0::5::INSTR", "nonsense"])
def test_an_address_that_leads_nowhere_is_told(tmp_path: Path, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    code, said = execute(write(tmp_path, off_plan(tmp_path, address, tries=1)))

    assert code == 8
    assert "bench-1 supply: NOT VERIFIED:" in said
    assert "off itself failed" not in said


# --- plans --------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("content", ["", "{", "[]", "null", "{}", '{"version": 1}', "[" * 100_000, '{"version":3,"channel":"a","boot_id":"b","outputs":[1],"worker_pid":1}'])
def test_a_garbled_plan_is_a_clear_message_and_exit_2(tmp_path: Path, content: str) -> None:
    path = tmp_path / "off-plan.json"
    path.write_text(content, encoding="ascii")
    code, said = execute(path)

    assert code == 2
    assert said.startswith(f"{path}: this ")


def test_a_missing_plan_does_not_keep_the_others_from_their_work(tmp_path: Path, supply: Responder) -> None:
    code, said = execute(tmp_path / "none.json", write(tmp_path, off_plan(tmp_path, supply)))

    assert code == 2
    assert "none.json: this off plan cannot be used" in said
    assert not supply.is_on


@pytest.mark.parametrize(
    "change",
    [
        {"identity": None}, {"identity": ""}, {"off": []}, {"off": "\u00b5"}, {"timeout_s": "1"}, {"timeout_s": -1}, {"timeout_s": True},
        {"tries": float("nan")}, {"verify": [{}]}, {"verify": 1}, {"verify": [{"ask": "OUTP?", "abs_below": 0}]}, {"name": 7},
    ],
)  # fmt: skip
def test_a_garbled_output_is_told_and_the_others_are_switched_off(tmp_path: Path, supply: Responder, change: dict[str, object]) -> None:
    with Responder() as load:
        plan = off_plan(tmp_path, supply, load)
        plan["outputs"][0] |= change  # type: ignore[index]  # reason: a plan is plain JSON
        code, said = execute(write(tmp_path, plan))

        assert code == 8
        assert "bench-1 output 1: NOT VERIFIED: its entry in the plan is garbled" in said
        assert supply.messages == []
        assert not load.is_on


# --- the process that holds the ports -----------------------------------------------------------------------------------------

HOLDER = """
import os, signal, socket, sys
line = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
if sys.argv[2] == "deaf":
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
elif sys.argv[2] == "orderly":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
print("holding", flush=True)
while True:
    signal.pause()
"""


class Holder:
    """A process that holds an instrument's only session and does what a worker must not: nothing."""

    def __init__(self, folder: Path, supply: Responder, manner: str, *, as_worker: bool = True) -> None:
        program = folder / ("chargerd/daemon/worker.py" if as_worker else "somebody/else.py")
        program.parent.mkdir(parents=True, exist_ok=True)
        program.write_text(HOLDER, encoding="ascii")
        port = supply.address.rpartition(":")[2]
        self.process = subprocess.Popen([sys.executable, str(program), port, manner], stdout=subprocess.PIPE)
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == b"holding\n"

    def __enter__(self) -> subprocess.Popen[bytes]:
        return self.process

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


def test_a_hung_holder_is_asked_for_a_second_and_then_killed(tmp_path: Path) -> None:
    with Responder(one_session=True) as supply, Holder(tmp_path, supply, "deaf") as holder:
        start_s = boot_s()
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply) | {"worker_pid": holder.pid}))

        assert code == 0, said
        assert holder.wait(5) == -9
        assert 1.0 <= supply.off_s - start_s <= bound_s()


def test_a_stopped_holder_is_killed(tmp_path: Path) -> None:
    with Responder(one_session=True) as supply, Holder(tmp_path, supply, "orderly") as holder:
        holder.send_signal(19)  # SIGSTOP
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply) | {"worker_pid": holder.pid}))

        assert code == 0, said
        assert holder.wait(5) == -9


def test_a_holder_that_makes_room_is_not_killed_and_not_waited_for(tmp_path: Path) -> None:
    with Responder(one_session=True) as supply, Holder(tmp_path, supply, "orderly") as holder:
        start_s = boot_s()
        code, said = execute(write(tmp_path, off_plan(tmp_path, supply) | {"worker_pid": holder.pid}))

        assert code == 0, said
        assert holder.wait(5) == 0
        assert supply.off_s - start_s < 1.0


def test_a_process_that_is_no_worker_is_left_alone(tmp_path: Path) -> None:
    with Responder() as supply, Holder(tmp_path, supply, "orderly", as_worker=False) as stranger:
        code, _ = execute(write(tmp_path, off_plan(tmp_path, supply) | {"worker_pid": stranger.pid}))

        assert code == 0
        assert stranger.poll() is None


def test_a_process_number_of_another_boot_is_left_alone(tmp_path: Path) -> None:
    with Responder() as supply, Holder(tmp_path, supply, "orderly") as stranger:
        plan = off_plan(tmp_path, supply) | {"worker_pid": stranger.pid, "boot_id": "another boot"}
        code, _ = execute(write(tmp_path, plan))

        assert code == 0
        assert stranger.poll() is None


@pytest.mark.parametrize(
    ("command", "is_worker"),
    [
        (["/usr/bin/python3.11", "-P", "-m", "chargerd.daemon.worker", "--run", "x"], True),
        (["python", "/opt/chargerd/daemon/worker.py", ""], True),
        (["python3", "-m", "chargerd.daemon.commissioner", "bench.yaml", "slip-1"], True),
        (["python", "/opt/chargerd/daemon/commissioner.py", ""], True),
        (["python3", "-m", "chargerd", "dialect", "test", "shelf-2"], True),
        (["/opt/venv/bin/python3", "/opt/venv/bin/chargerd", "dialect", "test", "shelf-2"], True),
        (["python3", "-m", "chargerd", "dialect", "new", "test"], False),
        (["python3", "-m", "chargerd", "status", "dialect", "test"], False),
        (["vim", "/opt/venv/bin/chargerd", "dialect", "test", "x"], False),
        (["vim", "/opt/chargerd/daemon/worker.py"], False),
        (["less", "/usr/bin/python3", "chargerd.daemon.worker"], False),
        (["python3", "-m", "chargerd.daemon.workers"], False),
        ([], False),
    ],
)
def test_only_a_python_that_runs_the_worker_is_one(command: list[str], *, is_worker: bool) -> None:
    shown = "".join(word + "\0" for word in command).encode()

    assert bool(off.WORKER.fullmatch(shown)) == is_worker


# --- as a program -------------------------------------------------------------------------------------------------------------


def test_the_program_runs_alone_and_prints_a_line_per_output(tmp_path: Path, supply: Responder) -> None:
    path = write(tmp_path, off_plan(tmp_path, supply))
    done = subprocess.run([sys.executable, "-P", PROGRAM, path], capture_output=True, check=False, text=True, timeout=20)

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("bench-1 supply: off, verified by")


@pytest.mark.parametrize("how", ["closed pipe", "no standard output"])
def test_a_lost_terminal_does_not_change_what_is_done_nor_the_exit_code(tmp_path: Path, supply: Responder, how: str) -> None:
    path = write(tmp_path, off_plan(tmp_path, supply))
    if how == "closed pipe":
        reader, writer = os.pipe()
        os.close(reader)
        process = subprocess.Popen([sys.executable, "-P", PROGRAM, path], stdout=writer, stderr=subprocess.DEVNULL)
        os.close(writer)
    else:
        process = subprocess.Popen(["/bin/sh", "-c", 'exec "$@" >&- 2>&-', "sh", sys.executable, "-P", PROGRAM, path])

    assert process.wait(20) == 0
    assert not supply.is_on


def test_a_signal_does_not_stop_it_half_way(tmp_path: Path) -> None:
    with Responder(answers={"*IDN?": None}) as supply:
        path = write(tmp_path, off_plan(tmp_path, supply))
        with subprocess.Popen([sys.executable, "-P", PROGRAM, path], stdout=subprocess.PIPE) as process:
            assert supply.wait_for("*IDN?")
            for number in (1, 2, 15):
                process.send_signal(number)

            assert process.wait(20) == 8
        assert not supply.is_on


def test_without_a_plan_it_says_how_it_is_used() -> None:
    done = subprocess.run([sys.executable, "-P", PROGRAM], capture_output=True, check=False, text=True, timeout=20)

    assert (done.returncode, done.stdout) == (2, "usage: off.py PLAN…\n")


def test_a_full_disk_does_not_change_the_exit_code(tmp_path: Path, supply: Responder) -> None:
    (tmp_path / "off-result.json").mkdir()
    code, _ = execute(write(tmp_path, off_plan(tmp_path, supply)))

    assert code == 0


def test_the_clock_counts_suspend() -> None:
    before = time.clock_gettime(time.CLOCK_BOOTTIME)

    assert before <= off.wire.boot_s() <= before + 5


def test_the_first_proof_of_off_is_kept_and_a_later_plan_gets_its_own(tmp_path: Path) -> None:
    result = tmp_path / "off-result.json"
    assert off.first_proof(tmp_path, "a") is None

    result.write_text(json.dumps({"plan_sha256": "a", "outputs": [{"verified": True}, {"verified": False}]}))
    assert off.first_proof(tmp_path, "a") is None

    result.write_text(json.dumps({"plan_sha256": "a", "outputs": []}))
    assert off.first_proof(tmp_path, "a") is None

    result.write_text(json.dumps({"plan_sha256": "a", "outputs": [{"verified": True}]}))
    assert off.first_proof(tmp_path, "a") is not None
    assert off.first_proof(tmp_path, "of another life") is None


def test_a_plan_that_was_executed_twice_keeps_its_first_proof_and_tells_of_the_second(tmp_path: Path, supply: Responder) -> None:
    plan = write(tmp_path, off_plan(tmp_path, supply))
    execute(plan)
    first = json.loads((tmp_path / "off-result.json").read_text(encoding="ascii"))
    execute(plan)
    both = json.loads((tmp_path / "off-result.json").read_text(encoding="ascii"))
    again = both.pop("again")

    assert both == first
    assert again["boot_id"] == first["boot_id"] == off.this_boot()
    assert again["boot_s"] > first["boot_s"]


@pytest.mark.parametrize("was_on", [True, False])
def test_after_another_boot_an_output_is_asked_whether_it_is_on_before_it_is_switched_off(
    tmp_path: Path, supply: Responder, was_on: bool
) -> None:
    supply.is_on = was_on
    execute(write(tmp_path, off_plan(tmp_path, supply) | {"boot_id": "another boot"}))

    (output,) = json.loads((tmp_path / "off-result.json").read_text(encoding="ascii"))["outputs"]
    assert (output["was_on"], output["verified"], supply.is_on) == (was_on, True, False)
    assert supply.messages[:3] == ["*IDN?", "OUTP?", "OUTP OFF"]

    execute(tmp_path / "off-plan.json")
    (again,) = json.loads((tmp_path / "off-result.json").read_text(encoding="ascii"))["again"]["outputs"]
    assert again["was_on"] is was_on  # once found on stays so for this boot
