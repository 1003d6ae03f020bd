"""Serial lines as devices really have them: line ends, echoes, parity, byte frames; against ptys and socat."""

from __future__ import annotations

import asyncio
import os
import pty
import select
import subprocess
import sys
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import pytest
import serial

from chargerd.errors import BenchError, LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports import serial_port
from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.registry import open_link, parse_address
from tests.instruments.peers import pty_peer, with_link
from tests.instruments.socat import line_to, needs_socat

T = TypeVar("T")
SHORT_S = 0.15


@contextmanager
def raw_peer(replies: Callable[[bytes], bytes | None]) -> Iterator[str]:
    """A pty whose other end is given all bytes that have come so far and answers with bytes, or None to wait for more."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    stop = threading.Event()

    def work() -> None:
        received = b""
        while not stop.is_set():
            if select.select([master], [], [], 0.02)[0]:
                received += os.read(master, 4096)
                reply = replies(received)
                if reply is not None:
                    received = b""
                    os.write(master, reply)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        stop.set()
        thread.join(5)
        os.close(slave)
        os.close(master)


# --- line ends -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("options", "sent_end", "reply_end"), [
    ("", b"\n", b"\n"), ("?eol=crlf", b"\r\n", b"\r\n"), ("?eol=cr", b"\r", b"\r"),
    ("?eol=lf&send_eol=cr", b"\r", b"\n"), ("?eol=crlf&send_eol=lf", b"\n", b"\r\n"), ("?eol=cr&send_eol=crlf", b"\r\n", b"\r"),
])  # fmt: skip
@pytest.mark.parametrize("scheme", ["serial", "visa"])
def test_every_line_end_in_either_direction(scheme: str, options: str, sent_end: bytes, reply_end: bytes) -> None:
    heard: list[bytes] = []

    def replies(received: bytes) -> bytes | None:
        if not received.endswith(sent_end):
            return None
        heard.append(received)
        return b"re:" + received.removesuffix(sent_end) + reply_end

    async def main(link: Link) -> list[bytes]:
        return [await link.query(b"V?", deadline_s=0.5) for _ in range(3)]

    with raw_peer(replies) as path:
        address = f"serial://{path}{options}" if scheme == "serial" else f"visa://ASRL{path}::INSTR{options}"
        assert with_link(address, main) == [b"re:V?"] * 3
    assert heard == [b"V?" + sent_end] * 3


# --- echo ----------------------------------------------------------------------------------------------------------------


@needs_socat
@pytest.mark.peer
def test_an_echo_is_read_compared_and_dropped(tmp_path: Path) -> None:
    """The device is a shell behind socat that repeats each line, then answers it."""
    device = tmp_path / "device.sh"
    device.write_text('while read -r line; do echo "$line"; case $line in *\\?) echo "re:$line";; esac; done\n')

    async def main(link: Link) -> list[bytes]:
        replies = [await link.query(b"V?", deadline_s=2.0)]
        await link.write(b"SET 1.85", deadline_s=2.0)
        replies.append(await link.query(b"I?", deadline_s=2.0))
        return replies

    with line_to(f"EXEC:sh {device}", tmp_path / "port"):
        assert with_link(f"serial://{tmp_path}/port?echo=yes", main) == [b"re:V?", b"re:I?"]


@pytest.mark.parametrize(("said", "fault"), [
    (b"1.850\n", LinkGarbledError),  # no echo: the reply itself comes where the echo should
    (b"V!\n1.850\n", LinkGarbledError),
    (b"V\n1.850\n", LinkGarbledError),
    (b"V?\n", LinkTimeoutError),
    (b"V?V?\n1.850\n", LinkGarbledError),
])  # fmt: skip
def test_a_missing_or_different_echo_ends_the_link(said: bytes, fault: type[LinkError]) -> None:
    async def main(link: Link) -> None:
        with pytest.raises(fault):
            await link.query(b"V?", deadline_s=SHORT_S)
        assert link.dirty

    with raw_peer(lambda received: said if received.endswith(b"\n") else None) as path:
        with_link(f"serial://{path}?echo=yes", main)


def test_a_command_is_not_sent_until_its_echo_came() -> None:
    async def main(link: Link) -> None:
        with pytest.raises(LinkTimeoutError):
            await link.write(b"OUT 1", deadline_s=SHORT_S)
        assert link.dirty

    with raw_peer(lambda _: None) as path:
        with_link(f"serial://{path}?echo=yes", main)


def test_a_device_that_echoes_though_the_address_does_not_say_so_is_noticed() -> None:
    async def main(link: Link) -> None:
        with pytest.raises(LinkGarbledError, match=r"more than one reply to V\?: b'V\?'"):
            await link.query(b"V?", deadline_s=0.5)
        assert link.dirty

    with raw_peer(lambda received: b"V?\n1.850\n" if received.endswith(b"\n") else None) as path:
        with_link(f"serial://{path}", main)


# --- settings ------------------------------------------------------------------------------------------------------------


def test_speed_parity_and_stop_bits_reach_the_port() -> None:
    async def main(link: Link) -> list[int]:
        assert not link.dirty
        descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
        try:
            return termios.tcgetattr(descriptor)
        finally:
            os.close(descriptor)

    with pty_peer(lambda _: b"") as (path, _, _):
        iflag, _, cflag, _, ispeed, *_ = with_link(f"serial://{path}?baud=19200&parity=even&bits=7&stop=2&flow=xon", main)

    assert ispeed == termios.B19200
    assert cflag & termios.CSTOPB
    assert iflag & termios.IXON
    assert iflag & termios.INPCK, "a byte with a parity error must not pass for another character"
    assert not iflag & termios.IGNPAR


@pytest.mark.parametrize("options", ["baud=0", "baud=9k6", "baud=", "parity=mark", "bits=5", "stop=3", "flow=dtr", "eol=nl", "send_eol=",
                                     "echo=true", "listen=1", "echo=yes&listen=yes", "active_low=1", "colour=red"])
def test_a_wrong_option_says_what_there_is(options: str) -> None:
    with pytest.raises(BenchError, match=r"is one of|whole number|has no option|repeats nothing"):
        parse_address(f"serial:///dev/ttyUSB0?{options}")


# --- one port, one owner -------------------------------------------------------------------------------------------------


def test_two_spellings_of_a_port_are_one_bus(tmp_path: Path) -> None:
    async def main(first: Link) -> None:
        second = await open_link(parse_address(f"serial://{path}"), deadline_s=2.0)
        assert [await link.query(b"V?", deadline_s=0.5) for link in (first, second)] == [b"re:V?"] * 2
        with pytest.raises(LinkTimeoutError):
            await second.query(b"MUTE?", deadline_s=SHORT_S)
        assert first.dirty

    with pty_peer(lambda line: b"" if line == b"MUTE?" else b"re:" + line + b"\n") as (path, _, _):
        (tmp_path / "by-id").symlink_to(path)
        (tmp_path / "bench").symlink_to(tmp_path / "by-id")
        with_link(f"serial://{tmp_path}/bench", main)


@pytest.mark.parametrize("other", ["visa://ASRL{}::INSTR", "serial-bytes://{}?baud=19200", "serial://{}?listen=yes", "serial://{}?parity=odd"])
def test_a_port_in_use_is_refused_to_another_kind_of_address(other: str) -> None:
    async def main(link: Link) -> None:
        with pytest.raises((LinkClosedError, LinkGarbledError)):
            await open_link(parse_address(other.format(path)), deadline_s=2.0)
        assert await link.query(b"V?", deadline_s=0.5) == b"re:V?"

    with pty_peer(lambda line: b"re:" + line + b"\n") as (path, _, _):
        with_link(f"serial://{path}", main)


@pytest.mark.parametrize("form", ["visa://ASRL{}::INSTR", "serial://{}", "serial-bytes://{}", "serial://{}?listen=yes"])
def test_another_program_that_locks_the_port_keeps_it_and_ours_keeps_others_out(form: str) -> None:
    async def main(_: Link) -> None:
        with pytest.raises(serial.SerialException):
            serial.Serial(path, exclusive=True)

    with pty_peer(lambda _: b"") as (path, _, _):
        with_link(form.format(path), main)
        asyncio.run(closed_again(path))
        with serial.Serial(path, exclusive=True), pytest.raises(LinkClosedError):
            with_link(form.format(path), main)


OPEN_AS_NOBODY = """
import os, sys
os.setgroups([]); os.setgid(65534); os.setuid(65534)
try:
    os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
