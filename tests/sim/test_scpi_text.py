"""The text layer: IEEE 488.2 for messages and numbers, SCPI-1999 volume 1 for headers.

Vectors marked [parser] are those the tests of an open SCPI-1999 parser library state; the rest is read off the standards'
rules as programming manuals repeat them.
"""

from __future__ import annotations

import re

import pytest

from chargerd.sim.behaviour import behaviour_names, load_behaviour
from chargerd.sim.scpi_text import (
    ScpiError,
    expand,
    lawful_short_form,
    multiplier_of,
    parse_boolean,
    parse_channels,
    parse_number,
    parse_unit,
    short_form,
    split_outside_quotes,
    strip_suffixes,
)


def spelled(pattern: str) -> set[str]:
    return {":".join(nodes) for nodes in expand(pattern)}


@pytest.mark.parametrize(
    ("long_form", "expected"),
    [
        ("VOLTage", "VOLT"), ("OUTPut", "OUTP"), ("STATe", "STAT"), ("SYSTem", "SYST"), ("ERRor", "ERR"),
        ("CLEar", "CLE"), ("INPut", "INP"), ("IMMediate", "IMM"), ("LEVel", "LEV"), ("DELay", "DEL"),
        ("POWer", "POW"), ("RESistance", "RES"), ("REMote", "REM"), ("FUNCtion", "FUNC"), ("MODE", "MODE"),
    ],
)  # fmt: skip
def test_the_short_form_is_four_letters_or_three_before_a_vowel(long_form: str, expected: str) -> None:
    # SCPI-1999 volume 1, §6.2.1
    assert expected == lawful_short_form(long_form)
    assert expected == short_form(long_form)


@pytest.mark.parametrize("name", behaviour_names("scpi"))
def test_every_header_of_every_behaviour_obeys_the_short_form_rule(name: str) -> None:
    entries = load_behaviour(name).commands.values()
    texts = {entry.header for entry in entries if "*" not in entry.header} | {word for e in entries for word in e.words}
    mnemonics = {word for text in texts for word in re.findall(r"[A-Za-z]+", text)}

    assert set() == {word for word in mnemonics if short_form(word) != lawful_short_form(word)}
    assert all(len(word) <= 12 for word in mnemonics)


def test_only_the_two_forms_of_a_mnemonic_are_legal() -> None:
    forms = spelled("ABcc:AACddd")

    assert {"AB:AAC", "ABCC:AAC", "AB:AACDDD", "ABCC:AACDDD"} == forms
    assert "ABCC:AACDD" not in forms  # [parser] abcc:aacdd must fail


def test_optional_nodes_may_be_left_out() -> None:
    assert "AAC" in spelled("[ABcc:]AACddd")  # [parser]
    assert "AB:CDEFG" in spelled("ABcc[:BCCdddd]:CDEFGeeeee")  # [parser]
    assert {"VOLT", "VOLTAGE", "SOUR:VOLT", "SOURCE:VOLT", "SOUR:VOLTAGE", "SOURCE:VOLTAGE"} == spelled("[SOURce:]VOLTage")


