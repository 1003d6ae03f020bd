"""Modbus rows of a dialect: registers as numbers and back, refusals in words, and what a row may not say."""

from __future__ import annotations

import math
import struct
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.errors import InstrumentError, LinkGarbledError
from chargerd.instruments.framing import modbus
from chargerd.instruments.framing.modbus import EXCEPTIONS, NotNowError, Number, RefusedError
from chargerd.instruments.framing.scpi import NoReadingError, OverRangeError
from chargerd.instruments.framing.spoken import Command, Question


def ask(kind: str = "number", **fields: str) -> Question:
    return modbus.question("voltage", {"ask": "holding 16"} | fields, kind)


def tell(*, carries_number: bool = True, **fields: str) -> Command:
    return modbus.command("voltage_set", {"send": "holding 16 {value}"} | fields, carries_number=carries_number)


def reply(registers: str) -> bytes:
    content = bytes.fromhex(registers)
    return bytes((3, len(content))) + content


# Single precision after IEEE 754: 1.75 is exact, 0.15 and -0.2 are not (their patterns computed with the standard's rules).
NUMBERS = [
    ("uint16", "", "1", "06 D6", 1750.0),
    ("uint16", "", "0.001", "06 D6", 1.75),
    ("uint16", "", "0.01", "FF FF", 655.35),
    ("int16", "", "0.001", "FF 38", -0.2),
    ("int16", "", "0.1", "80 00", -3276.8),
    ("uint32", "", "0.001", "00 01 00 00", 65.536),
    ("uint32", "low-first", "0.001", "00 00 00 01", 65.536),
    ("int32", "", "1", "FF FF FF FE", -2.0),
    ("int32", "low-first", "1", "FF FE FF FF", -2.0),
    ("float32", "", "1", "3F E0 00 00", 1.75),
    ("float32", "low-first", "1", "00 00 3F E0", 1.75),
    ("float32", "high-first", "1", "3E 19 99 9A", 0.15),
    ("float32", "low-first", "1", "99 9A 3E 19", 0.15),
    ("float32", "", "1", "BE 4C CC CD", -0.2),
    ("float32", "", "0.001", "44 DA C0 00", 1.75),
]


@pytest.mark.parametrize(("kind", "words", "scale", "registers", "value"), NUMBERS)
def test_registers_are_read_as_the_number_they_hold(kind: str, words: str, scale: str, registers: str, value: float) -> None:
    order = {"words": words} if words else {}
    question = ask(type=kind, scale=scale, **order)

    assert question.parse(reply(registers)) == value
    assert question.message == bytes.fromhex("03 00 10 00 02" if len(registers) > 5 else "03 00 10 00 01")


@pytest.mark.parametrize(("registers", "fault"), [("7F C0 00 00", NoReadingError), ("FF 80 00 00", OverRangeError), ("7F 80 00 00", OverRangeError)])
def test_a_float_that_is_no_number_or_infinite_is_no_reading(registers: str, fault: type[Exception]) -> None:
    with pytest.raises(fault):
        ask(type="float32").parse(reply(registers))


def test_minus_zero_is_zero() -> None:
    assert math.copysign(1.0, ask(type="float32").parse(reply("80 00 00 00"))) == 1.0  # type: ignore[arg-type]  # reason: a number


SENT = [
    ({"scale": "0.001"}, 1.75, "06 00 10 06 D6"),
    ({"scale": "0.001"}, 1.8559, "06 00 10 07 3F"),  # 1.855: cut
    ({"scale": "0.01"}, 1.999, "06 00 10 00 C7"),
    ({"scale": "0.001"}, 0.1 + 0.2, "06 00 10 01 2C"),  # 0.30000000000000004: binary noise is no part of it
    ({"scale": "0.001"}, 0.3 - 1e-12, "06 00 10 01 2C"),
    ({"type": "int16", "scale": "0.001"}, -0.2009, "06 00 10 FF 38"),  # towards zero
    ({"type": "uint32", "scale": "0.001"}, 65.5369, "10 00 10 00 02 04 00 01 00 00"),
    ({"type": "uint32", "words": "low-first", "scale": "0.001"}, 65.536, "10 00 10 00 02 04 00 00 00 01"),
    ({"type": "float32", "decimals": "3"}, 1.75, "10 00 10 00 02 04 3F E0 00 00"),
    ({"type": "float32", "decimals": "3"}, 0.15, "10 00 10 00 02 04 3E 19 99 99"),  # 3E19999A would be more than 0.15
    ({"scale": "0.001", "write": "several"}, 1.75, "10 00 10 00 01 02 06 D6"),
]


@pytest.mark.parametrize(("fields", "value", "message"), SENT)
def test_a_number_is_sent_cut_never_rounded_up(fields: dict[str, str], value: float, message: str) -> None:
    assert tell(**fields).message(value).hex(" ").upper() == message


