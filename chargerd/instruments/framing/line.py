"""Line rows of a dialect file: any device that is asked, and answers, in lines of text of its own. Pure.

A reply is described by a pattern that the whole line must fit: literal text with one of `{number}`, `{integer}`, `{boolean}`,
`{word}` or `{text}` where the value stands, and `{skip}` for what does not matter. Numbers are as strict as in SCPI; words that
a device says in place of one it has not are listed in `missing`.

`values: "0=0 V=1 I=2"` says what each word stands for: `{word}` is then any word listed, digits and signs included.

`{skip}` is any text, or none, between words: it never takes a part of a word, and never what could be a part of the value.

- `{number}{skip}`, `{skip}{number}`: next to the value, blanks not counted, there is no digit, sign, point or comma: `22 .5` and
  `2 2.5` are garbled.
- `{number} {skip}` says that a blank ends the number, and another may follow: `1.850 150` is two numbers, `22 .5` is not.
- `{integer},{skip}` says that a comma ends it: `0,none`, `-12,bad header`. `22,5` could be one number, and is garbled. So what
  comes behind the comma does not begin with a digit; `{number}, {skip}` with its blank is for lists of numbers.
- Anything else between the two, `{number} V{skip}`, `{skip}t2={number}`, ends or begins the number by itself.

A line that fits in two ways with two values, such as two replies run together, is garbled, too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal, InvalidOperation
from itertools import pairwise

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
_IN_WORD = "A-Za-z0-9.+-"
_BEGIN = rf"(?:(?<![{_IN_WORD}])|(?![{_IN_WORD},]))"
_END = rf"(?:(?<![{_IN_WORD},])|(?![{_IN_WORD}]))"
"""What is skipped begins and ends between words, so that no part of a number is skipped: `22.9` is not `22` and `.9`."""
_SKIPPED = r"[\x20-\x7e]{0,120}"
_NUMERIC = ("number", "integer", "boolean")

# By what stands between a value and what is skipped: how the text may not go on behind the value, and what may be skipped
# before it. A regular expression looks back no further than a fixed length: hence what is skipped is described, too.
_GOES_ON = {
    "": r"(?! *(?:[0-9.,+-]|[eE] *[+-]? *[0-9]))",
    " ": r"(?! *(?:[.,] *[0-9]|[eE] *[+-]? *[0-9]))",
    ",": r"(?! *[0-9.])",
}
_NO_EXPONENT = r"(?<![0-9.][eE])"
_BEFORE = {
    "": rf"(?:{_SKIPPED}?[\x21-\x2a/:-\x7e]{_NO_EXPONENT} *| *)",
    " ": rf"(?:{_SKIPPED}?(?:[\x21-\x2a/-\x7e]|[A-Za-z][.,]){_NO_EXPONENT} *| *)",
    ",": rf"(?:{_SKIPPED}?[\x21-\x2a,/:-\x7e] *| *)",
}
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
    if "{" in ask:
        raise ValueError(f"{ask!r} is sent as it stands, and asks; a value in braces belongs into a command or a reply")
    held = _held(reply)
    if held is None or held not in _HOLDS[kind]:
        wanted = " or ".join(f"{{{word}}}" for word in _HOLDS[kind])
        raise ValueError(f"reply {reply!r} cannot be; it must hold {wanted}")
    scale, values = _scale(fields), _values(fields, kind, held)
    pattern = _pattern(reply, tuple(values))
    parse = _sense(kind, scale, values)
    longest = re.compile(pattern.pattern.replace(f"{_SKIPPED}?", _SKIPPED))
    missing = fields.get("missing", "").split()
    if missing and kind != "number":
        raise ValueError(f"missing {fields['missing']!r}: only a number can be missing; delete it")

    def read(text: str) -> object:
        match = pattern.fullmatch(text.strip(" \t\r\n"))
        if match is None:
            raise LinkGarbledError(f"not {reply!r}: {text[:40]!r}")
        last = longest.fullmatch(text.strip(" \t\r\n"))
        if last is None or last.span(1) != match.span(1):
            raise LinkGarbledError(f"{reply!r} stands there twice: {text[:80]!r}")
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
    if re.search("[{}]", send.replace("{value}", "")):
        raise ValueError(f"{send!r}: a command holds no braces but {{value}}; type it as its manual prints it")
    decimals = fields.get("decimals", "" if carries_number else "0")
    carries = "{value}" in send
    if carries != carries_number or carries != ("decimals" in fields) or not re.fullmatch("[0-6]", decimals):
        raise ValueError("a set-point, and nothing else, carries {value} and decimals 0 to 6")
    acknowledge: Callable[[bytes], object] | None = None
    proof = Proof()
    if "reply" in fields:
        wanted = _pattern(fields["reply"])
        if _held(fields["reply"]) is not None:
            raise ValueError(f"reply {fields['reply']!r} of a command holds no value; write {{skip}} for what changes")

        def check(text: str) -> object:
            if wanted.fullmatch(text.strip(" \t\r\n")) is None:
                raise LinkGarbledError(f"not {fields['reply']!r}: {text[:40]!r}")
            return None

        acknowledge, proof = reading(check), Proof(wanted.pattern)
    return text_command(name, send, send, int(decimals), acknowledge, _scale(fields), proof)


def _held(reply: str) -> str | None:
    """Return which placeholder of a reply holds the value; None: none does. Raises ValueError."""
    return next((part for part, is_literal in _parts(reply) if not is_literal and part != "skip"), None)


def _pattern(reply: str, listed: Sequence[str] = ()) -> re.Pattern[str]:
    """Return the pattern of a whole line; `listed`: what `{word}` may be beside words of letters. Raises ValueError."""
    parts = _parts(reply)
    pieces: list[str] = []
    for at, (part, is_literal) in enumerate(parts):
        if is_literal:
            pieces.append(re.escape(part))
        elif part == "skip":
            pieces.append(_skip_piece(parts, at))
        elif part == "word" and listed:
            longest_first = sorted(listed, key=len, reverse=True)
            pieces.append(f"((?i:{'|'.join(map(re.escape, longest_first))})|{_PATTERNS[part][1:]}")
        else:
            pieces.append(_PATTERNS[part])
    return re.compile("".join(pieces))


def _parts(reply: str) -> list[tuple[str, bool]]:
    """Return literal texts (True) and placeholders (False) of a reply in order. Raises ValueError for what cannot be."""
    if not reply or _PRINTABLE.fullmatch(reply) is None:
        raise ValueError('write the reply as a pattern, for example "V={number}"')
    parts: list[tuple[str, bool]] = []
    at = 0
    for match in _PLACEHOLDER.finditer(reply):
        parts += [(reply[at : match.start()], True), (match[1], False)]
        at = match.end()
    parts = [part for part in [*parts, (reply[at:], True)] if part[0]]
    placeholders = [part for part, is_literal in parts if not is_literal]
    known = ", ".join(f"{{{word}}}" for word in (*_PATTERNS, "skip"))
    for name in placeholders:
        if name != "skip" and name not in _PATTERNS:
            raise ValueError(f"reply {reply!r}: {{{name}}} is none; write one of {known}, and only one that is not {{skip}}")
    if sum(name != "skip" for name in placeholders) > 1:
        raise ValueError(f"reply {reply!r} holds two values; write one of {known}, and only one that is not {{skip}}")
    if any("{" in part or "}" in part for part, is_literal in parts if is_literal):
        raise ValueError(f"reply {reply!r}: a brace that belongs to no placeholder; write one of {known}")
    for (before, is_literal_before), (after, is_literal_after) in pairwise(parts):
        _refuse_neighbours(reply, "" if is_literal_before else before, before, after, "" if is_literal_after else after)
    return parts


def _refuse_neighbours(reply: str, placeholder: str, before: str, after: str, next_placeholder: str) -> None:
    """Refuse two parts of a reply side by side where nobody can say where the first ends. Raises ValueError."""
    if placeholder and next_placeholder and "text" in (placeholder, next_placeholder):
        raise ValueError(f"reply {reply!r}: {{text}} takes all there is; write what stands between it and {{skip}}")
    if placeholder == next_placeholder == "skip":
        raise ValueError(f"reply {reply!r}: one {{skip}} is enough; delete the other")
    beside, number = "", placeholder or next_placeholder
    if number in ("number", "integer") and not placeholder and re.search(r"[0-9.+-]$|[0-9][eE]$", before):
        beside = before[-1]
    if number in ("number", "integer") and not next_placeholder and re.match(r"[0-9.+-]|,[0-9]|[eE][0-9+-]", after):
        beside = after[0]
    if beside:
        raise ValueError(f"reply {reply!r}: {beside!r} beside {{{number}}} could be a part of it; leave it to {{{number}}}")


def _skip_piece(parts: Sequence[tuple[str, bool]], at: int) -> str:
    """Return the expression of the `{skip}` in that place: no part of a word, nor of a value beside it."""
    before, after = _beside(parts, at, -1), _beside(parts, at, +1)
    begin = _BEGIN + (_GOES_ON[before] if before is not None else "")
    return begin + (_BEFORE[after] if after is not None else f"{_SKIPPED}?") + _END


def _beside(parts: Sequence[tuple[str, bool]], at: int, step: int) -> str | None:
    """Return what lies between a `{skip}` and a number beside it: "", " " or ","; None: no number, or something else.

    A comma with a blank behind it is something else: no number is written so.
    """
    between, near = "", at + step
    if 0 <= near < len(parts) and parts[near][1]:
        between, near = parts[near][0], near + step
    if not 0 <= near < len(parts) or parts[near][0] not in _NUMERIC:
        return None
    if not between.strip(" "):
        return between[:1]
    return "," if between.lstrip(" ") == "," else None


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
    well = all(word and sep and re.fullmatch("[0-9]{1,5}", number) for word, sep, number in pairs)
    if text and (kind not in ("integer", "boolean") or not well):
        raise ValueError(f'values {text!r}: write for example "ON=1 OFF=0", for a yes/no or a status')
    if held == "word" and kind in ("integer", "boolean") and not pairs:
        raise ValueError('a {word} here needs values, for example "ON=1 OFF=0"')
    found: dict[str, int] = {}
    for word, _, number in pairs:
        if held != "word" and re.fullmatch(_PATTERNS[held], word) is None:
            raise ValueError(f"values {text!r}: {word!r} is no {held} and never understood; write {{word}} in the reply")
        if word.upper() in found:
            raise ValueError(f"values {text!r}: {word!r} stands there twice; small and capital letters are the same here")
        found[word.upper()] = int(number)
    return found


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
