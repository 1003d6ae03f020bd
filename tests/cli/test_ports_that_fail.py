"""A port that is missing, is none, or where nobody answers: said once, without numbers of the kernel, and what to do."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.cli.main import main
from chargerd.errors import Exit
from chargerd.instruments.transports.serial_port import port_trouble
from tests.instruments.peers import pty_peer

BENCH = example_bench()


def bench_with(folder: Path, address: str) -> Path:
    path = folder / "bench.yaml"
    path.write_text(BENCH.read_text(encoding="utf-8").replace("tcp://127.0.0.1:5025", address), encoding="utf-8")
    return path


@pytest.mark.parametrize(("address", "told"), [
    ("serial:///dev/no-such-port", "/dev/no-such-port: there is no such port; plug it in"),
    ("serial://{file}", "this is no serial port"),
    ("tcp://127.0.0.1:9", "cannot connect: Connection refused; is it on, and is this its address?"),
])  # fmt: skip
def test_what_cannot_be_opened_is_said_once_and_nothing_more_is_tried(
    address: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").touch()
    bench = bench_with(tmp_path, address.replace("{file}", str(tmp_path / "file")))

    assert main(["dialect", "test", "--bench", str(bench), "--instrument", "supply", "--yes"]) == Exit.INSTRUMENT
    said = capsys.readouterr().out
    assert said.count(told) == 1
    assert "Errno" not in said
    assert said.count("FAILED") == 1
    assert "1 failed: identity. Nothing more was tried.\n" in said
    assert said.rstrip().endswith("Nothing was sent to it that could switch it on: it is as it was before.")


def test_who_is_silent_is_told_with_what_to_look_at(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with pty_peer(lambda _: b"") as (path, _, _):
        assert main(["dialect", "test", "scpi-supply", "--address", f"serial://{path}"]) == Exit.INSTRUMENT
        alone = capsys.readouterr().err
        bench = bench_with(tmp_path, f"serial://{path}")
        assert main(["dialect", "test", "--bench", str(bench), "--instrument", "supply", "--yes"]) == Exit.INSTRUMENT
    of_bench = capsys.readouterr().out

    for said in (alone, of_bench):
        assert said.count("no reply to *IDN?") == 1
        assert "Is it on, is the cable in, and are speed, parity and line end" in said


@pytest.mark.parametrize(("fault", "told"), [
    (OSError(2, "No such file"), "there is no such port"),
    (OSError(11, "Resource temporarily unavailable"), "another program uses this port"),
    (OSError(13, "Permission denied"), "may not be used by you"),
    (OSError(5, "Input/output error"), "the port went away; plug it in again"),
    (OSError("Could not configure port: (25, 'Inappropriate ioctl for device')"), "this is no serial port"),
    (OSError(28, "No space left on device"), "No space left on device"),
    (OSError("read failed"), "read failed"),
])  # fmt: skip
def test_what_the_kernel_says_of_a_port_becomes_one_sentence(fault: OSError, told: str) -> None:
    said = port_trouble("/dev/ttyUSB0", fault)
    assert said.startswith("/dev/ttyUSB0: ")
    assert told in said
    assert "Errno" not in said


def test_a_run_that_cannot_begin_speaks_of_no_record(tmp_path: Path) -> None:
    bench = bench_with(tmp_path, "tcp://127.0.0.1:9")
    cell = BENCH.parent / "cells" / "plover-01.yaml"
    command = [sys.executable, "-m", "chargerd", "run", "gentle-formation", "--cell", str(cell), "--bench", str(bench)]

    ended = subprocess.run(  # the keeper and its worker
        command, capture_output=True, text=True, timeout=60, check=False,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parent.parent.parent)},
    )  # fmt: skip

    assert ended.returncode == Exit.INSTRUMENT
    assert "Record:" not in ended.stdout
    assert ended.stderr.count("cannot connect: Connection refused") == 1