def test_a_numeric_suffix_is_told_from_the_mnemonic() -> None:
    assert strip_suffixes(("AB10",)) == (("AB#",), 10)  # [parser] Ab# matches aB10
    assert "AB#" in spelled("ABb#")
    assert strip_suffixes(("OUTP", "STAT")) == (("OUTP", "STAT"), 1)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("146", 146.0), ("+146", 146.0), ("-12345", -12345.0),  # NR1
        ("12.3", 12.3), ("+1.2345", 1.2345), ("-0.123", -0.123), (".5", 0.5), ("5.", 5.0),  # NR2
        ("+9.9E36", 9.9e36), ("1.75e+00", 1.75), ("175 E -2", 1.75), (".175E+1", 1.75),  # NR3, blanks around E
        ("#H20", 32.0), ("#Q20", 16.0), ("#B11", 3.0),  # [parser]
    ],
)  # fmt: skip
def test_a_listener_takes_every_form_of_number(text: str, expected: float) -> None:
    # IEEE 488.2 §7.7.2 and §7.7.4
    assert expected == pytest.approx(parse_number(text), rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("1.2mV", "V", 0.0012), ("1.2e-1V", "V", 0.12), ("100 OHM", "OHM", 100.0),  # [parser]
        ("5 kV", "V", 5e3), ("5 MAV", "V", 5e6), ("5 MA", "A", 5e-3), ("5 uA", "A", 5e-6), ("2 MS", "S", 2e-3),
        ("1 MOHM", "OHM", 1e6), ("1 MAOHM", "OHM", 1e6), ("1 MHZ", "HZ", 1e6), ("3 A", "A", 3.0),
    ],
)  # fmt: skip
def test_a_suffix_multiplies(text: str, unit: str, expected: float) -> None:
    # IEEE 488.2, tables 7-1 and 7-2
    assert expected == pytest.approx(parse_number(text, unit), rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "number"),
    [
        ("100 xyz", "V", -131), ("1.75V", "", -138), ("1 A", "V", -131), ("minc", "V", -224),  # first and last [parser]
        ("1.7.5", "V", -121), ("0x10", "V", -121), ("1,75", "V", -121), ("１.５", "V", -121), ("", "V", -121),
        ('"1"', "V", -104), ("(@1)", "V", -104), ("1e", "V", -131), ("--1", "V", -121),
    ],
)  # fmt: skip
def test_what_is_no_number_gets_the_error_the_standard_has_for_it(text: str, unit: str, number: int) -> None:
    with pytest.raises(ScpiError) as caught:
        parse_number(text, unit)

    assert number == caught.value.number


@pytest.mark.parametrize(("text", "expected"), [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False)])
def test_a_boolean_is_a_word_or_a_rounded_number(text: str, expected: bool) -> None:
    # SCPI-1999 volume 1, §7.3
    assert expected == parse_boolean(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("(@ 2)", [2]), ("(@1,3)", [1, 3]), ("(@1:4)", [1, 2, 3, 4]), ("(@103:101,105)", [103, 102, 101, 105])],
)
def test_a_channel_list_names_channels_and_ranges(text: str, expected: list[int]) -> None:
    # SCPI-1999 volume 1, §8.3.2: (@1), (@1,3), (@1:4); a range may count down
    assert expected == parse_channels(text)


@pytest.mark.parametrize("text", ["(@)", "(1)", "(@1;2)", "(@1:)", "(@a)", "(@1!2)", "@1", "(@12345)", "(@1,)"])
def test_any_other_expression_is_refused(text: str) -> None:
    with pytest.raises(ScpiError) as caught:
        parse_channels(text)
    assert caught.value.number == -170


def test_a_header_follows_the_path_unless_it_starts_anew() -> None:
    assert parse_unit("volt 1", ("SOUR",)).header == ("SOUR", "VOLT")
    assert parse_unit(":volt 1", ("SOUR",)).header == ("VOLT",)
    assert parse_unit("*cls", ("SOUR",)).header == ("*CLS",)


def test_a_unit_has_its_parameters_apart() -> None:
    unit = parse_unit('DISP:TEXT\t"a,b" , 2', ())

    assert (unit.parameters, unit.is_query) == (('"a,b"', "2"), False)


@pytest.mark.parametrize(("text", "number"), [("VOLT?? 1", -102), ("1VOLT", -102), ("VÖLT 1", -101), ("VOLT::PROT 1", -102)])
def test_a_malformed_header_is_refused(text: str, number: int) -> None:
    with pytest.raises(ScpiError) as caught:
        parse_unit(text, ())

    assert number == caught.value.number


def test_separators_inside_quotes_and_lists_do_not_separate() -> None:
    assert split_outside_quotes("a ';' b; c", ";") == ["a ';' b", " c"]
    assert split_outside_quotes("1,(@1,3)", ",") == ["1", "(@1,3)"]
    with pytest.raises(ScpiError):
        split_outside_quotes('"never closed', ";")


def test_a_suffix_on_a_unitless_setting_is_refused() -> None:
    assert multiplier_of("", "") == 1.0
    with pytest.raises(ScpiError) as caught:
        multiplier_of("V", "")
    assert caught.value.number == -138
