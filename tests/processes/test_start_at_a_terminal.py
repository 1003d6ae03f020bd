"""`run` started by somebody at a terminal: the cell is named, the sensor is warmed, and the run is granted; and what else may happen.

Real processes on a pseudo-terminal; the simulated bench's own hand warms the sensor when the person says that he does.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from chargerd.config.bench import load_bench
from chargerd.config.commissioned import Record, record_text
from chargerd.daemon.clock import real_clock
from chargerd.daemon.records import record_path
from chargerd.errors import Exit
from chargerd.journal.ledger import CellLedger

from .bench_process import CHANNEL, Bench, Run, events, states, wait_until
from .test_signals import Reader

SETSID = shutil.which("setsid")
pytestmark = [
    pytest.mark.timeout(180), pytest.mark.skipif(SETSID is None, reason="setsid is not installed (Debian: util-linux)")
]
NAME, HAND = "Type the name on its label", "Is the sensor probe fixed to this cell?"
GENTLE = """\
profile: gentle-minute
about: So little that it may stay for a day.
steps:
  - charge:
      current: 40 mA
      voltage: 1.75 V
      sample_every: 1 s
      ends_when: {charge: 120 % rated, time: 3 h}
"""


class AtTerminal:
    """One `chargerd run` at a pseudo-terminal, and who types there."""

    def __init__(self, bench: Bench, *more: str) -> None:
        self.master, slave = pty.openpty()
        command = ["run", "profile.yaml", "--cell", "cell.yaml", "--bench", "bench.yaml", "--plain", *more]
        self.run: Run = bench.start(*command, through=[str(SETSID), "--ctty"], stdin=slave, stdout=slave, stderr=slave)
        os.close(slave)
        self.reader = Reader(self.master)

    def answer(self, question: str, said: bytes) -> None:
        wait_until(lambda: question in self.reader.said() or self.run.process.poll() is not None, f"it asks: {question}")
        assert question in self.reader.said(), self.reader.said()
        os.write(self.master, said)


@pytest.fixture
def bench(make_bench: Callable[..., Bench]) -> Bench:
    """A cell rated so that a tenth of it can be seen by this supply, and a commissioning record that counts."""
    made = make_bench(profile=GENTLE)
    cell = made.folder / "cell.yaml"
    text = cell.read_text(encoding="utf-8")
    cell.write_text(text.replace("carbon: 1.76 g", "carbon: 3.52 g").replace("capacity: 100 mAh", "capacity: 200 mAh"), encoding="utf-8")
    file = load_bench(made.folder / "bench.yaml")
    identities = {name: spec.identity for name, spec in file.instruments.items()}
    record = Record(real_clock().utc(), file.name, file.sha256, CHANNEL, True, identities, frozenset({"record"}))
    record_path(file, CHANNEL).parent.mkdir(parents=True)
    record_path(file, CHANNEL).write_text(record_text(record), encoding="ascii")
    return made


@pytest.fixture
def start(bench: Bench) -> Iterator[Callable[..., AtTerminal]]:
    with contextlib.ExitStack() as stack:

        def started(*more: str) -> AtTerminal:
            terminal = AtTerminal(bench, *more)
            stack.callback(terminal.reader.close)
            return terminal

        yield started


def passed(folder: Path) -> dict[str, object]:
    wait_until(lambda: bool(events(folder, "check-passed") or events(folder, "check-failed")), "everything is checked", 150.0)
    found: dict[str, object] = events(folder, "check-passed")[0]["detail"]
    return found


def test_named_and_warmed_it_is_granted_and_everyone_is_told(bench: Bench, start: Callable[..., AtTerminal]) -> None:
    at = start()
    at.answer(NAME, b"dotterel-01\n")
    at.answer(HAND, b"yes\n")
    folder = bench.run_folder()
    found = passed(folder)
    wait_until(bench.is_on, "the source is on")
    wait_until(lambda: "Unattended granted." in at.reader.said(), "it is said")
    status = json.loads(bench.chargerd("status", str(folder), "--json").stdout)
    os.write(at.master, b"\x03")
    code = at.run.wait()

    assert (found["unattended"], found["attended_because"]) == (True, ""), at.reader.said()
    assert isinstance(found["resistance_ohm"], float)
    assert "unattended granted until the next visit in 24 h" in at.reader.said()
    assert (status["attended_only"], status["attention"]["level"]) == (False, "nothing to do")
    assert (code, states(folder)[-1]) == (Exit.STOPPED, "STOPPED")
    assert not bench.is_on()
    assert bench.chargerd("replay", str(folder)).returncode == Exit.OK


def test_without_a_terminal_it_runs_attended_only_and_says_so_aloud(bench: Bench) -> None:
    run = bench.run()
    folder = bench.run_folder()
    found = passed(folder)
    wait_until(bench.is_on, "the source is on")
    status = json.loads(bench.chargerd("status", str(folder), "--json").stdout)
    bench.chargerd("stop", str(folder))
    run.wait()

    because = "Attended only, stay within reach: no warm hand on the thermometer; nobody has named the cell"
    assert (found["unattended"], found["attended_because"]) == (False, because)
    assert (status["attended_only"], status["attention"]) == (True, {"level": "stay with it", "text": because})
    assert "ATTENDED ONLY: stay within reach" in run.said()
    assert "no warm hand on the thermometer: the start was not at a terminal; start it at a terminal" in run.said()


@pytest.mark.parametrize("name", ["plover-01", ""])
def test_another_cell_than_the_files_is_refused_before_anything_is_opened(
    name: str, bench: Bench, start: Callable[..., AtTerminal]
) -> None:
    at = start()
    at.answer(NAME, f"{name}\n".encode())

    assert at.run.wait() == Exit.REFUSED
    assert f"{name!r} is clipped to slip-1, and this run is for 'dotterel-01'" in at.reader.said()
    assert bench.run_folders() == []
    assert [peer["messages"] for peer in bench.report()["peers"].values()] == [0, 0, 0]


def test_a_script_names_the_cell_with_an_option(bench: Bench) -> None:
    wrong = bench.chargerd("run", "profile.yaml", "--cell", "cell.yaml", "--bench", "bench.yaml", "--cell-name", "plover-01")
    right = bench.start(
        "run", "profile.yaml", "--cell", "cell.yaml", "--bench", "bench.yaml", "--plain", "--cell-name", "dotterel-01"
    )
    found = passed(bench.run_folder())
    bench.chargerd("stop", str(bench.run_folder()))
    right.wait()

    assert (wrong.returncode, "'plover-01' is clipped" in wrong.stderr) == (Exit.REFUSED, True)
    assert found["attended_because"] == "Attended only, stay within reach: no warm hand on the thermometer"


@pytest.mark.parametrize("typed", [b"\x03", b"ye\x03"])
def test_ctrl_c_in_the_question_for_a_hand_ends_in_order_at_once(typed: bytes, bench: Bench, start: Callable[..., AtTerminal]) -> None:
    at = start("--cell-name", "dotterel-01")
    at.answer(HAND, typed)

    assert at.run.wait() == Exit.STOPPED, at.reader.said()
    assert states(bench.run_folder()) == ["CHECKING", "STOPPED"]
    assert not bench.is_on()
    assert [span for panel in ("supply", "load") for span in bench.report()["panels"][panel]["energised"]] == []


def test_a_cell_whose_resistance_is_another_than_at_its_last_start_is_refused_until_a_person_says_it_is_this_one(
    bench: Bench,
) -> None:
    def begun(*more: str) -> Run:
        return bench.start("run", "profile.yaml", "--cell", "cell.yaml", "--bench", "bench.yaml", "--plain", *more)

    first = begun()
    folder = bench.run_folder()
    known_ohm = passed(folder)["resistance_ohm"]
    bench.chargerd("stop", str(folder))
    first.wait()
    ledger = bench.data / "cells" / "dotterel-01.csv"
    assert f'""resistance_ohm"":{known_ohm}' in ledger.read_text(encoding="ascii")

    assert isinstance(known_ohm, float)
    with CellLedger.open(bench.data, "dotterel-01") as cells:
        cells.resistance(real_clock().utc(), "another-run", 5.0 * known_ohm)
    second = begun()
    assert second.wait() == Exit.REFUSED, second.said()
    assert "--resistance-changed" in second.said()
    third = begun("--resistance-changed")
    wait_until(lambda: len(bench.run_folders()) == 3, "there is a third folder")
    folder = bench.run_folder()
    found = passed(folder)
    bench.chargerd("stop", str(folder))
    third.wait()

    assert found["resistance_ohm"] == pytest.approx(known_ohm, rel=0.5)