TYPES = st.sampled_from(["uint16", "int16", "uint32", "int32", "float32"])


@given(TYPES, st.sampled_from(["1", "0.1", "0.01", "0.001", "0.0005"]), st.booleans(), st.floats(-30.0, 60.0))
def test_never_more_is_sent_than_was_asked_and_what_is_sent_is_read_back(kind: str, scale: str, low_first: bool, value: float) -> None:
    number = Number(kind, low_first, Decimal(scale))
    exact = Decimal(repr(round(value, 9)))
    steps = int(exact / number.scale)
    lowest, highest = {"uint16": (0, 65535), "int16": (-32768, 32767), "uint32": (0, 2**32 - 1)}.get(kind, (-(2**31), 2**31 - 1))
    if not lowest <= steps <= highest:
        with pytest.raises(InstrumentError, match="does not fit"):
            number.raw(exact)
        return
    back = number.value(number.raw(exact))

    assert abs(back) <= abs(value) + 1e-9 or kind == "float32"  # its own test below: here it is rounded to be shown
    assert abs(back - value) <= float(scale) + 1e-6 * abs(value)


@given(st.floats(-1e30, 1e30))
def test_a_float_in_registers_is_never_larger_than_what_was_asked(value: float) -> None:
    single = struct.unpack(">f", b"".join(part.to_bytes(2, "big") for part in Number("float32").raw(Decimal(value))))[0]

    assert abs(single) <= abs(value)
    assert single == pytest.approx(value, rel=2e-7, abs=1e-44)


def test_what_the_register_cannot_hold_is_not_sent() -> None:
    for value in (66.0, -0.5):
        with pytest.raises(InstrumentError, match="does not fit"):
            tell(scale="0.001").message(value)
    with pytest.raises(InstrumentError, match="does not fit"):
        Number("float32").raw(Decimal("1e39"))


# --- states ----------------------------------------------------------------------------------------------------------------


def test_yes_and_no_come_from_a_coil_a_register_a_bit_or_the_numbers_of_the_instrument() -> None:
    coil = ask("boolean", ask="coil 3")

    assert (coil.message, coil.parse(bytes.fromhex("01 01 01")), coil.parse(bytes.fromhex("01 01 00"))) == (bytes.fromhex("01 00 03 00 01"), True, False)
    assert ask("boolean", ask="discrete 0").message == bytes.fromhex("02 00 00 00 01")
    assert [ask("boolean").parse(reply(registers)) for registers in ("00 01", "00 00")] == [True, False]
    assert [ask("boolean", bit="9").parse(reply(registers)) for registers in ("02 00", "FD FF")] == [True, False]
    assert [ask("boolean", values="on=2 off=5").parse(reply(registers)) for registers in ("00 02", "00 05")] == [True, False]


def test_any_other_number_is_garbled_never_off() -> None:
    for question, registers in ((ask("boolean"), "00 02"), (ask("boolean", values="on=2 off=5"), "00 00"), (ask("word", values="CC=1"), "00 00")):
        with pytest.raises(LinkGarbledError, match="is none of"):
            question.parse(reply(registers))


def test_words_and_status_numbers() -> None:
    assert ask("word", values="cv=0 CC=1").parse(reply("00 00")) == "CV"
    assert ask("integer").parse(reply("02 01")) == 513
    assert ask("integer", type="int16").parse(reply("FF FF")) == -1


def test_the_identity_is_model_numbers_or_text() -> None:
    numbers = ask("identity", ask="holding 0-1")
    text = ask("identity", ask="input 0-7", type="text")

    assert (numbers.message, numbers.parse(reply("11 41 00 67"))) == (bytes.fromhex("03 00 00 00 02"), "4417,103")
    assert text.parse(bytes.fromhex("04 10") + b"Boathouse, SD1\0\0") == "Boathouse,SD1"
    for content in (b"\0" * 16, b"Boat\x80house SD1 \0", b"Boat\nhouse SD1 \0"):
        with pytest.raises(LinkGarbledError, match="not an identity"):
            text.parse(bytes.fromhex("04 10") + content)


# --- refusals --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("code", sorted(EXCEPTIONS))
def test_an_exception_is_told_in_words_and_waiting_is_not_refusing(code: int) -> None:
    expected = NotNowError if code in (5, 6, 11) else RefusedError
    for parse in (ask().parse, tell(scale="0.001").acknowledge):
        assert parse is not None
        function = 0x83 if parse == ask().parse else 0x86
        with pytest.raises(expected, match=EXCEPTIONS[code].partition(":")[0]):
            parse(bytes((function, code)))
    assert issubclass(NotNowError, NoReadingError)  # a sample goes on without it, the link stays good
    assert not issubclass(RefusedError, NoReadingError)


