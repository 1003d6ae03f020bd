"""`find` leaves no half line in a device whose lines end otherwise; what is no port, or somebody else's, is told and let alone."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from chargerd.cli.main import main
from chargerd.errors import Exit
from chargerd.instruments.finding import asking
from tests.instruments.peers import with_link


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "LISTEN_S", 0.2)
    monkeypatch.setattr(asking, "ASK_S", 0.3)


class Strict:
    """A device whose lines end exactly so; every other sign, CR or LF too, is part of a line. Unknown lines: `refusal`."""

    def __init__(self, end: bytes, refusal: bytes, known: dict[bytes, bytes]) -> None:
        self.end, self.refusal, self.known = end, refusal, known
        self.buffer = b""
        self.lines: list[bytes] = []

    def take(self, data: bytes) -> bytes:
        *whole, self.buffer = (self.buffer + data).split(self.end)
        self.lines += whole
        return b"".join(reply + self.end for line in whole if (reply := self.known.get(line, self.refusal)))


@contextmanager
def on_pty(device: Strict) -> Iterator[str]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    stop = threading.Event()

    def work() -> None:
        while not stop.is_set():
            if select.select([master], [], [], 0.02)[0]:
                os.write(master, device.take(os.read(master, 4096)))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        stop.set()
        thread.join(5)
        os.close(slave)
        os.close(master)


WHO = b"AUK 3"
IDENTITY = b"Boathouse,Line 1,SN9,1.0"


@pytest.mark.parametrize("refusal", [b"", b"?"], ids=["silent", "refuses"])
@pytest.mark.parametrize(("end", "eol"), [(b"\r", "cr"), (b"\n", "lf"), (b"\r\n", "crlf")], ids=["cr", "lf", "crlf"])
def test_after_find_the_next_question_is_heard_as_it_was_sent(end: bytes, eol: str, refusal: bytes) -> None:
    """To lines that end by LF one CR is left at most: white space (IEEE 488.2 §7.4.1.2, from memory)."""
    device = Strict(end, refusal, {b"ID": WHO, b"\rID": WHO})
    with on_pty(device) as path:
        assert main(["find", path, "--yes"]) == Exit.OK
        reply = with_link(f"serial://{path}?eol={eol}", lambda link: link.query(b"ID", deadline_s=1.0))

    assert reply == WHO
    if end == b"\r":
        assert device.lines[-1] == b"ID"


@pytest.mark.parametrize(("known", "told"), [
    ({b"*IDN?": IDENTITY}, "is 'Boathouse,Line 1,SN9,1.0', ending lines by CR alone"),
    ({}, "answers '?', ending lines by CR alone, which is no identity"),
])
def test_a_device_that_ends_lines_by_cr_is_heard_and_its_address_says_so(
    known: dict[bytes, bytes], told: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with on_pty(Strict(b"\r", b"?", known)) as path:
        assert main(["find", path, "--yes", "--write", str(tmp_path)]) == Exit.OK

    assert told in capsys.readouterr().out
    assert f"address: serial://{path}?baud=9600&eol=cr" in (tmp_path / "bench.yaml").read_text()


@pytest.mark.parametrize("option", [[], ["--modbus"]], ids=["port", "modbus"])
def test_a_plain_file_is_no_port_and_stays_as_it_is(
    option: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "notes").write_text("mine")

    assert main(["find", *option, str(tmp_path / "notes"), "--yes"]) == Exit.FILE_OR_COMMAND
    said = capsys.readouterr()
    assert "is no serial port" in said.err
    assert said.out == ""
    assert (tmp_path / "notes").read_text() == "mine"


def test_a_port_that_another_process_has_locked_says_whose_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    device = Strict(b"\n", b"", {})
    program = "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True); print('held', flush=True); sys.stdin.read()"
    with on_pty(device) as path, subprocess.Popen(
        [sys.executable, "-c", program, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        assert main(["find", path, "--yes"]) == Exit.OK
        found = capsys.readouterr().out
        assert main(["dialect", "test", "scpi-supply", "--address", f"serial://{path}"]) == Exit.INSTRUMENT
        tested = capsys.readouterr().err
        holder.kill()

    assert f"(process {holder.pid}): not asked" in found
    assert device.lines == []
    assert tested == f"chargerd dialect: {path}: another program uses this port; close it (chargerd find says which)\n"


def test_nothing_found_is_no_bench_and_ends_with_the_code_of_a_silent_instrument(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("chargerd.cli.find.search", lambda *_: ([], []))  # a computer with nothing plugged in

    assert main(["find", "--write", str(tmp_path / "bench")]) == Exit.INSTRUMENT
    assert "so no bench.yaml was written; switch the instruments on" in capsys.readouterr().err
    assert not (tmp_path / "bench").exists()
