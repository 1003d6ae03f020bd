"""`dialect test` on an instrument itself: whatever fails or stops it, off is tried to the last, and the last line says the truth."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.cli.main import main
from chargerd.errors import Exit
from tests.cli import stand_in
from tests.cli.conftest import ROOT
from tests.cli.typist import Typist

WITHIN_S = 60.0
DIALECT = """\
dialect: shelf-2
about: "Boathouse Shelf Unit 2 (invented)"
role: source
framing: line
verified_on_hardware: none yet
settle: 50 ms
power_on: "off"
lacks: [events, error, questionable]
questions:
  identity: {ask: "WHO", reply: "{text}"}
  voltage: {ask: "V?", reply: "V={number}"}
  current: {ask: "I?", reply: "I={number}"}
  operation: {ask: "TR?", reply: "TR={word}", values: "N=0 V=1 I=2"}
  output: {ask: "ST?", reply: "ST={boolean}"}
  voltage_set: {ask: "SV?", reply: "SV={number}"}
  current_set: {ask: "SI?", reply: "SI={number}"}
  ovp: {ask: "OV?", reply: "OV={number}"}
  ocp: {ask: "OC?", reply: "OC={number}"}
commands:
  voltage_set: {send: "SV {value}", decimals: "3", reply: "OK"}
  current_set: {send: "SI {value}", decimals: "4", reply: "OK"}
  ovp: {send: "OV {value}", decimals: "2", reply: "OK"}
  ocp: {send: "OC {value}", decimals: "2", reply: "OK"}
  on: {send: "ON", reply: "OK"}
  off: {send: "OFF", reply: "OK"}
  clear_protection: {send: "RT", reply: "OK"}
status:
  over_voltage: {register: "operation", equals: "1"}
  over_current: {register: "operation", equals: "2"}
