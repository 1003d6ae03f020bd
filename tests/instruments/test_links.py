"""Links on real sockets and ptys against peers that misbehave in every way a bench instrument has been seen to."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import pytest

from chargerd.errors import BenchError, LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports import registry
from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.memory import PEERS
from chargerd.instruments.transports.registry import open_link, parse_address, plain_address
from tests.instruments.peers import answering, lines, pty_peer, tcp_peer
from tests.instruments.rig import pass_time

T = TypeVar("T")
SHORT_S = 0.15


LINKS: list[Link] = []


def run(main: Callable[[], Awaitable[T]]) -> T:
    """Run, and close whatever links were left open."""

    async def body() -> T:
        try:
            return await main()
        finally:
            while LINKS:
                await LINKS.pop().close()

    return asyncio.run(body())


async def opened(address: str) -> Link:
    LINKS.append(await open_link(parse_address(address), deadline_s=2.0))
    return LINKS[-1]


def sane(line: bytes) -> bytes:
    """Answer each question with itself: an answer to another question shows at once."""
    return b"re:" + line + b"\n"


# --- TCP ---------------------------------------------------------------------------------------------------------------


def test_a_tcp_link_answers_each_question_with_its_own_reply() -> None:
    async def main() -> list[bytes]:
        link = await opened(address)
        replies = [await link.query(b"Q%d?" % number, deadline_s=1.0) for number in range(50)]
        await link.close()
        return replies

    with tcp_peer(answering(sane)) as address:
        replies = run(main)

    assert replies == [b"re:Q%d?" % number for number in range(50)]


def test_a_refused_port_is_told_at_opening() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]

    with pytest.raises(LinkClosedError, match="cannot connect"):
        run(lambda: opened(f"tcp://127.0.0.1:{port}"))


def test_a_mute_peer_costs_the_deadline_and_no_more() -> None:
    async def main() -> float:
        link = await opened(address)
        began_s = time.monotonic()
        with pytest.raises(LinkTimeoutError, match="MEAS:VOLT"):
            await link.query(b"MEAS:VOLT?", deadline_s=SHORT_S)
        assert link.dirty
        return time.monotonic() - began_s

    with tcp_peer(answering(lambda _: b"")) as address:
        took_s = run(main)

    assert SHORT_S <= took_s < SHORT_S + 0.3


def test_a_late_reply_never_answers_the_next_question() -> None:
    held = threading.Event()

    def serve(connection: socket.socket, stop: threading.Event) -> None:
        for line in lines(connection, stop):
            if line == b"SLOW?":
                held.wait(5)
            connection.sendall(sane(line))

    async def main() -> bytes:
        link = await opened(address)
        with pytest.raises(LinkTimeoutError):
            await link.query(b"SLOW?", deadline_s=SHORT_S)
        held.set()
        with pytest.raises(LinkClosedError):
            await link.query(b"NEXT?", deadline_s=1.0)
        again = await opened(address)
        return await again.query(b"NEXT?", deadline_s=1.0)

    with tcp_peer(serve) as address:
        assert run(main) == b"re:NEXT?"


def test_half_a_reply_is_no_reply() -> None:
    async def main() -> None:
        link = await opened(address)
        with pytest.raises(LinkTimeoutError):
            await link.query(b"Q?", deadline_s=SHORT_S)
        assert link.dirty

    with tcp_peer(answering(lambda _: b"1.7")) as address:
        run(main)


@pytest.mark.parametrize("said", [b"", b"1.7"])
def test_a_peer_that_closes_is_told_at_once(said: bytes) -> None:
    def serve(connection: socket.socket, stop: threading.Event) -> None:
        next(lines(connection, stop))
        connection.sendall(said)

    async def main() -> tuple[float, float]:
        link = await opened(address)
        began_s, cpu_s = time.monotonic(), time.process_time()
        with pytest.raises(LinkClosedError):
            await link.query(b"Q?", deadline_s=5.0)
        assert link.dirty
        return time.monotonic() - began_s, time.process_time() - cpu_s

    with tcp_peer(serve) as address:
        took_s, cpu_s = run(main)

    assert took_s < 1.0
    assert cpu_s < 0.5


async def many(times: int, work: Callable[[], Awaitable[object]]) -> None:
    for _ in range(times):
        await work()


@pytest.mark.parametrize("deadline_s", [SHORT_S])
def test_a_peer_that_never_reads_does_not_block_a_write(deadline_s: float) -> None:
    async def main() -> float:
        link = await opened(address)
        began_s = time.monotonic()
        with pytest.raises(LinkTimeoutError):
            await many(2000, lambda: link.write(b"X" * 60000, deadline_s=deadline_s))
        assert link.dirty
        return time.monotonic() - began_s

    with tcp_peer(lambda _, stop: stop.wait(20) and None) as address:
        assert run(main) < 5.0


def test_five_megabytes_without_an_end_are_refused_early() -> None:
    def serve(connection: socket.socket, stop: threading.Event) -> None:
        next(lines(connection, stop))
        connection.settimeout(2)
        connection.sendall(b"9" * 5_000_000)

    async def main() -> float:
        link = await opened(address)
        began_s = time.monotonic()
        with pytest.raises(LinkGarbledError, match="no end"):
            await link.query(b"Q?", deadline_s=5.0)
        assert link.dirty
        return time.monotonic() - began_s

    with tcp_peer(serve) as address:
        assert run(main) < 1.0


@pytest.mark.parametrize("said", [b"1.75\n1.75\n", b"1.75\n0", b"1.75\r\n\r\n"])
def test_more_than_one_reply_ends_the_link(said: bytes) -> None:
    async def main() -> None:
        link = await opened(address)
        with pytest.raises(LinkGarbledError, match="more than one reply"):
            await link.query(b"Q?", deadline_s=1.0)
        assert link.dirty

    with tcp_peer(answering(lambda _: said)) as address:
        run(main)


def test_bytes_nobody_asked_for_end_the_link() -> None:
    go = threading.Event()

    def serve(connection: socket.socket, stop: threading.Event) -> None:
        connection.sendall(sane(next(lines(connection, stop))))
        go.wait(5)
        connection.sendall(b"hello\n")
        stop.wait(5)

    async def main() -> None:
        link = await opened(address)
        assert await link.query(b"Q?", deadline_s=1.0) == b"re:Q?"
        go.set()
        loop = asyncio.get_running_loop()
        dirty = loop.create_future()

        def look() -> None:
            if link.dirty and not dirty.done():
                dirty.set_result(None)
            elif not dirty.done():
                loop.call_later(0.005, look)

        look()
        await asyncio.wait_for(dirty, 5.0)
        with pytest.raises(LinkGarbledError, match="nobody asked for"):
            await link.query(b"Q?", deadline_s=1.0)
        with pytest.raises(LinkClosedError):
            await link.query(b"Q?", deadline_s=1.0)

    with tcp_peer(serve) as address:
        run(main)


def test_a_cancelled_question_ends_the_link() -> None:
    async def main() -> None:
        link = await opened(address)
        task = asyncio.ensure_future(link.query(b"Q?", deadline_s=5.0))
        await pass_time(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert link.dirty

    with tcp_peer(answering(lambda _: b"")) as address:
        run(main)


def test_an_urgent_message_goes_before_those_that_wait() -> None:
    heard: list[bytes] = []
    go = threading.Event()

    def serve(connection: socket.socket, stop: threading.Event) -> None:
        for line in lines(connection, stop):
            heard.append(line)
            if line == b"FIRST?":
                go.wait(5)
            connection.sendall(sane(line))

    async def main() -> None:
        link = await opened(address)
        first = asyncio.ensure_future(link.query(b"FIRST?", deadline_s=5.0))
        await pass_time(0)
        rest = [asyncio.ensure_future(link.query(b"POLL?", deadline_s=5.0)) for _ in range(20)]
        await pass_time(0)
        off = asyncio.ensure_future(link.query(b"OFF?", deadline_s=5.0, urgent=True))
        await pass_time(0)
        go.set()
        assert await asyncio.gather(first, off, *rest) == [b"re:FIRST?", b"re:OFF?", *[b"re:POLL?"] * 20]

    with tcp_peer(serve) as address:
        run(main)

    assert heard[:3] == [b"FIRST?", b"OFF?", b"POLL?"]


def test_a_question_that_gave_up_waiting_passes_its_turn_on() -> None:
    async def main() -> None:
        link = await opened(address)
        slow = asyncio.ensure_future(link.query(b"SLOW?", deadline_s=5.0))
        await pass_time(0)
        with pytest.raises(LinkTimeoutError):
            await link.query(b"IMPATIENT?", deadline_s=0.02)
        go.set()
        assert await slow == b"re:SLOW?"
        assert await link.query(b"NEXT?", deadline_s=1.0) == b"re:NEXT?"

    go = threading.Event()

    def serve(connection: socket.socket, stop: threading.Event) -> None:
        for line in lines(connection, stop):
            go.wait(5)
            connection.sendall(sane(line))

    with tcp_peer(serve) as address:
        run(main)


@pytest.mark.parametrize("seed", range(12))
def test_any_bytes_in_any_pieces_end_in_a_reply_or_an_error(seed: int) -> None:
    import random

    chance = random.Random(seed)
    noise = [bytes(chance.choice(b"019.+-E\n\r;,\x00\xff") for _ in range(chance.randrange(1, 30))) for _ in range(6)]

    def serve(connection: socket.socket, stop: threading.Event) -> None:
        for _ in lines(connection, stop):
            for piece in noise:
                connection.sendall(piece)

    async def main() -> bytes | None:
        link = await opened(address)
        try:
            reply = await link.query(b"Q?", deadline_s=SHORT_S)
        except LinkError:
            assert link.dirty
            return None
        return reply

    with tcp_peer(serve) as address:
        reply = run(main)

    assert reply is None or b"".join(noise).startswith(reply)


# --- in memory -----------------------------------------------------------------------------------------------------------


@contextmanager
def memory_peer(answer: Callable[[bytes, float], list[tuple[float, bytes]]]) -> Iterator[str]:
    name = f"peer-{id(answer)}"
    PEERS[name] = lambda data, now_s: answer(data, now_s) if data else []  # it says nothing unasked
    try:
        yield f"memory://{name}"
    finally:
        del PEERS[name]


def run_jumping(main: Callable[[], Awaitable[T]]) -> T:
    from tests.instruments.rig import run as run_on_jump_loop

    return run_on_jump_loop(main)


def test_a_memory_link_answers_without_a_turn_of_the_loop() -> None:
    async def main() -> None:
        link = await opened(address)
        turns = 0

        def turn() -> None:
            nonlocal turns
            turns += 1

        asyncio.get_running_loop().call_soon(turn)
        replies = [await link.query(b"Q?", deadline_s=1.0) for _ in range(100)]
        assert turns == 0
        assert replies == [b"re:Q?"] * 100

    with memory_peer(lambda data, _: [(0.0, sane(data.rstrip()))]) as address:
        run_jumping(main)


def test_a_memory_reply_in_pieces_and_with_delays_is_put_together_in_time() -> None:
    async def main() -> None:
        link = await opened(address)
        assert await link.query(b"Q?", deadline_s=1.0) == b"1.75"
        assert asyncio.get_running_loop().time() == pytest.approx(0.3)

    with memory_peer(lambda *_: [(0.3, b"75\n"), (0.1, b"1."), (0.0, b"")]) as address:
        run_jumping(main)


def test_a_memory_reply_after_the_deadline_makes_the_link_dirty() -> None:
    async def main() -> None:
        link = await opened(address)
        with pytest.raises(LinkTimeoutError):
            await link.query(b"Q?", deadline_s=0.5)
        assert asyncio.get_running_loop().time() == pytest.approx(0.5)
        assert link.dirty
        await pass_time(1.0)
        with pytest.raises(LinkClosedError):
            await link.query(b"NEXT?", deadline_s=0.5)

    with memory_peer(lambda *_: [(0.7, b"late\n")]) as address:
        run_jumping(main)


@pytest.mark.parametrize("pieces", [[(0.0, b"1\n1\n")], [(0.0, b"1\n"), (0.0, b"1\n")]])
def test_a_doubled_memory_reply_is_never_taken_for_the_next_answer(pieces: list[tuple[float, bytes]]) -> None:
    async def main() -> None:
        link = await opened(address)
        replies: list[bytes] = []

        async def ask() -> None:
            replies.append(await link.query(b"Q%d?" % len(replies), deadline_s=0.5))

        with pytest.raises(LinkGarbledError):
            await many(3, ask)
        assert link.dirty
        assert replies in ([], [b"1"])

    with memory_peer(lambda *_: pieces) as address:
        run_jumping(main)


def test_a_memory_peer_that_drops_is_closed() -> None:
    def drop(_data: bytes, _now_s: float) -> list[tuple[float, bytes]]:
        raise ConnectionResetError

    async def main() -> None:
        link = await opened(address)
        with pytest.raises(LinkClosedError):
            await link.query(b"Q?", deadline_s=0.5)
        assert link.dirty

    with memory_peer(drop) as address:
        run_jumping(main)
    with pytest.raises(LinkClosedError, match="nobody of that name"):
        run_jumping(main)


def test_endless_memory_bytes_are_refused() -> None:
    async def main() -> None:
        link = await opened(address)
        with pytest.raises(LinkGarbledError, match="no end"):
            await link.query(b"Q?", deadline_s=0.5)

    with memory_peer(lambda *_: [(0.0, b"9" * 70000)]) as address:
        run_jumping(main)


# --- serial lines and VISA -----------------------------------------------------------------------------------------------


@pytest.fixture(params=["serial", "visa"])
def scheme(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def line_address(scheme: str, path: str) -> str:
    return f"serial://{path}?baud=115200" if scheme == "serial" else f"visa://ASRL{path}::INSTR?baud=115200"


def test_a_line_answers_each_question_with_its_own_reply(scheme: str) -> None:
    async def main() -> list[bytes]:
        link = await opened(line_address(scheme, path))
        await link.write(b"NOTHING", deadline_s=0.5)
        replies = [await link.query(b"Q%d?" % number, deadline_s=0.5) for number in range(20)]
        await link.close()
        return replies

    with pty_peer(lambda line: b"" if line == b"NOTHING" else sane(line)) as (path, _, _):
        assert run(main) == [b"re:Q%d?" % number for number in range(20)]


def test_a_mute_line_costs_the_deadline_and_the_late_reply_is_lost(scheme: str) -> None:
    async def main() -> bytes:
        link = await opened(line_address(scheme, path))
        with pytest.raises(LinkTimeoutError):
            await link.query(b"SLOW?", deadline_s=SHORT_S)
        assert link.dirty
        with pytest.raises(LinkClosedError):
            await link.query(b"NEXT?", deadline_s=SHORT_S)
        write(b"re:SLOW?\n")
        again = await opened(line_address(scheme, path))
        reply = await again.query(b"NEXT?", deadline_s=0.5)
        await again.close()
        return reply

    with pty_peer(lambda line: b"" if line == b"SLOW?" else sane(line)) as (path, _, write):
        assert run(main) == b"re:NEXT?"


def test_unasked_bytes_on_a_line_end_the_link(scheme: str) -> None:
    async def main() -> None:
        link = await opened(line_address(scheme, path))
        assert await link.query(b"Q?", deadline_s=0.5) == b"re:Q?"
        write(b"hello\n")
        with pytest.raises(LinkGarbledError):
            await link.query(b"Q?", deadline_s=0.5)
        assert link.dirty

    with pty_peer(sane) as (path, _, write):
        run(main)


def test_a_line_that_hangs_up_is_closed(scheme: str) -> None:
    async def main() -> None:
        link = await opened(line_address(scheme, path))
        assert await link.query(b"Q?", deadline_s=0.5) == b"re:Q?"
        hang_up()
        with pytest.raises((LinkClosedError, LinkTimeoutError)):
            await link.query(b"Q?", deadline_s=0.5)
        assert link.dirty

    with pty_peer(sane) as (path, hang_up, _):
        run(main)


def test_a_missing_port_is_told_at_opening(scheme: str) -> None:
    with pytest.raises(LinkClosedError):
        run(lambda: opened(line_address(scheme, "/dev/no-such-port")))


def test_a_port_held_by_another_is_refused() -> None:
    import serial

    async def main() -> None:
        with pytest.raises(LinkClosedError):
            await opened(line_address("serial", path))

    with pty_peer(sane) as (path, _, _), serial.Serial(path, exclusive=True):
        run(main)


def test_two_links_share_one_serial_port_and_its_failure() -> None:
    async def main() -> None:
        first, second = await opened(line_address("serial", path)), await opened(line_address("serial", path))
        replies = await asyncio.gather(*(link.query(b"Q%d?" % n, deadline_s=1.0) for n, link in enumerate([first, second] * 10)))
        assert replies == [b"re:Q%d?" % n for n in range(20)]
        with pytest.raises(LinkTimeoutError):
            await first.query(b"MUTE?", deadline_s=SHORT_S)
        assert second.dirty
        await opened(line_address("serial", path))
        with pytest.raises(LinkGarbledError, match="baud"):
            await opened(f"serial://{path}?baud=9600")

    with pty_peer(lambda line: b"" if line == b"MUTE?" else sane(line)) as (path, _, _):
        run(main)


def test_a_line_works_on_a_jumping_clock_when_calls_are_counted(scheme: str) -> None:
    from chargerd.sim.jump_clock import JumpLoop

    async def main() -> int:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, JumpLoop)
        link = await open_link(parse_address(line_address(scheme, path)), deadline_s=2.0, in_flight=loop.in_flight)
        good = 0
        for _ in range(200):
            await pass_time(5.0)
            good += await link.query(b"Q?", deadline_s=0.5) == b"re:Q?"
        await link.close()
        return good

    with pty_peer(sane) as (path, _, _):
        assert run_jumping(main) == 200


SIM_YAML = """
spec: "1.1"
devices:
  device 1:
    eom:
      ASRL INSTR:
        q: "\\n"
        r: "\\n"
    error: ERROR
    dialogues:
      - q: "*IDN?"
        r: "Boathouse,Source 3A,SN1,1.0"
    properties:
      voltage:
        default: 1.0
        getter:
          q: "VOLT?"
          r: "{:.3f}"
        setter:
          q: "VOLT {:.3f}"
        specs:
          type: float