except OSError as fault:
    print(fault.strerror)
else:
    print("open")
"""


def opened_by_nobody(path: str) -> str:
    done = subprocess.run([sys.executable, "-c", OPEN_AS_NOBODY, path], capture_output=True, text=True, check=True, timeout=30)
    return done.stdout.strip()


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser can try to be somebody else")
@pytest.mark.parametrize("form", ["visa://ASRL{}::INSTR", "serial://{}"])
def test_the_kernel_keeps_out_who_does_not_ask_for_the_lock(form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pty STANDS IN for a real port here: what a port is, is said to be so."""
    monkeypatch.setattr(serial_port, "is_pseudo", lambda _: False)

    async def main(_: Link) -> str:
        return opened_by_nobody(path)

    with pty_peer(lambda _: b"") as (path, _, _):
        Path(path).chmod(0o666)
        assert opened_by_nobody(path) == "open"
        assert with_link(form.format(path), main) == "Device or resource busy"
        asyncio.run(closed_again(path))
        assert opened_by_nobody(path) == "open"


async def closed_again(path: str) -> None:
    """Wait until the worker that had the port has let it go."""
    loop = asyncio.get_running_loop()
    while True:
        try:
            await loop.run_in_executor(None, lambda: serial.Serial(path, exclusive=True).close())
        except serial.SerialException:
            continue
        return


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser can try to be somebody else")
def test_a_pseudo_terminal_is_not_kept_from_who_must_switch_off_after_we_were_killed() -> None:
    async def main(_: Link) -> str:
        return opened_by_nobody(path)

    with pty_peer(lambda _: b"") as (path, _, _):
        Path(path).chmod(0o666)
        assert with_link(f"serial://{path}", main) == "open"


