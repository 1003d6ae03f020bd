"""Outputs that must be left alone: `never_touch` and `keep_on` of the bench file, against what a dialect's messages address.

A dialect is data that a person wrote, and one wrong number in it would switch another output of the same instrument. So every
message is looked at for the outputs it names, once when the bench is opened and again before the bytes of a command leave. An
instrument of a channel has one output. Any other number behind a word of a header or of an argument is refused, whatever the
word is, and so is what switches or sets several outputs at once. What names no output at all, while the instrument carries one
that must be left alone, is refused too if it could switch or set: so are all commands in registers, bytes and words of a
device's own, whose numbers say nothing about outputs. Those reach only what their row in the dialect names.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from chargerd.config.bench import BenchFile
from chargerd.errors import InstrumentError
from chargerd.instruments.framing.scpi import standard_mnemonic
from chargerd.instruments.transports.registry import parse_address
from chargerd.instruments.transports.wires import wires

_ENTRY = re.compile(r"(?P<address>\S+?)(?: output (?P<output>\S+))?")
_LISTS = re.compile(r"\(@([^)]*)\)?")
_WORD = re.compile(r"([A-Za-z_][A-Za-z_0-9]*?)([0-9]*)")
_DECIMAL = re.compile(r"[+-]?[0-9]*\.[0-9]*|\{value\}")
_DIGITS = re.compile("[0-9]+")
_SPAN = re.compile("([0-9]+)(?::([0-9]+))?")
_NO_WORDS = re.compile(r"[0-9A-F]{2}(?: (?:[0-9A-F]{2}|\{value\}))+|(?:holding|input|coil|discrete) [0-9].*")
"""Frames of bytes, and registers."""
_WIDE = frozenset({"identity", "error", "events", "remote", "lock", "watchdog"})
"""What concerns an instrument as a whole, or reads: allowed without naming an output."""

_EVERY = frozenset({"*RST", "*RCL", "*TRG"})
"""Common commands that change every output (IEEE 488.2 §10)."""
_TOGETHER = tuple(
    standard_mnemonic(word)
    for word in (
        "all", "both", "general", "global", "master", "group", "tracking", "track", "coupling", "couple", "combine", "pair",
        "parallel", "series", "dual", "link", "synchronous", "simultaneous", "trigger", "initiate", "preset",
    )
)  # fmt: skip
"""Words of headers and arguments that move outputs together, as command lists name them; common practice, no source."""
_NAMING = tuple(
    standard_mnemonic(word)
    for word in ("output", "source", "input", "measure", "isummary", "instrument", "channel", "ch", "voltage", "current")
)
"""Words whose number says which output is meant; any other word's number says it less surely, and only ever refuses."""
_SELECTING = tuple(standard_mnemonic(word) for word in ("instrument", "nselect", "select", "channel", "ch"))
"""Last words of headers whose argument is an output."""
_ENERGISING = tuple(
    standard_mnemonic(word)
    for word in ("output", "input", "source", "voltage", "current", "power", "apply", "instrument", "channel")
)
"""Words of headers of commands that switch or set, whatever a dialect calls the command."""


def _is_one_of(word: str, notations: Iterable[str]) -> bool:
    """Tell whether a word is the short form of one of these, the long one, or anything between (SCPI-1999 volume 1, §6.2.1)."""
    upper = word.upper()
    return any(one.upper().startswith(upper) and len(upper) >= sum(map(str.isupper, one)) for one in notations)


def _number(digits: str) -> str:
    return str(int(digits))


def _key(output: str) -> str:
    """Return what tells an output from others, however it is written: its number (`2`, `02`, `CH2`), or its name."""
    match = _WORD.fullmatch(output)
    digits = match[2] if match else output
    return _number(digits) if digits.isdecimal() else output.upper()


@dataclass(slots=True)
class _Addressed:
    """What a message names: outputs for sure, numbers and names that could be outputs, and what it does to all of them."""

    outputs: set[str] = field(default_factory=set)
    others: set[str] = field(default_factory=set)
    words: set[str] = field(default_factory=set)
    together: str = ""
    energises: bool = False

    def word(self, name: str, digits: str, *, names: bool) -> None:
        """Take one word with the number behind it."""
        self.words.add(name.upper() + digits)
        if digits:
            (self.outputs if names or _is_one_of(name, _NAMING) else self.others).add(_number(digits))


