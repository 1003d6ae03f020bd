"""The text layer of a SCPI listener: headers, program messages and parameters, as a listening instrument reads them.

Rules after IEEE 488.2 (forgiving listening, numbers, suffix multipliers) and SCPI-1999 volume 1 (headers: short and
long form only, optional nodes, numeric suffixes, path of a compound message). Knows nothing of instruments or time.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

ERROR_TEXTS = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -170: "Expression error",
    -203: "Command protected",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -300: "Device specific error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -440: "Query UNTERMINATED after indefinite response",
}
"""Numbers and texts of SCPI-1999 volume 2, chapter 21, that this listener can report."""

MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
"""Suffix multipliers of IEEE 488.2, table 7-2. M is milli, but mega before OHM and HZ (`multiplier_of`)."""

_NODE = re.compile(r"[A-Z]+[a-z]*#?")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[ \t]*[eE][ \t]*[+-]?\d+)?)[ \t]*([A-Za-z/]*)")
_RADIX = re.compile(r"#(?:[Hh]([0-9A-Fa-f]+)|[Qq]([0-7]+)|[Bb]([01]+))")
_HEADER = re.compile(r"\*[A-Za-z]+\??|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*\??")
_SUFFIX = re.compile(r"(.*?[A-Z_])(\d+)$")


class ScpiError(Exception):
    """A message unit that cannot be carried out; `number` is the SCPI error number."""

    def __init__(self, number: int, device_info: str = "") -> None:
        super().__init__(f"{number} {ERROR_TEXTS[number]} {device_info}".rstrip())
        self.number = number
        self.device_info = device_info


@dataclass(frozen=True, slots=True)
class Unit:
    """One message unit: its header, as typed but joined to its path and in upper case, and its raw parameters."""

    header: tuple[str, ...]
    is_query: bool
    parameters: tuple[str, ...]


def short_form(mnemonic: str) -> str:
    """Short form of a mnemonic written in mixed case: its capitals (`VOLTage` -> `VOLT`)."""
    return "".join(letter for letter in mnemonic if letter.isupper())


def lawful_short_form(long_form: str) -> str:
    """Short form SCPI-1999 (volume 1, §6.2.1) prescribes: four letters, three when the fourth of more is a vowel."""
    word = long_form.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]


def expand(pattern: str) -> Iterator[tuple[str, ...]]:
    """Every legal spelling of a header pattern such as `[SOURce:]VOLTage[:LEVel]`, as tuples of upper-case nodes.

    A node marked `#` takes a numeric suffix: it is listed without one (meaning 1) and with a trailing `#`.
    """
    if pattern.startswith("*"):
        yield (pattern.upper(),)
        return
    choices: list[list[tuple[str, ...]]] = []
    for part in re.findall(r"\[[^\]]*\]|[^\[\]]+", pattern):
        optional = part.startswith("[")
        nodes = _NODE.findall(part)
        spellings = list(product(*(_node_forms(node) for node in nodes)))
        choices.append([(), *spellings] if optional else spellings)
    for combination in product(*choices):
        nodes_of = tuple(node for group in combination for node in group)
        if nodes_of:
            yield nodes_of


def _node_forms(node: str) -> list[str]:
    word, numbered = node.rstrip("#"), node.endswith("#")
    forms = sorted({short_form(word), word.upper()})
    return forms + [form + "#" for form in forms] if numbered else forms


def strip_suffixes(nodes: tuple[str, ...]) -> tuple[tuple[str, ...], int]:
    """Replace numeric suffixes by `#`; return the nodes and the (last) suffix, 1 when there is none."""
    suffix, out = 1, []
    for node in nodes:
        match = _SUFFIX.match(node)
        if match is None:
            out.append(node)
        else:
            out.append(match[1] + "#")
            suffix = int(match[2])
    return tuple(out), suffix


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Split at `separator`, but not inside quotes or parentheses.

    Raises:
        ScpiError: -151 for a quote never closed.
    """
    parts, start, quote, depth = [], 0, "", 0
    for index, letter in enumerate(text):
        if quote:
            if letter == quote:
                quote = ""
        elif letter in "\"'":
            quote = letter
        elif letter in "()":
            depth += 1 if letter == "(" else -1
        elif letter == separator and depth <= 0:
            parts.append(text[start:index])
            start = index + 1
    if quote:
        raise ScpiError(-151)
    parts.append(text[start:])
    return parts