# --- byte frames -----------------------------------------------------------------------------------------------------------


def relay_board(received: bytes) -> bytes | None:
    """An INVENTED board: A5 order relay check → the same, echoed; check is the sum of the three before it."""
    if len(received) < 4:
        return None
    return received if sum(received[:3]) & 0xFF == received[3] else b""


def test_a_frame_is_answered_by_as_many_bytes_as_were_announced() -> None:
    async def main(link: Link) -> bytes:
        await link.write(bytes.fromhex("00 A5 01"), deadline_s=0.5)
        return await link.query(bytes.fromhex("04 02 A8"), deadline_s=0.5)

    with raw_peer(relay_board) as path:
        assert with_link(f"serial-bytes://{path}", main) == bytes.fromhex("A5 01 02 A8")


def test_too_few_bytes_are_no_reply_and_too_many_are_noticed() -> None:
    async def main(link: Link) -> None:
        with pytest.raises(LinkGarbledError, match="more than 3 bytes in reply to A5 01 02 A8"):
            await link.query(bytes.fromhex("03 A5 01 02 A8"), deadline_s=0.5)
        again = await open_link(parse_address(address), deadline_s=2.0)
        with pytest.raises(LinkTimeoutError, match="4 of 5 bytes in reply to A5 01 02 A8"):
            await again.query(bytes.fromhex("05 A5 01 02 A8"), deadline_s=SHORT_S)

    with raw_peer(relay_board) as path:
        address = f"serial-bytes://{path}"
        with_link(address, main)


@pytest.mark.parametrize(("method", "message"), [("write", "04 A0"), ("write", ""), ("query", "")])
def test_a_frame_whose_reply_length_makes_no_sense_is_not_sent(method: str, message: str) -> None:
    heard = []

    async def main(link: Link) -> None:
        with pytest.raises(LinkGarbledError):
            await getattr(link, method)(bytes.fromhex(message), deadline_s=SHORT_S)

    with raw_peer(heard.append) as path:
        with_link(f"serial-bytes://{path}", main)
    assert heard == []


def test_what_an_earlier_user_had_coming_is_waited_for_and_dropped() -> None:
    async def main(link: Link) -> bytes:
        write(b"\xa0\x01")
        await link.close()
        again = await open_link(parse_address(address), deadline_s=2.0)
        reply = await again.query(bytes.fromhex("03 52 45 0A"), deadline_s=0.5)
        await again.close()
        return reply

    with pty_peer(lambda line: line[:2] + b"!") as (path, _, write):
        address = f"serial-bytes://{path}"
        assert with_link(address, main) == b"RE!"


def test_a_trace_shows_frames_in_hexadecimal_and_text_as_text(tmp_path: Path) -> None:
    async def main(link: Link) -> None:
        await link.query(bytes.fromhex("04 A5 01 02 A8"), deadline_s=0.5)
        assert [reply for reply, _ in await link.query_all([bytes.fromhex("04 A5 01 02 A8")], deadline_s=0.5)]

    with raw_peer(relay_board) as path:
        with_link(f"trace+serial-bytes://{path}?log={tmp_path}/wire.log", main)
    rows = (tmp_path / "wire.log").read_text().splitlines()

    assert [row.split(" ", 2)[2] for row in rows] == ["> hex 04 A5 01 02 A8", "< hex A5 01 02 A8"] * 2
