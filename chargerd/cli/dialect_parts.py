"""The parts of a row, as `dialect new` asks for them: each is tried by its framing as soon as it is typed.

A framing judges whole rows. A part is good when some way of completing the row with the parts still to come is good; so a
wrong word is refused where it was typed, and what to type instead is said there.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import product

from chargerd.instruments.dialect import QUESTIONS, SETS
from chargerd.instruments.dialect_file import FRAMINGS, PLACES

NONE = "-"
Fields = Mapping[str, str]

_HINTS: Mapping[str, str] = {
    "reply": "what it prints as a pattern; {number}, {integer}, {boolean}, {word} or {text} where the value stands, {skip} for "
    "what changes (write the blank or comma between a number and {skip})",
    "scale": "what the number is multiplied by to give V, A, °C, ohm or s",
    "values": "what words or numbers mean, such as ON=1 OFF=0",
    "type": "uint16, int16, uint32, int32 or float32",
    "missing": "what it says in place of a number that it has not, such as ---",
    "bit": "which bit of the register says yes; here bits count from 0, the lowest",
    "write": "one or several: the function it is written with",
    "words": "high-first or low-first, for 32 bits",
    "decimals": "how many the number has that it takes, 0 to 6: steps of 0.001 are 3, of 0.0001 are 4",
    "check": "how the byte cc is made: sum, complement or xor of those before it",
    "order": "of the bytes vv: high-first or low-first",
    "sign": "yes where the value may be below zero, else no",
}
_HINTS_OF: Mapping[tuple[str, str], str] = {
    ("bytes", "reply"): "the answer; vv for each byte of the value, ?? for a byte that does not matter, cc for the check value",
    ("bytes", "values"): "what bytes mean, such as 1=FF 0=00",
    ("bytes", "bit"): "which bit of the value says yes; here bits count from 1, the lowest, as outputs do",
    ("modbus", "values"): "what numbers mean, such as on=1 off=0, or CC=1 CV=0",
}
_STICKY = frozenset({"check", "order", "words", "write"})
"""An instrument does these one way: the answer before is offered again."""


def keys_of(framing: str, *, is_question: bool) -> tuple[str, ...]:
    """Return what a row of that framing may hold, the part first that is asked first."""
    return FRAMINGS[framing].QUESTION_KEYS if is_question else FRAMINGS[framing].COMMAND_KEYS


def hint(framing: str, key: str, name: str, *, is_question: bool) -> str:
    """Return what a part is, in words."""
    if key == "type" and name == "identity":
        return "text for letters, or uint16 for model numbers"
    if key == "reply" and not is_question:
        bytes_too = "?? for a byte that changes, cc for the check value" if framing == "bytes" else "{skip} for what changes"
        return f"what it answers when it has obeyed; {bytes_too}"
    return _HINTS_OF.get((framing, key), _HINTS[key])


def usual_part(key: str, before: Mapping[str, str], *, is_question: bool) -> str:
    """Return what an empty answer to a part means: "" where there is nothing usual and it is needed."""
    if key == "decimals":
        return "3"
    if key == "check" or (key in _STICKY and key in before):
        return before.get(key, "sum")
    return "" if key == "reply" and is_question else NONE


def is_asked(framing: str, key: str, name: str, fields: Fields, *, is_question: bool) -> bool:
    """Whether a part can mean anything here: an identity has no scale, 16 bits no order of words."""
    kind = QUESTIONS[name] if is_question else "number" if name in SETS else "word"
    if framing == "modbus":
        return _is_asked_modbus(key, name, kind, fields, is_question=is_question)
    frames = " ".join(fields.get(part, "") for part in ("ask", "send", "reply"))
    asked: Mapping[str, bool] = {
        "scale": kind == "number",
        "missing": kind == "number",
        "decimals": name in SETS,
        "values": is_question and kind in ("integer", "boolean", "word") and _has_words(framing, kind, fields),
        "bit": kind == "boolean" and "values" not in fields,
        "check": "cc" in frames.split(),
        "order": frames.split().count("vv") > 1,
        "sign": kind == "number",
    }
    return asked.get(key, True)


def _has_words(framing: str, kind: str, fields: Fields) -> bool:
    """Whether words need a meaning: of a line `{boolean}` knows 0, 1, ON and OFF, a mode is its own word."""
    if framing == "line":
        return "{word}" in fields.get("reply", "") and kind != "word"
    return True


def _is_asked_modbus(key: str, name: str, kind: str, fields: Fields, *, is_question: bool) -> bool:
    is_bit = fields.get("ask", fields.get("send", "")).startswith(("coil", "discrete"))
    carries = is_question or name in SETS
    asked: Mapping[str, bool] = {
        "type": not is_bit and carries and kind in ("number", "identity"),
        "words": fields.get("type", "").endswith("32"),
        "scale": kind == "number" and carries,
        "bit": kind == "boolean" and not is_bit,
        "values": kind in ("boolean", "word") and not is_bit and is_question and "bit" not in fields,
        "decimals": fields.get("type") == "float32",
    }
    return asked.get(key, True)


def part_fault(framing: str, name: str, fields: Fields, key: str, *, is_question: bool) -> str:
    """Return what is wrong with a row as far as it goes, `key` being its last part, and what to type instead; "" for nothing."""
    slip = _slip(framing, fields.get(key, ""), key)
    if slip:
        return slip
    said = ""
    for rest in _completions(framing, name, fields, key, is_question=is_question):
        fault = row_fault(framing, name, {**fields, **rest}, is_question=is_question)
        if not fault:
            return ""
        said = said or fault
    return said


def row_fault(framing: str, name: str, fields: Fields, *, is_question: bool) -> str:
    """Return what the framing finds wrong with a whole row, "" for nothing."""
    filled = {key: filled_in(text) for key, text in fields.items()}
    try:
        if is_question:
            FRAMINGS[framing].question(name, filled, QUESTIONS[name])
        else:
            FRAMINGS[framing].command(name, filled, carries_number=name in SETS)
    except ValueError as wrong:
        return str(wrong)
    return ""


def filled_in(text: str) -> str:
    """Return a text with output and input 1 in the place of the words that the bench file fills in."""
    for place in PLACES:
        text = text.replace("{" + place + "}", "1")
    return text


_HEXADECIMAL = re.compile(r"0[xX]([0-9A-Fa-f]{1,4})\b")
_PRINTED = re.compile(r"([0134])[xX]?([0-9]{4})\b(.*)")
_TABLES = {"0": "coil", "1": "discrete", "3": "input", "4": "holding"}


def _slip(framing: str, text: str, key: str) -> str:
    """Return what to type in place of what many lists print: hexadecimal with 0x, a register's number with its table in front."""
    if framing == "bytes" and key in ("ask", "send", "reply"):
        pairs = re.sub(r"0[xX]|,", " ", text).split()
        if len(pairs) == 1 and len(pairs[0]) % 2 == 0 and re.fullmatch(r"[0-9A-Fa-f]{4,}", pairs[0]):
            pairs = re.findall("..", pairs[0])
        plain = " ".join(pairs)
        return "" if plain == text or not pairs else f"bytes stand alone, two signs each: type {plain}"
    if framing != "modbus" or key not in ("ask", "send"):
        return ""
    table = "holding " if _HEXADECIMAL.match(text) else ""
    decimal = table + _HEXADECIMAL.sub(lambda match: str(int(match[1], 16)), text)
    if decimal != table + text:
        return f"numbers are decimal here: type {decimal}" + (" (or input, coil, discrete)" if table else "")
    printed = _PRINTED.fullmatch(text)
    if printed is not None and int(printed[2]):
        here = f"{_TABLES[printed[1]]} {int(printed[2]) - 1}{printed[3]}"
        return f"addresses count from 0: what a list calls {printed[1]}{printed[2]} is here: type {here}"
    if re.fullmatch("[0-9]{1,5}.*", text):
        return f"say of what kind it is: type holding {text}, or input, coil or discrete"
    return ""


