"""What counts as a reply. Vectors: IEEE 488.2 §7.7.2 and §8.7 (numbers), SCPI-1999 volume 1 §7.2.1 (special values)."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.errors import LinkGarbledError
from chargerd.instruments.framing import scpi

GOOD = {
    "+1.75000E+00": 1.75, "1.75": 1.75, "1.750E0": 1.75, " 1.75\r\n": 1.75, ".175E+1": 1.75, "1.75e+00": 1.75, "+2": 2.0,
    "146": 146.0, "+146": 146.0, "-12345": -12345.0, "12.3": 12.3, "+1.2345": 1.2345, "-0.123": -0.123, "+200": 200.0,
    "-56": -56.0, "+9.9E36": 9.9e36, "-0.0000": 0.0, "0": 0.0,
}  # fmt: skip
NO_READING = ("9.91E37", "+9.910000E+37", "9.91e+37", "-9.91000E+37", "9.9100E37", "9.9099E37")
OVER_RANGE = ("9.9E37", "+9.90000000E+37", "-9.9E37", "-9.900E+37", "1E38", "-1e99", "9.9E999", "+1e400")


@pytest.mark.parametrize(("text", "value"), GOOD.items())
def test_numbers_of_the_standard_are_read(text: str, value: float) -> None:
    assert value == scpi.parse_number(text)


@pytest.mark.parametrize("text", NO_READING)
def test_the_standard_not_a_number_is_no_reading(text: str) -> None:
    with pytest.raises(scpi.NoReadingError):
        scpi.parse_number(text)


@pytest.mark.parametrize("text", OVER_RANGE)
def test_infinity_is_over_range(text: str) -> None:
    with pytest.raises(scpi.OverRangeError):
        scpi.parse_number(text)


def evil_numbers() -> list[str]:
    """Spellings that are no number of the standard, though many pass a language's own conversion."""
    words = ["nan", "NaN", "NAN", "-nan", "+nan", "inf", "Inf", "INF", "-inf", "+inf", "infinity", "Infinity", "NINF", "NINFinity"]
    words += ["", " ", "\r\n", "\n", "ERR", "ERROR", "OL", "OVLD", "-", "+", ".", "e", "E5", "+.", "-.e3", "ON", "OFF", "True", "None"]
    forms = ["1_000", "1_0.5", "0x10", "0b11", "0o17", "#H20", "#Q20", "#B11", "#15hello", "1,75", "1,2", "1.75,0.5", "1;2", "1.7.5"]
    forms += ["1.", "1.E0", "1.75E", "1.75E+", "1.75E-", "1.75E+-1", "1.75E1.0", "1.75 E+00", "1.75E +0", "1 .75", "1. 75", "1 75", "- 1"]
    forms += ["--1", "++1", "+-1", "1-", "1+", "1.75e+0000", "1E1000", "1e", "1d0", "1.75D+00", "1.75F", "1.75j", "1j", "1L", "1f"]
    units = [f"1.75{unit}" for unit in ("V", " V", "A", " A", "mV", " mV", "VDC", " VDC", "%", " %", "E", "OHM", "degC", "°C", " C", "k", "M", "u", "µ")]
    quoted = ['"1.75"', "'1.75'", "(1.75)", "[1.75]", "{1.75}", "<1.75>", "=1.75", "$1.75", "1.75!", "1.75?", "1.75:", "1.75#", "1.75*", "1.75/2", "3/2"]
    controls = [f"1.75{chr(code)}2" for code in range(32)] + ["\x001.75", "1.75\x00", "\x7f1.75", "1.75\x7f", "\x1b[31m1.75", "1.75\x08"]
    blanks = [f"{space}1.75" for space in "\u00a0\u2007\u202f\u2009\u3000\u200b\ufeff\u2028\u2029\x85\x0b\x0c"]
    fullwidth = ["１.７５", "1.７5", "１", "＋1.75", "－1.75", "−1.75", "–1.75", "1．75", "1·75", "1٫75", "1\u066c750", "1'750", "1 750", "1\u202f750"]
    scripts = ["".join(chr(base + digit) for digit in (1, 7, 5)) for base in (0x660, 0x6F0, 0x966, 0x9E6, 0xE50, 0x1D7CE, 0x1D7D8, 0xFF10)]
    others = ["1.75;", ";1.75", ",1.75", "1.75,", "1.75\t2", "1.75@", "@1.75", "1.75~", "(@1)", "²", "½", "Ⅳ", "①", "১", "1²", "1.75½", "∞", "-∞", "9" * 33, "0." + "1" * 40, "1" * 5000, "1.75" * 20, "1.75\n1.80", "1.75\r\n1.80", "1.75\r1"]
    return words + forms + units + quoted + controls + blanks + fullwidth + scripts + others


