"""From what a manual prints to a row: where the value stands in `V=01.850`, and which number of `SV 1.850` is the set-point.

Nobody has to know patterns: an answer is typed as it is printed, and what was made of it is shown. Where more than one place is
possible a person is asked; where none is, the pattern is typed by hand.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from chargerd.cli.dialect_parts import filled_in
from chargerd.errors import ChargerdError
from chargerd.instruments.contract.examples import meaning
from chargerd.instruments.dialect import QUESTIONS
from chargerd.instruments.dialect_file import FRAMINGS

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA = re.compile(r"(?<![.0-9])[0-9]+,[0-9]+(?![0-9.])")
_UNIT = re.compile("[A-Za-z%]+")
_LAST_WORD = re.compile(r"(.*?)([A-Za-z0-9]+)([^A-Za-z0-9]*)")
_YES_OR_NO = ("0", "1", "ON", "OFF")


def is_pattern(text: str) -> bool:
    """Tell whether a reply was typed with its placeholder, rather than as it is printed."""
    return "{" in text or "}" in text


def alternatives(text: str) -> list[str]:
    """Return the answers of `TR=0, TR=V or TR=I` one by one."""
    if not re.search(r"\s(or|/)\s", text):
        return [text]
    return [part for part in re.split(r"\s*,\s*|\s+(?:or|/)\s+", text.strip()) if part]


def first_printed(name: str, text: str) -> str:
    """Return one answer of what was typed: of a name or a number there is only one, of a yes or no the manual may print both."""
    return text if QUESTIONS[name] in ("identity", "number") else alternatives(text)[0]


def places(name: str, fields: Mapping[str, str], printed: str) -> list[str]:
    """Return the patterns that an answer to this question can have, each tried on that very answer; none: type the pattern."""
    kind = QUESTIONS[name]
    if kind == "identity":
        made = ["{text}"]
    elif kind in ("number", "error"):
        made = _of_numbers(printed, kind)
    else:
        made = _of_words(printed, kind)
    # One place of several that can be written says nothing about where the value stands: all, or a person types the pattern.
    return made if all(_fits(name, {**fields, "reply": pattern}, printed) for pattern in made) else []


def _of_numbers(printed: str, kind: str) -> list[str]:
    free = _free(printed)
    patterns: list[str] = []
    for chosen in free:
        made, at = "", 0
        for start, end in free:
            held = "{integer}" if kind == "error" else "{number}"
            made += printed[at:start] + (held if (start, end) == chosen else "{skip}")
            unit = _UNIT.match(printed, end)
            at = unit.end() if unit and (start, end) != chosen else end
            if kind == "error" and (start, end) == chosen:  # its words change with the error
                between = re.match(r"[\s,;:]*", printed[end:])
                made += (between[0] if between else "") + "{skip}" if printed[end:] else ""
                at = len(printed)
                break
        patterns.append(made + printed[at:])
    return patterns


def _free(printed: str) -> list[tuple[int, int]]:
    """Return where the numbers stand: those that are no part of a word, if there are such."""
    found = [match.span() for match in _NUMBER.finditer(printed)]
    return [(start, end) for start, end in found if not re.match("[A-Za-z_.]", printed[start - 1 : start])] or found


def _of_words(printed: str, kind: str) -> list[str]:
    match = _LAST_WORD.fullmatch(printed)
    if match is None:
        return []
    held = "{boolean}" if kind == "boolean" and match[2].upper() in _YES_OR_NO else "{word}"
    return [f"{match[1]}{held}{match[3]}"]


def _fits(name: str, fields: Mapping[str, str], printed: str) -> bool:
    """Whether the row with that pattern understands what it was made from."""
    tried = {key: filled_in(text) for key, text in fields.items()}
    if QUESTIONS[name] in ("boolean", "integer") and "{word}" in tried["reply"]:
        word = held_text(tried["reply"], printed)
        tried["values"] = tried.get("values", f"{word}=1")
    try:
        FRAMINGS["line"].question(name, tried, QUESTIONS[name]).parse(printed.encode("ascii"))
    except (ValueError, ChargerdError):
        return False
    return True


def held_text(pattern: str, printed: str) -> str:
    """Return what stands in the place of the value."""
    before, _, rest = pattern.partition("{")
    after = rest.partition("}")[2]
    return printed[len(before) : len(printed) - len(after)]


def advice(name: str, printed: str) -> str:
    """Return what to type for an answer in which the value was not found."""
    kind = QUESTIONS[name]
    held = {"identity": "{text}", "error": "{integer}"}.get(kind, f"{{{kind}}}")
    found = _NUMBER.search(printed)
    if kind == "number" and _COMMA.search(printed):
        return f"{printed!r}: one number or two? Type {held} where the value stands; a decimal comma is not understood"
    if kind == "number" and found is None:
        return f"no number stands in {printed!r}; type a whole answer, such as the manual prints it"
    shown = printed if found is None or kind != "number" else f"{printed[: found.start()]}{held}{printed[found.end() :]}"
    return f"where does the value stand in {printed!r}? Put {held} there and {{skip}} for what changes, as in {shown}"


def numbers_in(name: str, fields: Mapping[str, str], patterns: Sequence[str], printed: str) -> str:
    """Return which number is which, for a person to choose: `1 for 1.7983, 2 for 149.6`."""
    found: list[str] = []
    for place, pattern in enumerate(patterns, 1):
        row = {key: filled_in(text) for key, text in {**fields, "reply": pattern}.items()}
        value = FRAMINGS["line"].question(name, row, QUESTIONS[name]).parse(printed.encode("ascii"))
        found.append(f"{place} for {meaning(value, QUESTIONS[name])}")
    return ", ".join(found)


def set_point(printed: str) -> tuple[str, str, str] | None:
    """Return the template, the decimals and the number of a printed set command, `SV 1.850` → `SV {value}`, 3, 1.850."""
    if not (found := _free(printed)):
        return None
    start, end = found[-1]
    number = printed[start:end]
    if not re.fullmatch(r"[0-9]+(\.[0-9]+)?", number):
        return None
    return f"{printed[:start]}{{value}}{printed[end:]}", str(len(number.partition(".")[2])), number
