"""Rows as text: check value, quoting, formula guard, numbers, UTC."""

from __future__ import annotations

import csv
import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.journal.rowcheck import (
    cells_of,
    fault_of,
    guarded,
    number_cell,
    number_of,
    quoted,
    quoted_json,
    sealed,
    unguarded,
    utc_cell,
    utc_seconds,
    utc_text,
)

FORMULAS = (
    "=1+1", "+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "\0=1", "＝1", "＋1", "－1", "＠x", " =1", "  @x",
    "=cmd|' /C calc'!A0", '=HYPERLINK("http://example.org","x")', "'=1", "''", "'",
    "=1\r\n=2", "\x1b[31mred", "\x1b]0;title\x07", "a\nb", "a\x85b", "a\u2028b", "a\u202eb", "\\x3d1", "\\", "\\\\", "\ud800",
    "a,b", 'a"b', "a;=1", '"', ",", "\x7f", "", " ", "plover-01", "naïve Ω µ", "\U000e0001",
)  # fmt: skip


def test_the_check_value_is_the_published_crc_32() -> None:
    # Check value of CRC-32/ISO-HDLC for the nine digits, from memory of the catalogue of CRC algorithms: cbf43926.
    assert sealed("123456789") == b"123456789cbf43926\r\n"


def test_a_sealed_row_has_no_fault_and_gives_its_cells() -> None:
    line = sealed('7,"b ""q"" b",x,')
    assert fault_of(line) == ""
    assert cells_of(line) == ["7", 'b "q" b', "x"]


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (b"1,a,", "cut off before its end"),
        (sealed("1,a,")[:-1], "cut off before its end"),
        (b"\0" * 40, "nothing but zero bytes"),
        (b"1,a\r\n", "no check value"),
        (b"\r\n", "no check value"),
        (sealed("1,a")[:], "no check value"),
        (sealed("1,a,").replace(b"1,a", b"1,b"), "its check value does not fit its bytes"),
    ],
)
def test_a_line_that_is_no_row_says_why(line: bytes, fault: str) -> None:
    assert fault_of(line) == fault


def test_an_upper_case_hex_digit_is_damage() -> None:
    line = next(line for line in (sealed(f"{n},") for n in range(100)) if any(digit in b"abcdef" for digit in line[-10:-2]))
    assert fault_of(line[:-10] + line[-10:-2].upper() + b"\r\n") == "its check value does not fit its bytes"


def test_cells_that_are_not_csv_are_refused() -> None:
    with pytest.raises(ValueError, match=r"expected|quote"):
        cells_of(sealed('1,"a"b,'))


@pytest.mark.parametrize("text", FORMULAS)
def test_no_text_cell_is_a_formula_or_a_control_character(text: str) -> None:
    cell = guarded(text)
    assert not cell.strip(" ").startswith(tuple("=+-@＝＋－＠"))
    assert cell.isprintable()
    assert unguarded(cell) == text


@pytest.mark.parametrize("text", FORMULAS)
def test_a_text_cell_stays_one_cell_of_one_line(text: str) -> None:
    line = sealed(f"1,{quoted(guarded(text))},")
    assert line.count(b"\r") == line.count(b"\n") == 1
    ((_, cell, _check),) = csv.reader([line.decode()], strict=True)
    assert cell == guarded(text)
    assert cells_of(line)[1] == cell


@given(st.text())
def test_every_text_comes_back_from_its_cell(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert cells_of(sealed(f"1,{quoted(guarded(text))},"))[1] == guarded(text)


@pytest.mark.parametrize("cell", ["=1", "a\nb", "\\q", "\\x41"])
def test_a_cell_that_the_guard_cannot_have_made_is_refused(cell: str) -> None:
    with pytest.raises(ValueError, match="text cell"):
        unguarded(cell)


def test_json_is_quoted_and_has_no_delete_character() -> None:
    assert quoted_json('{"a":"\x7f"}') == '"{""a"":""\\u007f""}"'


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_reads_back_bit_identical(value: float) -> None:
    assert struct.pack("<d", number_of(number_cell(value))) == struct.pack("<d", value)


def test_an_unknown_number_is_an_empty_cell() -> None:
    assert number_cell(None) == ""


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_cell_is_not_a_number(value: float) -> None:
    with pytest.raises(ValueError, match="not a number"):
        number_cell(value)
    with pytest.raises(ValueError, match="finite"):
        number_of(repr(value))


@pytest.mark.parametrize("value", [1, True])
def test_an_int_is_refused_because_it_would_come_back_as_a_float(value: float) -> None:
    with pytest.raises(TypeError):
        number_cell(value)


def test_utc_is_rfc_3339_to_the_millisecond() -> None:
    # First two rows: examples of RFC 3339 section 5.8, the first with its Unix time.
    assert utc_text(482196050.52) == "1985-04-12T23:20:50.520Z"
    assert utc_seconds("1985-04-12T23:20:50.52Z") == 482196050.52
    assert utc_text(1_800_000_000.9996) == "2027-01-15T08:00:01.000Z"
    assert utc_seconds("1969-07-20T20:17:00Z") == -14182980.0


@pytest.mark.parametrize(
    "text", ["1996-12-19T16:39:57-08:00", "1985-04-12T23:20:50.52z", "1990-12-31T23:59:60Z", "1985-04-12 23:20:50Z", ""]
)
def test_what_is_not_utc_with_z_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"RFC 3339|second"):
        utc_seconds(text)


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("\x1f", "\\x1f"), ("\x7f", "\\x7f"), ("\xad", "\\xad"), ("ÿ", "ÿ"), ("\u2028", "\\u2028"), ("\uffff", "\\uffff"),
        ("\U0001000c", "\\U0001000c"), ("\U000e0001", "\\U000e0001"), ("\\", "\\\\"),
    ],
)  # fmt: skip
def test_what_cannot_be_printed_is_escaped_with_as_many_digits_as_it_needs(text: str, cell: str) -> None:
    """Two, four or eight: U+00AD, U+2028 and U+E0001 are format characters, U+FFFF and U+1000C no characters at all."""
    assert guarded(text) == cell


def test_a_utc_cell_is_itself_or_refused() -> None:
    assert utc_cell("2027-05-01T18:30:00.000Z") == "2027-05-01T18:30:00.000Z"
    with pytest.raises(ValueError, match="not a UTC time"):
        utc_cell("2027-05-01 18:30")