def test_there_are_two_hundred_evil_spellings() -> None:
    spellings = evil_numbers()

    assert len(set(spellings)) >= 200


@pytest.mark.parametrize("text", sorted(set(evil_numbers())), ids=lambda text: ascii(text)[:40])
def test_what_is_no_number_of_the_standard_is_refused(text: str) -> None:
    with pytest.raises(LinkGarbledError):
        scpi.parse_number(text)


@given(st.text(max_size=40))
def test_any_text_is_a_finite_ascii_number_or_an_error(text: str) -> None:
    try:
        value = scpi.parse_number(text)
    except (LinkGarbledError, scpi.NoReadingError, scpi.OverRangeError):
        return

    assert math.isfinite(value)
    assert text.isascii()
    assert all(unicodedata.category(letter) in {"Nd", "Po", "Sm", "Pd", "Lu", "Ll", "Zs", "Cc"} for letter in text)


@given(st.floats(min_value=-1e30, max_value=1e30), st.sampled_from(["+.5E", ".9e", "+.8E", "+.17E"]))
def test_a_number_in_a_devices_format_comes_back_to_its_digits(value: float, form: str) -> None:
    text = format(value, form)

    assert scpi.parse_number(text) == float(text)


@pytest.mark.parametrize(("text", "value"), [("1", True), ("0", False), ("ON", True), ("OFF", False), ("on", True), (" 0\r\n", False)])
def test_booleans_come_as_digits_or_words(text: str, value: bool) -> None:
    assert value is scpi.parse_boolean(text)


@pytest.mark.parametrize("text", ["", "2", "01", "1.0", "TRUE", "yes", "ONN", "１", "ＯＮ", "1,0", "0;1", "+1", "OﬀF"])
def test_what_is_no_boolean_is_refused(text: str) -> None:
    with pytest.raises(LinkGarbledError):
        scpi.parse_boolean(text)


@pytest.mark.parametrize(("text", "value"), [("0", 0), ("+0", 0), ("-000", 0), ("1536", 1536), ("+32767\n", 32767)])
def test_integers_are_read(text: str, value: int) -> None:
    assert value == scpi.parse_integer(text)


@pytest.mark.parametrize("text", ["", "1.0", "1E2", "1_0", "٣", "0x1F", "#H1F", "12345678901", "1 2", "1,2"])
def test_what_is_no_integer_is_refused(text: str) -> None:
    with pytest.raises(LinkGarbledError):
        scpi.parse_integer(text)


@pytest.mark.parametrize(("text", "identity"), [
    ("Boathouse,Source 3A,SN1,1.0", "Boathouse,Source 3A,SN1,1.0"),
    ("Boathouse, Source 3A , 0, 0\r\n", "Boathouse,Source 3A,0,0"),
])
def test_an_identity_has_four_fields(text: str, identity: str) -> None:
    assert identity == scpi.parse_identity(text)


