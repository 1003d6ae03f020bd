"""The strict grammar of what instruments may answer, and the spelling of headers. Pure: text in, values out.

Python's `float()` is far too forgiving for a number that decides whether a cell is charged on: it takes `nan`, `inf`,
`1_000`, digits of other scripts and `1e400`. Here a reply either is a number of IEEE 488.2 (NR1, NR2, NR3) written in
ASCII, or it is an error. Special values after SCPI-1999 volume 1, §7.2.1: 9.9E37 is infinity, 9.91E37 is "not a number".
"""

from __future__ import annotations

import re
from typing import NamedTuple

from chargerd.errors import InstrumentError, LinkGarbledError

NUMBER_LENGTH_MAX = 32
"""Characters. The longest NR3 reply of fifteen digits has 22; anything much longer is two replies run together."""

IDENTITY_LENGTH_MAX = 72
"""Characters of an `*IDN?` reply, IEEE 488.2 §10.14."""

ERROR_TEXT_LENGTH_MAX = 255
"""Characters of the text in an error queue entry, SCPI-1999 volume 2, §21.8."""

_NOT_A_NUMBER = 9.91e37
_INFINITY = 9.9e37
_SPECIAL_TOLERANCE = 1e-3
"""Relative. Formats differ in digits (`9.91E37`, `9.910000E+37`); the two special values are 1e-3 apart exactly."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_INTEGER = re.compile(r"[+-]?[0-9]{1,10}")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,31}")
_STRING = re.compile(r'"((?:[^"]|"")*)"')
_ERROR = re.compile(r'([+-]?[0-9]{1,6}),[ ]?("(?:[^"]|"")*")')
_PIECE = re.compile(r'(?:[^";]|"(?:[^"]|"")*")*')
_PRINTABLE = re.compile(r"[\x20-\x7e]*")
_BLANKS = " \t\r\n"
_BOOLEANS = {"1": True, "0": False, "ON": True, "OFF": False}
_MNEMONIC = re.compile(r"[A-Z]+[a-z]*")


class NoReadingError(InstrumentError):
    """The instrument answered 9.91E37: it has no reading. Never a number."""


class OverRangeError(InstrumentError):
    """The instrument answered plus or minus 9.9E37 (infinity), or more: the input is beyond its range."""


class ErrorEntry(NamedTuple):
    """One entry of an instrument's error queue. Number 0: the queue is empty."""

    number: int
    text: str


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:40] + "…")


def parse_number(text: str) -> float:
    """Return the one number in `text`, in the unit the question asked for.

    Raises:
        LinkGarbledError: anything but one ASCII NR1, NR2 or NR3 number (a unit, a decimal comma, two values, nothing).
        NoReadingError: 9.91E37.
        OverRangeError: 9.9E37 and beyond, of either sign.
    """
    stripped = text.strip(_BLANKS)
    if len(stripped) > NUMBER_LENGTH_MAX or _NUMBER.fullmatch(stripped) is None:
        raise LinkGarbledError(f"not a number: {_shown(text)}")
    value = float(stripped) + 0.0  # a reply of -0.000 is 0
    size = abs(value)
    if size < _INFINITY * (1.0 - _SPECIAL_TOLERANCE / 2):
        return value
    if abs(size - _NOT_A_NUMBER) < _NOT_A_NUMBER * _SPECIAL_TOLERANCE / 2:
        raise NoReadingError(f"the instrument has no reading ({stripped})")
    raise OverRangeError(f"the instrument is over its range ({stripped})")


def parse_integer(text: str) -> int:
    """Return the one NR1 integer in `text`. Raises LinkGarbledError on anything else."""
    stripped = text.strip(_BLANKS)
    if _INTEGER.fullmatch(stripped) is None:
        raise LinkGarbledError(f"not a whole number: {_shown(text)}")
    return int(stripped)


def parse_boolean(text: str) -> bool:
    """Return the truth of `1`, `0`, `ON` or `OFF`. Raises LinkGarbledError on anything else.

    Queries of a Boolean answer 1 or 0 (SCPI-1999 volume 1, §7.3); instruments that answer the words exist.
    """
    value = _BOOLEANS.get(text.strip(_BLANKS).upper() if text.isascii() else text)
    if value is None:
        raise LinkGarbledError(f"neither on nor off: {_shown(text)}")
    return value


