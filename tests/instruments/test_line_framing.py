"""Lines of text of any device: the whole line must fit the pattern, and numbers are as strict as in SCPI."""

from __future__ import annotations

import re

import pytest

from chargerd.errors import LinkGarbledError
from chargerd.instruments.framing import line
from chargerd.instruments.framing.scpi import ErrorEntry, NoReadingError


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


@pytest.mark.parametrize(("reply", "number"), [(b"TR=0", 0), (b"TR=V", 1), (b"tr=i", None), (b"TR=i", 2), (b"TR=-", 3), (b"TR=#4", 4)])
def test_any_word_that_is_listed_is_understood(reply: bytes, number: int | None) -> None:
    fields = {"ask": "TR?", "reply": "TR={word}", "values": "0=0 V=1 I=2 -=3 #4=4"}
    if number is None:
        with pytest.raises(LinkGarbledError):
            meaning(fields, "integer", reply)
    else:
        assert meaning(fields, "integer", reply) == number


@pytest.mark.parametrize("reply", [b"TR=VI", b"TR=5", b"TR=00", b"TR=", b"TR=0 V"])
def test_a_word_that_is_not_listed_is_garbled_whatever_it_begins_with(reply: bytes) -> None:
    with pytest.raises(LinkGarbledError):
        meaning({"ask": "TR?", "reply": "TR={word}", "values": "0=0 V=1 I=2"}, "integer", reply)


