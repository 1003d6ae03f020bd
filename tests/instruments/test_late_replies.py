"""A device that answers late, on real ptys: no reply is ever taken for the answer to another question.

Time-outs of the links are 0.1 s here; by how much a reply is late is chosen around one and two of them.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import threading
import time
import tty
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field

import pytest

from chargerd.config.safety_time import OFF_QUESTIONS, OFF_TRIES
from chargerd.errors import InstrumentError, LinkError, LinkTimeoutError
from chargerd.instruments.connection import Connection, WrongIdentityError
from chargerd.instruments.framing import line, modbus
from chargerd.instruments.framing.modbus_frame import crc16, passes_for, read_request, rtu_frame, write_register_request
from chargerd.instruments.framing.spoken import Question
from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.registry import open_link, parse_address
from chargerd.instruments.transports.unanswered import Unanswered
from tests.instruments.rig import pass_time

TIMEOUT_S = 0.1
IDENTITY, VOLTAGE, CURRENT = read_request(3, 0, 2), read_request(3, 10, 2), read_request(3, 12, 2)
OUTPUT, OFF = read_request(3, 20), write_register_request(20, 0)
REGISTERS = {0: (4417, 103), 10: (0, 1850), 12: (0, 150), 20: (1,)}
"""By address: an invented module whose identity, voltage and current all are two registers, so that their replies look alike."""


@dataclass
class Late:
    """What a device heard and when (monotonic), and how late each of its next replies is; they come in the order of asking."""

    delays_s: list[float] = field(default_factory=list)
    heard: list[tuple[float, bytes]] = field(default_factory=list)
    said: list[float] = field(default_factory=list)

    def delay_s(self) -> float:
        return self.delays_s.pop(0) if self.delays_s else 0.0


@contextlib.contextmanager
def device(whole: Callable[[bytes], int], reply: Callable[[bytes], bytes], late: Late) -> Iterator[str]:
    """A pty whose other end answers each message, of which `whole` says how long the first one in a buffer is (0: not whole)."""
    master, slave = os.openpty()
    tty.setraw(slave)
    stop = threading.Event()

    def work() -> None:
        buffer = b""
        due: list[tuple[float, bytes]] = []
        while not stop.is_set():
            if select.select([master], [], [], 0.002)[0]:
                buffer += os.read(master, 4096)
            while length := whole(buffer):
                message, buffer = buffer[:length], buffer[length:]
                late.heard.append((time.monotonic(), message))
                answer = reply(message)
                if answer:
                    due.append((max([time.monotonic() + late.delay_s(), *(at_s for at_s, _ in due)]), answer))
            while due and due[0][0] <= time.monotonic():
                late.said.append(time.monotonic())
                os.write(master, due.pop(0)[1])

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        stop.set()
        thread.join(5)
        os.close(master)
        os.close(slave)


def module(frame: bytes) -> bytes:
    """Answer a request as the invented module does; a writing is done and repeated."""
    assert crc16(frame) == 0
    address = int.from_bytes(frame[2:4], "big")
    if frame[1] == 6:
        return frame
    registers = REGISTERS[address][: int.from_bytes(frame[4:6], "big")]
    content = b"".join(register.to_bytes(2, "big") for register in registers)
    return rtu_frame(1, bytes((3, len(content))) + content)


def rtu_device(late: Late) -> contextlib.AbstractContextManager[str]:
    return device(lambda buffer: 8 * (len(buffer) >= 8), module, late)


def row(name: str, ask: str, kind: str = "number") -> Question:
    return modbus.question(name, {"ask": ask} | ({"type": "uint32", "scale": "0.001"} if kind == "number" else {}), kind)


ROWS = {"identity": row("identity", "holding 0-1", "identity"), "voltage": row("voltage", "holding 10"), "current": row("current", "holding 12")}


def connected(path: str) -> Connection:
    return Connection("supply", f"modbus-rtu://{path}?unit=1", "4417,103", timeout_s=TIMEOUT_S, asked_by=ROWS["identity"])


def run(main: Callable[[], Awaitable[object]]) -> object:
    async def body() -> object:
        return await main()

    return asyncio.run(body())


# --- Modbus on a serial line -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("late_s", [0.11, 0.13, 0.15, 0.17, 0.19, 0.22, 0.26, 0.3, 0.35])
def test_a_late_voltage_is_never_the_current_though_both_and_the_identity_are_two_registers(late_s: float) -> None:
    """One reply is late; whenever it comes, what is asked next gets its own value or none, and soon its own."""
    late = Late()

    async def main() -> list[object]:
        supply = connected(path)
        await supply.reopen()
        late.delays_s = [late_s]
        with pytest.raises(LinkTimeoutError):
            await supply.ask(ROWS["voltage"], float)
        read: list[object] = []
        for _ in range(6):
            for name in ("current", "voltage"):
                try:
                    await supply.ensure()
                    read.append((name, await supply.ask(ROWS[name], float)))
                except LinkError:
                    read.append(None)
        await supply.close()
        return read

    with rtu_device(late) as path:
        read = run(main)
    assert set(read) <= {None, ("current", 0.15), ("voltage", 1.85)}
    assert read[-2:] == [("current", 0.15), ("voltage", 1.85)]


def test_after_a_time_out_the_bus_is_silent_for_another_before_what_a_late_reply_could_pass_for() -> None:
    late = Late()

    async def main() -> float:
        supply = connected(path)
        await supply.reopen()
        late.delays_s = [0.14]
        with pytest.raises(LinkTimeoutError):
            await supply.ask(ROWS["voltage"], float)
        await supply.reopen()
        assert await supply.ask(ROWS["current"], float) == 0.15
        await supply.close()
        return late.heard[-2][0] - late.heard[-3][0]

    with rtu_device(late) as path:
        waited_s = run(main)
    assert [frame[1:6] for _, frame in late.heard] == [IDENTITY, VOLTAGE, IDENTITY, CURRENT]
    assert late.said[1] < late.heard[-2][0]
    assert 1.7 * TIMEOUT_S < waited_s < (1 + OFF_TRIES * OFF_QUESTIONS) * TIMEOUT_S  # with the failed question, within off's budget


def test_off_waits_for_nothing_when_no_late_reply_can_pass_for_the_identity() -> None:
    """The state is one register, the identity two: the identity is asked at once, and off is written behind it."""
    late = Late()

    async def main() -> float:
        link = await opened(path)
        late.delays_s = [5.0]
        with pytest.raises(LinkTimeoutError):
            await link.query(OUTPUT, deadline_s=TIMEOUT_S)
        failed_s = time.monotonic()
        late.delays_s = []
        again = await opened(path)
        with contextlib.suppress(LinkError):
            await again.query(IDENTITY, deadline_s=TIMEOUT_S)
        await again.close()
        return late.heard[-1][0] - failed_s

    with rtu_device(late) as path:
        waited_s = run(main)
    assert [frame[1:6] for _, frame in late.heard] == [OUTPUT, IDENTITY]
    assert waited_s < TIMEOUT_S


def test_an_identity_asked_again_does_not_wait_and_off_behind_it_ends_all_doubt() -> None:
    """The first answer to the identity is late: a second one is asked at once, off is written, and the state is read."""
    late = Late()

    async def main() -> tuple[float, list[bytes]]:
        link = await opened(path)
        late.delays_s = [0.12]
        with pytest.raises(LinkTimeoutError):
            await link.query(IDENTITY, deadline_s=TIMEOUT_S)
        again = await opened(path)
        started_s = time.monotonic()
        replies = [await again.query(IDENTITY, deadline_s=TIMEOUT_S)]
        for request in (OFF, OUTPUT):
            with contextlib.suppress(LinkError):
                replies.append(await again.query(request, deadline_s=TIMEOUT_S))
        await again.close()
        return late.heard[2][0] - started_s, replies

    with rtu_device(late) as path:
        waited_s, replies = run(main)  # type: ignore[misc]
    assert [frame[1:6] for _, frame in late.heard][:3] == [IDENTITY, IDENTITY, OFF]
    assert waited_s < TIMEOUT_S
    assert replies[:1] == [module(rtu_frame(1, IDENTITY))[1:-2]]
    assert set(replies[1:]) <= {OFF, module(rtu_frame(1, OUTPUT))[1:-2]}


def test_what_waits_behind_a_question_that_fails_is_not_asked_but_off_is_written() -> None:
    """All three are in the queue before the first one fails; the current's reply would be the late voltage."""
    late = Late()

    async def main() -> list[object]:
        link = await opened(path)
        late.delays_s = [0.11]
        voltage = asyncio.ensure_future(link.query(VOLTAGE, deadline_s=TIMEOUT_S))
        while not late.heard:
            await pass_time(0.001)
        return await asyncio.gather(
            voltage, link.query(CURRENT, deadline_s=3 * TIMEOUT_S), link.query(OFF, deadline_s=3 * TIMEOUT_S, urgent=True),
            return_exceptions=True,
        )

    with rtu_device(late) as path:
        told = run(main)
    assert [frame[1:6] for _, frame in late.heard] == [VOLTAGE, OFF]
    assert all(isinstance(one, LinkError) for one in told[:2])  # type: ignore[index]