def _completions(framing: str, name: str, fields: Fields, key: str, *, is_question: bool) -> Iterator[dict[str, str]]:
    """Yield ways of completing a row with the parts after `key`."""
    keys = keys_of(framing, is_question=is_question)
    later = keys[keys.index(key) + 1 :]
    options: list[list[dict[str, str]]] = [
        [{}] if part in fields else [*({part: one} for one in _fillers(framing, part, name, fields, is_question=is_question)), {}]
        for part in later
    ]
    for chosen in product(*options):
        yield {part: text for one in chosen for part, text in one.items()}


def _fillers(framing: str, part: str, name: str, fields: Fields, *, is_question: bool) -> tuple[str, ...]:
    kind = QUESTIONS[name] if is_question else ""
    held = {"identity": "text", "error": "integer"}.get(kind, kind)
    length = fields.get("reply", "vv").split().count("vv") or 1
    fillers: Mapping[tuple[str, str], tuple[str, ...]] = {
        ("line", "reply"): (f"{{{held}}}",) if is_question else (),
        ("line", "values"): ("A=1 B=0",),
        ("line", "decimals"): ("3",) if name in SETS else (),
        ("scpi", "decimals"): ("3",) if name in SETS else (),
        ("scpi", "reply"): (kind,),
        ("bytes", "reply"): ("vv",) if is_question else (),
        ("bytes", "values"): ("A=" + "00" * length,) if kind == "word" else (),
        ("bytes", "check"): ("sum",),
        ("modbus", "type"): ("uint32", "text") if is_question else (),
        ("modbus", "values"): ("CV=0",) if kind == "word" else (),
        ("modbus", "decimals"): ("3",) if fields.get("type") == "float32" else (),
    }
    return fillers.get((framing, part), ())
