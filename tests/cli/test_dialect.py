"""`chargerd dialect`: an instrument nobody ships, from its printed list of commands to a proof over a real wire."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.cli.main import main
from chargerd.errors import Exit
from chargerd.instruments.dialect import dialect_names
from chargerd.instruments.dialect_file import load_dialect
from chargerd.sim.faults import Fault
from chargerd.sim.serve import TcpServer
from chargerd.sim.world import World

IDENTITY = "Boathouse,Source 3A,SN1,1.0"
ABOUT = ["a supply on the shelf", "", "scpi"]
# What the simulated supply's list prints, where it differs from what is offered: its answers, and MEASure with its own tail.
# An empty answer takes what is offered, or says of an optional question that there is none.
QUESTIONS = [
    "", IDENTITY, "", '0,"No error"', "", "0", "MEASure:SCALar:VOLTage:DC?", "+1.85000E+00", "", "+1.50000E-01", "", "513",
    "", "1", "", "+1.85000E+00", "", "+1.50000E-01", "", "-", "", "-",
]  # fmt: skip
COMMANDS = [""] * 60  # offered rows, their usual values, and yes: that is what the list prints


@contextmanager
def served(*faults: Fault) -> Iterator[int]:
    """A simulated supply with nothing connected, on a TCP port, in a thread of its own."""
    loop = asyncio.new_event_loop()
    world = World()
    peer = world.add_peer("supply", "scpi-supply", [world.add_panel("supply", "supply", world.add_node("terminals", None))])
    for fault in faults:
        peer.faults.arm(fault)
    server = TcpServer(peer, loop.time)
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    asyncio.run_coroutine_threadsafe(server.start(), loop).result(5.0)
    try:
        yield server.port
    finally:
        asyncio.run_coroutine_threadsafe(server.close(), loop).result(5.0)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(5.0)
        loop.close()


def bench_at(folder: Path, port: int, dialect: str) -> Path:
    text = example_bench().read_text(encoding="utf-8").replace("tcp://127.0.0.1:5025", f"tcp://127.0.0.1:{port}")
    path = folder / "bench.yaml"
    path.write_text(text.replace("dialect: scpi-supply", f"dialect: {dialect}"), encoding="utf-8")
    return path


def typed(monkeypatch: pytest.MonkeyPatch, answers: list[str]) -> None:
    left = iter(answers)

    def read(_words: str) -> str:
        try:
            return next(left)
        except StopIteration:
            raise EOFError from None

    monkeypatch.setattr("builtins.input", read)


def interview(monkeypatch: pytest.MonkeyPatch, bench: Path, answers: list[str]) -> int:
    from chargerd.cli.dialect_new import interview as ask

    left = iter(answers)

    def read(_words: str) -> str:
        try:
            return next(left)
        except StopIteration:
            raise EOFError from None

    return ask("shelf-supply", bench, read)


def test_from_a_printed_list_to_a_proof_on_the_wire(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with served() as port:
        bench = bench_at(tmp_path, port, "shelf-supply")
        assert interview(monkeypatch, bench, [*ABOUT, *QUESTIONS, *COMMANDS]) == Exit.OK

        assert main(["dialect", "test", "shelf-supply", "--bench", str(bench)]) == Exit.NOT_PROVEN
        pairs = capsys.readouterr().out
        assert main(["dialect", "test", "--bench", str(bench), "--instrument", "supply", "--yes"]) == Exit.NOT_PROVEN
    on_the_wire = capsys.readouterr().out

    assert "voltage?             passed    MEAS:SCAL:VOLT:DC? → +1.85000E+00" in pairs
    assert "voltage_set          passed    VOLT 1.850 → no reply" in pairs
    assert "not proven: power-on state.\n\nITS OUTPUT IS OFF, verified: OUTP? answers 0, " in on_the_wire
    for check in ("identity", "off", "open terminals", "set-points", "on and off", "deliberate trip", "off at the end"):
        assert f"  {check:<20} passed" in on_the_wire


def test_a_wrong_word_of_a_manual_is_told_at_once_and_asked_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = bench_at(tmp_path, 1, "shelf-supply")
    wrong = [*ABOUT, "", "1.85", IDENTITY, "", '0,"No error"', "", "0", "MEASURe:VOLTage?", "MEASure:VOLTage", "-", *QUESTIONS[6:]]

    assert interview(monkeypatch, bench, [*wrong, *COMMANDS]) == Exit.OK
    said = capsys.readouterr().out
    assert "this program does not understand that answer" in said
    assert "'MEASURe' in 'MEASURe:VOLTage?' breaks the short-form rule" in said
    assert "'MEASure:VOLTage' asks nothing" in said
    assert "a source cannot do without it" in said


def test_answers_that_end_are_kept_and_write_no_dialect(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = bench_at(tmp_path, 1, "shelf-supply")
    typed(monkeypatch, [*ABOUT, "", IDENTITY])

    assert main(["dialect", "new", "shelf-supply", "--bench", str(bench)]) == Exit.FILE_OR_COMMAND
    assert [path.name for path in (tmp_path / "dialects").iterdir()] == ["shelf-supply.draft.csv"]
    assert "5 answers are kept in" in capsys.readouterr().err
    assert main(["dialect", "test", "shelf-supply", "--bench", str(bench)]) == Exit.FILE_OR_COMMAND
    assert "is not finished, its answers are kept" in capsys.readouterr().err


OFF = "ITS OUTPUT IS OFF, verified"


@pytest.mark.parametrize(("fault", "check", "code", "last"), [
    (Fault("ignore_off", times=None), "off at the end", Exit.NOT_VERIFIED_OFF, "ITS OUTPUT MAY STILL BE ON at 1 V, 0.1 A: "),
    (Fault("ignore_set", times=None), "set-points", Exit.INSTRUMENT, OFF),
    (Fault("identity", times=None), "identity", Exit.INSTRUMENT, "Nothing was sent to it that could switch it on"),
    (Fault("offset", times=None, values={"quantity": "voltage_V", "by": 0.9}), "open terminals", Exit.INSTRUMENT, OFF),
])
def test_an_instrument_that_is_not_as_its_dialect_says_ends_with_a_code_and_the_check(
    fault: Fault, check: str, code: Exit, last: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with served(fault) as port:
        bench = bench_at(tmp_path, port, "scpi-supply")
        assert main(["dialect", "test", "--bench", str(bench), "--instrument", "supply", "--yes"]) == code
    said = capsys.readouterr().out

    assert f"  {check:<20} FAILED" in said
    assert ("Nothing more was tried." if check == "identity" else "Compare the dialect scpi-supply with the instrument's manual.") in said
    assert said.rstrip().splitlines()[-1].startswith(last)


@pytest.mark.parametrize("name", dialect_names())
def test_a_shipped_dialect_is_proven_on_its_simulated_counterpart(
    name: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All but what no question can prove: what an output of unknown make does when the mains returns."""
    monkeypatch.chdir(tmp_path)
    dialect = load_dialect(name)
    is_unknown = dialect.role in ("source", "load") and dialect.power_on == "unknown" and "power_on" not in dialect.questions

    assert main(["dialect", "test", name]) == (Exit.NOT_PROVEN if is_unknown else Exit.OK)
    said = capsys.readouterr().out
    assert said.rstrip().endswith("not proven: power-on state." if is_unknown else "Everything held.")
    assert "A simulated instrument with nothing connected:" in said
    assert "FAILED" not in said


