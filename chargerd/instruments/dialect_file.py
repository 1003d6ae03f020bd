"""Reading a dialect's file strictly: every fault with its place, and never a header that must not be sent."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from chargerd.config.marked import Faults, MarkedList, MarkedMap, MarkedText, Node, read_marked
from chargerd.config.tables import NAME
from chargerd.errors import BenchError, Place
from chargerd.instruments.dialect import (
    COMMANDS,
    FOLDER,
    MAY_LACK,
    NEEDED_COMMANDS,
    NEEDED_ONE_OF,
    NEEDED_QUESTIONS,
    QUESTIONS,
    REGISTERS,
    ROLES,
    SETS,
    STATUS,
    VOLTAGE_LACKED_BY,
    Bit,
    Dialect,
    Example,
    dialect_names,
)
from chargerd.instruments.framing import bytes as byte_rows
from chargerd.instruments.framing import line, modbus, scpi_rows
from chargerd.instruments.framing.spoken import Command, Question
from chargerd.units import UnitError, parse


class Framing(Protocol):
    """What a framing module offers."""

    QUESTION_KEYS: tuple[str, ...]
    COMMAND_KEYS: tuple[str, ...]
    BINARY: bool

    def question(self, name: str, fields: Mapping[str, str], kind: str) -> Question:
        """Return the question of one row. Raises ValueError."""

    def command(self, name: str, fields: Mapping[str, str], *, carries_number: bool) -> Command:
        """Return the command of one row. Raises ValueError."""


FRAMINGS: dict[str, Framing] = {"scpi": scpi_rows, "line": line, "modbus": modbus, "bytes": byte_rows}
"""How bytes carry meaning: the key `framing` of a dialect → the module that reads its rows."""

PLACES = ("output", "input")
"""What a row may hold in braces; the bench file says it for each instrument."""

_KEYS = frozenset(
    {
        "dialect", "based_on", "about", "role", "framing", "published", "verified_on_hardware", "settle", "power_on", "compound",
        "questions", "commands", "status", "mode", "power_on_safe", "select", "lacks",
        "examples",
    }
)  # fmt: skip


@dataclass(slots=True)
class _Reader:
    """One file being read: its framing, and the output and input of the instrument it is read for."""

    framing: Framing
    said: Mapping[str, str]
    select: str
    faults: Faults
    needs: set[str]

    def filled(self, text: str) -> str:
        """Put output and input where the row says; `1` while nobody said (a header's number is 1 when left out)."""
        for place in PLACES:
            if "{" + place + "}" in text:
                self.needs.add(place)
                text = text.replace("{" + place + "}", self.said.get(place) or "1")
        return text


def load_dialect(name: str, beside: Path | None = None, *, output: str = "", input: str = "") -> Dialect:  # noqa: A002
    """Read a dialect by name, first from the folder `beside` (the bench file's own), then from those that are shipped.

    `output`, `input`: which of its outputs or inputs the instrument is to speak of; see `Dialect.needs`.

    Raises:
        BenchError: no such dialect, or a fault in its file (all of them, each with its place).
    """
    faults = Faults()
    values = _merged(name, beside, faults, ())
    if values is None:
        faults.raise_as(BenchError)
        raise AssertionError("no values and no fault")
    dialect = _build(name, values, faults, {"output": output, "input": input})
    faults.raise_as(BenchError)
    return dialect


def find_dialect(name: str, beside: Path | None) -> Path:
    """Return a dialect's file, from the folder `beside` first. Raises BenchError."""
    places = ([beside] if beside is not None else []) + [FOLDER]
    for folder in places:
        path = folder / f"{name}.yaml"
        if NAME.fullmatch(name) and path.is_file():
            return path
    known = ", ".join(dict.fromkeys(known for folder in places for known in dialect_names(folder)))
    raise BenchError((f"dialect {name!r}: there is none of that name; there are {known}",))


def _merged(name: str, beside: Path | None, faults: Faults, seen: tuple[str, ...]) -> MarkedMap | None:
    """Read one file and lay it over the one it is based on."""
    root = read_marked(find_dialect(name, beside), faults).root
    if root is None:
        return None
    base_entry = root.entries.get("based_on")
    if base_entry is None:
        return root
    base_name = _text(base_entry[1], "based_on", faults)
    if base_name in (*seen, name):
        faults.add(base_entry[1].place, f"based_on: {base_name} is based on this file", "name another one")
        return None
    base = _merged(base_name, beside, faults, (*seen, name))
    if base is None:
        return None
    entries = dict(base.entries) | root.entries
    for key in ("questions", "commands", "examples"):
        if key in base.entries and key in root.entries:
            ours, theirs = root.entries[key][1], base.entries[key][1]
            if isinstance(ours, MarkedMap) and isinstance(theirs, MarkedMap):
                entries[key] = (root.entries[key][0], MarkedMap(ours.place, dict(theirs.entries) | ours.entries))
    return MarkedMap(root.place, entries)


def _build(name: str, root: MarkedMap, faults: Faults, said: Mapping[str, str]) -> Dialect:
    for key, (mark, _) in root.entries.items():
        if key not in _KEYS:
            faults.add(mark.place, f"{key}: no such key", f"keys are {', '.join(sorted(_KEYS))}")
    role = _word(root, "role", faults)
    if role not in ROLES:
        faults.add(_place(root, "role"), f"role: {role!r} is none", f"write one of {', '.join(ROLES)}")
    if _word(root, "dialect", faults) != name:
        faults.add(_place(root, "dialect"), "dialect: differs from the file's name", f"write dialect: {name}")
    framing = _word(root, "framing", faults, "scpi")
    if framing not in FRAMINGS:
        faults.add(_place(root, "framing"), f"framing: {framing!r} is none", f"write one of {', '.join(FRAMINGS)}")
    reader = _Reader(FRAMINGS.get(framing, scpi_rows), said, "", faults, set())
    reader.select = _select(root, framing, reader)
    questions = {key: _question(key, node, reader) for key, node in _entries(root, "questions", faults)}
    commands = {key: _command(key, node, reader) for key, node in _entries(root, "commands", faults, needed=False)}
    status = {key: _bit(key, node, questions, faults) for key, node in _entries(root, "status", faults, needed=False)}
    lacks = _lacks(root, role, questions, faults)
    compound = _flag(root, "compound", faults)
    if compound and (framing != "scpi" or reader.select):
        faults.add(_place(root, "compound"), "compound: only for scpi without select", "delete it")
    _check_needed(root, role, questions, commands, lacks, faults)
    return Dialect(
        name,
        _word(root, "about", faults),
        role,
        framing,
        _settle(root, faults),
        compound,
        _word(root, "power_on", faults, "unknown"),
        _words(root, "power_on_safe", faults),
        _word(root, "verified_on_hardware", faults),
        questions,
        commands,
        status,
        _words(root, "mode", faults),
        frozenset(reader.needs),
        lacks,
        {key: _example(key, node, reader) for key, node in _entries(root, "examples", faults, needed=False)},
    )


def _check_needed(
    root: MarkedMap, role: str, questions: Mapping[str, Question], commands: Mapping[str, Command], lacks: frozenset[str],
    faults: Faults,
) -> None:  # fmt: skip
    """Note what an instrument of that role must have, and this file neither has nor says it lacks."""
    for missing in sorted(NEEDED_QUESTIONS.get(role, frozenset()) - set(questions) - lacks):
        faults.add(_place(root, "questions"), f"questions: a {role} needs {missing!r}", _or_lacks(missing, "add it"))
    for missing in sorted(NEEDED_COMMANDS.get(role, frozenset()) - set(commands) - lacks):
        faults.add(_place(root, "commands"), f"commands: a {role} needs {missing!r}", _or_lacks(missing, "add it"))
    one_of = NEEDED_ONE_OF.get(role, ())
    if one_of and not set(one_of) & set(questions):
        faults.add(_place(root, "questions"), f"questions: a {role} needs {one_of[0]!r}", f"or one of {', '.join(one_of[1:])}")
    if role == "load" and "mode" not in root.entries and "mode" not in lacks:
        faults.add(root.place, "mode: a load needs it", "list the words that mean constant current, such as [CURR, CURRENT]")
    if "power_on" in questions and "power_on_safe" not in root.entries:
        faults.add(_place(root, "questions"), "power_on_safe: needed beside the question power_on", "list the safe answers")


def _or_lacks(missing: str, remedy: str) -> str:
    return f"{remedy}, or write lacks: [{missing}] when {MAY_LACK[missing]}" if missing in MAY_LACK else remedy


def _lacks(root: MarkedMap, role: str, questions: Mapping[str, Question], faults: Faults) -> frozenset[str]:
    """Read `lacks`: only what a file may declare missing, and has not."""
    found = frozenset(word.lower() for word in _words(root, "lacks", faults))
    for word in sorted(found):
        if word not in MAY_LACK or (word == "voltage" and role not in VOLTAGE_LACKED_BY):
            may = f"only {', '.join(MAY_LACK)} may lack"
            faults.add(_place(root, "lacks"), f"lacks: a {role} cannot do without {word!r}", may)
        elif word in questions:
            faults.add(_place(root, "lacks"), f"lacks: {word!r} is among the questions", "delete one of them")
    return found


def _select(root: MarkedMap, framing: str, reader: _Reader) -> str:
    """Read `select`: what goes before every message, in the same line, so that no other output is ever spoken to."""
    notation = _word(root, "select", reader.faults, "")
    if not notation:
        return ""
    if framing != "scpi" or "{output}" not in notation:
        reader.faults.add(
            _place(root, "select"), f"select: {notation!r} selects no output", 'write select: "INSTrument:NSELect {output}"'
        )
        return ""
    try:
        return scpi_rows.short_text(reader.filled(notation))
    except ValueError as wrong:
        _note(_place(root, "select"), "select", wrong, reader.faults)
        return ""


def _entries(root: MarkedMap, key: str, faults: Faults, *, needed: bool = True) -> list[tuple[str, Node]]:
    entry = root.entries.get(key)
    if entry is None:
        if needed:
            faults.add(root.place, f"{key}: missing", "every dialect has it")
        return []
    if not isinstance(entry[1], MarkedMap):
        faults.add(entry[1].place, f"{key}: must hold names with values", f"write {key}: and indented lines below it")
        return []
    return [(name, node) for name, (_, node) in entry[1].entries.items()]


def _fields(key: str, node: Node, allowed: tuple[str, ...], faults: Faults) -> dict[str, str]:
    if not isinstance(node, MarkedMap):
        faults.add(node.place, f"{key}: must hold {', '.join(allowed)}", "write {" + allowed[0] + ": …}")
        return {}
    fields: dict[str, str] = {}
    for name, (mark, value) in node.entries.items():
        if name not in allowed:
            faults.add(mark.place, f"{key}.{name}: no such key", f"keys are {', '.join(allowed)}")
        fields[name] = _text(value, f"{key}.{name}", faults)
    return fields


def _note(place: Place, what: str, wrong: ValueError, faults: Faults) -> None:
    """Note what a framing found wrong: `what; remedy`, or what alone."""
    said, _, remedy = str(wrong).partition("; ")
    faults.add(place, f"{what}: {said}", remedy or "compare it with the instrument's manual")


def _question(key: str, node: Node, reader: _Reader) -> Question:
    fields = _fields(key, node, reader.framing.QUESTION_KEYS, reader.faults)
    kind = QUESTIONS.get(key)
    if kind is None:
        reader.faults.add(node.place, f"questions.{key}: no such question", f"questions are {', '.join(QUESTIONS)}")
    try:
        row = reader.framing.question(key, {name: reader.filled(text) for name, text in fields.items()}, kind or "word")
    except ValueError as wrong:
        if kind is not None:
            _note(node.place, f"questions.{key}", wrong, reader.faults)
        return Question(key, "", "", b"", bytes)
    return scpi_rows.with_select(row, reader.select) if reader.select else row


def _command(key: str, node: Node, reader: _Reader) -> Command:
    fields = _fields(key, node, reader.framing.COMMAND_KEYS, reader.faults)
    if key not in COMMANDS:
        reader.faults.add(node.place, f"commands.{key}: no such command", f"commands are {', '.join(sorted(COMMANDS))}")
    filled = {name: reader.filled(text) for name, text in fields.items()}
    try:
        row = reader.framing.command(key, filled, carries_number=key in SETS)
    except ValueError as wrong:
        _note(node.place, f"commands.{key}", wrong, reader.faults)
        return Command(key, "", "", lambda _value: b"")
    return scpi_rows.command_with_select(row, reader.select) if reader.select else row


def _example(key: str, node: Node, reader: _Reader) -> Example:
    fields = _fields(key, node, ("sent", "reply", "means", "value"), reader.faults)
    if key.removesuffix("?") not in QUESTIONS and key not in COMMANDS:
        remedy = "take the name of a command, or of a question with a question mark, such as voltage?"
        reader.faults.add(node.place, f"examples.{key}: no such question or command", remedy)
    value = fields.get("value")
    if value is not None and not re.fullmatch(r"[0-9]+(\.[0-9]+)?", value):
        reader.faults.add(node.place, f"examples.{key}: value {value!r} is no number", "write it in V, A or s, without unit")
        value = None
    sent, reply = (reader.filled(fields.get(name, "")) for name in ("sent", "reply"))
    return Example(sent, reply, fields.get("means", ""), None if value is None else float(value))


def _bit(key: str, node: Node, questions: Mapping[str, Question], faults: Faults) -> Bit:
    fields = _fields(key, node, ("register", "bit", "equals"), faults)
    register, bit, equals = (fields.get(name, "") for name in ("register", "bit", "equals"))
    if key not in STATUS:
        faults.add(node.place, f"status.{key}: no such condition", f"conditions are {', '.join(sorted(STATUS))}")
    if register not in REGISTERS or register not in questions:
        faults.add(node.place, f"status.{key}: register {register!r} is not asked", "add the question, or name another one")
        register = "questionable"
    if "equals" in fields and "bit" not in fields:
        if not re.fullmatch("[0-9]{1,5}", equals):
            faults.add(node.place, f"status.{key}: equals {equals!r}", "write the number the register then holds")
            equals = "0"
        return Bit(register, None, int(equals))
    if not re.fullmatch("[0-9]|1[0-5]", bit):
        faults.add(node.place, f"status.{key}: bit {bit!r}", "a register has bits 0 to 15; or write equals: NUMBER")
        bit = "0"
    return Bit(register, int(bit))


def _place(root: MarkedMap, key: str) -> Place:
    return root.entries[key][1].place if key in root.entries else root.place


def _text(node: Node, what: str, faults: Faults) -> str:
    if isinstance(node, MarkedText):
        return node.text
    faults.add(node.place, f"{what}: must be a text", "write it after the colon")
    return ""


def _word(root: MarkedMap, key: str, faults: Faults, default: str | None = None) -> str:
    if key not in root.entries:
        if default is None:
            faults.add(root.place, f"{key}: missing", "every dialect has it")
        return default or ""
    return _text(root.entries[key][1], key, faults)


def _words(root: MarkedMap, key: str, faults: Faults) -> tuple[str, ...]:
    if key not in root.entries:
        return ()
    node = root.entries[key][1]
    if not isinstance(node, MarkedList):
        faults.add(node.place, f"{key}: must be a list", f"write {key}: [WORD, WORD]")
        return ()
    return tuple(_text(item, key, faults).upper() for item in node.items)


def _flag(root: MarkedMap, key: str, faults: Faults) -> bool:
    text = _word(root, key, faults, "no")
    if text not in ("yes", "no"):
        faults.add(_place(root, key), f"{key}: {text!r}", "write yes or no")
    return text == "yes"


def _settle(root: MarkedMap, faults: Faults) -> float:
    text = _word(root, "settle", faults, "50 ms")
    try:
        return parse(text, "time").value
    except UnitError as wrong:
        faults.add(_place(root, "settle"), f"settle: {wrong.what}", wrong.remedy)
        return 0.0
