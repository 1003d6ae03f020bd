"""Frames of bytes: every byte is what the file says, or the reply is none."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.errors import InstrumentError, LinkGarbledError
from chargerd.instruments.framing import bytes as rows
from chargerd.instruments.framing.scpi import ErrorEntry


def meaning(fields: dict[str, str], kind: str, reply: str) -> object:
    question = rows.question("closed", fields, kind)
    raw = bytes.fromhex(reply)
    assert question.message[0] == len(fields["reply"].split())
    return question.parse(raw)


STATE = {"ask": "A0 #3 02 cc", "reply": "A0 #3 vv cc", "check": "sum"}


def test_the_message_is_the_length_of_the_reply_and_the_frame_with_its_check_value() -> None:
    question = rows.question("closed", STATE, "boolean")

    assert question.message == bytes.fromhex("04 A0 03 02 A5")
    assert question.text == "A0 03 02 A5"


@pytest.mark.parametrize(("check", "value"), [("sum", "A6"), ("complement", "5A"), ("xor", "A2")])
def test_the_check_values(check: str, value: str) -> None:
    """Computed by hand: A0+05+01 = A6; 100−A6 = 5A; A0^05^01 = A4, so the xor row has 07 in its middle: A0^07^05 = A2."""
    frame = "A0 07 05 cc" if check == "xor" else "A0 05 01 cc"

    assert rows.command("close", {"send": frame, "check": check}, carries_number=False).message()[-1:] == bytes.fromhex(value)


def test_booleans_are_0_and_1_or_what_the_file_says() -> None:
    assert [meaning(STATE, "boolean", frame) for frame in ("A0 03 00 A3", "A0 03 01 A4")] == [False, True]
    with pytest.raises(LinkGarbledError, match="neither"):
        meaning(STATE, "boolean", "A0 03 02 A5")
    said = STATE | {"values": "1=FF 0=00"}
    assert [meaning(said, "boolean", frame) for frame in ("A0 03 FF A2", "A0 03 00 A3")] == [True, False]
    with pytest.raises(LinkGarbledError, match="none of"):
        meaning(said, "boolean", "A0 03 01 A4")


@pytest.mark.parametrize("reply", ["A0 03 01 A5", "A0 02 01 A3", "A0 03 01", "A0 03 01 A4 00", "", "A1 03 01 A5", "A4 01 03 A0"])
def test_anything_else_is_no_reply(reply: str) -> None:
    with pytest.raises(LinkGarbledError):
        meaning(STATE, "boolean", reply)


@given(st.binary(min_size=4, max_size=4), st.integers(0, 31))
def test_no_single_flipped_bit_passes_where_there_is_a_check_value(junk: bytes, bit: int) -> None:
    question = rows.question("closed", STATE, "boolean")
    good = bytearray.fromhex("A0 03 01 A4")
    assert question.parse(bytes(good)) is True
    good[bit // 8] ^= 1 << bit % 8
    with pytest.raises(LinkGarbledError):
        question.parse(bytes(good))
    if junk[:2] != b"\xa0\x03":
        with pytest.raises(LinkGarbledError):
            question.parse(junk)


def test_one_bit_of_a_mask_is_one_relay() -> None:
    fields = {"ask": "A0 00", "reply": "A0 vv vv", "bit": "10"}

    assert [meaning(fields, "boolean", frame) for frame in ("A0 02 00", "A0 FD FF")] == [True, False]
    assert meaning(fields | {"order": "low-first"}, "boolean", "A0 00 02") is True


def test_numbers_have_a_scale_a_sign_and_an_order() -> None:
    fields = {"ask": "01", "reply": "01 vv vv ??", "scale": "0.001"}

    assert meaning(fields, "number", "01 07 3B FF") == 1.851
    assert meaning(fields | {"order": "low-first"}, "number", "01 3B 07 00") == 1.851
    assert meaning(fields | {"sign": "yes", "scale": "0.1"}, "number", "01 FF EC 00") == -2.0
    assert meaning({"ask": "01", "reply": "01 vv vv"}, "integer", "01 01 00") == 256
    assert meaning({"ask": "01", "reply": "vv"}, "error", "07") == ErrorEntry(7, "")
    assert meaning({"ask": "01", "reply": "01 vv vv vv"}, "identity", "01 B0 A7 01") == "B0 A7 01"
    assert meaning({"ask": "01", "reply": "vv", "values": "cc=01 CV=00"}, "word", "01") == "CC"


def test_a_set_point_is_cut_and_refused_when_it_does_not_fit() -> None:
    command = rows.command("voltage_set", {"send": "10 vv vv cc", "check": "xor", "scale": "0.001", "reply": "10 06"}, carries_number=True)

    assert command.message(1.8519) == bytes.fromhex("02 10 07 3B 2C")
    assert (float(command.sent(1.8519)), command.step, command.text(1.8519)) == (1.851, 0.001, "10 1.851 cc")
    with pytest.raises(InstrumentError, match="does not fit"):
        command.message(65.536)
    with pytest.raises(InstrumentError, match="does not fit"):
        command.message(-0.001)
    assert command.acknowledge is not None
    command.acknowledge(bytes.fromhex("10 06"))
    with pytest.raises(LinkGarbledError):
        command.acknowledge(bytes.fromhex("10 15"))


def test_a_command_without_a_reply_announces_none() -> None:
    command = rows.command("close", {"send": "A0 #12 01"}, carries_number=False)

    assert command.message() == bytes.fromhex("00 A0 0C 01")
    assert command.text() == "A0 0C 01"
    assert command.acknowledge is None


@pytest.mark.parametrize(("fields", "kind", "told"), [
    ({"ask": "A0  01", "reply": "vv"}, "integer", "is no frame"),
    ({"ask": "A", "reply": "vv"}, "integer", "is no frame"),
    ({"ask": "", "reply": "vv"}, "integer", "is no frame"),
    ({"ask": " ".join(["00"] * 65), "reply": "vv"}, "integer", "is no frame"),
    ({"ask": "A0 ??", "reply": "vv"}, "integer", "must be known"),
    ({"ask": "A0 vv", "reply": "vv"}, "integer", "holds no value"),
    ({"ask": "A0 #256", "reply": "vv"}, "integer", "is no byte"),
    ({"ask": "A0", "reply": "A0"}, "integer", "write vv"),
    ({"ask": "A0", "reply": "vv 00 vv"}, "integer", "stand together"),
    ({"ask": "A0 cc", "reply": "vv"}, "integer", "write one of sum"),
    ({"ask": "A0", "reply": "cc vv", "check": "sum"}, "integer", "the last"),
    ({"ask": "A0", "reply": "vv", "values": "1"}, "integer", "meaning = bytes"),
    ({"ask": "A0", "reply": "vv", "values": "1=FFFF"}, "integer", "meaning = bytes"),
    ({"ask": "A0", "reply": "vv", "values": "on=FF"}, "boolean", "numbers before the bytes"),
    ({"ask": "A0", "reply": "vv"}, "word", "hold no word"),
    ({"ask": "A0", "reply": "vv", "bit": "9"}, "boolean", "bits 1"),
    ({"ask": "A0", "reply": "vv", "bit": "1"}, "number", "neither values nor bit"),
    ({"ask": "A0", "reply": "vv", "sign": "maybe"}, "number", "yes or no"),
    ({"ask": "A0", "reply": "vv", "order": "middle"}, "number", "one of high-first"),
    ({"ask": "A0", "reply": "vv", "scale": "-1"}, "number", "no positive number"),
    ({"ask": "A0", "reply": "vv", "scale": "1 V"}, "number", "no positive number"),
])  # fmt: skip
def test_a_wrong_question_row_says_what_to_write(fields: dict[str, str], kind: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        rows.question("closed", fields, kind)


@pytest.mark.parametrize(("fields", "carries", "told"), [
    ({"send": "A0 vv"}, False, "nothing else"),
    ({"send": "A0"}, True, "nothing else"),
    ({"send": "A0", "reply": "vv"}, False, "holds no value"),
    ({}, False, "is no frame"),
])
def test_a_wrong_command_row_says_what_to_write(fields: dict[str, str], carries: bool, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        rows.command("close", fields, carries_number=carries)
