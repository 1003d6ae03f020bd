"""The interview behind `dialect new`: every word of a manual is tried the moment it is typed, the file at the end."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from chargerd.cli.find_bench import quoted
from chargerd.config.tables import NAME
from chargerd.errors import BenchError, ChargerdError, Exit, RefusedError, UsageError
from chargerd.instruments.contract.examples import meaning, shown
from chargerd.instruments.dialect import (
    COMMANDS,
    FOLDER,
    MAY_LACK,
    NEEDED_COMMANDS,
    NEEDED_ONE_OF,
    NEEDED_QUESTIONS,
    QUESTIONS,
    ROLES,
    SETS,
    VOLTAGE_LACKED_BY,
    Dialect,
)
from chargerd.instruments.dialect_file import FRAMINGS, load_dialect

NONE = "-"
TRIES = 5

BASES = {
    "source": "scpi-supply", "load": "scpi-load", "meter": "scpi-meter", "thermometer": "scpi-thermometer",
    "switch": "scpi-relays",
}  # fmt: skip
MEANS: Mapping[str, str] = {
    "identity": "who it is",
    "error": "oldest entry of its error queue",
    "events": "standard event register (bit 7: it was switched on)",
    "voltage": "measured voltage, V",
    "current": "measured current, A",
    "temperature": "measured temperature, °C",
    "resistance": "measured resistance, ohm",
    "questionable": "status register: what it regulates, which protection acted",
    "operation": "second status register",
    "mode": "what a load holds constant",
    "power_on": "what its output does when the mains returns",
    "output": "whether its output or input is on",
    "voltage_set": "voltage set-point, V",
    "current_set": "current set-point, A",
    "ovp": "over-voltage protection level, V",
    "ovp_enabled": "whether that protection is on",
    "ocp": "over-current protection level, A",
    "ocp_enabled": "whether that protection is on",
    "watchdog": "seconds of silence after which it switches off by itself",
    "closed": "whether the contact is closed",
    "mirror": "the second contact that proves the first",
    "on": "switch its output or input on",
    "off": "switch its output or input off",
    "ovp_enable": "switch over-voltage protection on",
    "ocp_enable": "switch over-current protection on",
    "clear_protection": "clear a protection that acted",
    "remote": "sent first, so that it obeys the line",
    "lock": "lock its front panel",
    "close": "close the contact",
    "open": "open the contact",
}
_OPTIONAL: Mapping[str, tuple[str, ...]] = {
    "source": ("operation", "power_on", "ovp_enabled", "ocp_enabled", "watchdog"),
    "load": ("operation", "ocp", "ocp_enabled", "power_on", "watchdog"),
    "switch": ("mirror",),
}
_OPTIONAL_COMMANDS: Mapping[str, tuple[str, ...]] = {
    "source": ("ovp_enable", "ocp_enable", "clear_protection", "remote", "lock", "watchdog"),
    "load": ("ocp", "ocp_enable", "clear_protection", "remote", "lock", "watchdog"),
    "meter": ("remote",), "thermometer": ("remote",), "switch": ("remote",),
}  # fmt: skip

Read = Callable[[str], str]


@dataclass(slots=True)
class Draft:
    """What has been answered so far, as the lines of the file to be."""

    role: str
    framing: str
    base: Dialect | None
    read: Read
    questions: dict[str, dict[str, str]] = field(default_factory=dict)
    commands: dict[str, dict[str, str]] = field(default_factory=dict)
    examples: dict[str, dict[str, str]] = field(default_factory=dict)
    lacks: list[str] = field(default_factory=list)
    status: dict[str, dict[str, str]] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)

    def ask(self, words: str, default: str, fault_of: Callable[[str], str]) -> str:
        """Ask until the answer is usable. Raises UsageError when the answers end or stay wrong."""
        for _ in range(TRIES):
            try:
                shown = f" [{default}]" if default else ""
                answer = self.read(f"{words}{shown}: ").strip() or default
            except EOFError:
                raise UsageError("the answers ended; nothing was written") from None
            fault = fault_of(answer)
            if not fault:
                return answer
            print(f"    {fault}")
        raise UsageError(f"{words}: no usable answer in {TRIES} tries; nothing was written")

    def ask_word(self, words: str, known: tuple[str, ...], default: str) -> str:
        """Ask for one of some words."""
        return self.ask(f"{words} ({', '.join(known)})", default, lambda text: "" if text in known else "one of those words")


def interview(name: str, bench: Path, read: Read) -> int:
    """Ask for a whole dialect, write it beside the bench file, check it. Raises UsageError, RefusedError, BenchError."""
    if not NAME.fullmatch(name):
        raise UsageError(f"{name!r}: letters, digits, '.', '_' and '-', beginning with a letter or digit")
    if not bench.is_file():
        raise UsageError(f"{bench}: there is no such bench file")
    path = bench.parent / "dialects" / f"{name}.yaml"
    if path.exists() or (FOLDER / f"{name}.yaml").exists():
        raise RefusedError(f"there is a dialect {name} already; choose another name, or edit that file")
    print(_ABOUT)
    draft, about = _begin(read)
    _rows(draft)
    _status(draft)
    settle = draft.ask("How long until a command shows in what it measures", "100 ms", _time_fault)
    text = _text(name, about, settle, draft)
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    try:
        load_dialect(name, path.parent)
    except BenchError as faults:
        print(f"\nWritten: {path}. It still has faults; correct them there:")
        raise BenchError(faults.faults) from None
    print(f"\nWritten: {path}\nIn {bench}: dialect: {name}. Then, with NOTHING connected to the instrument:")
    print(f"  chargerd dialect test {name} --bench {bench}")
    print(f"  chargerd dialect test --bench {bench} --instrument NAME")
    return Exit.OK


_ABOUT = f"""\
Have the instrument's list of commands at hand. An empty answer takes what stands in brackets; {NONE} means: it has none.
{{output}} or {{input}} in a command stands for the number that the bench file says. {{value}} stands for a set-point.
"""


_HOW: Mapping[str, str] = {
    "scpi": "  SCPI: write headers with the short form in capitals, such as MEASure:VOLTage? — what is in brackets is usual.\n"
    "  Words all in capitals that have no short form, or numbers with a unit behind them, such as 1.234V: that is `line`.",
    "line": "  Lines of text: the question as it is sent, such as V? and its reply as a pattern, such as V={number}.\n"
    "  A command with its value, such as V={value}, and the acknowledgement it waits for, such as OK. Without one: -.",
    "modbus": "  Registers: a question is holding 16, input 16, coil 3 or discrete 3; a command holding 16 {value} or coil 3 1.\n"
    "  Addresses count from 0: what a list calls 40017 or 4x0017 is holding 16. Hexadecimal 0x10 is 16. Replies are bytes,\n"
    "  function code first, such as 03 02 07 3A.",
    "bytes": "  Frames of bytes in hexadecimal: send A5 01 03 A9; in a reply ?? is any byte: 5A 03 ?? ??.",
}


def _begin(read: Read) -> tuple[Draft, str]:
    draft = Draft("source", "scpi", None, read)
    about = draft.ask("What is it, in a few words", "", lambda text: "" if text else "say what it is")
    draft.role = draft.ask_word("Its role", ROLES, "source")
    draft.framing = draft.ask_word("How it is spoken to", tuple(FRAMINGS), "scpi")
    if draft.framing == "scpi":
        draft.base = load_dialect(BASES[draft.role])
    print(_HOW[draft.framing])
    return draft, about


def _rows(draft: Draft) -> None:
    """Ask for every question and command of the role."""
    needed = [name for name in QUESTIONS if name in NEEDED_QUESTIONS[draft.role]]
    optional = [*_OPTIONAL.get(draft.role, ()), *NEEDED_ONE_OF.get(draft.role, ())]
    print("\nQuestions")
    for name in (*needed, *optional):
        _row(draft, name, is_question=True, optional=name in optional)
    one_of = NEEDED_ONE_OF.get(draft.role, ())
    if one_of and not set(one_of) & set(draft.questions):
        raise UsageError(f"a {draft.role} measures one of {', '.join(one_of)}; nothing was written")
    print("\nCommands")
    optional = list(_OPTIONAL_COMMANDS.get(draft.role, ()))
    for name in (*sorted(NEEDED_COMMANDS[draft.role], key=list(MEANS).index), *optional):
        if name not in draft.lacks and not (name in optional and name in QUESTIONS and name not in draft.questions):
            _row(draft, name, is_question=False, optional=name in optional)


_CONVENTIONS: Mapping[str, str] = {"A": "scpi-supply", "B": "scpi-supply-operation", "C": "scpi-supply-swapped"}


def _status(draft: Draft) -> None:
    """Ask what the status bits mean: for a SCPI supply one of the usual conventions, else condition by condition."""
    asked = [name for name in ("questionable", "operation") if name in draft.questions]
    if not asked:
        return
    if draft.role == "source" and draft.framing == "scpi":
        print("\nStatus bits. A: questionable register: 0 constant current, 1 constant voltage, 9 over-voltage, 10 over-current.")
        print("B: operation register: 8 constant voltage, 10 constant current; trips: questionable 0, 1. C: A, 0 and 1 swapped.")
        choice = draft.ask_word("Which does its manual print", ("A", "B", "C", "other"), "A")
        if choice != "other":
            bits = load_dialect(_CONVENTIONS[choice]).status
            usable = {key: bit for key, bit in bits.items() if bit.register in asked}
            draft.status = {key: {"register": bit.register, "bit": str(bit.bit)} for key, bit in usable.items()}
            return
    print(f"\nStatus: for each, as `REGISTER bit N` or `REGISTER equals N` (registers: {', '.join(asked)}), or {NONE}")
    for name in STATUS_ORDER:
        answer = draft.ask(f"  {name.replace('_', ' ')}", NONE, lambda text: _status_fault(text, asked))
        if answer != NONE:
            register, how, number = answer.split()
            draft.status[name] = {"register": register, how: number}


STATUS_ORDER = ("constant_current", "constant_voltage", "unregulated", "over_voltage", "over_current", "over_temperature")


def _status_fault(text: str, asked: Sequence[str]) -> str:
    registers = "|".join(asked)
    good = text == NONE or re.fullmatch(rf"({registers}) (bit|equals) [0-9]{{1,5}}", text)
    return "" if good else f"write for example {asked[0]} bit 0, {asked[0]} equals 1, or {NONE}"


def _row(draft: Draft, name: str, *, is_question: bool, optional: bool) -> None:
    """Ask for one question or command until its framing understands it, then for an example, or note that it has none."""
    usual = _usual(draft, name, is_question=is_question, optional=optional)
    may_lack = name in MAY_LACK and (name != "voltage" or draft.role in VOLTAGE_LACKED_BY)
    fields: dict[str, str] = {}

    def fault_of(answer: str) -> str:
        fields.clear()
        if answer == NONE:
            return "" if optional or may_lack else f"a {draft.role} cannot do without it"
        fields.update(_fields(draft, name, answer, is_question=is_question))
        return _fault(draft, name, fields, is_question=is_question)

    what = "asked by" if is_question else "sent as"
    answer = draft.ask(f"  {name}: {MEANS[name]}; {what}", usual, fault_of)
    if answer == NONE:
        if not optional:
            draft.lacks.append(name)
        return
    (draft.questions if is_question else draft.commands)[name] = dict(fields)
    if is_question:
        _example(draft, name, fields)
    if is_question and name in _WORDS:
        draft.words[_WORDS[name][0]] = draft.ask(f"    {_WORDS[name][1]}, by commas", _WORDS[name][2], _words_fault)


_WORDS: Mapping[str, tuple[str, str, str]] = {
    "mode": ("mode", "its words for constant current", "CURR, CURRENT"),
    "power_on": ("power_on_safe", "its words for an output that stays off", "OFF, RES"),
}


def _words_fault(text: str) -> str:
    return "" if re.fullmatch(r"[A-Za-z0-9_]+(, *[A-Za-z0-9_]+)*", text) else "words of letters and digits, by commas"


def _usual(draft: Draft, name: str, *, is_question: bool, optional: bool) -> str:
    rows = None if draft.base is None else draft.base.questions if is_question else draft.base.commands
    if rows is not None and name in rows:
        return rows[name].notation
    return NONE if optional else ""


def _fields(draft: Draft, name: str, answer: str, *, is_question: bool) -> dict[str, str]:
    """Turn an answer into a row; in other framings than SCPI the rest of the row is asked for, once the first part is there."""
    framing = FRAMINGS[draft.framing]
    keys = framing.QUESTION_KEYS if is_question else framing.COMMAND_KEYS
    fields = {keys[0]: answer}
    kind = QUESTIONS.get(name, "word")
    if not is_question and name in SETS and "decimals" in keys and draft.framing != "modbus":
        fields["decimals"] = draft.ask("    decimals of the number it takes", "3", _digits_fault)
    if draft.framing == "scpi":
        return fields | ({"reply": kind} if is_question else {})
    for key in keys[1:]:
        if _is_asked(key, kind if is_question else "number" if name in SETS else "word", fields):
            value = draft.ask(f"    {key} ({_HINTS.get(key, 'see DEVELOPERS.md')})", NONE, lambda _text: "")
            if value != NONE:
                fields[key] = value
    if fields.get("type") == "float32" and not is_question and name in SETS:
        fields["decimals"] = draft.ask("    decimals of the number it takes", "3", _digits_fault)
    return fields


def _is_asked(key: str, kind: str, fields: Mapping[str, str]) -> bool:
    """Whether a part of a row can mean anything for this kind of answer: an identity has no scale, 16 bits no order of words."""
    if key in ("scale", "missing"):
        return kind == "number"
    if key == "values":
        return kind in ("integer", "boolean", "word")
    if key == "words":
        return fields.get("type", "").endswith("32")
    return key not in ("decimals", "value")


_HINTS = {
    "reply": "the answer; {number}, {integer}, {boolean}, {word} or {text} where the value stands, {skip} for what changes "
    "(write the blank or comma between a number and {skip})",
    "scale": "what the number is multiplied by to give V, A, °C, ohm or s",
    "values": "what words or numbers mean, such as ON=1 OFF=0",
    "type": "uint16, int16, uint32, int32 or float32",
    "missing": "what it says in place of a number that it has not, such as ---",
    "bit": "which bit of the register says yes, from 0",
    "write": "one or several: the function it is written with",
    "words": "high-first or low-first, for 32 bits",
}


def _filled(text: str) -> str:
    return text.replace("{output}", "1").replace("{input}", "1")


def _fault(draft: Draft, name: str, fields: Mapping[str, str], *, is_question: bool) -> str:
    """Return what the framing finds wrong with a row, "" when nothing."""
    filled = {key: _filled(text) for key, text in fields.items()}
    framing = FRAMINGS[draft.framing]
    try:
        if is_question:
            framing.question(name, filled, QUESTIONS[name])
        else:
            framing.command(name, filled, carries_number=name in SETS)
    except ValueError as wrong:
        return str(wrong)
    return ""


def _example(draft: Draft, name: str, fields: Mapping[str, str]) -> None:
    """Ask what the manual prints as its answer, and show what that means; the pair goes into the file."""
    question = FRAMINGS[draft.framing].question(name, {key: _filled(text) for key, text in fields.items()}, QUESTIONS[name])
    is_binary = FRAMINGS[draft.framing].BINARY
    understood: dict[str, str] = {}

    def fault_of(answer: str) -> str:
        if answer == NONE:
            return ""
        try:
            raw = bytes.fromhex(answer) if is_binary else answer.encode("ascii")
            understood["means"] = meaning(question.parse(raw), QUESTIONS[name])
        except (ValueError, ChargerdError) as fault:
            return f"this program does not understand that answer: {fault}"
        return ""

    answer = draft.ask("    an answer as its manual prints it", NONE, fault_of)
    if answer != NONE:
        print(f"    → {understood['means']}")
        sent = shown(draft.framing, question.message)
        draft.examples[f"{name}?"] = {"sent": sent, "reply": answer, "means": understood["means"]}


def _time_fault(text: str) -> str:
    from chargerd.units import UnitError, parse

    try:
        parse(text, "time")
    except UnitError as wrong:
        return f"{wrong.what}; {wrong.remedy}"
    return ""


def _digits_fault(text: str) -> str:
    return "" if re.fullmatch("[0-6]", text) else "a number from 0 to 6"


def _text(name: str, about: str, settle: str, draft: Draft) -> str:
    """Return the file."""
    lines = [
        f"# Written by `chargerd dialect new`. Prove it: chargerd dialect test {name} --bench BENCH",
        f"dialect: {name}", f"about: {quoted(about)}", f"role: {draft.role}", f"framing: {draft.framing}",
        "verified_on_hardware: none yet", f"settle: {settle}", "power_on: unknown",
    ]  # fmt: skip
    if draft.lacks:
        lines.append(f"lacks: [{', '.join(draft.lacks)}]")
    lines += [f"{key}: [{words}]" for key, words in draft.words.items()]
    assert set(draft.commands) <= COMMANDS
    parts = {"questions": draft.questions, "commands": draft.commands, "status": draft.status, "examples": draft.examples}
    for title, rows in parts.items():
        if rows:
            lines += ["", f"{title}:"]
            lines += [_line(key, row) for key, row in rows.items()]
    return "\n".join(lines) + "\n"


def _line(key: str, row: Mapping[str, str]) -> str:
    return f"  {key}: {{{', '.join(f'{one}: {quoted(text)}' for one, text in row.items())}}}"