def test_switching_off_one_unit_goes_in_between_while_another_waits_for_silence() -> None:
    late = Late()

    async def main() -> list[bytes]:
        with pytest.raises(LinkTimeoutError):
            await (await opened(path)).query(VOLTAGE, deadline_s=0.5)
        one, two = await opened(path), await opened(path)
        waiting = asyncio.ensure_future(one.query(CURRENT, deadline_s=0.5))
        await two.query(OFF, deadline_s=0.5, urgent=True)
        off_s = time.monotonic()
        reply = await waiting
        assert late.heard[-1][0] > off_s
        await one.close()
        await two.close()
        return [reply]

    late.delays_s = [0.55]
    with rtu_device(late) as path:
        assert run(main) == [module(rtu_frame(1, CURRENT))[1:-2]]
    assert [frame[1:6] for _, frame in late.heard] == [VOLTAGE, OFF, CURRENT]


async def opened(path: str) -> Link:
    return await open_link(parse_address(f"modbus-rtu://{path}?unit=1"), deadline_s=2.0)


def test_a_late_reply_to_another_question_is_not_another_instrument() -> None:
    """It comes after all waiting: the identity is asked once more, for nothing would be switched off behind a wrong one."""
    late = Late()

    async def main() -> list[object]:
        supply = connected(path)
        await supply.reopen()
        late.delays_s = [0.23, 0.09]
        with pytest.raises(LinkTimeoutError):
            await supply.ask(ROWS["voltage"], float)
        read: list[object] = [await supply.reopen()]
        read.append(await supply.ask(ROWS["current"], float))
        await supply.close()
        return read

    with rtu_device(late) as path:
        assert run(main) == ["4417,103", 0.15]


