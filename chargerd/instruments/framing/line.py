"""Line rows of a dialect file: any device that is asked, and answers, in lines of text of its own. Pure.

A reply is described by a pattern that the whole line must fit: literal text with one of `{number}`, `{integer}`, `{boolean}`,
`{word}` or `{text}` where the value stands, and `{skip}` for what does not matter. Numbers are as strict as in SCPI; words that
a device says in place of one it has not are listed in `missing`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation

from chargerd.errors import LinkGarbledError
from chargerd.instruments.framing import scpi
from chargerd.instruments.framing.scpi_rows import reading
from chargerd.instruments.framing.spoken import Command, Proof, Question, text_command

BINARY = False
QUESTION_KEYS: tuple[str, ...] = ("ask", "reply", "scale", "values", "missing")
COMMAND_KEYS: tuple[str, ...] = ("send", "decimals", "scale", "reply")

_PLACEHOLDER = re.compile(r"\{([a-z]+)\}")
_PATTERNS = {
    "number": r"([^\s,;]{1,32})",
    "integer": r"([+-]?[0-9]{1,10})",
    "boolean": r"([A-Za-z0-9]{1,8})",
    "word": r"([A-Za-z-][A-Za-z0-9_]{0,31})",
    "text": r"([\x20-\x7e]{1,72})",
}
_EDGE = r"(?:(?<![A-Za-z0-9.,+-])|(?![A-Za-z0-9.,+-]))"
_SKIP = _EDGE + r"[\x20-\x7e]{0,120}?" + _EDGE
"""What is skipped begins and ends between words, so that no part of a number is skipped: `22,9` is not `22` and `,9`."""
_HOLDS: dict[str, tuple[str, ...]] = {
    "number": ("number",),
    "integer": ("integer", "word"),
    "boolean": ("boolean", "word", "integer"),
    "word": ("word",),
    "identity": ("text", "word"),
    "error": ("integer",),
}
"""Kind of a reply → the placeholders that may stand for it."""

_PRINTABLE = re.compile(r"[\x20-\x7e]*")


def question(name: str, fields: Mapping[str, str], kind: str) -> Question:
    """Return the question of one row. An empty `ask` listens to a device that prints unasked. Raises ValueError."""
    ask, reply = fields.get("ask"), fields.get("reply", "")
    if ask is None or _PRINTABLE.fullmatch(ask) is None:
        raise ValueError('write what is asked, for example {ask: "V?", reply: "V={number}"}; ask: "" listens')
    pattern, held = _pattern(reply)
    if held is None or held not in _HOLDS[kind]:
        wanted = " or ".join(f"{{{word}}}" for word in _HOLDS[kind])
        raise ValueError(f"reply {reply!r} cannot be; it must hold {wanted}")
    scale, values = _scale(fields), _values(fields, kind, held)
    parse = _sense(kind, scale, values)
    missing = fields.get("missing", "").split()
    if missing and kind != "number":
        raise ValueError(f"missing {fields['missing']!r}: only a number can be missing; delete it")

    def read(text: str) -> object:
        match = pattern.fullmatch(text.strip(" \t\r\n"))
        if match is None:
            raise LinkGarbledError(f"not {reply!r}: {text[:40]!r}")
        if match[1] in missing:
            raise scpi.NoReadingError(f"the device has no reading ({match[1]})")
        return parse(match[1])

    proof = Proof(pattern.pattern, no=_no(values), scale=float(scale))
    return Question(name, ask, ask or f"(listening for {reply})", ask.encode("ascii"), reading(read), proof)


def _no(values: Mapping[str, int]) -> tuple[str, ...]:
    """Return the words of a reply that mean no, in the spellings that are accepted."""
    if not values:
        return "0", "OFF", "off", "Off"
    words = [word for word, number in values.items() if number == 0]
    return tuple(dict.fromkeys(spelt for word in words for spelt in (word, word.lower(), word.capitalize())))


def command(name: str, fields: Mapping[str, str], *, carries_number: bool) -> Command:
    """Return the command of one row. With `reply`, the device answers it and must answer so. Raises ValueError."""
    send = fields.get("send", "")
    if not send or _PRINTABLE.fullmatch(send) is None:
        raise ValueError('write what is sent, for example {send: "V {value}", decimals: 3}')
    decimals = fields.get("decimals", "" if carries_number else "0")
    carries = "{value}" in send
    if carries != carries_number or carries != ("decimals" in fields) or not re.fullmatch("[0-6]", decimals):
        raise ValueError("a set-point, and nothing else, carries {value} and decimals 0 to 6")
    acknowledge: Callable[[bytes], object] | None = None
    proof = Proof()
    if "reply" in fields:
        wanted, held = _pattern(fields["reply"])
        if held is not None:
            raise ValueError(f"reply {fields['reply']!r} of a command holds no value; write {{skip}} for what changes")

        def check(text: str) -> object:
            if wanted.fullmatch(text.strip(" \t\r\n")) is None:
                raise LinkGarbledError(f"not {fields['reply']!r}: {text[:40]!r}")
            return None

        acknowledge, proof = reading(check), Proof(wanted.pattern)
    return text_command(name, send, send, int(decimals), acknowledge, _scale(fields), proof)


def _pattern(reply: str) -> tuple[re.Pattern[str], str | None]:
    """Return the pattern of a whole line and which placeholder holds the value (None: none does)."""
    if not reply or _PRINTABLE.fullmatch(reply) is None:
        raise ValueError('write the reply as a pattern, for example "V={number}"')
    pieces: list[str] = []
    held: str | None = None
    at = 0
    for match in _PLACEHOLDER.finditer(reply):
        pieces.append(re.escape(reply[at : match.start()]))
        at = match.end()
        if match[1] == "skip":
            pieces.append(_SKIP)
        elif match[1] not in _PATTERNS or held is not None:
            known = ", ".join(f"{{{word}}}" for word in (*_PATTERNS, "skip"))
            raise ValueError(f"reply {reply!r}: one of {known}, and only one that is not {{skip}}")
        else:
            held = match[1]
            pieces.append(_PATTERNS[held])
    pieces.append(re.escape(reply[at:]))
    return re.compile("".join(pieces)), held


def _scale(fields: Mapping[str, str]) -> Decimal:
    text = fields.get("scale", "1")
    try:
        scale = Decimal(text)
    except InvalidOperation:
        scale = Decimal(0)
    if not (scale.is_finite() and scale > 0):
        raise ValueError(f"scale {text!r} is no positive number; the value is the number times scale, in V, A, °C, ohm or s")
    return scale


def _values(fields: Mapping[str, str], kind: str, held: str) -> dict[str, int]:
    """Read `values: "CC=1 CV=0"`: which number each word stands for."""
    text = fields.get("values", "")
    pairs = [pair.partition("=") for pair in text.split()]
    well = all(sep and re.fullmatch("[0-9]{1,5}", number) for _, sep, number in pairs)
    if text and (kind not in ("integer", "boolean") or not well):
        raise ValueError(f'values {text!r}: write for example "ON=1 OFF=0", for a yes/no or a status')
    if held == "word" and kind in ("integer", "boolean") and not pairs:
        raise ValueError('a {word} here needs values, for example "ON=1 OFF=0"')
    return {word.upper(): int(number) for word, _, number in pairs}


def _sense(kind: str, scale: Decimal, values: Mapping[str, int]) -> Callable[[str], object]:
    def number(text: str) -> object:
        value = scpi.parse_number(text)
        return value if scale == 1 else float(Decimal(text) * scale)

    def integer(text: str) -> object:
        return _looked_up(text, values) if values else scpi.parse_integer(text)

    def boolean(text: str) -> object:
        return bool(_looked_up(text, values)) if values else scpi.parse_boolean(text)

    def error(text: str) -> object:
        return scpi.ErrorEntry(scpi.parse_integer(text), "")

    senses: dict[str, Callable[[str], object]] = {
        "number": number, "integer": integer, "boolean": boolean, "word": str.upper, "identity": str.strip, "error": error,
    }  # fmt: skip
    return senses[kind]


def _looked_up(text: str, values: Mapping[str, int]) -> int:
    if text.upper() not in values:
        raise LinkGarbledError(f"none of {', '.join(values)}: {text[:40]!r}")
    return values[text.upper()]