@lru_cache(maxsize=1024)
def parse_unit(text: str, path: tuple[str, ...]) -> Unit:
    """Read one message unit, relative to `path` unless its header starts with `:` or `*`. The same text is read once.

    Raises:
        ScpiError: -101 for a character no header has, -102 for a header that is none.
    """
    head, _, tail = text.strip().partition(" ")
    head, tab, rest = head.partition("\t")
    if not head.isascii():
        raise ScpiError(-101)
    if not _HEADER.fullmatch(head):
        raise ScpiError(-102)
    is_query = head.endswith("?")
    word = head.rstrip("?").upper()
    parameters = (rest + " " + tail if tab else tail).strip()
    raw = tuple(part.strip() for part in split_outside_quotes(parameters, ",")) if parameters else ()
    if word.startswith("*"):
        return Unit((word,), is_query, raw)
    nodes = tuple(word.lstrip(":").split(":"))
    return Unit(nodes if word.startswith(":") else path + nodes, is_query, raw)


def multiplier_of(suffix: str, unit: str) -> float:
    """Factor that a suffix such as `MV` stands for, where `unit` is the unit the command expects (`V`).

    Raises:
        ScpiError: -138 where the command takes no suffix, -131 for a suffix that is not the unit with a multiplier.
    """
    if not suffix:
        return 1.0
    if not unit:
        raise ScpiError(-138)
    word, unit = suffix.upper(), unit.upper()
    if word == unit:
        return 1.0
    prefix = word.removesuffix(unit)
    if prefix == word or prefix not in MULTIPLIERS:
        raise ScpiError(-131)
    return 1e6 if prefix == "M" and unit in {"OHM", "HZ"} else MULTIPLIERS[prefix]


def parse_number(text: str, unit: str = "") -> float:
    """Read NRf or #H, #Q, #B data with an optional suffix; the value in the command's unit.

    Raises:
        ScpiError: -104 for strings and expressions, -121 for a malformed number, -131/-138 for the suffix,
            -224 for a word that is no number.
    """
    if text[:1] in {'"', "'", "("}:
        raise ScpiError(-104)
    radix = _RADIX.fullmatch(text)
    if radix is not None:
        hexadecimal, octal, binary = radix.groups()
        return float(int(hexadecimal, 16) if hexadecimal else int(octal, 8) if octal else int(binary, 2))
    number = _NUMBER.fullmatch(text) if text.isascii() else None
    if number is None:
        raise ScpiError(-224 if text[:1].isalpha() else -121)
    return float(re.sub(r"[ \t]", "", number[1])) * multiplier_of(number[2], unit)


def parse_boolean(text: str) -> bool:
    """Read ON, OFF or a number, which is rounded and is true when not 0 (SCPI-1999 volume 1, §7.3).

    Raises:
        ScpiError: -224 for any other word, -104/-121 as for numbers.
    """
    word = text.upper()
    if word in {"ON", "OFF"}:
        return word == "ON"
    return round(parse_number(text)) != 0


def parse_channels(text: str) -> list[int]:
    """Read a channel list: `(@2)`, `(@101,103)`, `(@1:4)`, or a mixture (SCPI-1999 volume 1, §8.3.2).

    Raises:
        ScpiError: -170 for any other expression.
    """
    body = re.fullmatch(r"\(@([\d,:]+)\)", text.replace(" ", ""))
    if body is None:
        raise ScpiError(-170)
    channels: list[int] = []
    for part in body[1].split(","):
        ends = re.fullmatch(r"(\d{1,4})(?::(\d{1,4}))?", part)
        if ends is None:
            raise ScpiError(-170)
        first, last = int(ends[1]), int(ends[2] or ends[1])
        channels += range(first, last + 1) if first <= last else range(first, last - 1, -1)
    return channels
