"""Devices that print unasked: only the newest whole line is a reply, and its time is that of its own arrival."""

from __future__ import annotations

import asyncio
import os
import pty
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.listening import LINE_LENGTH_MAX, Lines
from chargerd.instruments.transports.memory import PEERS
from chargerd.instruments.transports.registry import open_link, parse_address
from chargerd.sim.jump_clock import JumpLoop
from tests.instruments.peers import with_link
from tests.instruments.rig import pass_time
from tests.instruments.rig import run as run_jumping
from tests.instruments.socat import line_to, needs_socat

T = TypeVar("T")
Say = Callable[[bytes], None]


@contextmanager
def tcp_printer() -> Iterator[tuple[str, Say, Callable[[], None], list[bytes]]]:
    """An address, something to print through it, something to hang up, and what was heard."""
    connected, heard = threading.Event(), list[bytes]()
    lines: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def accept() -> None:
            lines.append(listener.accept()[0])
            connected.set()
            while data := lines[0].recv(100):
                heard.append(data)

        thread = threading.Thread(target=accept, daemon=True)
        thread.start()

        def say(data: bytes) -> None:
            assert connected.wait(5)
            lines[0].sendall(data)

        yield f"tcp://127.0.0.1:{listener.getsockname()[1]}?listen=yes", say, lambda: lines[0].shutdown(socket.SHUT_WR), heard
        thread.join(5)
        for line in lines:
            line.close()


@contextmanager
def pty_printer() -> Iterator[tuple[str, Say, Callable[[], None], list[bytes]]]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    heard, is_open = list[bytes](), [True]

    def hang_up() -> None:
        is_open[0] = False
        os.close(slave)
        os.close(master)

    def say(data: bytes) -> None:
        os.write(master, data)

    try:
        yield f"serial://{os.ttyname(slave)}?listen=yes", say, hang_up, heard
    finally:
        if is_open[0]:
            os.set_blocking(master, False)
            try:
                heard.append(os.read(master, 100))
            except OSError:
                heard.append(b"")
            hang_up()


@pytest.fixture(params=[tcp_printer, pty_printer], ids=["tcp", "serial"])
def printer(request: pytest.FixtureRequest) -> Callable[[], object]:
    return request.param


async def until(link: Link, line: bytes) -> float:
    """Ask until that line is the newest; the loop's time when it came."""
    async with asyncio.timeout(5):
        while True:
            ((newest, at_s),) = await link.query_all([b""], deadline_s=3.0)
            if newest == line:
                return at_s
            await asyncio.get_running_loop().run_in_executor(None, lambda: None)


# --- what is a line ------------------------------------------------------------------------------------------------------


@given(st.lists(st.integers(0, 99), min_size=1, max_size=20), st.lists(st.integers(1, 12), min_size=1, max_size=30), st.sampled_from([b"\n", b"\r\n", b"\r"]))
def test_in_whatever_pieces_it_comes_only_whole_lines_are_taken(values: list[int], cuts: list[int], end: bytes) -> None:
    stream = b"half of a li" + b"".join(end + b"T=%d" % value for value in values)
    whole = [b"T=%d" % value for value in values[:-1]]  # the last has not ended yet
    lines, seen, position, at_s = Lines(end), list[bytes](), 0, 0.0
    while position < len(stream):
        length = cuts[int(at_s) % len(cuts)]
        if lines.feed(stream[position : position + length], at_s):
            assert lines.newest is not None
            assert lines.newest[1] == at_s
            seen.append(lines.newest[0])
        position, at_s = position + length, at_s + 1.0

    assert set(seen) <= set(whole)
    assert (lines.newest[0] if lines.newest else None) == (whole[-1] if whole else None)


def test_the_line_we_joined_in_its_middle_is_dropped_even_when_it_looks_whole() -> None:
    lines = Lines(b"\n")

    assert not lines.feed(b"3.1\n", 1.0)
    assert lines.feed(b"T=23.2\n", 2.0)
    assert lines.newest == (b"T=23.2", 2.0)