def parse_word(text: str) -> str:
    """Return the one word in `text`, bare or quoted, in capitals. Raises LinkGarbledError on anything else."""
    stripped = text.strip(_BLANKS)
    quoted = _STRING.fullmatch(stripped)
    word = quoted[1] if quoted else stripped
    if _WORD.fullmatch(word) is None:
        raise LinkGarbledError(f"not one word: {_shown(text)}")
    return word.upper()


def parse_string(text: str) -> str:
    """Return what stands in the double quotes of `text`, doubled quotes made single. Raises LinkGarbledError else."""
    match = _STRING.fullmatch(text.strip(_BLANKS))
    if match is None or _PRINTABLE.fullmatch(match[1]) is None:
        raise LinkGarbledError(f"not a quoted text: {_shown(text)}")
    return match[1].replace('""', '"')


def parse_identity(text: str) -> str:
    """Return an `*IDN?` reply with blanks around its four fields removed.

    Raises:
        LinkGarbledError: not exactly four fields, none of the first two filled, too long, or control characters.
    """
    stripped = text.strip(_BLANKS)
    fields = [field.strip(" ") for field in stripped.split(",")]
    if len(stripped) > IDENTITY_LENGTH_MAX or _PRINTABLE.fullmatch(stripped) is None:
        raise LinkGarbledError(f"not an identity: {_shown(text)}")
    if len(fields) != 4 or not fields[0] or not fields[1]:
        raise LinkGarbledError(f"not an identity of four fields: {_shown(text)}")
    return ",".join(fields)


def parse_error(text: str) -> ErrorEntry:
    """Return one entry of the error queue from `<number>,"<text>"`. Raises LinkGarbledError on anything else.

    Only the number decides whether there is an error: `0`, `+0` and `-000` all mean that the queue is empty.
    """
    match = _ERROR.fullmatch(text.strip(_BLANKS))
    if match is None or len(match[2]) > ERROR_TEXT_LENGTH_MAX + 2:
        raise LinkGarbledError(f"not an error queue entry: {_shown(text)}")
    return ErrorEntry(int(match[1]), parse_string(match[2]))


def split_replies(text: str, count: int) -> list[str]:
    """Split the reply to a compound message of `count` questions at semicolons outside quotes (IEEE 488.2 §8.4.1).

    Raises:
        LinkGarbledError: more or fewer replies than questions, or a quote never closed.
    """
    pieces: list[str] = []
    start = 0
    while start <= len(text):
        match = _PIECE.match(text, start)
        end = match.end() if match else start
        if end < len(text) and text[end] != ";":
            raise LinkGarbledError(f"a quote is never closed: {_shown(text)}")
        pieces.append(text[start:end].strip(_BLANKS))
        start = end + 1
    if len(pieces) != count:
        raise LinkGarbledError(f"{len(pieces)} replies to {count} questions: {_shown(text)}")
    return pieces


def is_standard_mnemonic(notation: str) -> bool:
    """Tell whether a mnemonic in SCPI notation (`VOLTage`, capitals = short form) obeys SCPI-1999 volume 1, §6.2.1.

    At most twelve letters; the short form is the first four, or the first three when the fourth is a vowel; a word of up
    to four letters has only one form.
    """
    return bool(_MNEMONIC.fullmatch(notation)) and len(notation) <= 12 and notation == standard_mnemonic(notation)


def standard_mnemonic(word: str) -> str:
    """Return a word in SCPI notation, capitals for the short form of SCPI-1999 volume 1, §6.2.1: `VOLTage`, `POWer`."""
    length = len(word) if len(word) <= 4 else 3 if word[3].upper() in "AEIOU" else 4
    return word[:length].upper() + word[length:].lower()


def short_header(notation: str) -> str:
    """Return what is sent for a header in SCPI notation: `MEASure:VOLTage?` becomes `MEAS:VOLT?`, `*IDN?` stays.

    A mnemonic may end with the number of the output it speaks to (`OUTPut2`).

    Raises:
        ValueError: a mnemonic that breaks the short-form rule; the message names it.
    """
    body = notation.removesuffix("?")
    if body.startswith("*"):
        if not (body[1:].isascii() and body[1:].isalpha() and body[1:].isupper()):
            raise ValueError(f"{notation!r} is no common command")
        return notation
    for mnemonic in body.removeprefix(":").split(":"):
        if not is_standard_mnemonic(mnemonic.rstrip("0123456789")):
            raise ValueError(
                f"{mnemonic!r} in {notation!r} breaks the short-form rule of SCPI (capitals: the short form); "
                f"write {standard_mnemonic(mnemonic)}, or framing: line for words that have no short form"
            )
    return "".join(letter for letter in notation if not letter.islower())