@pytest.mark.parametrize(("fields", "told"), [
    ({"ask": "TR?", "reply": "TR={integer}", "values": "0=0 V=1"}, "'V' is no integer"),
    ({"ask": "TR?", "reply": "TR={word}", "values": "V=1 v=2"}, "stands there twice"),
    ({"ask": "TR?", "reply": "TR={word}", "values": "=1"}, "write for example"),
    ({"ask": "TR {value}", "reply": "TR={integer}"}, "belongs into a command"),
])
def test_values_that_could_never_be_understood_are_refused(fields: dict[str, str], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        line.question("questionable", fields, "integer")


@pytest.mark.parametrize("send", ["SV {number}", "{", "V={value}}"])
def test_a_command_holds_no_braces_but_those_of_its_value(send: str) -> None:
    with pytest.raises(ValueError, match="no braces but"):
        line.command("voltage_set", {"send": send, "decimals": "3"}, carries_number=True)


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


BESIDE_A_NUMBER = [
    ("T={number}{skip}", "T=22 .5", None), ("T={number}{skip}", "T=2 2.5", None), ("T={number}{skip}", "T=22 ,5", None),
    ("T={number}{skip}", "T=22,5", None), ("T={number}{skip}", "T=22   5", None), ("T={number}{skip}", "T=1 E3", None),
    ("T={number}{skip}", "T=1 e -3", None), ("T={number}{skip}", "T=22 -", None), ("T={number}{skip}", "T=22C", None),
    ("T={number}{skip}", "T=22 C", 22.0), ("T={number}{skip}", "T=22.5;30", 22.5), ("T={number}{skip}", "T=22.5", 22.5),
    ("T={number}{skip}", "T=22.5 error 3", 22.5), ("T={integer}{skip}", "T=22.5", None), ("T={integer}{skip}", "T=2 2", None),
    ("{skip}{number}", "T=2 2.5", None), ("{skip}{number}", "T=22 .5", None), ("{skip}{number}", "T=- 22.5", None),
    ("{skip}{number}", "T=22,5", None), ("{skip}{number}", "T=1E 5", None), ("{skip}{number}", "T=1.E5", None),
    ("{skip}{number}", "T=22.5", None), ("{skip}={number}", "T=22.5", 22.5), ("{skip}{number}", "T= -22.5", -22.5), ("{skip}{number}", "rate 22.5", 22.5),
    ("{skip}{number}", "22.5", 22.5), ("{skip}{number}", "  -22.5", -22.5), ("{skip}{number}{skip}", "T 22.5 C", 22.5),
    ("{number} {skip}", "1.850 150", 1.85), ("{number} {skip}", "1.850 -0.15", 1.85), ("{number} {skip}", "22 .5", None),
    ("{number} {skip}", "22 ,5", None), ("{number} {skip}", "22  . 5", None), ("{number} {skip}", "1 E3", None), ("{number} {skip}", "22 - ok", 22.0),
    ("{skip} {number}", "1.850 150", 150.0), ("{skip} {number}", "22. 5", None), ("{skip} {number}", "T - 5", None), ("{skip} {number}", "1E 5", None),
    ("{skip} {number}", "Temp.  22.5", 22.5), ("{skip} {number}", "22 , 5", None),
    ("{number},{skip}", "22,5", None), ("{number},{skip}", "22, 5", None), ("{number},{skip}", "1,234.5", None), ("{number},{skip}", "22.5,ok 3", 22.5),
    ("{number}, {skip}", "22.5, 23.1", 22.5), ("{number}, {skip}", "22,5", None), ("{skip}, {number}", "22.5, 23.1", 23.1),
    ("{skip},{number}", "22,5", None), ("{skip},{number}", "-,5", None), ("{skip},{number}", "ok,22.5", 22.5), ("{skip},{number}", "22 ,5", None),
    ("{number} V{skip}", "1.85 V 3", 1.85), ("{skip}t2={number}{skip}", "t1=1.5 t2=22.5 t3=2", 22.5),
]  # fmt: skip
"""Pattern, line, the number believed or None: no part of a number is ever one."""


@pytest.mark.parametrize(("pattern", "said", "value"), BESIDE_A_NUMBER)
def test_what_is_skipped_never_holds_a_part_of_the_number(pattern: str, said: str, value: float | None) -> None:
    kind = "integer" if "{integer}" in pattern else "number"
    question = line.question("voltage", {"ask": "V?", "reply": pattern}, kind)
    if value is None:
        with pytest.raises(LinkGarbledError):
            question.parse(said.encode())
    else:
        assert question.parse(said.encode()) == value
        held = re.fullmatch(question.proof.pattern, said)
        assert held is not None
        assert float(held[1]) == value


@pytest.mark.parametrize(("said", "number"), [
    (b"0,none", 0), (b"-12,bad header", -12), (b'0,"No error"', 0), (b"+0,", 0), (b"-113, not known", -113), (b"7,(see page 5)", 7),
])
def test_an_error_queue_of_number_comma_and_words(said: bytes, number: int) -> None:
    entry = meaning({"ask": "E?", "reply": "{integer},{skip}"}, "error", said)
    assert isinstance(entry, ErrorEntry)
    assert entry.number == number


@pytest.mark.parametrize("said", [b"0,5", b"0, 5", b"0.5,none", b"0 ,none", b"0none", b"0", b"none,0"])
def test_half_a_number_is_no_entry_of_an_error_queue(said: bytes) -> None:
    with pytest.raises(LinkGarbledError):
        meaning({"ask": "E?", "reply": "{integer},{skip}"}, "error", said)


@pytest.mark.parametrize(("pattern", "said"), [
    ("{skip}t2={number}{skip}", b"t2=22.5 t1=1 t2=23.5"), ("{skip} {number} {skip}", b"a 1 b 2 c"), ("{skip}V={number}{skip}", b"V=1.85 V=1.95"),
])
def test_a_line_that_holds_two_values_holds_none(pattern: str, said: bytes) -> None:
    with pytest.raises(LinkGarbledError, match="stands there twice"):
        meaning({"ask": "V?", "reply": pattern}, "number", said)


@pytest.mark.parametrize(("reply", "kind", "told"), [
    ("t1{number}", "number", "'1' beside {number} could be a part of it; leave it to {number}"),
    ("T-{number}", "number", "'-' beside {number} could be a part of it"), ("1e{number}", "number", "'e' beside {number}"),
    ("{number}.{skip}", "number", "'.' beside {number}"), ("{integer}-{skip}", "integer", "'-' beside {integer}"), ("{number},5", "number", "',' beside {number}"),
    ("{number}e-3", "number", "'e' beside {number}"), ("{text}{skip}", "identity", "{text} takes all there is"), ("{skip}{text}", "identity", "{text} takes all there is"),
    ("{skip}{skip}{number}", "number", "one {skip} is enough"), ("{number} {", "number", "a brace that belongs to no placeholder"),
    ("{Number}", "number", "a brace that belongs to no placeholder"), ("{volt}", "number", "{volt} is none"), ("{number}{integer}", "number", "two values"),
])
def test_a_pattern_that_leaves_open_where_the_value_ends_is_refused_in_words(reply: str, kind: str, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        line.question("voltage", {"ask": "V?", "reply": reply}, kind)


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
