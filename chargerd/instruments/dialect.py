"""A dialect: how one model of instrument spells its questions and commands. Data in `dialects/*.yaml`, read strictly here.

A file names headers in SCPI notation (`MEASure:VOLTage?`, capitals are the short form); the short form is what is sent. What
a question means and how its reply must look is fixed by its name in `QUESTIONS`; the file must agree. A file may be based on
another and change it. To add a model: copy a file, put it beside the bench file in a folder `dialects`, change what differs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import ROUND_DOWN, Decimal
from pathlib import Path

from chargerd.config.marked import Faults, MarkedList, MarkedMap, MarkedText, Node, read_marked
from chargerd.errors import BenchError, Place
from chargerd.instruments.framing import scpi
from chargerd.units import UnitError, parse

FOLDER = Path(__file__).parent / "dialects"
ROLES = ("source", "load", "meter", "thermometer")

QUESTIONS: dict[str, str] = {
    "identity": "identity",
    "error": "error",
    "events": "integer",
    "voltage": "number",
    "current": "number",
    "temperature": "number",
    "questionable": "integer",
    "operation": "integer",
    "mode": "word",
    "power_on": "word",
    "output": "boolean",
    "voltage_set": "number",
    "current_set": "number",
    "ovp": "number",
    "ovp_enabled": "boolean",
    "ocp": "number",
    "ocp_enabled": "boolean",
}
"""Name of a question → grammar of its reply (a parser of framing/scpi.py)."""

PARSERS: dict[str, Callable[[str], object]] = {
    "identity": scpi.parse_identity,
    "error": scpi.parse_error,
    "integer": scpi.parse_integer,
    "number": scpi.parse_number,
    "boolean": scpi.parse_boolean,
    "word": scpi.parse_word,
}

COMMANDS = frozenset(
    {"on", "off", "mode", "voltage_set", "current_set", "ovp", "ovp_enable", "ocp", "ocp_enable", "clear_protection"}
)
SETS = frozenset({"voltage_set", "current_set", "ovp", "ocp"})
"""Commands that carry a number."""

_COMMON = frozenset({"identity", "error", "events"})
_OUTPUT = frozenset({"voltage", "current", "questionable", "output", "current_set"})
NEEDED_QUESTIONS: dict[str, frozenset[str]] = {
    "source": _COMMON | _OUTPUT | {"voltage_set", "ovp", "ocp"},
    "load": _COMMON | _OUTPUT | {"mode"},
    "meter": _COMMON | {"voltage"},
    "thermometer": _COMMON | {"temperature"},
}
NEEDED_COMMANDS: dict[str, frozenset[str]] = {
    "source": frozenset({"on", "off", "voltage_set", "current_set", "ovp", "ocp"}),
    "load": frozenset({"on", "off", "mode", "current_set"}),
    "meter": frozenset(),
    "thermometer": frozenset(),
}

STATUS = frozenset(
    {"constant_current", "constant_voltage", "unregulated", "over_voltage", "over_current", "over_temperature"}
)
TRIPS = ("over_voltage", "over_current", "over_temperature")
REGISTERS = ("questionable", "operation")

NEVER_SEND = re.compile(r"\*RST\b|\bSHOR|\bOUTP:ALL\b|\bOUTPUT:ALL\b", re.IGNORECASE)
"""A short across the cell; a reset (leaves the input of some loads on); a group command (may hit an output that must stay)."""

_KEYS = frozenset(
    {
        "dialect", "based_on", "about", "role", "published", "verified_on_hardware", "settle", "power_on", "compound",
        "questions", "commands", "status", "mode", "power_on_safe",
    }
)  # fmt: skip
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_SEND = re.compile(r"(?P<header>[A-Za-z:*]+)(?: (?P<argument>[A-Za-z]+|\{value\}))?")


@dataclass(frozen=True, slots=True)
class Question:
    """One question: its name in `QUESTIONS`, the header as written, what is sent, and the parser of its reply."""

    name: str
    notation: str
    text: str
    parse: Callable[[str], object]


@dataclass(frozen=True, slots=True)
class Command:
    """One command: the header as written, its fixed argument or the number of decimals its number is sent with."""

    name: str
    notation: str
    header: str
    argument: str = ""
    decimals: int = 0

    def text(self, value: float | None = None) -> str:
        """Return what is sent. A number is cut, never rounded up: what is sent never exceeds what was asked for."""
        if value is None:
            return f"{self.header} {self.argument}".rstrip()
        return f"{self.header} {self.sent(value)}"

    def sent(self, value: float) -> Decimal:
        """Return the number as it is sent. Binary noise below 1e-9 does not count as a part of the value."""
        return Decimal(repr(round(value, 9))).quantize(Decimal(1).scaleb(-self.decimals), rounding=ROUND_DOWN)

    @property
    def step(self) -> float:
        """The smallest difference of two numbers as sent."""
        return 10.0**-self.decimals


@dataclass(frozen=True, slots=True)
class Dialect:
    """A whole dialect. `mode`: words a load must answer to be in constant current. `compound`: several questions at once."""

    name: str
    about: str
    role: str
    settle_s: float
    compound: bool
    power_on: str
    power_on_safe: tuple[str, ...]
    verified_on_hardware: str
    questions: Mapping[str, Question]
    commands: Mapping[str, Command]
    status: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    mode: tuple[str, ...] = ()

    def has_status(self, name: str, registers: Mapping[str, int]) -> bool:
        """Tell whether that status bit is set in these registers."""
        bit = self.status.get(name)
        return bit is not None and bool(registers[bit[0]] >> bit[1] & 1)


def dialect_names(folder: Path = FOLDER) -> tuple[str, ...]:
    """Return the names of the dialects in a folder."""
    return tuple(sorted(path.stem for path in folder.glob("*.yaml")))


def load_dialect(name: str, beside: Path | None = None) -> Dialect:
    """Read a dialect by name, first from the folder `beside` (the bench file's own), then from those that are shipped.

    Raises:
        BenchError: no such dialect, or a fault in its file (all of them, each with its place).
    """
    faults = Faults()
    values = _merged(name, beside, faults, ())
    if values is None:
        faults.raise_as(BenchError)
        raise AssertionError("no values and no fault")
    dialect = _build(name, values, faults)
    faults.raise_as(BenchError)
    return dialect


def _find(name: str, beside: Path | None) -> Path:
    places = ([beside] if beside is not None else []) + [FOLDER]
    for folder in places:
        path = folder / f"{name}.yaml"
        if _NAME.fullmatch(name) and path.is_file():
            return path
    known = ", ".join(dict.fromkeys(known for folder in places for known in dialect_names(folder)))
    raise BenchError((f"dialect {name!r}: there is none of that name; there are {known}",))


def _merged(name: str, beside: Path | None, faults: Faults, seen: tuple[str, ...]) -> MarkedMap | None:
    """Read one file and lay it over the one it is based on."""
    root = read_marked(_find(name, beside), faults).root
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
    for key in ("questions", "commands"):
        if key in base.entries and key in root.entries:
            ours, theirs = root.entries[key][1], base.entries[key][1]
            if isinstance(ours, MarkedMap) and isinstance(theirs, MarkedMap):
                entries[key] = (root.entries[key][0], MarkedMap(ours.place, dict(theirs.entries) | ours.entries))
    return MarkedMap(root.place, entries)


def _build(name: str, root: MarkedMap, faults: Faults) -> Dialect:
    for key, (mark, _) in root.entries.items():
        if key not in _KEYS:
            faults.add(mark.place, f"{key}: no such key", f"keys are {', '.join(sorted(_KEYS))}")
    role = _word(root, "role", faults)
    if role not in ROLES:
        faults.add(_place(root, "role"), f"role: {role!r} is none", f"write one of {', '.join(ROLES)}")
    if _word(root, "dialect", faults) != name:
        faults.add(_place(root, "dialect"), "dialect: differs from the file's name", f"write dialect: {name}")
    questions = {key: _question(key, node, faults) for key, node in _entries(root, "questions", faults)}
    commands = {key: _command(key, node, faults) for key, node in _entries(root, "commands", faults, needed=False)}
    status = {key: _bit(key, node, questions, faults) for key, node in _entries(root, "status", faults, needed=False)}
    for missing in sorted(NEEDED_QUESTIONS.get(role, frozenset()) - set(questions)):
        faults.add(_place(root, "questions"), f"questions: a {role} needs {missing!r}", "add it")
    for missing in sorted(NEEDED_COMMANDS.get(role, frozenset()) - set(commands)):
        faults.add(_place(root, "commands"), f"commands: a {role} needs {missing!r}", "add it")
    if role == "load" and "mode" not in root.entries:
        faults.add(root.place, "mode: a load needs it", "list the words that mean constant current, such as [CURR, CURRENT]")
    if "power_on" in questions and "power_on_safe" not in root.entries:
        faults.add(_place(root, "questions"), "power_on_safe: needed beside the question power_on", "list the safe answers")
    return Dialect(
        name,
        _word(root, "about", faults),
        role,
        _settle(root, faults),
        _flag(root, "compound", faults),
        _word(root, "power_on", faults, "unknown"),
        _words(root, "power_on_safe", faults),
        _word(root, "verified_on_hardware", faults),
        questions,
        commands,
        status,
        _words(root, "mode", faults),
    )


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


def _header(notation: str, what: str, place: Place, faults: Faults) -> str:
    if NEVER_SEND.search(notation):
        faults.add(place, f"{what}: {notation} is never sent", "delete it")
        return ""
    try:
        return scpi.short_header(notation)
    except ValueError as wrong:
        faults.add(place, f"{what}: {wrong}", "compare it with SCPI-1999")
        return ""


def _question(key: str, node: Node, faults: Faults) -> Question:
    fields = _fields(key, node, ("ask", "reply"), faults)
    notation, reply = fields.get("ask", ""), fields.get("reply", "")
    expected = QUESTIONS.get(key)
    if expected is None:
        faults.add(node.place, f"questions.{key}: no such question", f"questions are {', '.join(QUESTIONS)}")
    elif reply != expected:
        faults.add(node.place, f"questions.{key}: reply {reply!r} cannot be", f"write reply: {expected}")
    if not notation.endswith("?"):
        faults.add(node.place, f"questions.{key}: {notation!r} asks nothing", "end it with a question mark")
    return Question(key, notation, _header(notation, f"questions.{key}", node.place, faults), PARSERS[expected or "word"])


def _command(key: str, node: Node, faults: Faults) -> Command:
    fields = _fields(key, node, ("send", "decimals"), faults)
    send = _SEND.fullmatch(fields.get("send", ""))
    if key not in COMMANDS:
        faults.add(node.place, f"commands.{key}: no such command", f"commands are {', '.join(sorted(COMMANDS))}")
    if send is None:
        faults.add(node.place, f"commands.{key}: {fields.get('send', '')!r} is no command",
                   "write a header, and after one space a word or {value}")
        return Command(key, "", "")
    carries = send["argument"] == "{value}"
    decimals = fields.get("decimals", "0" if not carries else "")
    if carries != (key in SETS) or carries != ("decimals" in fields) or not re.fullmatch("[0-6]", decimals):
        faults.add(node.place, f"commands.{key}: a set-point, and nothing else, carries {{value}} and decimals 0 to 6",
                   'write for example {send: "VOLTage {value}", decimals: 3}')
        return Command(key, "", "")
    argument = "" if carries else (send["argument"] or "")
    if NEVER_SEND.search(argument):
        faults.add(node.place, f"commands.{key}: {argument} is never sent", "delete it")
    if argument and not scpi.is_standard_mnemonic(argument):
        faults.add(node.place, f"commands.{key}: {argument!r} breaks the short-form rule", "capitals are the short form")
    short = "".join(letter for letter in argument if not letter.islower())
    header = _header(send["header"], f"commands.{key}", node.place, faults)
    return Command(key, send["header"], header, short, int(decimals))


def _bit(key: str, node: Node, questions: Mapping[str, Question], faults: Faults) -> tuple[str, int]:
    fields = _fields(key, node, ("register", "bit"), faults)
    register, bit = fields.get("register", ""), fields.get("bit", "")
    if key not in STATUS:
        faults.add(node.place, f"status.{key}: no such condition", f"conditions are {', '.join(sorted(STATUS))}")
    if register not in REGISTERS or register not in questions:
        faults.add(node.place, f"status.{key}: register {register!r} is not asked", "add the question, or name another one")
        register = "questionable"
    if not re.fullmatch("[0-9]|1[0-4]", bit):
        faults.add(node.place, f"status.{key}: bit {bit!r}", "a register has bits 0 to 14")
        bit = "0"
    return register, int(bit)


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