def test_which_replies_look_alike() -> None:
    assert passes_for(VOLTAGE, CURRENT)
    assert passes_for(read_request(1, 0, 3), read_request(1, 8, 8))
    assert not passes_for(OUTPUT, CURRENT)
    assert not passes_for(read_request(4, 10, 2), CURRENT)
    assert not passes_for(OFF, OFF)


def test_the_book_of_the_unanswered_waits_once_before_and_once_behind_a_reply_that_could_be_a_late_one() -> None:
    book = Unanswered()
    book.failed(1, VOLTAGE, 10.0)
    assert book.left_s(2, CURRENT, passes_for, 9.0) == book.left_s(1, OUTPUT, passes_for, 9.0) == book.left_s(1, VOLTAGE, passes_for, 9.0) == 0.0
    assert book.left_s(1, CURRENT, passes_for, 9.0) == 1.0

    assert book.left_s(1, CURRENT, passes_for, 10.0) == 0.0
    book.answered(1, CURRENT, 11.0)
    assert book.left_s(1, IDENTITY, passes_for, 10.5) == 0.5
    assert book.left_s(1, IDENTITY, passes_for, 11.0) == 0.0
    book.answered(1, IDENTITY, 12.0)
    assert book.left_s(1, CURRENT, passes_for, 11.1) == 0.0

    book.failed(1, VOLTAGE, 20.0)
    book.answered(1, OFF, 20.0)
    assert not book

    book.failed(1, VOLTAGE, 30.0)
    assert book.left_s(1, CURRENT, passes_for, 40.5) == 0.0
    assert not book


