"""`find` leaves no half line in a device whose lines end otherwise; what is no port, or somebody else's, is told and let alone."""

from __future__ import annotations

import os
import pty
import re
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
from chargerd.errors import Exit, LinkError
from chargerd.instruments.finding import asking
from chargerd.instruments.transports.link import Link
from tests.instruments.peers import with_link


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asking, "LISTEN_S", 0.2)
    monkeypatch.setattr(asking, "ASK_S", 0.3)


class Strict:
    """A device whose lines end exactly so; every other sign, CR or LF too, is part of a line. Unknown lines: `refusal`."""

    def __init__(self, end: bytes, refusal: bytes, known: dict[bytes, bytes], answers: bytes = b"", *, echo: bool = False) -> None:
        self.end, self.refusal, self.known = end, refusal, known
        self.answers, self.echo = answers or end, echo
        self.buffer = b""
        self.lines: list[bytes] = []

    def take(self, data: bytes) -> bytes:
        *whole, self.buffer = (self.buffer + data).split(self.end)
        self.lines += whole
        return b"".join(
            (line + self.answers if self.echo else b"") + reply + self.answers
            for line in whole if (reply := self.known.get(line, self.refusal))
        )  # fmt: skip


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


ENDS = {"lf": b"\n", "cr": b"\r", "crlf": b"\r\n"}
OPTIONS = {
    ("lf", "lf"): "", ("lf", "crlf"): "", ("lf", "cr"): "&eol=cr&send_eol=lf",
    ("cr", "cr"): "&eol=cr", ("cr", "crlf"): "&eol=crlf&send_eol=cr", ("cr", "lf"): "&send_eol=cr",
    ("crlf", "crlf"): "&eol=crlf", ("crlf", "lf"): "&send_eol=crlf", ("crlf", "cr"): "&eol=cr&send_eol=crlf",
}  # fmt: skip
"""Which end a device takes and answers with → what an address says of it. A CR before the LF that a reply ends by is taken off."""


@pytest.mark.parametrize("refusal", [b"", b"?"], ids=["silent", "refuses"])
@pytest.mark.parametrize(("takes", "answers"), OPTIONS, ids=["-".join(pair) for pair in OPTIONS])
def test_the_end_a_device_takes_and_the_end_it_answers_with_are_found_each_by_itself(
    takes: str, answers: str, refusal: bytes, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The address in the bench file is tried as it stands: two questions, and nothing is left between them."""
    with on_pty(Strict(ENDS[takes], refusal, {b"*IDN?": IDENTITY}, ENDS[answers])) as path:
        assert main(["find", path, "--yes", "--write", str(tmp_path)]) == Exit.OK
        (address,) = re.findall("address: (.*)", (tmp_path / "bench.yaml").read_text())

        async def twice(link: Link) -> list[bytes]:
            return [await link.query(b"*IDN?", deadline_s=1.0) for _ in range(2)]

        replies = with_link(address, twice)

    assert address == f"serial://{path}?baud=9600{OPTIONS[takes, answers]}"
    assert replies == [IDENTITY, IDENTITY]
    if takes != answers:
        shown = {"lf": "LF", "cr": "CR", "crlf": "CR LF"}
        assert f"takes {shown[takes]}, answers with {shown[answers]}" in capsys.readouterr().out


def test_a_device_of_words_of_its_own_that_takes_cr_and_answers_with_cr_lf_is_offered_both(capsys: pytest.CaptureFixture[str]) -> None:
    with on_pty(Strict(b"\r", b"?", {}, b"\r\n")) as path:
        assert main(["find", path, "--yes"]) == Exit.OK

    said = capsys.readouterr().out
    assert "answers '?', takes CR, answers with CR LF, which is no identity" in said
    assert f"address: serial://{path}?baud=9600&eol=crlf&send_eol=cr\n" in said


@pytest.mark.parametrize("end", ENDS)
def test_a_device_that_repeats_what_it_hears_is_known_by_it(end: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    with on_pty(Strict(ENDS[end], b"", {b"*IDN?": IDENTITY}, echo=True)) as path:
        assert main(["find", path, "--yes", "--write", str(tmp_path)]) == Exit.OK
        (address,) = re.findall("address: (.*)", (tmp_path / "bench.yaml").read_text())
        reply = with_link(address, lambda link: link.query(b"*IDN?", deadline_s=1.0))

    assert reply == IDENTITY
    assert "repeating what it hears" in capsys.readouterr().out


@pytest.mark.parametrize(("takes", "answers", "eol", "write"), [
    ("cr", "crlf", "eol=cr", "its lines end by CR LF; write eol=crlf&send_eol=cr"),
    ("lf", "cr", "eol=lf", "its lines end by CR; write eol=cr&send_eol=lf"),
    ("crlf", "lf", "eol=crlf", "its lines end by LF; write eol=lf&send_eol=crlf"),
    ("lf", "crlf", "eol=cr&send_eol=lf", "its lines end by CR LF; write eol=crlf&send_eol=lf"),
])  # fmt: skip
def test_the_wrong_line_end_in_an_address_says_what_to_write(takes: str, answers: str, eol: str, write: str) -> None:
    async def often(link: Link) -> None:
        for _ in range(3):
            await link.query(b"ID", deadline_s=1.0)  # longer than a port is read at once, for a busy machine

    with on_pty(Strict(ENDS[takes], b"?", {b"ID": WHO}, ENDS[answers])) as path, pytest.raises(LinkError) as told:
        with_link(f"serial://{path}?{eol}", often)

    assert write in str(told.value)


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
