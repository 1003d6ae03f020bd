"""SCPI rows of a dialect file: headers in SCPI notation (`MEASure:VOLTage?`), of which the short form is sent. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from chargerd.errors import LinkGarbledError
from chargerd.instruments.framing import scpi
from chargerd.instruments.framing.spoken import Command, Question, text_command

BINARY = False
QUESTION_KEYS: tuple[str, ...] = ("ask", "reply")
COMMAND_KEYS: tuple[str, ...] = ("send", "decimals")

PARSERS: dict[str, Callable[[str], object]] = {
    "identity": scpi.parse_identity,
    "error": scpi.parse_error,
    "integer": scpi.parse_integer,
    "number": scpi.parse_number,
    "boolean": scpi.parse_boolean,
    "word": scpi.parse_word,
}

NEVER_SEND = re.compile(r"\*RST\b|\bSHOR|\bOUTP:ALL\b|\bOUTPUT:ALL\b", re.IGNORECASE)
"""A short across the cell; a reset (leaves the input of some loads on); a group command (may hit an output that must stay)."""

_SPOKEN = re.compile(r"(?P<header>[A-Za-z0-9:*]+\??)(?: (?P<arguments>[A-Za-z0-9@(),.:!]*(?:\{value\})?[A-Za-z0-9@(),.:!]*))?")


def question(name: str, fields: Mapping[str, str], kind: str) -> Question:
    """Return the question of one row. Raises ValueError: what is wrong with it."""
    notation = fields.get("ask", "")
    if fields.get("reply", "") != kind:
        raise ValueError(f"reply {fields.get('reply', '')!r} cannot be; write reply: {kind}")
    if not notation.partition(" ")[0].endswith("?"):
        raise ValueError(f"{notation!r} asks nothing; end its header with a question mark")
    text = short_text(notation)
    return Question(name, notation, text, text.encode("ascii"), reading(PARSERS[kind]))


def command(name: str, fields: Mapping[str, str], *, carries_number: bool) -> Command:
    """Return the command of one row. Raises ValueError: what is wrong with it."""
    notation = fields.get("send", "")
    if "?" in notation:
        raise ValueError(f"{notation!r} is no command; write a header, and after one space a word or {{value}}")
    decimals = fields.get("decimals", "" if carries_number else "0")
    carries = "{value}" in notation
    if carries != carries_number or carries != ("decimals" in fields) or not re.fullmatch("[0-6]", decimals):
        raise ValueError(
            "a set-point, and nothing else, carries {value} and decimals 0 to 6; "
            'write for example {send: "VOLTage {value}", decimals: 3}'
        )
    return text_command(name, notation, short_text(notation), int(decimals))


def short_text(notation: str) -> str:
    """Return what is sent for a header in SCPI notation with its arguments.

    Raises:
        ValueError: not a message, never sent, or a mnemonic that breaks the short-form rule.
    """
    match = _SPOKEN.fullmatch(notation)
    if match is None:
        raise ValueError(f"{notation!r} is no command; write a header, and after one space a word or {{value}}")
    if NEVER_SEND.search(notation):
        raise ValueError(f"{notation} is never sent; delete it")
    arguments = match["arguments"]
    if arguments is None:
        return scpi.short_header(match["header"])
    words = re.sub(r"\{value\}", "", arguments)
    for word in re.findall("[A-Za-z]+", words):
        if not scpi.is_standard_mnemonic(word):
            raise ValueError(
                f"{word!r} in {notation!r} breaks the short-form rule of SCPI (capitals: the short form); "
                f"write {scpi.standard_mnemonic(word)}, or framing: line for words that have no short form"
            )
    short = "".join(letter for letter in words if not letter.islower())
    head, value, tail = arguments.partition("{value}")
    if value:
        short = "".join(letter for letter in head if not letter.islower()) + value
        short += "".join(letter for letter in tail if not letter.islower())
    return f"{scpi.short_header(match['header'])} {short}"


def selected(rows: Question | Command, select: str) -> str:
    """Return the text of a message that selects its output first, in the same line (IEEE 488.2 compound message)."""
    text = rows.text if isinstance(rows, Question) else rows.template
    return text if text.startswith("*") else f"{select};:{text}"


def with_select(row: Question, select: str) -> Question:
    """Return the question with the selection before it."""
    text = selected(row, select)
    return Question(row.name, row.notation, text, text.encode("ascii"), row.parse, row.proof)


def command_with_select(row: Command, select: str) -> Command:
    """Return the command with the selection before it."""
    return text_command(row.name, row.notation, selected(row, select), row.decimals)


def reading(parse: Callable[[str], object]) -> Callable[[bytes], object]:
    """Return a parser of bytes from one of text."""

    def read(raw: bytes) -> object:
        try:
            text = raw.decode("ascii")
        except UnicodeDecodeError as fault:
            raise LinkGarbledError(f"not ASCII: {raw[:40]!r}") from fault
        return parse(text)

    return read