# --- lines of text and bytes ---------------------------------------------------------------------------------------------------


SAID = {b"who\n": b"id=Boathouse lamp 3\n", b"V\n": b"V=1.850\n", b"I\n": b"V=0.150\n"}
"""An invented device whose voltage and current look alike."""
LINES = {"V": line.question("voltage", {"ask": "V", "reply": "V={number}"}, "number"), "I": line.question("current", {"ask": "I", "reply": "V={number}"}, "number")}


@pytest.mark.parametrize("identity", ["id={text}", "{text}"])
@pytest.mark.parametrize("late_s", [0.105, 0.12, 0.15, 0.2, 0.25, 0.3])
def test_a_late_line_is_never_the_answer_to_another_question(identity: str, late_s: float) -> None:
    """The identity comes between: a device answers in the order in which it is asked. As a bare text it could be anything."""
    late = Late()
    who = line.question("identity", {"ask": "who", "reply": identity}, "identity")

    async def main() -> list[object]:
        name = "Boathouse lamp 3" if identity.startswith("id=") else "id=Boathouse lamp 3"
        lamp = Connection("lamp", f"serial://{path}", name, timeout_s=TIMEOUT_S, asked_by=who)
        await lamp.reopen()
        late.delays_s = [late_s]
        read: list[object] = []
        for name in ("V", "I", "I", "V", "I", "V"):
            try:
                await lamp.ensure()
                read.append((name, await lamp.ask(LINES[name], float)))
            except WrongIdentityError as wrong:
                raise AssertionError("a late reply is taken for another instrument") from wrong
            except (LinkError, InstrumentError):
                read.append(None)
        await lamp.close()
        return read

    with device(lambda buffer: buffer.find(b"\n") + 1, SAID.__getitem__, late) as path:
        read = run(main)
    assert set(read) <= {None, ("V", 1.85), ("I", 0.15)}
    assert read[-2:] == [("I", 0.15), ("V", 1.85)]


def test_another_instrument_is_still_another_one_after_a_failure() -> None:
    late = Late()
    who = line.question("identity", {"ask": "who", "reply": "id={text}"}, "identity")

    async def main() -> None:
        lamp = Connection("lamp", f"serial://{path}", "Boathouse lamp 4", timeout_s=TIMEOUT_S, asked_by=who)
        late.delays_s = [0.12]
        with pytest.raises(LinkTimeoutError):
            await lamp.reopen()
        for _ in range(5):
            with contextlib.suppress(LinkError):  # the late reply and its own may come together
                await lamp.reopen()

    with pytest.raises(WrongIdentityError), device(lambda buffer: buffer.find(b"\n") + 1, SAID.__getitem__, late) as path:
        run(main)
    assert {message for _, message in late.heard} == {b"who\n"}


@pytest.mark.parametrize("late_s", [0.11, 0.15, 0.19])
def test_a_late_frame_of_bytes_is_never_the_answer_to_another_of_the_same_length(late_s: float) -> None:
    late = Late()

    async def main() -> list[object]:
        address = parse_address(f"serial-bytes://{path}")
        late.delays_s = [late_s]
        with pytest.raises(LinkTimeoutError):
            await (await open_link(address, deadline_s=1.0)).query(b"\x03\xa5\x01", deadline_s=TIMEOUT_S)
        read: list[object] = []
        for number in (2, 3, 4):
            link = await open_link(address, deadline_s=1.0)
            read.append(await link.query(bytes((3, 0xA5, number)), deadline_s=TIMEOUT_S))
            await link.close()
        return read

    with device(lambda buffer: 2 * (len(buffer) >= 2), lambda message: b"\x5a" + message, late) as path:
        assert run(main) == [bytes((0x5A, 0xA5, number)) for number in (2, 3, 4)]
