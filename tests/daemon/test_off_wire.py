"""What off takes for a reply and what it opens for an address, piece by piece; nothing here touches a wire."""

from __future__ import annotations

import re
import struct
from typing import Any

import pytest

from chargerd.daemon import off_wire as wire


def line(pattern: str = "(.*)", **more: Any) -> wire.Exchange:
    return wire.Exchange(b"OUTP?\n", "OUTP?", re.compile(pattern), **more)


def frame(pattern: str, length: int, **more: Any) -> wire.Exchange:
    return wire.Exchange(b"\x01", "01", re.compile(pattern), length=length, **more)


# --- check values -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "size", "value"),
    [
        # CRC-16/MODBUS of the nine digits is 4B37, from memory of the catalogue of CRC algorithms; the low byte is sent first.
        ("crc16", 2, "37 4b"),
        ("sum", 1, "dd"),  # 0x31 + … + 0x39 = 0x1dd
        ("complement", 1, "23"),
        ("xor", 1, "31"),
        ("", 0, ""),
    ],
)
def test_the_check_values_of_nine_digits(name: str, size: int, value: str) -> None:
    assert (wire.CHECKS[name][0], wire.CHECKS[name][1](b"123456789").hex(" ")) == (size, value)


@pytest.mark.parametrize("name", wire.CHECKS)
def test_a_frame_counts_only_whole_and_with_its_check_value(name: str) -> None:
    size, of = wire.CHECKS[name]
    body = b"\x01\x02\x0a"
    asked = frame("(.*)", len(body) + size, check=name)

    assert asked.text(body + of(body)) == (body + of(body)).hex(" ").upper()
    assert asked.text(body + of(body) + b"\x00") is None
    assert asked.text((body + of(body))[:-1]) is None
    if size:
        assert asked.text(body + bytes((of(body)[0] ^ 1,)) + of(body)[1:]) is None


# --- lines --------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reply", "text"),
    [
        (b"0\n", "0"), (b" 0 \r\n", "0"), (b"\x000\n", "0"), (b"0", None), (b"", None), (b"0\n1\n", None), (b"0\r1\n", None), (b"\xb5\n", None),
        (b"\n", ""),
    ],
)  # fmt: skip
def test_a_reply_is_one_whole_line_of_ascii(reply: bytes, text: str | None) -> None:
    assert line().text(reply) == text


@pytest.mark.parametrize(
    ("reply", "text", "is_whole"),
    [(b"OUTP?\n0\n", "0", True), (b"OUTP?\n", "", False), (b"0\n", "0", False), (b"OUTP?\r\n0\r\n", "0", True), (b"OUTP?\n0", None, False)],
)
def test_a_device_that_repeats_what_it_hears_has_answered_after_the_second_end(reply: bytes, text: str | None, is_whole: bool) -> None:
    asked = line(has_echo=True)

    assert asked.is_whole(reply) is is_whole
    if is_whole:
        assert asked.text(reply) == text


@pytest.mark.parametrize(("end", "reply", "is_whole"), [(b"\n", b"0\n", True), (b"\r\n", b"0\r\n", True), (b"\r", b"0\r", True), (b"\n", b"0\r", False)])
def test_a_line_is_whole_at_the_last_byte_of_its_end(end: bytes, reply: bytes, is_whole: bool) -> None:
    assert line(end=end).is_whole(reply) is is_whole


def test_a_frame_is_whole_at_its_length() -> None:
    assert [frame("(.*)", 3).is_whole(b"\x00" * count) for count in (2, 3, 4)] == [False, True, True]


# --- values -------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pattern", "order", "sense", "reply", "value"),
    [
        (r"V=(\d+)", (1,), "text", b"V=12\n", "12"),
        (r"\d+", (1,), "text", b"12\n", "12"),
        (r"(\d+),(\d+),(\d+)", (3, 1), "text", b"1,2,3\n", "3 1"),
        (r"(\d+)", (1, 2), "decimal", b"7\n", "7"),
        (r"V=(\d+)", (1,), "text", b"V=12 \n", "12"),
        (r"V=(\d+)", (1,), "text", b"XV=12\n", None),
        (r"V=(\d+)", (1,), "text", b"V=12X\n", None),
    ],
)
def test_the_value_in_a_line(pattern: str, order: tuple[int, ...], sense: str, reply: bytes, value: str | None) -> None:
    assert line(pattern, order=order, sense=sense).value(reply) == value


