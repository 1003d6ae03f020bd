"""Ways in which instruments, their firmware or their operator's language spell a number, right or almost right.

Each takes the honest spelling of one number and gives another. Grouped: what an instrument says when it has no number (the
first group, after SCPI-1999 volume 1, §7.2.1, and common practice), what `float()` of Python takes and no instrument
means, what a person would read rightly and a program must not guess.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


def _always(text: str) -> Callable[[bytes], bytes]:
    data = text.encode("utf-8")
    return lambda _honest: data


def _with(before: str, after: str) -> Callable[[bytes], bytes]:
    ahead, behind = before.encode("utf-8"), after.encode("utf-8")
    return lambda honest: ahead + honest + behind


def _plain(honest: bytes) -> str:
    return f"{float(honest):.4f}"


def _digits(zero: str) -> Callable[[bytes], bytes]:
    """Digits of another script, from its zero on."""
    return lambda honest: "".join(chr(ord(zero) + int(c)) if c.isdigit() else c for c in honest.decode("ascii")).encode("utf-8")


_WORDS = (
    "9.91E37", "+9.910000E+37", "9.91e+37", "-9.91000E+37", "9.9E37", "+9.90000000E+37", "-9.9E37", "9.90E+37",
    "NAN", "nan", "NaN", "-nan", "+NaN", "nan(0x1)", "1.#QNAN", "-1.#IND", "INF", "inf", "+inf", "-inf", "-INF", "Infinity",
    "infinity", "1.#INF", "OL", "O.L", "-OL", "OVLD", "OVERLOAD", "overflow", "----", "---.---", "-.----", "?", "ERR",
    "Error", "E1", "#N/A", "null", "None", "invalid", "OPEN", "open", "SHORT", "1e400", "-1e400", "1e999", "+1E+308E",
)  # fmt: skip

SPELLINGS: Mapping[str, Callable[[bytes], bytes]] = {
    "empty": _always(""),
    "blank": _always(" "),
    **{word: _always(word) for word in _WORDS},
    "decimal comma": lambda honest: _plain(honest).replace(".", ",").encode(),
    "decimal comma with exponent": lambda honest: honest.replace(b".", b","),
    "two points": lambda honest: _plain(honest).replace(".", "..").encode(),
    "three parts": lambda honest: _plain(honest).encode() + b".5",
    "no digits": _always("."),
    "sign alone": _always("-"),
    "two signs": _with("+-", ""),
    "sign behind": _with("", "-"),
    "underscore": lambda honest: (_plain(honest) + "_0").encode(),
    "thousands": lambda honest: f"{float(honest) * 1000.0:_.3f}".encode(),
    "thousands with commas": lambda honest: f"{float(honest) * 1000.0:,.3f}".encode(),
    "apostrophe": lambda honest: f"{float(honest) * 1000.0:,.3f}".replace(",", "'").encode(),
    "blank inside": lambda honest: _plain(honest).replace(".", ". ").encode(),
    "blank before exponent": lambda honest: f"{float(honest):.4E}".replace("E", " E").encode(),
    "tab inside": lambda honest: _plain(honest).replace(".", ".\t").encode(),
    "unit volt": _with("", "V"),
    "unit with blank": _with("", " V"),
    "unit milli": _with("", "m"),
    "unit ampere": _with("", "A"),
    "degree": _with("", "°C"),
    "percent": _with("", "%"),
    "header in reply": _with("VOLT ", ""),
    "equals": _with("=", ""),
    "quoted": _with('"', '"'),
    "apostrophes": _with("'", "'"),
    "brackets": _with("(", ")"),
    "block": lambda honest: b"#1" + str(len(honest)).encode() + honest,
    "two values": lambda honest: honest + b"," + honest,
    "two values by semicolon": lambda honest: honest + b";" + honest,
    "exponent without digits": lambda honest: _plain(honest).encode() + b"E",
    "exponent with point": lambda honest: _plain(honest).encode() + b"E0.5",
    "Fortran exponent": lambda honest: f"{float(honest):.4E}".replace("E", "D").encode(),
    "times ten": lambda honest: _plain(honest).encode() + b"x10^0",
    "hexadecimal": _always("0x1A"),
    "hexadecimal of SCPI": _always("#H1A"),
    "float of C": lambda honest: float(honest).hex().encode(),
    "boolean": _always("True"),
    "letter O": lambda honest: honest.replace(b"0", b"O"),
    "letter l": lambda honest: b"l" + honest[1:],
    "full-width digits": _digits("０"),
    "Arabic digits": _digits("٠"),
    "Devanagari digits": _digits("०"),
    "mathematical digits": _digits("𝟎"),
    "superscript": _with("", "²"),
    "minus sign": lambda honest: "−".encode() + honest.lstrip(b"+-"),
    "en dash": lambda honest: "–".encode() + honest.lstrip(b"+-"),
    "full-width point": lambda honest: _plain(honest).replace(".", "．").encode(),
    "no-break space": _with("\u00a0", ""),
    "thin space inside": lambda honest: _plain(honest).replace(".", ".\u2009").encode(),
    "zero-width space": _with("", "\u200b"),
    "byte order mark": _with("\ufeff", ""),
    "zero byte": _with("", "\x00"),
    "bell": _with("\x07", ""),
    "escape": _with("\x1b[31m", "\x1b[0m"),
    "parity bit set": lambda honest: bytes(byte | 0x80 for byte in honest),
    "backspace": _with("9\b", ""),
    "very long": lambda honest: b"9" * 400 + honest,
}
"""What the spelling is called -> how a number becomes it. None may be taken for a number."""
