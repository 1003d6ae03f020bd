"""Modbus frames byte by byte, both ways.

The frames are the examples of the MODBUS Application Protocol Specification V1.1b3, §6 (from memory), and of MODBUS over Serial
Line V1.02, §6.2.2; each was computed and cross-checked with two packages of other authors, as the project's table says.
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.errors import LinkGarbledError
from chargerd.instruments.framing import modbus_frame as modbus
from chargerd.instruments.transports.modbus_rtu import silence_s


def pdu(text: str) -> bytes:
    """The PDU of a serial frame."""
    return bytes.fromhex(text)[1:-2]


# (what, unit, the request our side makes, its frame, the reply's frame)
EXCHANGES = [
    ("03: 108 to 110 of unit 17", 17, modbus.read_request(3, 0x6B, 3), "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA"),
    ("03: 108 to 110 of unit 1", 1, modbus.read_request(3, 0x6B, 3), "01 03 00 6B 00 03 74 17", "01 03 06 02 2B 00 00 00 64 05 7A"),
    ("03: one register", 1, modbus.read_request(3, 0), "01 03 00 00 00 01 84 0A", None),
    ("03: ten registers", 1, modbus.read_request(3, 0, 10), "01 03 00 00 00 0A C5 CD", None),
    ("04: register 9", 1, modbus.read_request(4, 8), "01 04 00 08 00 01 B0 08", "01 04 02 00 0A 39 37"),
    ("04: a register of ones", 1, modbus.read_request(4, 8), "01 04 00 08 00 01 B0 08", "01 04 02 FF FF B8 80"),
    ("06: register 2 = 3", 1, modbus.write_register_request(1, 3), "01 06 00 01 00 03 98 0B", "01 06 00 01 00 03 98 0B"),
    ("06: register 1 = 1", 1, modbus.write_register_request(0, 1), "01 06 00 00 00 01 48 0A", "01 06 00 00 00 01 48 0A"),
    ("10: 10 and 258", 1, modbus.write_registers_request(1, (10, 258)), "01 10 00 01 00 02 04 00 0A 01 02 92 30", "01 10 00 01 00 02 10 08"),
]
EXCEPTIONS = [
    (modbus.read_request(3, 0), 1, "01 83 01 80 F0"),
    (modbus.read_request(3, 0), 2, "01 83 02 C0 F1"),
    (modbus.read_request(3, 0), 3, "01 83 03 01 31"),
    (modbus.write_register_request(1, 3), 4, "01 86 04 43 A3"),
    (modbus.write_registers_request(1, (10, 258)), 6, "01 90 06 CC 02"),
]
REPLIED = [(unit, request, reply) for _, unit, request, _, reply in EXCHANGES if reply]
NAMES = [name for name, *_ in EXCHANGES]


def test_the_check_value_is_the_published_one() -> None:
    assert modbus.crc16(b"123456789") == 0x4B37  # the usual check of CRC-16/MODBUS
    assert modbus.rtu_frame(2, b"\x07") == bytes.fromhex("02 07 41 12")  # Serial Line V1.02 §6.2.2: CRC 0x1241, low byte first


@pytest.mark.parametrize(("unit", "request_pdu", "frame"), [(unit, request, frame) for _, unit, request, frame, _ in EXCHANGES], ids=NAMES)
def test_a_request_has_the_published_frame(unit: int, request_pdu: bytes, frame: str) -> None:
    assert modbus.rtu_frame(unit, request_pdu).hex(" ").upper() == frame


@pytest.mark.parametrize(("unit", "request_pdu", "reply"), REPLIED)
def test_a_published_reply_is_taken(unit: int, request_pdu: bytes, reply: str) -> None:
    frame = bytes.fromhex(reply)

    assert modbus.rtu_reply_length(request_pdu, frame[:5]) == len(frame)
    assert modbus.rtu_reply(frame, unit, request_pdu) == pdu(reply)


def test_the_registers_of_the_published_replies() -> None:
    assert modbus.registers_in(pdu("11 03 06 02 2B 00 00 00 64 C8 BA")) == (555, 0, 100)
    assert modbus.registers_in(pdu("01 04 02 00 0A 39 37")) == (10,)


@pytest.mark.parametrize(("request_pdu", "code", "frame"), EXCEPTIONS)
def test_a_published_exception_is_taken_as_one(request_pdu: bytes, code: int, frame: str) -> None:
    reply = modbus.rtu_reply(bytes.fromhex(frame), 1, request_pdu)

    assert modbus.is_exception(reply)
    assert reply[1] == code
    assert modbus.rtu_reply_length(request_pdu, bytes.fromhex(frame)) == 5


@pytest.mark.parametrize(("unit", "request_pdu", "reply"), REPLIED)
def test_a_reply_with_any_one_bit_flipped_is_refused(unit: int, request_pdu: bytes, reply: str) -> None:
    honest = bytes.fromhex(reply)
    for bit in range(8 * len(honest)):
        frame = bytearray(honest)
        frame[bit // 8] ^= 1 << bit % 8
        with pytest.raises(LinkGarbledError):
            modbus.rtu_reply(bytes(frame), unit, request_pdu)


@pytest.mark.parametrize(("unit", "request_pdu", "reply"), REPLIED)
def test_a_reply_cut_short_or_too_long_is_refused(unit: int, request_pdu: bytes, reply: str) -> None:
    honest = bytes.fromhex(reply)
    for frame in [honest[:length] for length in range(len(honest))] + [honest + b"\0", honest + honest]:
        with pytest.raises(LinkGarbledError):
            modbus.rtu_reply(frame, unit, request_pdu)


def refused(frame: str, request: bytes, unit: int = 1) -> str:
    """Why a frame is refused, its check value being made right."""
    body = bytes.fromhex(frame)
    with pytest.raises(LinkGarbledError) as fault:
        modbus.rtu_reply(modbus.rtu_frame(body[0], body[1:]), unit, request)
    return str(fault.value)


def test_a_reply_to_another_question_is_refused_and_says_why() -> None:
    one, two = modbus.read_request(3, 8), modbus.read_request(3, 8, 2)

    assert "unit 2 answers, 1 was asked" in refused("02 03 02 00 0A", one)
    assert "not a reply to function 03" in refused("01 04 02 00 0A", one)
    assert "not a reply to function 03" in refused("01 84 02", one)
    assert "4 bytes where 6 were to come" in refused("01 03 02 00 0A", two)
    assert "a byte count of 4 before 2 bytes" in refused("01 03 04 00 0A", one)
    assert "an exception of 3 bytes" in refused("01 83 02 00", one)
    assert "is acknowledged" in refused("01 06 00 01 00 04", modbus.write_register_request(1, 3))
    assert "is acknowledged" in refused("01 06 00 02 00 03", modbus.write_register_request(1, 3))
    assert "is acknowledged" in refused("01 10 00 01 00 01", modbus.write_registers_request(1, (10, 258)))


def test_the_echo_of_a_question_is_no_reply() -> None:
    for request in (modbus.read_request(3, 8), modbus.read_request(4, 0, 2), modbus.read_request(1, 0)):
        with pytest.raises(LinkGarbledError):
            modbus.rtu_reply(modbus.rtu_frame(1, request), 1, request)


# --- coils (V1.1b3 §6.1, §6.5, §6.11, from memory) ---------------------------------------------------------------------------


def test_coils_are_read_from_the_lowest_bit_of_the_first_byte() -> None:
    request = modbus.read_request(1, 19, 19)  # coils 20 to 38

    assert request == bytes.fromhex("01 00 13 00 13")
    assert modbus.reply_length(request) == 5
    bits = modbus.bits_in(bytes.fromhex("01 03 CD 6B 05"), 19)
    assert bits[:8] == (True, False, True, True, False, False, True, True)  # 27 to 20: 1100 1101
    assert bits[16:] == (True, False, True)  # 38 to 36: 101


def test_a_coil_is_written_as_ff00_or_0000() -> None:
    assert modbus.write_coil_request(0xAC, on=True) == bytes.fromhex("05 00 AC FF 00")
    assert modbus.write_coil_request(0xAC, on=False) == bytes.fromhex("05 00 AC 00 00")


def test_several_coils_are_packed_from_the_lowest_bit() -> None:
    coils = [True, False, True, True, False, False, True, True, True, False]  # CD 01

    assert modbus.write_coils_request(0x13, coils) == bytes.fromhex("0F 00 13 00 0A 02 CD 01")


# --- ranges and timing ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("function", "most"), [(1, 2000), (2, 2000), (3, 125), (4, 125)])
def test_no_more_is_read_at_once_than_the_protocol_allows(function: int, most: int) -> None:
    assert modbus.read_request(function, 0, most)[3:] == most.to_bytes(2, "big")
    for count in (0, most + 1):
        with pytest.raises(ValueError, match="takes 1 to"):
            modbus.read_request(function, 0, count)


def test_no_more_is_written_at_once_than_the_protocol_allows() -> None:
    assert len(modbus.write_registers_request(0, [0] * 123)) == 252
    for call, content in ((modbus.write_registers_request, [0] * 124), (modbus.write_coils_request, [True] * 1969), (modbus.write_coils_request, [])):
        with pytest.raises(ValueError, match="takes 1 to"):
            call(0, content)  # type: ignore[arg-type]  # reason: bools are numbers


def test_what_does_not_fit_into_16_bits_is_not_sent() -> None:
    with pytest.raises(ValueError, match="65535"):
        modbus.read_request(3, 65535, 2)
    for value in (-1, 65536):
        with pytest.raises(ValueError, match="16 bits"):
            modbus.write_register_request(0, value)


# Serial Line V1.02 §2.5.1.1: 3.5 characters of 11 bits; above 19200 baud 1.750 ms.
@pytest.mark.parametrize(
    ("baud", "silence_ms"), [(1200, 32.083), (2400, 16.042), (4800, 8.021), (9600, 4.010), (19200, 2.005), (38400, 1.750), (115200, 1.750)]
)
def test_frames_are_kept_apart_by_three_and_a_half_characters(baud: int, silence_ms: float) -> None:
    assert round(silence_s(baud) * 1000, 3) == silence_ms


# --- TCP (Messaging on TCP/IP Implementation Guide V1.0b §3.1.3) -------------------------------------------------------------


def test_a_frame_on_tcp_carries_transaction_length_and_unit() -> None:
    frame = modbus.tcp_frame(0x1501, 255, modbus.read_request(3, 4))

    assert frame == bytes.fromhex("15 01 00 00 00 06 FF 03 00 04 00 01")
    reply = bytes.fromhex("15 01 00 00 00 05 FF 03 02 00 05")
    assert modbus.tcp_length(reply[:7]) == len(reply)
    assert modbus.tcp_reply(reply, 0x1501, 255, modbus.read_request(3, 4)) == bytes.fromhex("03 02 00 05")


@pytest.mark.parametrize(
    ("frame", "told"),
    [
        ("15 02 00 00 00 05 FF 03 02 00 05", "transaction"),
        ("15 01 00 00 00 05 FE 03 02 00 05", "unit 254 answers"),
        ("15 01 00 00 00 05 FF 04 02 00 05", "not a reply to function"),
        ("15 01 00 00 00 05 FF 03 04 00 05", "byte count"),
    ],
)
def test_a_frame_on_tcp_that_does_not_fit_is_refused(frame: str, told: str) -> None:
    with pytest.raises(LinkGarbledError, match=told):
        modbus.tcp_reply(bytes.fromhex(frame), 0x1501, 255, modbus.read_request(3, 4))


@pytest.mark.parametrize("head", ["15 01 00 01 00 05 FF", "15 01 00 00 00 02 FF", "15 01 00 00 01 00 FF", "2B 31 2E 38 35 0A 00"])
def test_what_is_no_modbus_header_is_refused(head: str) -> None:
    with pytest.raises(LinkGarbledError, match="not a Modbus frame"):
        modbus.tcp_length(bytes.fromhex(head))


# --- against the check-value of the struct of any bytes ------------------------------------------------------------------


@given(st.binary(min_size=1, max_size=254))
def test_a_frame_with_its_own_check_value_has_the_check_value_zero(body: bytes) -> None:
    assert modbus.crc16(body + struct.pack("<H", modbus.crc16(body))) == 0


@given(st.integers(1, 247), st.integers(0, 0xFF00), st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125), st.binary(max_size=300))
def test_no_bytes_at_all_are_taken_for_a_reply_but_the_right_ones(unit: int, address: int, registers: list[int], noise: bytes) -> None:
    request = modbus.read_request(3, address, len(registers))
    content = b"".join(struct.pack(">H", register) for register in registers)
    honest = modbus.rtu_frame(unit, bytes((3, len(content))) + content)

    assert modbus.registers_in(modbus.rtu_reply(honest, unit, request)) == tuple(registers)
    if noise != honest:
        with pytest.raises(LinkGarbledError):
            modbus.rtu_reply(noise, unit, request)
