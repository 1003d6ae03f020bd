"""`find`, typed: it lists, asks before it writes to any port, compares answers with dialects, and offers a bench to complete."""

from __future__ import annotations

import argparse
import asyncio
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial

from chargerd.cli import find
from chargerd.cli.find_bench import quoted
from chargerd.cli.main import main
from chargerd.config.bench import load_bench
from chargerd.config.marked import Faults, read_marked
from chargerd.errors import BenchError, Exit
from chargerd.instruments.finding import asking
from chargerd.sim.serve import PtyServer
from chargerd.sim.wire import Peer as SimulatedPeer
from chargerd.sim.world import World
from tests.instruments.peers import pty_peer
from tests.instruments.test_listening import pty_printer

IDENTITY = b"Boathouse,Source 3A,SN1,1.0\n"


class Peer:
    """A pty peer that keeps what it heard."""

    def __init__(self, replies: dict[bytes, bytes]) -> None:
        self.heard: list[bytes] = []
        self._replies = replies

    def __call__(self, line: bytes) -> bytes:
        self.heard.append(line)
        return self._replies.get(line, b"")


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """What prints in these tests prints each tenth of a second."""
    monkeypatch.setattr(asking, "LISTEN_S", 0.5)


def answer(monkeypatch: pytest.MonkeyPatch, *said: str) -> list[str]:
    """Answer questions in order; the questions asked. Whoever is asked more has gone away."""
    asked: list[str] = []
    left = list(said)

    def reply(question: str = "") -> str:
        asked.append(question)
        if not left:
            raise EOFError
        return left.pop(0)

    monkeypatch.setattr("builtins.input", reply)
    return asked


