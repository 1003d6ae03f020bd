"""One row of a journal file: its text cells, its check value, its end. Knows nothing of columns or files.

A row is one line of RFC 4180 CSV ended by CR LF. Its last cell is the CRC-32 (ITU-T V.42, as zlib computes it) of every byte
of the line before that cell, the comma included, as eight lower-case hexadecimal digits. It is compared as exact text: a
reader that parsed it as a number would take `AB` for `ab`, and so a flipped bit for none. It finds damage, not forgery.
"""

from __future__ import annotations

import csv
import re
from datetime import UTC, datetime
from functools import lru_cache
from zlib import crc32

CHECK = "row_check"
END = b"\r\n"
CHECK_LENGTH = 8
_SEALED = CHECK_LENGTH + len(END)
_QUALMS = re.compile('[,";\t\r\n]')
_FORMULA_STARTS = tuple("=+-@＝＋－＠'")
"""A spreadsheet takes a cell that starts so for a formula (OWASP ASVS 1.2.10, and the full-width forms some take as well).

The apostrophe is in the list so that taking the guard away again is unambiguous.
"""
_ESCAPE = re.compile(r"\\(\\|x[0-9a-f]{2}|u[0-9a-f]{4}|U[0-9a-f]{8})")
_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?Z", re.ASCII)
number_text = float.__repr__
"""The shortest text that reads back as the identical float. Refuses int and bool, which would not come back as what they were."""


@lru_cache(maxsize=1024)
def guarded(text: str) -> str:
    """Return the text as a cell holds it: unprintable characters escaped, an apostrophe before what could be a formula."""
    if not text.isprintable() or "\\" in text:
        text = "".join(_escaped(character) for character in text)
    return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_STARTS) else text


def unguarded(cell: str) -> str:
    """Undo `guarded`. Raises ValueError on a cell that `guarded` cannot have made."""
    text = cell.removeprefix("'")
    plain = _ESCAPE.sub(_unescaped, text)
    if guarded(plain) != cell:
        raise ValueError(f"{cell!r} is not a text cell of ours")
    return plain


def _escaped(character: str) -> str:
    if character == "\\":
        return "\\\\"
    if character.isprintable():
        return character
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _unescaped(match: re.Match[str]) -> str:
    return "\\" if match[1] == "\\" else chr(int(match[1][1:], 16))


@lru_cache(maxsize=1024)
def quoted(cell: str) -> str:
    """Return the cell as RFC 4180 writes it: in quotes, quotes doubled, where its characters ask for it."""
    return '"' + cell.replace('"', '""') + '"' if _QUALMS.search(cell) else cell


def quoted_json(text: str) -> str:
    """Return canonical JSON as a quoted cell. DEL, the one control character JSON leaves alone, is escaped the JSON way."""
    return '"' + text.replace('"', '""').replace("\x7f", "\\u007f") + '"'


def number_cell(value: float | None) -> str:
    """Return the shortest text that reads back as the identical float; "" for None.

    Raises ValueError on NaN and infinity, TypeError on anything but a float (an int would come back as a float).
    """
    if value is None:
        return ""
    text = number_text(value)
    if text[-1] in "nf":
        raise ValueError(f"{text} is not a number to write down")
    return text


def number_of(cell: str) -> float:
    """Read a number cell. Raises ValueError when it is not a finite number."""
    value = float(cell)
    if value - value != 0.0:  # NaN and infinity, at a quarter of the cost of asking math
        raise ValueError(f"{cell!r} is not a finite number")
    return value


def utc_text(unix_s: float) -> str:
    """Return seconds since 1970 as RFC 3339 in UTC, to the millisecond: the form of every `utc` cell."""
    milliseconds = round(unix_s * 1000.0)
    return f"{_second_text(milliseconds // 1000)}.{milliseconds % 1000:03d}Z"


@lru_cache(maxsize=16)
def _second_text(unix_s: int) -> str:
    return datetime.fromtimestamp(unix_s, UTC).strftime("%Y-%m-%dT%H:%M:%S")


def utc_seconds(text: str) -> float:
    """Read a `utc` cell as seconds since 1970. Raises ValueError on anything but RFC 3339 with `Z` (and on a leap second)."""
    if not is_utc(text):
        raise ValueError(f"{text!r} is not a UTC time as RFC 3339 writes it, such as 2027-05-01T18:30:00.000Z")
    return datetime.fromisoformat(text).timestamp()


def is_utc(text: str) -> bool:
    """Tell whether the text is a `utc` cell. Wall time is written, never compared: its fields are not judged."""
    return _UTC.fullmatch(text) is not None


def utc_cell(text: str) -> str:
    """Return the text when it is a `utc` cell. Raises ValueError."""
    if not is_utc(text):
        raise ValueError(f"{text!r} is not a UTC time")
    return text


def sealed(body: str) -> bytes:
    """Return the whole line of a row whose cells, each followed by a comma, are `body`."""
    raw = body.encode()
    return b"%b%08x\r\n" % (raw, crc32(raw))


def fault_of(line: bytes) -> str:
    """Say what is wrong with a line as a row; "" when its end and its check value are right."""
    if line[-2:] != END:
        return "cut off before its end" if line.strip(b"\0") else "nothing but zero bytes"
    if line[-_SEALED - 1 : -_SEALED] != b",":
        return "no check value"
    if line[-_SEALED:-2] != b"%08x" % crc32(line[:-_SEALED]):
        return "its check value does not fit its bytes"
    return ""


def cells_of(line: bytes) -> list[str]:
    """Return the cells of a line that `fault_of` passed, without the check value. Raises ValueError when it is not CSV."""
    text = line[: -_SEALED - 1].decode()
    if '"' not in text:
        return text.split(",")
    try:
        (cells,) = csv.reader([text], strict=True)
    except csv.Error as error:
        raise ValueError(str(error)) from error
    return cells