@pytest.mark.parametrize("text", ["", "a,b,c", "a,b,c,d,e", ",b,c,d", "a,,c,d", "a,b\x00,c,d", "a,b,c\x1b[2J,d", "ä,b,c,d", "a" * 70 + ",b,c,d", "1.75"])
def test_what_is_no_identity_is_refused(text: str) -> None:
    with pytest.raises(LinkGarbledError):
        scpi.parse_identity(text)


@pytest.mark.parametrize(("text", "entry"), [
    ('0,"No error"', (0, "No error")),
    ('+0,"No error"', (0, "No error")),
    ('-000,"No error"', (0, "No error")),
    ('-222,"Data out of range"', (-222, "Data out of range")),
    ('-222,"Data out of range;VOLT 99"\n', (-222, "Data out of range;VOLT 99")),
    ('-113, "Undefined header"', (-113, "Undefined header")),
    ('-100,"a ""quoted"" word, and a comma"', (-100, 'a "quoted" word, and a comma')),
])
def test_error_queue_entries_are_read(text: str, entry: tuple[int, str]) -> None:
    assert entry == tuple(scpi.parse_error(text))


@pytest.mark.parametrize("text", ["", "0", "No error", "0,No error", '0,"No error', '0,"a"b"', '0.5,"x"', ',"x"', '0,"x",', '0,"' + "x" * 256 + '"', '0,"\x07"'])
def test_what_is_no_error_queue_entry_is_refused(text: str) -> None:
    with pytest.raises(LinkGarbledError):
        scpi.parse_error(text)


def test_a_string_keeps_its_quotes_and_commas() -> None:
    assert scpi.parse_string('"text with ""quote"" , and comma"') == 'text with "quote" , and comma'


@pytest.mark.parametrize(("text", "word"), [("CURR", "CURR"), ("current", "CURRENT"), ('"VOLT"', "VOLT"), (" RES \n", "RES")])
def test_a_word_may_be_quoted(text: str, word: str) -> None:
    assert word == scpi.parse_word(text)


@pytest.mark.parametrize("text", ["", '""', "1", "CURR,VOLT", "CURR VOLT", '"CURR', "СURR", "CURR;1", "A" * 40])
def test_what_is_no_word_is_refused(text: str) -> None:
    with pytest.raises(LinkGarbledError):
        scpi.parse_word(text)


def test_a_compound_reply_is_split_outside_quotes() -> None:
    assert scpi.split_replies('1.75;0,"a;b";1', 3) == ["1.75", '0,"a;b"', "1"]


@pytest.mark.parametrize(("text", "count"), [("1;2", 3), ("1;2;3", 2), ('1;"2', 2), ('1;"2;3', 2), ("", 2), ("1;;2", 2), ('0,"a";"b', 2)])
def test_a_compound_reply_with_another_count_is_refused(text: str, count: int) -> None:
    with pytest.raises(LinkGarbledError):
        scpi.split_replies(text, count)


@given(st.text(max_size=60), st.integers(1, 6))
def test_splitting_any_text_ends_and_counts(text: str, count: int) -> None:
    try:
        pieces = scpi.split_replies(text, count)
    except LinkGarbledError:
        return

    assert count == len(pieces)


@pytest.mark.parametrize("notation", ["VOLTage", "CURRent", "OUTPut", "STATe", "STATus", "ERRor", "CLEar", "INPut", "SHORt", "LEVel", "TEMPerature",
                                      "PROTection", "QUEStionable", "OPERation", "CONDition", "SYSTem", "MODE", "DC", "PON", "REMote", "IMMediate", "TRIPped"])
def test_lawful_mnemonics_are_accepted(notation: str) -> None:
    assert scpi.is_standard_mnemonic(notation)


@pytest.mark.parametrize("notation", ["", "volt", "VOLtage", "VOLTAge", "Voltage", "INPUt", "ERROr", "DCx", "MODe", "VOLT age", "VOLT1", "QUEStionableness", "ÄMPEre"])
def test_unlawful_mnemonics_are_refused(notation: str) -> None:
    assert not scpi.is_standard_mnemonic(notation)