resources:
  ASRL1::INSTR:
    device: device 1
"""


def test_a_visa_library_can_be_named_with_its_file(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text(SIM_YAML)

    async def main() -> list[bytes]:
        link = await opened(f"visa://ASRL1::INSTR?library={tmp_path}/bench.yaml@sim")
        replies = [await link.query(b"*IDN?", deadline_s=0.5)]
        await link.write(b"VOLT 1.850", deadline_s=0.5)
        await link.query(b"VOLT?", deadline_s=0.5)
        replies.append(await link.query(b"VOLT?", deadline_s=0.5))
        await link.close()
        return replies

    assert run(main) == [b"Boathouse,Source 3A,SN1,1.0", b"1.850"]


# --- tracing and the registry --------------------------------------------------------------------------------------------


def test_a_trace_holds_every_message_and_failure(tmp_path: Path) -> None:
    log = tmp_path / "wire.log"

    async def main() -> None:
        link = await opened(f"trace+{address}?log={log}")
        await link.write(b"VOLT 1.85", deadline_s=0.5)
        assert await link.query(b"Q?", deadline_s=0.5) == b"re:Q?"
        with pytest.raises(LinkTimeoutError):
            await link.query(b"MUTE?", deadline_s=SHORT_S)
        assert link.dirty
        await link.close()

    with tcp_peer(answering(lambda line: sane(line) if line == b"Q?" else b"")) as address:
        run(main)

    marks = [line.split(" ", 3)[2:] for line in log.read_text().splitlines()]
    assert marks[:4] == [[">", "b'VOLT 1.85'"], [">", "b'Q?'"], ["<", "b're:Q?'"], [">", "b'MUTE?'"]]
    assert marks[4][0] == "!"


def test_a_trace_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with tcp_peer(answering(sane)) as address, pytest.raises(LinkError, match="written down"):
        run(lambda: opened(f"trace+{address}?log={tmp_path}/no/such/folder/wire.log"))


@pytest.mark.parametrize(("text", "scheme", "target"), [
    ("tcp://192.168.1.20:5025", "tcp", "192.168.1.20:5025"),
    ("tcp://[::1]:5025", "tcp", "[::1]:5025"),
    ("TCPIP::192.168.1.20::5025::SOCKET", "tcp", "192.168.1.20:5025"),
    ("TCPIP0::bench.local::5025::SOCKET", "tcp", "bench.local:5025"),
    ("visa://TCPIP::192.168.1.20::5025::SOCKET", "tcp", "192.168.1.20:5025"),
    ("visa+ivi://TCPIP::192.168.1.20::5025::SOCKET", "visa", "TCPIP::192.168.1.20::5025::SOCKET"),
    ("TCPIP::192.168.1.20::INSTR", "visa", "TCPIP::192.168.1.20::INSTR"),
    ("ASRL/dev/ttyUSB0::INSTR", "visa", "ASRL/dev/ttyUSB0::INSTR"),
    ("serial:///dev/ttyUSB0?baud=9600&eol=crlf", "serial", "/dev/ttyUSB0"),
    ("memory://supply", "memory", "supply"),
    ("trace+tcp://h:1", "trace", "tcp://h:1"),
    ("trace+serial:///dev/ttyS0?baud=9600&log=x.log&eol=cr", "trace", "serial:///dev/ttyS0?baud=9600&eol=cr"),
])
def test_addresses_are_read(text: str, scheme: str, target: str) -> None:
    address = parse_address(text)

    assert (address.scheme, address.target) == (scheme, target)
    assert plain_address(address).scheme != "trace"


def test_an_address_says_its_line_end() -> None:
    assert parse_address("serial:///dev/ttyS0?eol=crlf").terminator == b"\r\n"
    assert parse_address("tcp://h:1").terminator == b"\n"


@pytest.mark.parametrize(("text", "remedy"), [
    ("", "tcp://host:port"), ("supply", "tcp://host:port"), ("tcp://host", "tcp://host:port"), ("tcp://host:0", "tcp://host:port"),
    ("tcp://host:99999", "tcp://host:port"), ("tcp://ho st:1", "tcp://host:port"), ("udp://host:1", "there are"),
    ("tcp://h:1?baud=9600", "has no option"), ("serial:///dev/ttyS0?eol=lfcr", "eol is one of"),
    ("serial:///dev/ttyS0?baud=fast", "baud is a whole number"), ("trace+udp://h:1", "there are"), ("trace://tcp://h:1", "there are"),
])
def test_a_wrong_address_says_what_to_write(text: str, remedy: str) -> None:
    with pytest.raises(BenchError, match=remedy):
        parse_address(text)


def test_a_missing_library_is_listed_with_its_reason_and_raised_only_when_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(registry.TRANSPORTS, "visa", "chargerd.instruments.transports.no_such_module:open_link")

    assert "no_such_module" in registry.missing_libraries()["visa"]
    assert "tcp" not in registry.missing_libraries()
    assert parse_address("visa://ASRL1::INSTR").scheme == "visa"
    with pytest.raises(LinkError, match="not installed"):
        run(lambda: opened("visa://ASRL1::INSTR"))


def test_an_urgent_call_goes_before_those_that_wait_for_a_worker() -> None:
    heard: list[bytes] = []
    go = threading.Event()

    def replies(line: bytes) -> bytes:
        heard.append(line)
        if line == b"FIRST?":
            go.wait(5)
        return sane(line)

    async def main() -> None:
        link = await opened(line_address("serial", path))
        first = asyncio.ensure_future(link.query(b"FIRST?", deadline_s=0.5))
        await pass_time(0)
        rest = [asyncio.ensure_future(link.query(b"POLL?", deadline_s=5.0)) for _ in range(20)]
        await pass_time(0)
        off = asyncio.ensure_future(link.query(b"OFF?", deadline_s=5.0, urgent=True))
        await pass_time(0)
        go.set()
        await asyncio.gather(first, off, *rest)
        await link.close()

    with pty_peer(replies) as (path, _, _):
        run(main)

    assert heard.index(b"OFF?") <= 2
    assert heard.count(b"POLL?") == 20