def test_a_code_that_no_standard_knows_is_refused_too() -> None:
    with pytest.raises(RefusedError, match="exception 63, not in the standard"):
        ask().parse(bytes((0x83, 0x63)))


def test_an_acknowledgement_must_be_the_one_of_its_command() -> None:
    off = modbus.command("off", {"send": "holding 18 0"}, carries_number=False)
    coil = modbus.command("open", {"send": "coil 2 off"}, carries_number=False)
    several = modbus.command("open", {"send": "coil 2 off", "write": "several"}, carries_number=False)
    level = tell(type="uint32", scale="0.001")

    for command, good, bad in (
        (off, "06 00 12 00 00", "06 00 12 00 01"),
        (coil, "05 00 02 00 00", "05 00 02 FF 00"),
        (several, "0F 00 02 00 01", "0F 00 02 00 02"),
        (level, "10 00 10 00 02", "10 00 10 00 01"),
        (tell(scale="0.001"), "06 00 10 07 3A", "06 00 11 07 3A"),
    ):
        assert command.acknowledge is not None
        command.acknowledge(bytes.fromhex(good))
        with pytest.raises(LinkGarbledError):
            command.acknowledge(bytes.fromhex(bad))


# --- rows that cannot be ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "fields", "told"),
    [
        ("number", {"ask": "40017"}, "asks nothing; write holding"),
        ("number", {"ask": "holding 70000"}, "the last address is 65535"),
        ("number", {"ask": "holding 16-18"}, "asks for 3; this question needs 1"),
        ("number", {"ask": "holding 18-16", "type": "uint32"}, "asks for -1"),
        ("number", {"ask": "coil 3"}, "only yes or no"),
        ("number", {"type": "uint64"}, "types are"),
        ("number", {"words": "low-first"}, "32-bit number"),
        ("number", {"type": "uint32", "words": "little"}, "32-bit number"),
        ("number", {"scale": "0"}, "what one step is worth"),
        ("number", {"scale": "1e-3"}, "what one step is worth"),
        ("number", {"scale": "-0.001"}, "what one step is worth"),
        ("number", {"type": "text"}, "only for an identity"),
        ("number", {"bit": "1"}, "bit says nothing here"),
        ("number", {"values": "on=1 off=0"}, "values says nothing here"),
        ("integer", {"scale": "0.1"}, "scale says nothing here"),
        ("integer", {"type": "float32"}, "a state is a whole number"),
        ("boolean", {"ask": "coil 3", "type": "uint16"}, "type says nothing here"),
        ("boolean", {"bit": "16"}, "from 0 to 15"),
        ("boolean", {"bit": "1", "type": "uint32"}, "from 0 to 15"),
        ("boolean", {"bit": "1", "values": "on=1 off=0"}, "from 0 to 15"),
        ("boolean", {"values": "yes=1 no=0"}, "on=1 off=0"),
        ("boolean", {"values": "on=1"}, "on=1 off=0"),
        ("word", {}, "registers hold no word"),
        ("word", {"values": "CV=0 CC=0"}, "each number once"),
        ("word", {"values": "0=CV"}, "word = number"),
        ("word", {"values": ""}, "values"),
        ("identity", {"type": "int32"}, "write text, or uint16"),
        ("error", {}, r"lacks: \[error\]"),
    ],
)
def test_a_question_that_cannot_be_is_refused_with_its_reason(kind: str, fields: dict[str, str], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        ask(kind, **fields)


@pytest.mark.parametrize(
    ("carries_number", "fields", "told"),
    [
        (True, {"send": "input 16 {value}"}, "is no command"),
        (True, {"send": "holding 16 1"}, "a set-point, and nothing else"),
        (False, {}, "a set-point, and nothing else"),
        (False, {"send": "coil 3 1"}, "is no command"),
        (False, {"send": "holding 3 on"}, "is no command"),
        (False, {"send": "holding 3 70000"}, "16 bits"),
        (False, {"send": "holding 3 1", "scale": "0.1"}, "carries no number"),
        (True, {"type": "float32"}, "decimals belong to float32"),
        (True, {"decimals": "3"}, "decimals belong to float32"),
        (True, {"write": "twice"}, "one or several"),
    ],
)
def test_a_command_that_cannot_be_is_refused_with_its_reason(carries_number: bool, fields: dict[str, str], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        tell(carries_number=carries_number, **fields)


def test_what_a_row_may_hold_is_what_it_reads() -> None:
    given_keys: dict[str, Any] = {"type": "uint32", "words": "low-first", "scale": "0.1"}

    assert set(given_keys) | {"ask", "bit", "values"} == set(modbus.QUESTION_KEYS)
    assert set(given_keys) | {"send", "decimals", "write"} == set(modbus.COMMAND_KEYS)
