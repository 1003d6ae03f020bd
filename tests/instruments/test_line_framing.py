"""Lines of text of any device: the whole line must fit the pattern, and numbers are as strict as in SCPI."""

from __future__ import annotations

import pytest

from chargerd.errors import LinkGarbledError
from chargerd.instruments.framing import line
from chargerd.instruments.framing.scpi import NoReadingError


def meaning(fields: dict[str, str], kind: str, reply: bytes) -> object:
    return line.question("voltage", fields, kind).parse(reply)


@pytest.mark.parametrize(("pattern", "reply", "value"), [
    ("V={number}", b"V=1.850", 1.85),
    ("{number} V", b"+1.85E0 V", 1.85),
    ("t1={number} {skip}", b"t1=23.4 t2=22.9 ok", 23.4),
    ("{skip} t2={number}", b"t1=23.4 t2=-2.9", -2.9),
])
def test_a_number_stands_where_the_pattern_says(pattern: str, reply: bytes, value: float) -> None:
    assert meaning({"ask": "V?", "reply": pattern}, "number", reply) == value


@pytest.mark.parametrize("reply", [
    b"V=", b"V=1,85", b"V=nan", b"V=1_0", b"V=1.85V", b"v=1.85", b"V=1.85 V=1.9", b"V=1.85\xff", b"", b"U=1.85", b"V=1.8.5", b"V=0x10",
])
def test_anything_else_is_no_reading(reply: bytes) -> None:
    with pytest.raises(LinkGarbledError):
        meaning({"ask": "V?", "reply": "V={number}"}, "number", reply)


def test_scpi_special_values_are_no_numbers_in_lines_either() -> None:
    with pytest.raises(NoReadingError):
        meaning({"ask": "V?", "reply": "V={number}"}, "number", b"V=9.91E37")


def test_a_scale_keeps_the_digits_that_were_sent() -> None:
    assert meaning({"ask": "V?", "reply": "{number}", "scale": "0.001"}, "number", b"1851") == 1.851
    command = line.command("voltage_set", {"send": "u{value}", "decimals": "0", "scale": "0.001"}, carries_number=True)
    assert (command.message(1.8519), command.text(1.8519), command.step) == (b"u1851", "u1.851", 0.001)
    assert float(command.sent(1.8519)) == 1.851


def test_words_mean_what_the_file_says() -> None:
    fields = {"ask": "O?", "reply": "O {word}", "values": "ON=1 OFF=0"}
    assert [meaning(fields, "boolean", raw) for raw in (b"O ON", b"O off")] == [True, False]
    with pytest.raises(LinkGarbledError, match="none of ON, OFF"):
        meaning(fields, "boolean", b"O PERHAPS")
    assert meaning({"ask": "M?", "reply": "{word}", "values": "CC=1 CV=0"}, "integer", b"CC") == 1


def test_a_command_may_have_to_be_answered() -> None:
    command = line.command("off", {"send": "O0", "reply": "OK {skip}"}, carries_number=False)
    assert command.acknowledge is not None
    command.acknowledge(b"OK 17")
    with pytest.raises(LinkGarbledError, match="not 'OK"):
        command.acknowledge(b"ERR 17")


@pytest.mark.parametrize(("fields", "kind", "told"), [
    ({"reply": "{number}"}, "number", "write what is asked"),
    ({"ask": "V?", "reply": "V="}, "number", "must hold {number}"),
    ({"ask": "V?", "reply": "{number} {number}"}, "number", "only one"),
    ({"ask": "V?", "reply": "{volt}"}, "number", "only one"),
    ({"ask": "V?", "reply": "{word}"}, "number", "must hold {number}"),
    ({"ask": "V?", "reply": "{number}", "scale": "-1"}, "number", "no positive number"),
    ({"ask": "V?", "reply": "{number}", "scale": "milli"}, "number", "no positive number"),
    ({"ask": "O?", "reply": "{word}"}, "boolean", "needs values"),
    ({"ask": "O?", "reply": "{word}", "values": "ON=yes"}, "boolean", "write for example"),
    ({"ask": "V?\n", "reply": "{number}"}, "number", "write what is asked"),
])
def test_a_row_that_cannot_be_is_refused(fields: dict[str, str], kind: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        line.question("voltage", fields, kind)


@pytest.mark.parametrize(("fields", "carries", "told"), [
    ({"send": ""}, False, "write what is sent"),
    ({"send": "V{value}"}, True, "a set-point"),
    ({"send": "V", "decimals": "2"}, True, "a set-point"),
    ({"send": "on {value}", "decimals": "2"}, False, "a set-point"),
    ({"send": "on", "reply": "OK {number}"}, False, "holds no value"),
])
def test_a_command_row_that_cannot_be_is_refused(fields: dict[str, str], carries: bool, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        line.command("on", fields, carries_number=carries)


@pytest.mark.parametrize("said", [b"t1=open", b"t1=-----"])
def test_what_a_device_says_for_a_missing_sensor_is_no_reading_and_no_garbage(said: bytes) -> None:
    fields = {"ask": "t1", "reply": "t1={number}", "missing": "open -----"}

    with pytest.raises(NoReadingError):
        meaning(fields, "number", said)
    assert meaning(fields, "number", b"t1=-0.5") == -0.5
    with pytest.raises(LinkGarbledError):
        meaning(fields, "number", b"t1=shut")
    with pytest.raises(ValueError, match="only a number"):
        line.question("closed", {"ask": "c", "reply": "{boolean}", "missing": "open"}, "boolean")


@pytest.mark.parametrize("reply", [b"t1=1 t2=22,9", b"t1=1 t2=22,9 t3=1", b"t1=1t2=22.9", b"t1=1 xt2=22.9", b"t1=1 t2=22.9C", b"t1=1 t2=22.9-"])
def test_no_part_of_a_number_or_a_word_is_skipped(reply: bytes) -> None:
    with pytest.raises(LinkGarbledError):
        meaning({"ask": "", "reply": "{skip}t2={number}{skip}"}, "number", reply)
