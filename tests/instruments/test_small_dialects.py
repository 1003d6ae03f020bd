"""Dialects of sensors and relays that speak no SCPI, each over its own transport: files, printed lines, frames, pins.

Peers are real files, ptys, and for pins the FAKE library of fake_gpiod.py.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest

from chargerd.config.bench import InstrumentSpec
from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError
from chargerd.instruments.connection import Connection, WrongIdentityError
from chargerd.instruments.dialect import FOLDER, Dialect
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.framing.scpi import NoReadingError
from chargerd.instruments.opening import lone
from chargerd.instruments.sample import Sampler
from tests.instruments import fake_gpiod
from tests.instruments.fake_gpiod import BOARDS, Board
from tests.instruments.peers import pty_peer
from tests.instruments.test_listening import pty_printer
from tests.instruments.test_serial_lines import raw_peer

T = TypeVar("T")


def run(
    dialect: Dialect, address: str, identity: str, main: Callable[[Connection], Awaitable[T]], *, timeout_s: float = 0.5
) -> T:
    async def body() -> T:
        connection = Connection(
            "it", address, identity, timeout_s=timeout_s, asked_by=dialect.questions["identity"]
        )
        try:
            await connection.reopen()
            return await main(connection)
        finally:
            await connection.close()

    return asyncio.run(body())


def value(dialect: Dialect, address: str, identity: str, question: str, kind: type[T], **more: float) -> T:
    return run(dialect, address, identity, lambda connection: connection.ask(dialect.questions[question], kind), **more)


def test_what_no_row_of_status_says_is_missing_and_not_no(tmp_path: Path) -> None:
    """Without a row for trips `tripped` would always be 0, "none has acted"; without one for regulation always constant voltage."""
    text = (FOLDER / "line-supply.yaml").read_text(encoding="utf-8").replace("dialect: line-supply", "dialect: sill")
    spec = InstrumentSpec("it", "serial:///dev/null", "sill", "it", 30.0, 3.0, {}, {}, 0.5, protects=("voltage",))
    shown: list[set[str]] = []
    for rows in ("constant_", "over_"):
        lines = [line for line in text.splitlines() if "{register:" not in line or line.strip().startswith(rows)]
        (tmp_path / "sill.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
        shown.append({"it_regulated", "it_tripped"} & set(Sampler(lone(spec, tmp_path), lambda: 0.0).columns))
    assert shown == [{"it_regulated"}, {"it_tripped"}]


# --- files ---------------------------------------------------------------------------------------------------------------


@pytest.fixture
def one_wire(tmp_path: Path) -> Path:
    folder = tmp_path / "28-0000b0a70001"
    folder.mkdir()
    (folder / "name").write_text("28-0000b0a70001\n")
    (folder / "temperature").write_text("23437\n")
    return folder


@pytest.mark.parametrize(("content", "degC"), [("23437\n", 23.437), ("-1250\n", -1.25), ("0\n", 0.0), ("85000\n", 85.0)])
def test_a_one_wire_thermometer_tells_thousandths_of_a_degree(one_wire: Path, content: str, degC: float) -> None:
    (one_wire / "temperature").write_text(content)

    assert value(load_dialect("one-wire-thermometer"), f"file://{one_wire}", "28-0000b0a70001", "temperature", float) == degC


@pytest.mark.parametrize("content", ["", "\n", "23437 \x00", "NaN\n", "23437\n23437\n", "23,4\n", "23437 mC\n"])
def test_what_is_no_reading_of_a_file_is_none(one_wire: Path, content: str) -> None:
    (one_wire / "temperature").write_text(content)

    with pytest.raises(LinkError):
        value(load_dialect("one-wire-thermometer"), f"file://{one_wire}", "28-0000b0a70001", "temperature", float)


def test_another_sensor_in_the_folder_is_refused(one_wire: Path) -> None:
    (one_wire / "name").write_text("28-0000b0a70002\n")

    with pytest.raises(WrongIdentityError, match="nothing is written"):
        value(load_dialect("one-wire-thermometer"), f"file://{one_wire}", "28-0000b0a70001", "temperature", float)


def test_an_older_kernel_s_file_is_read_by_a_dialect_of_ones_own(one_wire: Path, tmp_path: Path) -> None:
    """The two lines as Documentation/w1/slaves/w1_therm.rst describes them; the bytes are invented."""
    (tmp_path / "mine.yaml").write_text(
        "dialect: mine\nbased_on: one-wire-thermometer\nabout: older kernel\nverified_on_hardware: none yet\nquestions:\n"
        '  temperature: {ask: "w1_slave", reply: "{skip} YES {skip} t={number}", scale: "0.001"}\n'
    )
    dialect = load_dialect("mine", tmp_path)
    lines = "72 01 4b 46 7f ff 0e 10 57 : crc=57 {}\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"

    (one_wire / "w1_slave").write_text(lines.format("YES"))
    assert value(dialect, f"file://{one_wire}", "28-0000b0a70001", "temperature", float) == 23.125
    (one_wire / "w1_slave").write_text(lines.format("NO"))
    with pytest.raises(LinkGarbledError):
        value(dialect, f"file://{one_wire}", "28-0000b0a70001", "temperature", float)


def test_a_hardware_monitor_has_several_thermometers(tmp_path: Path) -> None:
    (tmp_path / "name").write_text("boathouse_monitor\n")
    (tmp_path / "temp1_input").write_text("23000\n")
    (tmp_path / "temp2_input").write_text("-40500\n")

    read = [value(load_dialect("hwmon-thermometer", input=number), f"file://{tmp_path}", "boathouse_monitor", "temperature", float)
            for number in ("1", "2")]  # fmt: skip

    assert read == [23.0, -40.5]
    with pytest.raises(LinkClosedError, match="No such file"):
        value(load_dialect("hwmon-thermometer", input="3"), f"file://{tmp_path}", "boathouse_monitor", "temperature", float)


# --- lines ---------------------------------------------------------------------------------------------------------------


def sensor_board(line: bytes) -> bytes:
    return {b"id": b"id=Boathouse Thermo SN33\n", b"t1": b"t1=23.44\n", b"t2": b"t2=open\n"}.get(line, b"?\n")


def test_a_board_that_is_asked_tells_a_missing_sensor_without_losing_the_line() -> None:
    first, second, third = (load_dialect("line-sensor", input=number) for number in "123")

    async def main(connection: Connection) -> None:
        assert await connection.ask(first.questions["temperature"], float) == 23.44
        with pytest.raises(NoReadingError):
            await connection.ask(second.questions["temperature"], float)
        assert connection.is_usable
        with pytest.raises(LinkGarbledError):
            await connection.ask(third.questions["temperature"], float)

    with pty_peer(sensor_board) as (path, _, _):
        run(first, f"serial://{path}", "Boathouse Thermo SN33", main)


def test_a_board_that_prints_is_known_by_what_it_prints() -> None:
    first, second = (load_dialect("line-sensor-printing", input=number) for number in "12")

    async def main(connection: Connection) -> None:
        assert await connection.ask(first.questions["temperature"], float) == 23.4
        with pytest.raises(NoReadingError):
            await connection.ask(second.questions["temperature"], float)
        ((raw, ago_s),) = await connection.ask_all([b""])
        assert raw == b"t1=23.4 t2=-----"
        assert 0.0 <= ago_s < 5.0

    with pty_printer() as (address, say, _, _):
        asyncio.run(printed_to(first, address + "&eol=crlf", say, main))


async def printed_to(dialect: Dialect, address: str, say: Callable[[bytes], None], main: Callable[[Connection], Awaitable[None]],
                     line: bytes = b"t1=23.4 t2=-----\r\n", identity: str = "t1") -> None:  # fmt: skip
    """Connect while a line is printed every 50 ms."""
    connection = Connection("probe", address, identity, timeout_s=2.5, asked_by=dialect.questions["identity"])
    stop = asyncio.Event()

    async def printing() -> None:
        while not stop.is_set():
            say(line)
            try:
                await asyncio.wait_for(stop.wait(), 0.05)
            except TimeoutError:
                continue

    task = asyncio.ensure_future(printing())
    try:
        await connection.reopen()
        await main(connection)
    finally:
        stop.set()
        await task
        await connection.close()


@pytest.mark.parametrize("line", [b"h1=40.1\r\n", b"Boathouse,Source 3A,SN1,1.0\r\n", b"t2=23.4\r\n"])
def test_a_port_where_something_else_prints_is_refused(line: bytes) -> None:
    dialect = load_dialect("line-sensor-printing", input="1")

    async def main(connection: Connection) -> None:
        raise AssertionError(f"{connection.identity} was taken for the sensor")

    with pty_printer() as (address, say, _, _), pytest.raises((WrongIdentityError, LinkGarbledError)):
        asyncio.run(printed_to(dialect, address + "&eol=crlf", say, main, line))


@pytest.mark.parametrize("line", [b"t1=23.4 t2=22.9t1=23.5 t2=22.8", b"t1=2t1=23.4", b"t1=23.4t2=22.9", b"xt2=22,9 t1=1", b"t2=22.9 \xb0"])
def test_of_glued_and_broken_lines_no_second_sensor_is_read(line: bytes) -> None:
    question = load_dialect("line-sensor-printing", input="2").questions["temperature"]

    with pytest.raises(LinkGarbledError):
        question.parse(line)
    assert question.parse(b"t1=23.4 t2=22.9") == 22.9


# --- relays --------------------------------------------------------------------------------------------------------------


def relay_board() -> Callable[[bytes], bytes | None]:
    """The invented board of relay-bytes.yaml, written from its leaflet: relays 1 to 8, mirror contacts that follow."""
    closed = dict.fromkeys(range(1, 9), 0)

    def answer(received: bytes) -> bytes | None:
        if len(received) < 4:
            return None
        start, order, relay, check = received[:4]
        if start != 0xA5 or sum(received[:3]) & 0xFF != check or relay not in closed or order > 3:
            return b""
        if order < 2:
            closed[relay] = order
        body = bytes([0x5A, relay, closed[relay]])
        return body + bytes([sum(body) & 0xFF])

    return answer


def words_board() -> Callable[[bytes], bytes]:
    closed = {"1": "off", "3": "off"}

    def answer(line: bytes) -> bytes:
        verb, _, relay = line.decode().strip().partition(" ")
        if verb == "who":
            return b"relays Boathouse R8 SN34\r\n"
        if relay not in closed:
            return b"what?\r\n"
        if verb in ("on", "off"):
            closed[relay] = verb
            return b"done\r\n"
        return f"{relay} {closed[relay]}\r\n".encode()

    return answer


async def close_and_open(connection: Connection, dialect: Dialect) -> list[bool]:
    states: list[bool] = []
    asked = [dialect.questions[name] for name in ("closed", "mirror") if name in dialect.questions]
    for command in ("open", "close", "open", "close"):
        await connection.tell(dialect.commands[command])
        states += [await connection.ask(question, bool) for question in asked]
    return states


def test_a_board_that_speaks_in_frames_closes_and_opens() -> None:
    dialect = load_dialect("relay-bytes", output="3")

    with raw_peer(relay_board()) as path:
        states = run(dialect, f"serial-bytes://{path}", "5A 01", lambda connection: close_and_open(connection, dialect))

    assert states == [False, False, True, True] * 2


def test_a_relay_the_board_has_not_is_silence_and_ends_the_link() -> None:
    dialect = load_dialect("relay-bytes", output="9")

    with raw_peer(relay_board()) as path, pytest.raises(LinkError):
        run(dialect, f"serial-bytes://{path}", "5A 01", lambda connection: connection.tell(dialect.commands["close"]))


def test_a_device_that_is_no_such_board_is_never_told_to_close() -> None:
    dialect, heard = load_dialect("relay-bytes", output="3"), []

    def other(received: bytes) -> bytes | None:
        heard.append(received)
        return bytes.fromhex("5B 01 00 5C")

    with raw_peer(other) as path, pytest.raises((WrongIdentityError, LinkGarbledError)):
        run(dialect, f"serial-bytes://{path}", "5A 01", lambda connection: connection.tell(dialect.commands["close"]))
    assert heard == [bytes.fromhex("A5 02 01 A8")]


def test_a_board_that_speaks_in_words_closes_and_opens() -> None:
    dialect = load_dialect("line-relays", output="3")

    with pty_peer(words_board()) as (path, _, _):
        address = f"serial://{path}?eol=crlf"
        states = run(dialect, address, "Boathouse R8 SN34", lambda connection: close_and_open(connection, dialect))

    assert states == [False, False, True, True] * 2


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Iterator[Board]:
    monkeypatch.setitem(sys.modules, "gpiod", fake_gpiod)
    monkeypatch.setitem(sys.modules, "gpiod.line", fake_gpiod.line)
    monkeypatch.delitem(sys.modules, "chargerd.instruments.transports.gpio", raising=False)
    yield BOARDS.setdefault("/dev/gpiochip0", Board("boathouse-pins"))
    BOARDS.clear()
    sys.modules.pop("chargerd.instruments.transports.gpio", None)


@pytest.mark.parametrize(("options", "levels"), [("", [False, True, False, True]), ("?active_low=17", [True, False, True, False])])
def test_pins_close_and_open_relays(board: Board, options: str, levels: list[bool]) -> None:
    dialect = load_dialect("relay-pins", output="17")
    address = f"gpio:///dev/gpiochip0{options}"

    states = run(dialect, address, "boathouse-pins", lambda connection: close_and_open(connection, dialect))

    assert states == [False, True] * 2
    assert board.pins[17].levels == levels


def test_another_chip_under_the_same_name_moves_no_pin(board: Board) -> None:
    board.label = "some-expander"
    dialect = load_dialect("relay-pins", output="17")

    with pytest.raises(WrongIdentityError):
        run(dialect, "gpio:///dev/gpiochip0", "boathouse-pins", lambda connection: connection.tell(dialect.commands["close"]))
    assert all(pin.levels == [] for pin in board.pins)


def test_a_mirror_contact_to_ground_reads_1_when_it_is_closed(board: Board) -> None:
    dialect = load_dialect("relay-pins-mirror", output="17", input="5")
    address = "gpio:///dev/gpiochip0?pull=up&active_low=5"
    board.pins[5].high = True

    async def main(connection: Connection) -> list[bool]:
        open_ = await connection.ask(dialect.questions["mirror"], bool)
        await connection.tell(dialect.commands["close"])
        board.pins[5].high = False  # the contact has closed to ground
        return [open_, await connection.ask(dialect.questions["mirror"], bool)]

    assert run(dialect, address, "boathouse-pins", main) == [False, True]