def test_an_instrument_never_to_be_touched_is_sent_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = bench_at(tmp_path, 1, "scpi-supply")
    bench.write_text(bench.read_text().replace("never_touch: []", "never_touch: [supply]"))

    assert main(["dialect", "test", "--bench", str(bench), "--instrument", "supply"]) == Exit.FILE_OR_COMMAND
    assert "must never be touched" in capsys.readouterr().err


def test_an_address_never_to_be_touched_is_sent_nothing_either(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = bench_at(tmp_path, 1, "scpi-supply")
    bench.write_text(bench.read_text().replace("never_touch: []", "never_touch: [supply]"))
    typed = ["dialect", "test", "scpi-supply", "--bench", str(bench), "--address", "TCPIP::127.0.0.1::1::SOCKET"]

    assert main(typed) == Exit.FILE_OR_COMMAND
    assert "must never be touched; nothing is sent to it" in capsys.readouterr().err


@pytest.mark.parametrize(("typed", "told"), [
    (["--address", "tcp://127.0.0.1:1"], "goes with a dialect's name"),
    (["scpi-supply-suffix", "--address", "tcp://127.0.0.1:1"], "add --output 1"),
    (["scpi-meter-scan", "--address", "tcp://127.0.0.1:1"], "add --input 1"),
])
def test_a_half_said_address_says_what_to_add(typed: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dialect", "test", *typed]) == Exit.FILE_OR_COMMAND
    assert told in capsys.readouterr().err


def test_all_dialects_are_listed_with_their_roles(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dialect", "list"]) == Exit.OK
    lines = capsys.readouterr().out.splitlines()
    assert any(line.split()[:2] == ["scpi-load", "load"] for line in lines)