def test_headers_are_sent_in_their_short_form() -> None:
    assert scpi.short_header("MEASure:VOLTage:DC?") == "MEAS:VOLT:DC?"
    assert scpi.short_header("*IDN?") == "*IDN?"
    for wrong in ("MEASURe:VOLTage?", "*idn?", "*?", "MEAS::VOLT?", "MEASure:VOLTage ?", "МEAS?"):
        with pytest.raises(ValueError):
            scpi.short_header(wrong)


# --- lengths and special values exactly at their bounds -------------------------------------------------------------------------


@pytest.mark.parametrize(("parse", "longest", "too_long"), [
    (scpi.parse_number, "0." + "1" * 30, "0." + "1" * 31),
    (scpi.parse_identity, "a" * 66 + ",b,c,d", "a" * 67 + ",b,c,d"),
    (scpi.parse_error, '0,"' + "x" * 255 + '"', '0,"' + "x" * 256 + '"'),
])
def test_the_longest_reply_is_read_and_one_character_more_is_not(parse: Callable[[str], object], longest: str, too_long: str) -> None:
    """32 characters of a number, 72 of an identity (IEEE 488.2 §10.14), 255 of an error's text (SCPI-1999 volume 2, §21.8)."""
    assert parse(longest) is not None
    with pytest.raises(LinkGarbledError):
        parse(too_long)


@pytest.mark.parametrize(("text", "meant"), [
    ("9.8950E37", 9.895e37),  # half of the thousandth between infinity and "not a number" below infinity, and a little more
    ("9.8951E37", scpi.OverRangeError), ("9.9049E37", scpi.OverRangeError), ("9.9050E37", scpi.OverRangeError),
    ("9.9051E37", scpi.NoReadingError), ("9.9149E37", scpi.NoReadingError), ("9.9150E37", scpi.OverRangeError), ("9.9200E37", scpi.OverRangeError),
])
def test_a_special_value_is_known_within_half_the_distance_to_the_other(text: str, meant: float | type[Exception]) -> None:
    """9.9E37 and 9.91E37 (SCPI-1999 volume 1, §7.2.1), as formats with few digits write them."""
    if isinstance(meant, float):
        assert scpi.parse_number(text) == meant
    else:
        with pytest.raises(meant):
            scpi.parse_number(text)


@pytest.mark.parametrize(("text", "shown"), [("x" * 40, repr("x" * 40)), ("x" * 41, repr("x" * 40 + "…"))])
def test_what_is_refused_is_shown_and_not_at_any_length(text: str, shown: str) -> None:
    with pytest.raises(LinkGarbledError) as refused:
        scpi.parse_number(text)
    assert str(refused.value) == f"not a number: {shown}"


def test_a_text_with_characters_that_cannot_be_printed_is_refused() -> None:
    for text in ('"a\x07b"', '"\x00"', '"ä"'):
        with pytest.raises(LinkGarbledError, match="not a quoted text"):
            scpi.parse_string(text)


def test_an_empty_last_reply_is_a_reply() -> None:
    assert scpi.split_replies("1;", 2) == ["1", ""]
    assert scpi.split_replies("", 1) == [""]
    with pytest.raises(LinkGarbledError, match="a quote is never closed"):
        scpi.split_replies('1;"2', 2)


@pytest.mark.parametrize(("notation", "is_lawful"), [("QUEStionable", True), ("QUEStionabled", False)])
def test_a_mnemonic_has_twelve_letters_at_most(notation: str, is_lawful: bool) -> None:
    """SCPI-1999 volume 1, §6.2.1."""
    assert scpi.is_standard_mnemonic(notation) is is_lawful


@pytest.mark.parametrize("notation", ["*iDN?", "*IdN?", "*1DN?", "*ÄDN?", "*?"])
def test_a_common_command_has_capital_letters_only(notation: str) -> None:
    with pytest.raises(ValueError, match="no common command"):
        scpi.short_header(notation)