@pytest.mark.parametrize(
    ("sense", "content", "value"),
    [
        ("unsigned", b"\xff\xfe", "65534"), ("signed", b"\xff\xfe", "-2"), ("registers", b"\x00\x01\xff\xff\x02\x00", "1,65535,512"),
        ("ascii", b"SN1\x00 ", "SN1"), ("float", struct.pack(">f", 0.5), "0.5"),
    ],
)  # fmt: skip
def test_the_value_in_a_frame(sense: str, content: bytes, value: str) -> None:
    held = "01 ((?:[0-9A-F]{2} ?)+)"
    assert frame(held, 1 + len(content), sense=sense).value(b"\x01" + content) == value


def test_where_no_reply_comes_there_is_no_value() -> None:
    assert wire.Exchange(b"A", "A").value(b"0\n") is None


# --- what is expected ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "reply", "is_expected"),
    [
        ({"accept": ("0", "OFF")}, b"OFF\n", True), ({"accept": ("0", "OFF")}, b"off\n", False), ({"accept": ("0",)}, b"00\n", False),
        ({"abs_below": 0.02}, b"0.0199\n", True), ({"abs_below": 0.02}, b"-0.0199\n", True), ({"abs_below": 0.02}, b"0.02\n", False),
        ({"abs_below": 0.02}, b"nan\n", False), ({"abs_below": 0.02}, b"1_0\n", False), ({"abs_below": 0.02}, b"1e-9\n", True),
        ({"abs_below": 0.02, "scale": 0.001}, b"19\n", True), ({"abs_below": 0.02, "scale": 0.001}, b"20\n", False),
        ({"accept": ("OFF",), "abs_below": 0.02}, b"0.01\n", True), ({"accept": ("OFF",), "abs_below": 0.02}, b"OFF\n", True),
        ({"accept": ()}, b"0\n", False), ({}, b"anything\n", True), ({}, b"half a line", False),
    ],
)  # fmt: skip
def test_a_reply_is_expected_or_not(more: dict[str, Any], reply: bytes, is_expected: bool) -> None:
    assert line(**more).is_expected(reply) is is_expected


WHO = line(accept=("A,B,C,D",))


@pytest.mark.parametrize(
    ("reply", "names", "another"),
    [
        (b"A,B,C,D\n", True, False), (b" A , B,C ,D \r\n", True, False), (b"A,B,C,E\n", False, True), (b"", False, False),
        (b"A,B", False, False), (b"A,B,C,D", False, False), (b"B", False, True), (b"A,B,C,DE\n", False, True), (b"\xb5\n", False, True), (b"\n", False, False),
    ],
)  # fmt: skip
def test_the_right_instrument_another_one_and_half_an_answer(reply: bytes, names: bool, another: bool) -> None:
    assert (WHO.names(reply), WHO.names_another(reply)) == (names, another)


def test_who_repeats_what_he_hears_is_known_by_what_follows() -> None:
    asked = line(accept=("A,B,C,D",), has_echo=True)

    assert asked.names(b"OUTP?\nA,B,C,D\n") is True
    assert asked.names_another(b"OUTP?\nA,B") is False
    assert asked.names_another(b"OUTP?\nX") is True


UNIT = wire.Exchange(
    b"\x01", "01", re.compile("01 2B (.*) .. .."), length=6, check="crc16", accept=("41",), silent=("01 AB 0B 50 FD",)
)  # fmt: skip


def sealed(*body: int) -> bytes:
    return bytes(body) + wire.CHECKS["crc16"][1](bytes(body))


@pytest.mark.parametrize(
    ("reply", "names", "another"),
    [
        (sealed(1, 0x2B, 0x41, 0x41), False, True),  # whole, and another value
        (b"\x01", False, False), (b"\x01\x2b", False, False), (b"\x01\x2b\x41", False, False),  # the beginning of the right one
        (sealed(1, 0x2B, 0x41, 0x41)[:-1] + b"\x00", False, False),  # damaged on the way
        (b"\x02\x2b\x41", False, True), (b"\x07", False, True),  # another unit, another language
        (b"\x01\xab\x0b\x50\xfd", False, False),  # a gateway says: nobody there
    ],
)  # fmt: skip
def test_a_frame_of_another_unit_and_half_a_frame_of_the_right_one(reply: bytes, names: bool, another: bool) -> None:
    assert (UNIT.names(reply), UNIT.names_another(reply)) == (names, another)


def test_a_frame_of_the_right_unit() -> None:
    asked = wire.Exchange(b"\x01", "01", re.compile("01 (..) .. .."), length=4, check="crc16", accept=("41",))

    assert asked.names(sealed(1, 0x41)) is True
    assert asked.names_another(sealed(1, 0x41)) is False