def test_the_newest_of_several_lines_counts_and_empty_ones_do_not() -> None:
    lines = Lines(b"\n")
    lines.feed(b"\nT=1\nT=2\n\n  \nT=3", 5.0)

    assert lines.newest == (b"T=2", 5.0)


@pytest.mark.parametrize("said", [b"x" * (LINE_LENGTH_MAX + 1), b"\n" + b"x" * (LINE_LENGTH_MAX + 1) + b"\n", b"\nT=2\0.1\n", b"\nT=\xb5\n",
                                  b"\nT=1\rT=2\n", b"\n\x1b[31mT=1\n"])
def test_what_no_text_line_holds_ends_the_link(said: bytes) -> None:
    with pytest.raises(LinkGarbledError):
        Lines(b"\n").feed(said, 0.0)


# --- on the wire ---------------------------------------------------------------------------------------------------------


def test_the_newest_whole_line_answers_with_the_time_of_its_own_arrival(printer) -> None:
    async def main(link: Link) -> None:
        loop = asyncio.get_running_loop()
        before_s = loop.time()
        say(b"rest\nT=23.1\nT=2")
        at_s = await until(link, b"T=23.1")
        assert before_s <= at_s <= loop.time()
        later_s = await until(link, b"T=23.1")
        assert later_s == at_s, "asking again makes a line no younger"
        say(b"3.2\n")
        assert await until(link, b"T=23.2") > at_s
        assert await link.query(b"", deadline_s=3.0) == b"T=23.2"

    with printer() as (address, say, hang_up, _):
        with_link(address, main)
        hang_up()


def test_a_line_older_than_the_deadline_is_no_reply(printer) -> None:
    async def main(link: Link) -> None:
        say(b"\nT=23.1\n")
        at_s = await until(link, b"T=23.1")
        await pass_time(0.25)
        with pytest.raises(LinkTimeoutError, match=r"no whole line within 0\.1 s"):
            await link.query(b"", deadline_s=0.1)
        assert link.dirty
        assert asyncio.get_running_loop().time() - at_s >= 0.25

    with printer() as (address, say, hang_up, _):
        with_link(address, main)
        hang_up()


def test_who_waits_is_given_the_next_line(printer) -> None:
    async def main(link: Link) -> bytes:
        asked = asyncio.ensure_future(link.query(b"", deadline_s=3.0))
        await pass_time(0.05)
        say(b"half\nT=23.4\n")
        return await asked

    with printer() as (address, say, hang_up, _):
        assert with_link(address, main) == b"T=23.4"
        hang_up()


def test_a_device_that_hangs_up_is_told_at_once(printer) -> None:
    async def main(link: Link) -> None:
        say(b"\nT=23.1\n")
        await until(link, b"T=23.1")
        hang_up()
        with pytest.raises(LinkClosedError):
            await until(link, b"never printed")
        assert link.dirty

    with printer() as (address, say, hang_up, _):
        with_link(address, main)


def test_garbage_ends_the_link(printer) -> None:
    async def main(link: Link) -> None:
        say(b"\nT=23.1\nT=\xff\xfe\n")
        with pytest.raises(LinkGarbledError):
            await until(link, b"never printed")
        assert link.dirty

    with printer() as (address, say, hang_up, _):
        with_link(address, main)
        hang_up()


def test_a_question_has_no_place_on_a_line_that_prints_but_a_command_has(printer) -> None:
    async def main(link: Link) -> None:
        await link.write(b"FEED", deadline_s=0.5)
        with pytest.raises(LinkGarbledError, match="only prints"):
            await link.query(b"T?", deadline_s=0.5)
        assert link.dirty

    with printer() as (address, _, _, heard):
        with_link(address, main)
    assert b"".join(heard) == b"FEED\n"


