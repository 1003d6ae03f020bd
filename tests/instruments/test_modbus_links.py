"""Modbus links against slaves of other authors, the simulated ones and bad ones: a reply that does not fit is no reading."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

import pytest

from chargerd.errors import BenchError, InstrumentError, LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.connection import Connection, WrongIdentityError
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.framing import modbus, modbus_frame
from chargerd.instruments.framing.modbus_frame import read_request, rtu_frame, tcp_frame, write_register_request
from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.memory import PEERS
from chargerd.instruments.transports.registry import open_link, parse_address
from chargerd.sim.faults import once
from tests.instruments.modbus_peers import bad_rtu, bad_tcp, pymodbus_rtu, pymodbus_tcp
from tests.instruments.rig import pass_time
from tests.instruments.rig import run as on_jumping_clock

T = TypeVar("T")
VOLTAGE, CURRENT = read_request(3, 19), read_request(3, 20)


def run(main: Callable[[], Awaitable[T]]) -> T:
    async def body() -> T:
        return await main()

    return asyncio.run(body())


async def opened(address: str) -> Link:
    return await open_link(parse_address(address), deadline_s=2.0)


def replying(registers: str) -> bytes:
    content = bytes.fromhex(registers)
    return bytes((3, len(content))) + content


# --- a slave nobody here wrote ---------------------------------------------------------------------------------------------------

TALK = [
    (read_request(3, 0, 2), "03 04 11 41 00 67"),
    (read_request(4, 0, 2), "04 04 0C 24 00 14"),
    (read_request(1, 0, 8), "01 01 00"),
    (read_request(2, 0, 3), "02 01 07"),
    (modbus_frame.write_coil_request(3, on=True), "05 00 03 FF 00"),
    (modbus_frame.write_coils_request(0, (True, False, True)), "0F 00 00 00 03"),
    (read_request(1, 0, 8), "01 01 0D"),
    (write_register_request(9, 1850), "06 00 09 07 3A"),
    (modbus_frame.write_registers_request(9, (1600, 150)), "10 00 09 00 02"),
    (read_request(3, 9, 2), "03 04 06 40 00 96"),
    (read_request(3, 900), "83 02"),
]


async def talk(address: str) -> list[str]:
    link = await opened(address)
    try:
        return [(await link.query(request, deadline_s=1.0)).hex(" ").upper() for request, _ in TALK]
    finally:
        await link.close()


def test_every_function_is_spoken_with_a_server_by_other_authors_over_tcp() -> None:
    async def main() -> list[str]:
        async with pymodbus_tcp(1) as address:
            return await talk(address + "1")

    assert run(main) == [reply for _, reply in TALK]


@pytest.mark.peer
@pytest.mark.skipif(shutil.which("socat") is None, reason="socat is not installed")
def test_every_function_is_spoken_with_a_server_by_other_authors_over_crossed_serial_ports(tmp_path: Path) -> None:
    async def main() -> tuple[list[str], list[bytes]]:
        async with pymodbus_rtu(tmp_path, 1, 7) as address:
            both = [await opened(f"{address}{unit}") for unit in (1, 7)]
            models = [await link.query(read_request(3, 0, 2), deadline_s=1.0) for link in both for _ in range(3)]
            for link in both:
                await link.close()
            return await talk(address + "1"), models

    replies, models = run(main)
    assert replies == [reply for _, reply in TALK]
    assert models == [replying("11 41 00 67")] * 6


def test_a_unit_that_is_not_there_is_silence_and_the_bus_is_good_again_after_it() -> None:
    """With a slave of our own: the one by other authors answers for units it does not have, which a real bus does not."""

    async def main() -> bytes:
        with pytest.raises(LinkTimeoutError):
            await (await opened(f"modbus-rtu://{path}?unit=9")).query(VOLTAGE, deadline_s=0.2)
        link = await opened(f"modbus-rtu://{path}?unit=1")
        try:
            return await link.query(VOLTAGE, deadline_s=1.0)
        finally:
            await link.close()

    with bad_rtu(lambda frame: [(0.0, GOOD)] if frame[0] == 1 else []) as (path, _received, _say):
        assert run(main) == replying("07 3A")


def test_the_driver_reads_a_whole_module_out_of_a_server_by_other_authors() -> None:
    async def main() -> dict[str, object]:
        async with pymodbus_tcp(1) as address:
            dialect = load_dialect("modbus-supply")
            connection = Connection("supply", address + "1", "4417,103", asked_by=dialect.questions["identity"])
            await connection.reopen()
            await connection.tell(dialect.commands["voltage_set"], 1.8559)
            await connection.tell(dialect.commands["on"])
            read = {name: await connection.ask(question, object) for name, question in dialect.questions.items()}
            with pytest.raises(InstrumentError, match="no such register"):
                await connection.ask(modbus.question("voltage", {"ask": "holding 900"}, "number"), float)
            await connection.close()
            return read

    assert run(main) == {
        "identity": "4417,103", "voltage": 1.85, "current": -0.2, "questionable": 1, "operation": 0, "output": True,
        "voltage_set": 1.855, "current_set": 0.0, "ovp": 0.0, "ocp": 0.0,
    }  # fmt: skip


def test_another_model_behind_the_same_address_is_found_before_the_first_write() -> None:
    async def main() -> str:
        async with pymodbus_tcp(1) as address:
            dialect = load_dialect("modbus-supply")
            connection = Connection("supply", address + "1", "4418,103", asked_by=dialect.questions["identity"])
            with pytest.raises(WrongIdentityError) as fault:
                await connection.reopen()
            with pytest.raises(LinkError, match="not sent"):
                await connection.tell(dialect.commands["on"])
            return str(fault.value)

    assert "'4417,103' answers" in run(main)


# --- surprises on a serial bus -------------------------------------------------------------------------------------------------

GOOD = rtu_frame(1, replying("07 3A"))


def damaged(bit: int) -> bytes:
    frame = bytearray(GOOD)
    frame[bit // 8] ^= 1 << bit % 8
    return bytes(frame)


SURPRISES: list[tuple[str, list[tuple[float, bytes]], type[LinkError]]] = [
    ("flipped bit in the number", [(0.0, damaged(30))], LinkGarbledError),
    ("flipped bit in the check value", [(0.0, damaged(41))], LinkGarbledError),
    ("flipped bit in the unit", [(0.0, damaged(1))], LinkGarbledError),
    ("wrong unit", [(0.0, rtu_frame(2, replying("07 3A")))], LinkGarbledError),
    ("wrong function", [(0.0, rtu_frame(1, bytes.fromhex("04 02 07 3A")))], LinkGarbledError),
    ("exception to another function", [(0.0, rtu_frame(1, bytes.fromhex("84 02")))], LinkGarbledError),
    ("wrong byte count", [(0.0, rtu_frame(1, replying("07 3A 00 00")))], LinkGarbledError),
    ("short frame", [(0.0, GOOD[:6])], LinkGarbledError),
    ("the beginning of a frame", [(0.0, GOOD[:3])], LinkGarbledError),
    ("echo", [(0.0, rtu_frame(1, VOLTAGE))], LinkGarbledError),
    ("echo before the reply", [(0.0, rtu_frame(1, VOLTAGE) + GOOD)], LinkGarbledError),
    ("twice", [(0.0, GOOD + GOOD)], LinkGarbledError),
    ("text", [(0.0, b"+1.85000E+00\n")], LinkGarbledError),
    ("silence", [], LinkTimeoutError),
]


@pytest.mark.parametrize(("sent", "fault"), [(sent, fault) for _, sent, fault in SURPRISES], ids=[name for name, *_ in SURPRISES])
def test_any_surprise_on_the_bus_is_no_reading_and_closes_the_port_for_all_its_units(sent: list[tuple[float, bytes]], fault: type[LinkError]) -> None:
    async def main() -> None:
        one, two = [await opened(f"modbus-rtu://{path}?baud=9600&unit={unit}") for unit in (1, 2)]
        with pytest.raises(fault):
            await one.query(VOLTAGE, deadline_s=0.15)
        assert one.dirty
        assert two.dirty
        with pytest.raises(LinkClosedError):
            await two.query(VOLTAGE, deadline_s=0.15)

    with bad_rtu(lambda _: sent) as (path, received, _):
        run(main)
        assert received == [rtu_frame(1, VOLTAGE)]


def test_a_reply_in_pieces_is_one_reply() -> None:
    async def main() -> bytes:
        link = await opened(f"modbus-rtu://{path}?baud=9600&unit=1")
        try:
            return await link.query(VOLTAGE, deadline_s=0.5)
        finally:
            await link.close()

    with bad_rtu(lambda _: [(0.0, GOOD[:2]), (0.01, GOOD[2:6]), (0.01, GOOD[6:])]) as (path, _received, _say):
        assert run(main) == replying("07 3A")


def test_bytes_nobody_asked_for_close_the_bus() -> None:
    async def main() -> None:
        link = await opened(f"modbus-rtu://{path}?baud=9600&unit=1")
        await link.query(VOLTAGE, deadline_s=0.5)
        say(GOOD)
        with pytest.raises(LinkGarbledError, match="nobody asked for"):
            await link.query(CURRENT, deadline_s=0.5)

    with bad_rtu(lambda _: [(0.0, GOOD)]) as (path, _received, say):
        run(main)


@pytest.mark.parametrize("delay_s", [0.12, 0.2, 0.3, 0.5])
def test_a_late_reply_of_one_unit_is_never_taken_for_another_s(delay_s: float) -> None:
    """Unit 1 answers its voltage late, whenever that is; unit 2 is asked for its own meanwhile, through links opened anew."""

    def reply(frame: bytes) -> list[tuple[float, bytes]]:
        unit = frame[0]
        voltage = {1: "0B B8", 2: "07 3A"}[unit]
        return [(delay_s if unit == 1 else 0.0, rtu_frame(unit, replying("11 41 00 67" if frame[5] == 2 else voltage)))]

    async def main() -> list[object]:
        dialect = load_dialect("modbus-supply")
        two = Connection("two", f"modbus-rtu://{path}?baud=9600&unit=2", "4417,103", timeout_s=0.1, asked_by=dialect.questions["identity"])
        read: list[object] = []
        for _ in range(8):
            one = await opened(f"modbus-rtu://{path}?baud=9600&unit=1")
            with contextlib.suppress(LinkError):  # now and then the reply to its question before comes just now
                await one.query(VOLTAGE, deadline_s=0.05)
            try:
                await two.reopen()
                read.append(await two.ask(dialect.questions["voltage"], float))
            except LinkError:
                read.append(None)
        await two.close()
        return read

    with bad_rtu(reply) as (path, _received, _say):
        read = run(main)
    assert set(read) <= {None, 1.85}  # never 3.0, the voltage of unit 1


def test_a_late_reply_of_the_same_unit_is_never_taken_for_the_answer_to_the_next_question() -> None:
    """The voltage comes after its time-out; the current asked next, through a link opened anew, has a reply of the same shape."""
    delays = iter([0.13] + [0.0] * 50)

    def reply(frame: bytes) -> list[tuple[float, bytes]]:
        content = {0: "11 41 00 67", 19: "0B B8", 20: "00 96"}[frame[3]]
        return [(next(delays), rtu_frame(1, replying(content)))]

    async def main() -> list[object]:
        dialect = load_dialect("modbus-supply")
        connection = Connection("supply", f"modbus-rtu://{path}?baud=9600&unit=1", "4417,103", timeout_s=0.1, asked_by=dialect.questions["identity"])
        read: list[object] = []
        first = await opened(f"modbus-rtu://{path}?baud=9600&unit=1")
        with pytest.raises(LinkTimeoutError):
            await first.query(VOLTAGE, deadline_s=0.1)
        for _ in range(4):
            try:
                await connection.ensure()
                read.append(await connection.ask(dialect.questions["current"], float))
            except LinkError:
                read.append(None)
        await connection.close()
        return read

    with bad_rtu(reply) as (path, _received, _say):
        read = run(main)
    assert 0.15 in read
    assert set(read) <= {None, 0.15}


def test_a_message_without_a_reply_does_not_exist() -> None:
    async def main() -> None:
        async with pymodbus_tcp(1) as tcp:
            for address in (f"modbus-rtu://{path}?unit=1", tcp + "1", "modbus-memory://nobody-listens?unit=1"):
                link = await opened(address)
                with pytest.raises(LinkGarbledError, match="must be read"):
                    await link.write(write_register_request(11, 1), deadline_s=0.2)
                assert link.dirty

    PEERS["nobody-listens"] = lambda _data, _now_s: []
    try:
        with bad_rtu(lambda _: []) as (path, received, _):
            run(main)
            assert received == []
    finally:
        del PEERS["nobody-listens"]


# --- surprises on TCP --------------------------------------------------------------------------------------------------------

TCP_GOOD = tcp_frame(1, 1, replying("07 3A"))
TCP_SURPRISES: list[tuple[str, list[tuple[float, bytes]], type[LinkError]]] = [
    ("another transaction", [(0.0, tcp_frame(7, 1, replying("07 3A")))], LinkGarbledError),
    ("the transaction before", [(0.0, tcp_frame(0, 1, replying("07 3A")))], LinkGarbledError),
    ("another unit", [(0.0, tcp_frame(1, 2, replying("07 3A")))], LinkGarbledError),
    ("another function", [(0.0, tcp_frame(1, 1, bytes.fromhex("04 02 07 3A")))], LinkGarbledError),
    ("another byte count", [(0.0, tcp_frame(1, 1, replying("07 3A 00 00")))], LinkGarbledError),
    ("echo", [(0.0, tcp_frame(1, 1, VOLTAGE))], LinkGarbledError),
    ("twice", [(0.0, TCP_GOOD + TCP_GOOD)], LinkGarbledError),
    ("no Modbus", [(0.0, b"HTTP/1.1 400\r\n")], LinkGarbledError),
    ("half", [(0.0, TCP_GOOD[:8])], LinkTimeoutError),
    ("a beginning", [(0.0, TCP_GOOD[:4])], LinkTimeoutError),
    ("silence", [], LinkTimeoutError),
]


@pytest.mark.parametrize(("sent", "fault"), [(sent, fault) for _, sent, fault in TCP_SURPRISES], ids=[name for name, *_ in TCP_SURPRISES])
def test_any_surprise_on_tcp_is_no_reading_and_ends_the_link(sent: list[tuple[float, bytes]], fault: type[LinkError]) -> None:
    async def main() -> None:
        link = await opened(address + "1")
        with pytest.raises(fault):
            await link.query(VOLTAGE, deadline_s=0.15)
        assert link.dirty
        with pytest.raises(LinkError):
            await link.query(VOLTAGE, deadline_s=0.15)

    with bad_tcp(lambda _: sent) as address:
        run(main)


def test_a_reply_on_tcp_in_pieces_is_one_reply_and_each_question_has_its_number() -> None:
    seen: list[int] = []

    def reply(frame: bytes) -> list[tuple[float, bytes]]:
        seen.append(int.from_bytes(frame[:2], "big"))
        good = frame[:4] + TCP_GOOD[4:]
        return [(0.0, good[:3]), (0.01, good[3:9]), (0.01, good[9:])]

    async def main() -> list[bytes]:
        link = await opened(address + "1")
        replies = await link.query_all([VOLTAGE, VOLTAGE, VOLTAGE], deadline_s=1.0)
        await link.close()
        return [reply for reply, _ in replies]

    with bad_tcp(reply) as address:
        assert run(main) == [replying("07 3A")] * 3
    assert seen == [1, 2, 3]


def test_bytes_nobody_asked_for_end_a_link_on_tcp() -> None:
    async def main() -> None:
        link = await opened(address + "1")
        await link.query(VOLTAGE, deadline_s=1.0)
        for _ in range(500):  # the second frame comes 50 ms after the first
            if not link.dirty:
                await pass_time(0.01)
        with pytest.raises(LinkGarbledError, match="nobody asked for"):
            await link.query(VOLTAGE, deadline_s=1.0)

    with bad_tcp(lambda _: [(0.0, TCP_GOOD), (0.05, TCP_GOOD)]) as address:
        run(main)


# --- in memory ---------------------------------------------------------------------------------------------------------------


def in_memory(*sent: tuple[float, bytes]) -> Any:
    async def main() -> Any:
        link = await opened("modbus-memory://bad-slave?unit=1")
        try:
            first = await link.query(VOLTAGE, deadline_s=0.5)
            return first, await link.query(VOLTAGE, deadline_s=0.5)
        except LinkError as fault:
            assert link.dirty
            return type(fault)

    PEERS["bad-slave"] = lambda data, _now_s: list(sent) if data else []
    try:
        return on_jumping_clock(main)
    finally:
        del PEERS["bad-slave"]


def test_the_same_surprises_in_memory() -> None:
    assert in_memory((0.0, GOOD)) == (replying("07 3A"), replying("07 3A"))
    assert in_memory((0.2, GOOD[:4]), (0.3, GOOD[4:])) == (replying("07 3A"), replying("07 3A"))
    assert in_memory((0.6, GOOD)) is LinkTimeoutError
    assert in_memory((0.0, GOOD), (0.0, GOOD)) is LinkGarbledError
    assert in_memory((0.0, rtu_frame(2, replying("07 3A")))) is LinkGarbledError
    assert in_memory((0.0, damaged(30))) is LinkGarbledError
    assert in_memory((0.0, GOOD[:6])) is LinkGarbledError
    assert in_memory() is LinkTimeoutError


# --- addresses ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("modbus-rtu:///dev/ttyUSB0", "say which unit"),
        ("modbus-rtu:///dev/ttyUSB0?unit=0", "unit is 1 to 247"),
        ("modbus-rtu:///dev/ttyUSB0?unit=248", "unit is 1 to 247"),
        ("modbus-rtu:///dev/ttyUSB0?unit=255", "unit is 1 to 247"),
        ("modbus-rtu:///dev/ttyUSB0?unit=1&bits=7", "has no option 'bits'"),
        ("modbus-rtu:///dev/ttyUSB0?unit=1&parity=mark", "parity is one of none, even, odd"),
        ("modbus-rtu://ttyUSB0?unit=1", "whole path"),
        ("modbus-tcp://h?unit=1", "modbus-tcp://192.168.1.20:502"),
        ("modbus-tcp://h:502", "say which unit"),
        ("modbus-tcp://h:502?unit=1&baud=9600", "has no option 'baud'"),
    ],
)
def test_an_address_that_cannot_be_says_what_to_write(text: str, told: str) -> None:
    with pytest.raises(BenchError, match=told):
        parse_address(text)


@pytest.mark.parametrize("text", ["modbus-rtu:///dev/ttyUSB0?baud=19200&parity=even&stop=1&unit=247", "modbus-tcp://h:502?unit=255", "trace+modbus-tcp://h:502?unit=1&log=x"])
def test_an_address_that_can_be(text: str) -> None:
    assert parse_address(text).text == text


def test_two_units_of_a_port_must_agree_on_its_settings() -> None:
    async def main() -> None:
        link = await opened(f"modbus-rtu://{path}?baud=9600&unit=1")
        with pytest.raises(LinkGarbledError, match="already open at 9600 baud"):
            await opened(f"modbus-rtu://{path}?baud=19200&unit=2")
        await link.close()

    with bad_rtu(lambda _: []) as (path, _received, _say):
        run(main)


# --- the simulated bus in memory, as the drivers see it ------------------------------------------------------------------------


@pytest.mark.parametrize("code", [5, 6, 11])
def test_an_instrument_that_asks_to_wait_has_no_reading_and_keeps_its_link(code: int) -> None:
    from chargerd.instruments.framing.scpi import NoReadingError
    from tests.contract.matrix import CASES, instrument_of

    (case,) = [case for case in CASES if case.dialect == "modbus-supply"]

    async def main() -> None:
        async with instrument_of(case, "modbus-memory", (once("exception", header="read 40020", code=code),)) as (instrument, _):
            await instrument.identify()
            with pytest.raises(NoReadingError):
                await instrument.connection.ask(instrument.dialect.questions["voltage"], float)
            assert instrument.connection.is_usable
            assert await instrument.connection.ask(instrument.dialect.questions["voltage"], float) == pytest.approx(0.0, abs=0.01)

    on_jumping_clock(main)