"""
NO_OVP = "".join(
    line for line in DIALECT.replace("[events, error, questionable]", "[events, error, questionable, ovp]").splitlines(keepends=True)
    if not line.startswith(("  ovp:", "  over_voltage:"))
)  # fmt: skip


class Shelf:
    """The stand-in's process, and the folder it is tested from."""

    def __init__(self, folder: Path, process: subprocess.Popen[str], path: str) -> None:
        self.folder, self.process = folder, process
        self.address = f"serial://{path}?eol=crlf&send_eol=cr"

    @property
    def taken(self) -> list[str]:
        log = self.folder / "log"
        return log.read_text(encoding="ascii").splitlines() if log.exists() else []

    @property
    def is_on(self) -> bool:
        return self.taken[-1].endswith(" 1")

    def test(self, *more: str) -> subprocess.Popen[str]:
        """Begin a test; its number is where the stand-in looks for it."""
        command = [sys.executable, "-m", "chargerd", "dialect", "test", "shelf-2", "--address", self.address, *more]
        program = subprocess.Popen(
            command, cwd=self.folder, env=os.environ | {"PYTHONPATH": str(ROOT)}, stdin=subprocess.DEVNULL, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        (self.folder / "log.pid").write_text(str(program.pid), encoding="ascii")
        return program

    def tested(self, *more: str) -> tuple[int, str]:
        """Test it to the end: exit code and all that was said."""
        program = self.test(*more)
        try:
            said, _ = program.communicate(timeout=WITHIN_S)
        finally:
            program.kill()
        return program.returncode, said


@contextmanager
def shelf(folder: Path, *options: str, dialect: str = DIALECT) -> Iterator[Shelf]:
    (folder / "dialects").mkdir()
    (folder / "dialects" / "shelf-2.yaml").write_text(dialect, encoding="utf-8")
    command = [sys.executable, stand_in.__file__, str(folder / "log"), *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield Shelf(folder, process, process.stdout.readline().strip())
        finally:
            process.kill()


def bench_of(folder: Path, address: str) -> Path:
    """The example bench with this supply on it."""
    text = example_bench().read_text(encoding="utf-8").replace("tcp://127.0.0.1:5025", address)
    text = text.replace("dialect: scpi-supply", "dialect: shelf-2").replace("Boathouse,Source 3A,SN1,1.0", "SHELF-2 SN0417 V1.3")
    (folder / "bench.yaml").write_text(text, encoding="utf-8")
    return folder / "bench.yaml"


def last_line(said: str) -> str:
    return said.rstrip().splitlines()[-1]


def test_a_sound_one_ends_with_its_output_off_and_leaves_no_plan(tmp_path: Path) -> None:
    with shelf(tmp_path) as supply:
        code, said = supply.tested("--yes")
        assert (code, supply.is_on) == (Exit.OK, False), said

    assert last_line(said) == "ITS OUTPUT IS OFF, verified: ST? answers 0, 0.0 mA."
    assert "  deliberate trip      begins    ITS OUTPUT GOES ON for a moment, at 1 V, 0.1 A\n  deliberate trip      passed" in said
    assert not (tmp_path / "dialect-test").exists()


def test_one_that_falls_silent_with_its_output_on_is_told_last_and_goes_off_when_it_wakes(tmp_path: Path) -> None:
    """The trip never acts, so that the second time it goes on it stays on."""
    with shelf(tmp_path, "--no-trip", "--at", "2", "freeze") as supply:
        code, said = supply.tested("--yes")
        assert supply.is_on
        supply.process.send_signal(signal.SIGCONT)
        until_s = time.monotonic() + 10.0
        while supply.is_on and time.monotonic() < until_s:
            select.select([], [], [], 0.02)
        assert not supply.is_on, supply.taken

    assert code == Exit.NOT_VERIFIED_OFF
    assert last_line(said).startswith("ITS OUTPUT MAY STILL BE ON at 1 V, 0.1 A: use its own switch, or pull its plug, NOW.")
    assert last_line(said).endswith("chargerd off dialect-test/shelf-2")
    assert (tmp_path / "dialect-test" / "shelf-2" / "off-plan.json").exists()


def test_one_that_is_unplugged_with_its_output_on_is_told_last(tmp_path: Path) -> None:
    with shelf(tmp_path, "--at", "1", "leave") as supply:
        code, said = supply.tested("--yes")

    assert code == Exit.NOT_VERIFIED_OFF
    assert last_line(said).startswith("ITS OUTPUT MAY STILL BE ON at 1 V, 0.1 A: ")


def test_one_that_never_goes_off_is_told_last(tmp_path: Path) -> None:
    with shelf(tmp_path, "--never-off") as supply:
        code, said = supply.tested("--yes")
        assert supply.is_on

    assert code == Exit.NOT_VERIFIED_OFF
    assert last_line(said).startswith("ITS OUTPUT MAY STILL BE ON at 1 V, 0.1 A: ")


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP"])
def test_a_signal_with_the_output_on_ends_with_it_off_and_verified(name: str, tmp_path: Path) -> None:
    with shelf(tmp_path, "--at", "1", name) as supply:
        code, said = supply.tested("--yes")
        assert (code, supply.is_on) == (Exit.STOPPED, False), said

    assert f"({name})" in said
    assert last_line(said) == "ITS OUTPUT IS OFF, verified: ST? answers 0, 0.0 mA."


def test_a_signal_to_one_that_does_not_go_off_says_that_it_may_be_on(tmp_path: Path) -> None:
    with shelf(tmp_path, "--never-off", "--at", "1", "SIGINT") as supply:
        code, said = supply.tested("--yes")

    assert code == Exit.NOT_VERIFIED_OFF
    assert last_line(said).startswith("ITS OUTPUT MAY STILL BE ON at 1 V, 0.1 A: ")


def test_off_acts_after_the_test_was_killed(tmp_path: Path) -> None:
    with shelf(tmp_path, "--at", "1", "SIGKILL") as supply:
        code, _ = supply.tested("--yes")
        assert (code, supply.is_on) == (-signal.SIGKILL, True)
        off = subprocess.run(
            [sys.executable, "-m", "chargerd", "off"], cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)}, text=True,
            capture_output=True, timeout=WITHIN_S, check=False,
        )  # fmt: skip
        assert (off.returncode, supply.is_on) == (Exit.OK, False), off.stdout + off.stderr


def test_off_ends_a_test_that_goes_on(tmp_path: Path) -> None:
    """It holds the port; off asks it to stop, and it makes safe."""
    with shelf(tmp_path, dialect=DIALECT.replace("settle: 50 ms", "settle: 5 s")) as supply:
        program = supply.test("--yes")
        assert program.stdout is not None
        for line in program.stdout:
            if "GOES ON" in line:
                break
        off = subprocess.run(
            [sys.executable, "-m", "chargerd", "off"], cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)}, text=True,
            capture_output=True, timeout=WITHIN_S, check=False,
        )  # fmt: skip
        rest, _ = program.communicate(timeout=WITHIN_S)
        assert not supply.is_on

    assert program.returncode == Exit.STOPPED
    assert last_line(rest).startswith("ITS OUTPUT IS OFF, verified")
    assert off.returncode == Exit.OK, off.stdout + off.stderr


def test_where_no_plan_can_be_left_nothing_is_sent(tmp_path: Path) -> None:
    with shelf(tmp_path) as supply:
        (tmp_path / "dialect-test").write_text("", encoding="utf-8")
        code, said = supply.tested("--yes")
        assert [line for line in supply.taken if "WHO" not in line] == []

    assert code == Exit.REFUSED
    assert "no off plan can be left in dialect-test/shelf-2" in said