def _addressed(text: str) -> _Addressed:
    found = _Addressed()
    if _NO_WORDS.fullmatch(text):
        return found
    for unit in text.split(";"):
        listed = _LISTS.findall(unit)
        header, _, rest = _LISTS.sub(" ", unit).strip().partition(" ")
        _take(found, header, [part.strip() for part in rest.split(",") if part.strip()], listed)
    return found


def _take(found: _Addressed, header: str, arguments: list[str], listed: list[str]) -> None:
    """Take one part of a message: its header, its arguments, its channel lists."""
    words = [match.groups() for part in header.strip(":?").split(":") if (match := _WORD.fullmatch(part))]
    together = [header] if header.upper() in _EVERY else [name for name, _ in words if _is_one_of(name, _TOGETHER)]
    is_selecting = bool(words) and _is_one_of(words[-1][0], _SELECTING)
    for name, digits in words:
        found.word(name, digits, names=False)
    for part in arguments:
        match = _WORD.fullmatch(part)
        if match:
            found.word(match[1], match[2], names=is_selecting)
            if is_selecting and not match[2]:
                found.outputs.add(part.upper())
            together += [part] * _is_one_of(match[1], _TOGETHER)
        elif not _DECIMAL.fullmatch(part) and (is_selecting or len(arguments) > 1 or not part.isdecimal()):
            (found.outputs if is_selecting else found.others).update(_number(digits) for digits in _DIGITS.findall(part))
    for part in ",".join(listed).replace(" ", "").split(",") if listed else ():
        span = _SPAN.fullmatch(part)
        if span:
            found.outputs |= {str(number) for number in range(int(span[1]), int(span[2] or span[1]) + 1)}
        else:
            together.append(f"(@{part})")
    if not header.endswith("?"):
        found.together = found.together or "".join(together[:1])
        found.energises |= any(_is_one_of(name, _ENERGISING) for name, _ in words)


def addressed(text: str) -> set[str]:
    """Return the outputs that a SCPI message names for sure: by suffix, by channel list, or by selecting."""
    return _addressed(text).outputs


class Untouchable:
    """What must be left alone at one address: some of its outputs, or all of it (`""` among them)."""

    def __init__(self, outputs: Iterable[str]) -> None:
        self.outputs = frozenset(_key(output) for output in outputs)

    def judge(self, who: str, what: str, text: str, *, is_question: bool, own: str = "") -> None:
        """Raise InstrumentError when that message must not be sent. `own`: the one output it may speak to, where known."""
        if not self.outputs:
            return
        found = _addressed(text)
        named = found.outputs | found.others | {_key(word) for word in found.words if _key(word) in self.outputs | {_key(own)}}
        hit = named & self.outputs
        if hit:
            raise InstrumentError(f"{who}: {text} not sent: it addresses output {min(hit)}, which must be left alone")
        if found.together:
            what_it_does = f"({found.together}) it would switch or set several outputs, also one that must be left alone"
            raise InstrumentError(f"{who}: {text} not sent: {what_it_does}")
        if is_question:
            return
        strange = named - {_key(own)} if own else named if len(named) > 1 else set()
        if strange:
            wrong = f"it names {' and '.join(sorted(strange))}, and only {own or 'one'} is meant"
            raise InstrumentError(f"{who}: {text} not sent: {wrong}; one output here must be left alone")
        may_be_wide = what in _WIDE and not found.energises
        if "" in self.outputs or not (found.outputs or may_be_wide):
            raise InstrumentError(f"{who}: {text} not sent: it names no output, and one here must be left alone")


def untouchable_at(bench: BenchFile, address: str) -> Untouchable:
    """Return what must be left alone at that address."""
    here, unit = set(wires(address)), _unit(address)
    found = []
    for entry in (*bench.never_touch, *bench.keep_on):
        where, output = _place(bench, entry)
        if where and here & set(wires(where)) and _unit(where) in ("", unit or _unit(where)):
            found.append(output)
    return Untouchable(found)


def _unit(address: str) -> str:
    """Return which device of a bus an address means; what is sent to one unit reaches no other. Empty: there is but one."""
    return parse_address(address).options.get("unit", "")


def _place(bench: BenchFile, entry: str) -> tuple[str, str]:
    """Return the address and the output of an entry: an instrument's name, or `ADDRESS output N`."""
    if entry in bench.instruments:
        spec = bench.instruments[entry]
        return spec.address, spec.output
    match = _ENTRY.fullmatch(entry)
    return ("", "") if match is None else (match["address"], match["output"] or "")