@pytest.mark.parametrize("said", ["", "n", "N", "no", "maybe", "ja", "yes please"])
def test_without_a_clear_yes_not_a_byte_leaves(said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    peer = Peer({b"*IDN?": IDENTITY})
    asked = answer(monkeypatch, said)

    with pty_peer(peer) as (path, _, _):
        assert main(["find", path]) == Exit.OK

    assert peer.heard == []
    assert asked == [f"    sending *IDN? to {path} may confuse a device that is no SCPI instrument. Send? [y/N] "]
    assert path in capsys.readouterr().out


def test_with_nobody_to_answer_nothing_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    peer = Peer({b"*IDN?": IDENTITY})
    answer(monkeypatch)

    with pty_peer(peer) as (path, _, _):
        assert main(["find", path]) == Exit.OK
    assert peer.heard == []


def test_after_a_yes_it_says_who_answers_and_how_it_could_be_spoken_to(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    peer = Peer({b"*IDN?": IDENTITY})
    answer(monkeypatch, "y")

    with pty_peer(peer) as (path, _, _):
        assert main(["find", path]) == Exit.OK

    said = capsys.readouterr().out
    assert peer.heard == [b"*IDN?"]
    assert "is 'Boathouse,Source 3A,SN1,1.0' at 9600 baud" in said
    assert re.search(r"if it is a source: .*scpi-supply\b", said)
    assert re.search(r"if it is a load: .*scpi-load\b", said)


@pytest.mark.parametrize(("reply", "told"), [
    (b"", "does not answer *IDN?"),
    (b"what?\n", "answers 'what?', which is no identity"),
    (b"ready\nBoathouse,Source 3A,SN1,1.0\n", "did not answer *IDN? properly (b'ready"),
    (b"*IDN?\n", "did not answer *IDN? properly (b'*IDN?"),
    (b"\x1b[2J,\x07,x,y\n", "no identity"),
])  # fmt: skip
def test_any_other_answer_is_told_and_no_dialect_is_guessed(
    reply: bytes, told: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with pty_peer(Peer({b"*IDN?": reply})) as (path, _, _):
        assert main(["find", path, "--yes", "--write", str(tmp_path)]) == Exit.OK

    said = capsys.readouterr().out
    assert told in said
    assert "no shipped dialect knows it" in said
    assert "\x1b" not in said + (tmp_path / "bench.yaml").read_text()


def test_a_board_that_prints_is_heard_and_never_written_to(capsys: pytest.CaptureFixture[str]) -> None:
    with pty_printer() as (address, say, _, heard):
        path = address.removeprefix("serial://").partition("?")[0]

        stop = threading.Event()

        def printing() -> None:
            while not stop.wait(0.1):
                say(b"t1=23.4 t2=22.9\r\n")

        thread = threading.Thread(target=printing, daemon=True)
        thread.start()
        assert main(["find", path, "--yes"]) == Exit.OK
        stop.set()
        thread.join(5)

    said = capsys.readouterr().out
    assert "prints by itself: 't1=23.4 t2=22.9'" in said
    assert "if it is a thermometer: line-sensor-printing" in said
    assert b"".join(heard) == b""


def test_a_port_that_another_program_holds_is_not_asked(capsys: pytest.CaptureFixture[str]) -> None:
    peer = Peer({b"*IDN?": IDENTITY})

    with pty_peer(peer) as (path, _, _), serial.Serial(path, exclusive=True):
        assert main(["find", path, "--yes"]) == Exit.OK

    assert peer.heard == []
    assert "cannot be used" in capsys.readouterr().out


@pytest.mark.parametrize(("typed", "told"), [
    (["--yes"], "goes with a port that you name"),
    (["/dev/no-such-port"], "no port '/dev/no-such-port'"),
    (["--modbus", "/dev/no-such-port"], "no port"),
    (["--baud", "1"], "a speed such as 9600"),
    (["--units", "0-5"], "units are 1 to 247"),
    (["--units", "9-2"], "units are 1 to 247"),
    (["--units", "1-100"], "at most 32"),
    (["--units", "all"], "write for example 1-10"),
])  # fmt: skip
def test_a_wrong_command_line_says_what_to_type(typed: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["find", *typed]) == Exit.FILE_OR_COMMAND
    assert told in capsys.readouterr().err


# --- everything there is -------------------------------------------------------------------------------------------------


def arguments(**given: object) -> argparse.Namespace:
    defaults = {"port": None, "baud": 9600, "yes": False, "visa": None, "modbus": None, "units": "1-10", "parity": "none", "write": None}
    return argparse.Namespace(**defaults | given)


def no(_: str) -> bool:
    return False


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "root/sys/bus/w1/devices/28-0000b0a70001"
    folder.mkdir(parents=True)
    (folder / "name").write_text("28-0000b0a70001\n")
    (folder / "temperature").write_text("23437\n")
    for name in ("ttyUSB0", "ttyUSB1"):
        (tmp_path / "root/sys/class/tty" / name / "device").mkdir(parents=True)
        (tmp_path / "root/dev").mkdir(exist_ok=True)
        (tmp_path / "root/dev" / name).touch()
    return tmp_path / "root"


def test_all_of_a_computer_is_listed_and_what_is_missing_here(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "gpiod", None)
    monkeypatch.delitem(__import__("sys").modules, "chargerd.instruments.transports.gpio", raising=False)
    (root / "dev/gpiochip0").touch()
    asked: list[str] = []

    answers, sensors = find.search(arguments(), root, lambda question: bool(asked.append(question)))

    said = capsys.readouterr().out
    assert (answers, len(sensors)) == ([], 1)
    assert [re.findall(r"/dev/\S+", question) for question in asked] == [["/dev/ttyUSB0"], ["/dev/ttyUSB1"]]
    for told in (
        "Serial ports: 2", "file:///sys/bus/w1/devices/28-0000b0a70001  23.44 °C", "gpio:///dev/gpiochip0",
        "without the Python package gpiod", "chargerd find --visa", "chargerd find --modbus PORT",
        "not usable here: gpio:// needs a library that is not installed",
    ):  # fmt: skip
        assert told in said, told


def test_a_port_in_use_or_not_for_us_is_told_and_not_asked_about(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (root / "proc/4711/fd").mkdir(parents=True)
    (root / "proc/4711/comm").write_text("gpsd\n")
    (root / "proc/4711/fd/3").symlink_to(root / "dev/ttyUSB0")
    (root / "dev/ttyUSB1").chmod(0o660)
    monkeypatch.setattr("os.access", lambda *_: False)
    asked: list[str] = []

    assert find.search(arguments(), root, lambda question: bool(asked.append(question)))[0] == []

    said = capsys.readouterr().out
    assert asked == []
    assert "in use by gpsd (process 4711): not asked" in said
    assert "/dev/ttyUSB1" in said
    monkeypatch.undo()
    find.search(arguments(), root, lambda question: bool(asked.append(question)))
    assert [re.findall(r"/dev/\S+", question) for question in asked] == [["/dev/ttyUSB1"]]


def test_a_real_computer_is_listed_without_a_traceback(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    asked = answer(monkeypatch)

    assert main(["find"]) == Exit.OK

    said = capsys.readouterr().out
    assert "Serial ports:" in said
    assert "GPIO chips:" in said
    assert all("Send?" in question for question in asked)


SIM = """
spec: "1.1"
devices:
  source:
    eom:
      USB INSTR: {q: "\\n", r: "\\n"}
      GPIB INSTR: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "Boathouse,Source 3A,SN1,1.0"}
resources:
  USB0::0x1209::0x0001::SN1::INSTR: {device: source}
  GPIB0::9::INSTR: {device: source}
"""


def test_visa_resources_are_looked_for_and_asked_only_after_a_yes(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "sim.yaml").write_text(SIM)
    library = f"{tmp_path}/sim.yaml@sim"
    asked: list[str] = []

    def agree(question: str) -> bool:
        asked.append(question)
        return "GPIB" in question or "local network" in question

    assert find.search(arguments(visa=library), root, no)[0] == []
    assert "USB0::" not in capsys.readouterr().out
    answers, _ = find.search(arguments(visa=library), root, agree)

    said = capsys.readouterr().out
    assert "may take 2 s and asks the local network" in asked[2]
    assert "VISA resources: 2" in said
    assert [one.address for one in answers] == [f"visa://GPIB0::9::INSTR?library={library}"]
    assert answers[0].identity == "Boathouse,Source 3A,SN1,1.0"


def test_a_visa_library_that_is_not_there_is_told(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    answers, _ = find.search(arguments(visa="@nothing"), root, lambda question: "network" in question)

    assert answers == []
    assert "cannot list anything" in capsys.readouterr().out


# --- the bench it offers ---------------------------------------------------------------------------------------------------


def written(tmp_path: Path, replies: dict[bytes, bytes]) -> Path:
    with pty_peer(Peer(replies)) as (path, _, _):
        assert main(["find", path, "--yes", "--write", str(tmp_path / "mine")]) == Exit.OK
    return tmp_path / "mine/bench.yaml"


def test_the_bench_it_writes_is_refused_until_a_person_has_completed_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, {b"*IDN?": IDENTITY})
    text = path.read_text()

    assert main(["check", str(path)]) == Exit.FILE_OR_COMMAND
    refused = capsys.readouterr().err
    for missing in ("dialect", "channels", "limits", "wiring", "ventilation"):
        assert re.search(rf"{missing}.*missing|{missing}: ", refused), (missing, refused)
    assert 'identity: "Boathouse,Source 3A,SN1,1.0"' in text
    assert text.count("# ?") >= 8

    complete = re.sub(r"(?m)^ *# \?.*\n", "", text).replace("    # dialect: scpi-supply ", "    dialect: scpi-supply ")
    complete = re.sub(r"(?m)^    # (ratings|accuracy|resolution|isolated):", r"    \1:", complete)
    complete = re.sub(r"(?m)^# (channels|limits|wiring|ventilation):", r"\1:", complete)
    complete = complete.replace("#   slip-1: {source: NAME, load: NAME, voltage: NAME, temperature: NAME}", "  slip-1: {source: supply, voltage: supply}")
    path.write_text(complete.replace("instrument-1:", "supply:"))
    bench = load_bench(path)
    assert bench.instruments["supply"].dialect == "scpi-supply"
    assert bench.instruments["supply"].identity == "Boathouse,Source 3A,SN1,1.0"


def test_nothing_is_overwritten_and_nothing_is_written_of_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, {b"*IDN?": IDENTITY})
    before = path.read_text()

    with pty_peer(Peer({})) as (port, _, _):
        assert main(["find", port, "--yes", "--write", str(path.parent)]) == Exit.REFUSED
    assert path.read_text() == before
    with pty_peer(Peer({})) as (port, _, _), serial.Serial(port, exclusive=True):
        assert main(["find", port, "--yes", "--write", str(tmp_path / "empty")]) == Exit.INSTRUMENT
    assert "nothing was found" in capsys.readouterr().err
    assert not (tmp_path / "empty").exists()


def test_sensors_stand_in_the_bench_it_writes(root: Path, tmp_path: Path) -> None:
    _, sensors = find.search(arguments(), root, no)
    path = find_bench_of(tmp_path, sensors)

    with pytest.raises(BenchError) as refused:
        load_bench(path)
    assert any("channels" in fault for fault in refused.value.faults)
    text = path.read_text()
    for line in ("address: file:///sys/bus/w1/devices/28-0000b0a70001", "dialect: one-wire-thermometer", "every: 2 s", "23.44 °C"):
        assert line in text


def find_bench_of(folder: Path, sensors: list[object]) -> Path:
    from chargerd.cli.find_bench import write_bench

    return write_bench(folder / "sensors", [], sensors)  # type: ignore[arg-type]  # what search returned


@pytest.mark.parametrize("text", ['a "b" c', "back\\slash", "# not: a comment", "{x}", "yes", "'", "a: b"])
def test_whatever_a_device_calls_itself_is_read_back_unchanged(text: str, tmp_path: Path) -> None:
    (tmp_path / "one.yaml").write_text(f"identity: {quoted(text)}\n")
    faults = Faults()

    root = read_marked(tmp_path / "one.yaml", faults).root

    assert root is not None
    assert root.entries["identity"][1].text == text  # type: ignore[union-attr]  # a scalar
    faults.raise_as(BenchError)


def test_a_folder_that_cannot_be_written_is_told(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "file").touch()

    with pty_peer(Peer({b"*IDN?": IDENTITY})) as (path, _, _):
        assert main(["find", path, "--yes", "--write", str(tmp_path / "file")]) == Exit.FILE_OR_COMMAND
    assert "cannot be written" in capsys.readouterr().err


def test_the_question_needs_a_clear_yes(monkeypatch: pytest.MonkeyPatch) -> None:
    consent: Callable[[str], bool] = find.consent
    for said, agreed in (("y", True), ("Yes", True), (" YES ", True), ("yeah", False), ("", False), ("ye", False)):
        answer(monkeypatch, said)
        assert consent("?") is agreed, said


# --- Modbus --------------------------------------------------------------------------------------------------------------


@contextmanager
def modbus_board() -> Iterator[tuple[str, SimulatedPeer]]:
    """A simulated relay board that speaks Modbus as unit 1, on a pty, served in a thread of its own; its path."""
    world = World(seed=7, keeps_log=True)
    panels = [world.add_panel("relay", f"panel{number}", world.add_node(f"terminals{number}", None)) for number in range(2)]
    peer = world.add_peer("board", "modbus-relay", panels)
    ready, paths, stopping = threading.Event(), list[str](), list[Callable[[], object]]()

    async def serve() -> None:
        loop, stop = asyncio.get_running_loop(), asyncio.Event()
        server = PtyServer(peer, loop.time)
        await server.start()
        paths.append(server.path)
        stopping.append(lambda: loop.call_soon_threadsafe(stop.set))
        ready.set()
        await stop.wait()
        await server.close()

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    assert ready.wait(10)
    try:
        yield paths[0], peer
    finally:
        stopping[0]()
        thread.join(10)


def test_modbus_units_are_asked_only_after_a_yes(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    answer(monkeypatch, "n")
    with modbus_board() as (path, peer):
        assert main(["find", "--modbus", path, "--units", "1-2"]) == Exit.OK
        assert peer.messages == 0
        asked = answer(monkeypatch, "y")
        assert main(["find", "--modbus", path, "--units", "1-2"]) == Exit.OK

    said = capsys.readouterr().out
    assert asked == [f"reading a register of units 1 to 2 on {path} may confuse a device that speaks no Modbus. Ask? [y/N] "]
    assert "at 9600 baud, parity none: 1\n" in said
    assert re.search(r"unit 1 answers 8?3 ", said), "a refusal of the register shows a device too"
    assert f"modbus-rtu://{path}?baud=9600&parity=none&unit=1" in said
    assert "if it is a switch: modbus-relay" in said
    assert "unit 2" not in said


def test_a_modbus_board_stands_in_the_bench_it_writes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with modbus_board() as (path, _):
        assert main(["find", "--modbus", path, "--units", "1", "--yes", "--write", str(tmp_path)]) == Exit.OK

    assert "unit 1 answers" in capsys.readouterr().out
    text = (tmp_path / "bench.yaml").read_text()
    assert f"address: modbus-rtu://{path}?baud=9600&parity=none&unit=1" in text
    assert 'identity: "3108,20"' in text


def test_no_modbus_unit_is_no_fault(capsys: pytest.CaptureFixture[str]) -> None:
    with pty_peer(Peer({})) as (path, _, _):
        assert main(["find", "--modbus", path, "--units", "1-2", "--yes"]) == Exit.OK

    assert "none answers" in capsys.readouterr().out