# --- addresses ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "kind", "expected"),
    [
        ("tcp://127.0.0.1:5025", "tcp", ("127.0.0.1", 5025)), ("tcp://[::1]:5025?x=1", "tcp", ("::1", 5025)), ("modbus-tcp://bench.invalid:502?unit=1", "tcp", ("bench.invalid", 502)),
        ("TCPIP0::127.0.0.1::5025::SOCKET", "tcp", ("127.0.0.1", 5025)), ("tcpip::[::1]::5025::socket", "tcp", ("::1", 5025)),
        ("serial:///dev/ttyX?baud=115200", "serial", ("/dev/ttyX", {"baud": "115200"})), ("ASRL/dev/ttyX::INSTR?stop=2", "serial", ("/dev/ttyX", {"stop": "2"})),
        ("modbus-rtu:///dev/ttyX", "serial", ("/dev/ttyX", {})), ("serial-bytes:///dev/ttyX", "serial", ("/dev/ttyX", {})),
        ("USB0::1::2::SN3::INSTR", "visa", ("USB0::1::2::SN3::INSTR", "")), ("visa+py://USB0::1::2::SN3::INSTR", "visa", ("USB0::1::2::SN3::INSTR", "@py")),
        ("visa://USB0::1::2::SN3::INSTR?library=/lib/x.so", "visa", ("USB0::1::2::SN3::INSTR", "/lib/x.so")),
    ],
)  # fmt: skip
def test_what_is_opened_for_an_address(address: str, kind: str, expected: tuple[Any, ...], monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[tuple[str, tuple[Any, ...]]] = []
    for name in ("tcp", "serial", "visa"):
        monkeypatch.setattr(wire, f"_open_{name}", lambda *what, name=name: opened.append((name, what)))
    wire.open_link(address, 0.3)

    assert opened == [(kind, (*expected, 0.3))]


@pytest.mark.parametrize("address", ["tcp://nowhere", "modbus-tcp://x", "tcp://127.0.0.1:123456", "", "?x=1"])
def test_what_leads_nowhere_is_told(address: str) -> None:
    with pytest.raises(wire.LinkError):
        wire.open_link(address, 0.1)


def test_outputs_of_one_line_share_it() -> None:
    assert wire.port_of("serial:///dev/ttyX?unit=1") == wire.port_of("serial:///dev/ttyX?unit=2") == "serial:///dev/ttyX"
    assert wire.port_of("tcp://a:1") != wire.port_of("tcp://a:2")


# --- asking -------------------------------------------------------------------------------------------------------------------


def test_a_reply_in_pieces_is_put_together_and_one_without_end_is_none() -> None:
    pieces, sent = [b"", b"0.0", b"01", b"\n"], []
    link = wire.Link(sent.append, lambda _wait_s: pieces.pop(0) if pieces else b"", lambda: None)

    assert wire.ask(link, line(), 1.0, wire.boot_s() + 1.0) == b"0.001\n"
    assert sent == [b"OUTP?\n"]
    pieces[:] = [b"", *[b"x" * 1024] * 9]
    with pytest.raises(wire.LinkError, match="without end"):
        wire.ask(link, line(), 1.0, wire.boot_s() + 1.0)
    pieces[:] = [b"", b"x" * 4096]
    assert wire.ask(link, line(), 0.05, wire.boot_s() + 1.0) == b"x" * 4096, "just as long as is allowed"


def test_a_line_that_is_cleared_by_its_library_is_not_drained() -> None:
    did: list[str] = []

    def receive(_wait_s: float) -> bytes:
        did.append("receive")
        return b"0\n"

    def clear() -> None:
        did.append("clear")
        raise wire.LinkError("it cannot")

    link = wire.Link(lambda _content: did.append("send"), receive, lambda: None, clear)
    assert wire.ask(link, line(), 1.0, wire.boot_s() + 1.0) == b"0\n"
    assert did == ["clear", "send", "receive"]


def test_a_line_is_drained_until_it_is_silent_or_too_late() -> None:
    waits: list[float] = []
    pieces = [b"a", b"b", b""]

    def receive(wait_s: float) -> bytes:
        waits.append(wait_s)
        return pieces.pop(0)

    link = wire.Link(lambda _content: None, receive, lambda: None, quiet_s=0.03)
    wire.drain(link, wire.boot_s() + 5.0)
    assert waits == [0.03] * 3
    waits.clear()
    pieces[:] = [b""]
    wire.drain(link, wire.boot_s() + 5.0, 0.5)
    assert waits == [0.5]
    pieces[:] = [b"a", b"b", b""]
    with pytest.raises(wire.LinkError, match="talks without being asked"):
        wire.drain(link, wire.boot_s() - 1.0)