def test_each_step_is_told_while_it_is_made(tmp_path: Path) -> None:
    """With a settle time of 5 s the test is not over for long when the step that switches on is named."""
    with shelf(tmp_path, dialect=DIALECT.replace("settle: 50 ms", "settle: 5 s")) as supply:
        program = supply.test("--yes")
        assert program.stdout is not None
        told = next(line for line in program.stdout if "GOES ON" in line)
        assert program.poll() is None
        program.send_signal(signal.SIGINT)
        program.communicate(timeout=WITHIN_S)

    assert told == "  on and off           begins    ITS OUTPUT GOES ON for a moment, at 1 V, 0.1 A\n"


def test_a_reader_that_goes_away_does_not_leave_it_on(tmp_path: Path) -> None:
    with shelf(tmp_path) as supply:
        program = supply.test("--yes")
        assert program.stdout is not None
        next(line for line in program.stdout if "GOES ON" in line)
        program.stdout.close()
        assert program.wait(WITHIN_S) == Exit.OK
        assert not supply.is_on
        assert len([line for line in supply.taken if "b'ON'" in line]) == 2  # the trip on purpose was made, too


def test_without_a_terminal_nothing_is_switched_on_unless_yes_was_said(tmp_path: Path) -> None:
    with shelf(tmp_path) as supply:
        code, said = supply.tested()
        assert [line for line in supply.taken if "WHO" not in line] == []

    assert code == Exit.REFUSED
    assert "then add --yes" in said


def test_an_instrument_of_a_bench_is_asked_about_too(tmp_path: Path) -> None:
    with shelf(tmp_path) as supply:
        bench_of(tmp_path, supply.address)
        asked = Typist([("NOTHING connected", "")])
        code = asked.run(tmp_path, "dialect", "test", "--bench", "bench.yaml", "--instrument", "supply")
        assert (code, asked.left) == (Exit.REFUSED, []), asked.shown
        assert supply.taken == []
        agreed = Typist([("NOTHING connected", "y")])
        assert agreed.run(tmp_path, "dialect", "test", "--bench", "bench.yaml", "--instrument", "supply") == Exit.OK, agreed.shown

    assert "ITS OUTPUT IS OFF, verified" in last_line(agreed.shown)


def test_a_protection_it_has_not_is_not_said_to_be_written(tmp_path: Path) -> None:
    with shelf(tmp_path, dialect=NO_OVP) as supply:
        code, said = supply.tested("--yes")
        assert not [line for line in supply.taken if "OV" in line]

    assert code == Exit.OK, said
    assert "protection levels    passed    over-current 0.2 A (no over-voltage protection of its own)\n" in said


def test_a_protection_that_never_acts_says_what_to_do(tmp_path: Path) -> None:
    with shelf(tmp_path, "--no-trip") as supply:
        code, said = supply.tested("--yes")

    assert code == Exit.INSTRUMENT
    row = next(line for line in said.splitlines() if line.startswith("  deliberate trip      FAILED"))
    for part in ("was written and read back", "0.1 s after it was switched on at 1 V", "Try it by hand", "do not trust this supply",
                 "lacks: [ovp]"):  # fmt: skip
        assert part in row
    assert last_line(said) == "ITS OUTPUT IS OFF, verified: ST? answers 0, 0.0 mA."


def test_what_it_does_not_tell_is_said_in_plain_words(tmp_path: Path) -> None:
    """Its dialect has trips, and no list of errors, no word of a power failure, no CC or CV, no over-voltage protection."""
    with shelf(tmp_path, dialect=NO_OVP) as supply:
        _, said = supply.tested("--yes")

    told = said.partition("What it does not tell or do, as its dialect stands:\n")[2].partition("\n\n")[0].splitlines()
    assert [line.split(":")[0] for line in told] == [
        "  that it refused a setting, for it keeps no list of its errors", "  that its mains failed for a moment",
        "  whether it holds the current or the voltage (CC or CV)", "  it has no over-voltage protection of its own",
    ]  # fmt: skip


@pytest.mark.parametrize(("decimals", "told"), [("3", "1.959 V"), ("2", "1.95 V"), ("1", "1.90 V")])
def test_check_says_the_protection_level_that_will_be_sent(
    decimals: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Levels are rounded down to the decimals that the dialect sends: what is said is what will be read back."""
    bench = bench_of(tmp_path, "tcp://127.0.0.1:1")
    text = DIALECT.replace('ovp: {send: "OV {value}", decimals: "2"', f'ovp: {{send: "OV {{value}}", decimals: "{decimals}"')
    (tmp_path / "dialects").mkdir()
    (tmp_path / "dialects" / "shelf-2.yaml").write_text(text, encoding="utf-8")
    cell = example_bench().parent / "cells" / "plover-01.yaml"

    assert main(["check", "gentle-formation", str(cell), str(bench)]) == Exit.OK
    assert f"the supply's own over-voltage protection: {told}\n" in capsys.readouterr().out