def test_a_port_that_is_listened_to_has_one_listener() -> None:
    async def main(link: Link) -> None:
        for options in ("?listen=yes", ""):
            with pytest.raises(LinkGarbledError, match="listener already"):
                await open_link(parse_address(address.partition("?")[0] + options), deadline_s=2.0)
        say(b"\nT=23.1\n")
        await until(link, b"T=23.1")

    with pty_printer() as (address, say, _, _):
        with_link(address, main)


def test_a_trace_of_a_listener_keeps_the_time_of_arrival(tmp_path: Path) -> None:
    async def main(link: Link) -> tuple[float, str]:
        say(b"\nT=23.1\n")
        return await until(link, b"T=23.1"), (tmp_path / "wire.log").read_text()

    with pty_printer() as (address, say, _, _):
        at_s, log = with_link(f"trace+{address}&log={tmp_path}/wire.log", main)
    assert f"{at_s:.6f} {address} < b'T=23.1'" in log


@needs_socat
@pytest.mark.peer
def test_a_shell_behind_socat_that_prints_by_itself(tmp_path: Path) -> None:
    device = tmp_path / "device.sh"
    device.write_text("n=0; while :; do n=$((n+1)); echo T=$n; sleep 0.05; done\n")

    async def main(link: Link) -> None:
        loop = asyncio.get_running_loop()
        seen: list[tuple[bytes, float]] = []
        while len({line for line, _ in seen}) < 5:
            seen += await link.query_all([b""], deadline_s=2.0)
            await pass_time(0.02)
        numbers = [int(line.removeprefix(b"T=")) for line, _ in seen]
        assert numbers == sorted(numbers)
        assert all(at_s <= loop.time() for _, at_s in seen)
        assert len({at_s for _, at_s in seen}) == len(set(numbers))

    with line_to(f"EXEC:sh {device}", tmp_path / "port"):
        with_link(f"serial://{tmp_path}/port?listen=yes", main)


# --- in memory, on a clock that jumps ------------------------------------------------------------------------------------------


def test_a_peer_in_memory_that_prints_each_second_is_heard_with_its_ages() -> None:
    said_s = [0.0]

    def peer(data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        said = []
        while said_s[0] + 1.0 <= now_s < 10.0:
            said_s[0] += 1.0
            said.append((said_s[0] - now_s, b"T=%d\n" % said_s[0]))
        return said

    async def main() -> list[tuple[bytes, float, float]]:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, JumpLoop)
        link = await open_link(parse_address("memory://printer?listen=yes"), deadline_s=1.0)
        heard = []
        for _ in range(4):
            await pass_time(1.3)
            ((line, at_s),) = await link.query_all([b""], deadline_s=2.0)
            heard.append((line, at_s, loop.time()))
        await pass_time(10.0)
        with pytest.raises(LinkTimeoutError):
            await link.query(b"", deadline_s=2.0)
        return heard

    PEERS["printer"] = peer
    try:
        heard = run_jumping(main)
    finally:
        del PEERS["printer"]
    assert [int(line.removeprefix(b"T=")) for line, _, _ in heard] == [2, 3, 4, 5]
    assert all(abs(at_s - int(line.removeprefix(b"T="))) < 1e-6 for line, at_s, _ in heard)


def test_a_peer_in_memory_that_drops_is_closed() -> None:
    def peer(data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        if now_s > 1.0:
            raise ConnectionResetError("dropped")
        return []

    async def main() -> None:
        link = await open_link(parse_address("memory://printer?listen=yes"), deadline_s=1.0)
        await pass_time(2.0)
        with pytest.raises(LinkClosedError):
            await link.query(b"", deadline_s=2.0)
        assert link.dirty

    PEERS["printer"] = peer
    try:
        run_jumping(main)
    finally:
        del PEERS["printer"]
    assert issubclass(LinkClosedError, LinkError)
