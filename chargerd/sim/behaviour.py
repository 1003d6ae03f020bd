"""Command sets as data: what a simulated instrument listens to, how it words replies, what its status bits mean.

One YAML file per behaviour in `behaviours/`. Keys of a file:

- `behaviour`, `about`, `panel` (supply, load, meter …), `extends` (another behaviour whose keys this one changes),
  `speaks`: the protocol, a row of `listener.LISTENERS`; left out: `scpi`, for which the keys below are. Other protocols
  have their own keys, see their modules.
- `identity`: the four fields of the identity reply
- `numbers`: Python format of a number; `booleans`: what a switch takes (`any`, `words`) and `boolean_replies`
  (`numbers`, `words`); `suffixes`: units behind numbers `accepted` or `refused`
- `no_error`: reply of the empty error queue; `error_queue`: its depth; `keeps_switch_at_reset`
- `selects_by`: how one of several outputs is addressed: `suffix` (`OUTPut2`), `list` (`(@2)`), `select` (INSTrument:SELect,
  or :NSELect, before), `any` of them (left out); `first_channel`: number of the first panel in lists; `scan_s`: time a
  reading of one channel takes, during which nothing else is answered
- `questionable`, `operation`: bit weight by condition
- `commands`: header pattern -> one of
  `setting` (set and asked; with `unit`, `shown`, `words`, `quoted`), `read` (asked; with `takes`, `configures`, `first`:
  words the first parameter may be), `flag` (asked), `do` (an action of the panel), `sets`+`to` (an event that changes a
  setting; with `shown`, asked whether that is its state), `ignored`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import yaml

from chargerd.sim.panel import Condition
from chargerd.sim.scpi_builtin import BUILTINS
from chargerd.sim.scpi_text import expand

if TYPE_CHECKING:
    from collections.abc import Mapping

KINDS = ("setting", "read", "flag", "do", "sets", "ignored", "builtin")
SELECTIONS = ("suffix", "list", "select", "any")
QUERY_ONLY = frozenset({"read", "flag"})
EVENT_ONLY = frozenset({"do", "sets", "ignored"})


@dataclass(frozen=True, slots=True)
class Command:
    """What one header does. `kind` is one of KINDS, `key` the setting, quantity, flag, action or built-in it names."""

    kind: str
    key: str
    header: str
    unit: str = ""
    shown: str = ""
    words: Mapping[str, str] = field(default_factory=dict)
    is_quoted: bool = False
    takes: int = 0
    configures: str = ""
    to: str = ""
    first: tuple[str, ...] = ()

    @property
    def may_be_asked(self) -> bool:
        """Whether the header exists with a question mark."""
        return self.kind not in EVENT_ONLY or bool(self.kind == "sets" and self.shown)

    @property
    def may_be_set(self) -> bool:
        """Whether the header exists without one."""
        return self.kind not in QUERY_ONLY


@dataclass(frozen=True)
class Behaviour:
    """One command set, read from its file by `load_behaviour`. Immutable: copies of a world share it."""

    name: str
    about: str
    panel: str
    identity: str
    numbers: str
    takes_numeric_booleans: bool
    replies_boolean_words: bool
    takes_suffixes: bool
    no_error: str
    error_queue: int
    keeps_switch_at_reset: bool
    selects_by: str
    first_channel: int
    scan_s: float
    questionable: Mapping[int, int]
    operation: Mapping[int, int]
    commands: Mapping[tuple[str, ...], Command]

    def __deepcopy__(self, memo: dict[int, Any]) -> Self:
        return self


def behaviour_names(speech: str = "") -> tuple[str, ...]:
    """Names of all behaviours that come with the program, or of those that speak one protocol."""
    folder = files("chargerd.sim") / "behaviours"
    names = sorted(entry.name.removesuffix(".yaml") for entry in folder.iterdir() if entry.name.endswith(".yaml"))
    return tuple(name for name in names if speech in ("", speech_of(name)))


@cache
def speech_of(name: str) -> str:
    """Which protocol the behaviour `name` speaks, see `listener.LISTENERS`.

    Raises:
        FileNotFoundError: there is none of this name.
    """
    speech: str = read_behaviour(name).get("speaks", "scpi")
    return speech


class Counting(NamedTuple):
    """How an instrument numbers its panels: the one meant where none is said, the lowest there is, and whether there are gaps."""

    first: int = 1
    least: int = 1
    is_sparse: bool = False


@cache
def counting_of(name: str) -> Counting:
    """How the behaviour `name` numbers its panels.

    Raises:
        FileNotFoundError: there is none of this name.
    """
    raw = read_behaviour(name)
    if "numbers" in raw and raw.get("speaks") == "pins":
        return Counting(int(raw["numbers"][0]), 0, is_sparse=True)
    first = int(raw.get("first_channel", "1"))
    return Counting(first, first)


@cache
def load_behaviour(name: str) -> Behaviour:
    """Read the behaviour `name` and all it extends.

    Raises:
        FileNotFoundError: there is none of this name.
        ValueError: the file does not make sense; the message names the header.
    """
    raw = read_behaviour(name)
    identity = raw["identity"]
    return Behaviour(
        name=raw["behaviour"],
        about=raw["about"],
        panel=raw["panel"],
        identity=",".join(identity[part] for part in ("maker", "model", "serial", "firmware")),
        numbers=raw["numbers"],
        takes_numeric_booleans=raw["booleans"] == "any",
        replies_boolean_words=raw["boolean_replies"] == "words",
        takes_suffixes=raw["suffixes"] == "accepted",
        no_error=raw["no_error"],
        error_queue=int(raw["error_queue"]),
        keeps_switch_at_reset=raw.get("keeps_switch_at_reset", "no") == "yes",
        selects_by=_selection(raw.get("selects_by", "any")),
        first_channel=int(raw.get("first_channel", "1")),
        scan_s=float(raw.get("scan_s", "0")),
        questionable=_bits(raw.get("questionable", {})),
        operation=_bits(raw.get("operation", {})),
        commands=_headers(raw["commands"]),
    )


def read_behaviour(name: str) -> dict[str, Any]:
    """The raw keys of the behaviour `name`, with those of all it extends; every scalar is text.

    Raises:
        FileNotFoundError: there is none of this name.
    """
    text = (files("chargerd.sim") / "behaviours" / f"{name}.yaml").read_text(encoding="utf-8")
    # BaseLoader makes every scalar text (ON stays ON) and can construct nothing else, so it is safe.
    raw: dict[str, Any] = yaml.load(text, Loader=yaml.BaseLoader)  # noqa: S506
    parent = raw.get("extends")
    if parent is None:
        return raw
    merged = read_behaviour(parent)
    for key in ("commands", "registers"):
        if key in merged:
            raw[key] = {**merged[key], **raw.get(key, {})}
    return {**merged, **raw}


def _selection(word: str) -> str:
    if word not in SELECTIONS:
        raise ValueError(f"selects_by: {word!r} is none of {SELECTIONS}")
    return word


def _bits(raw: Mapping[str, str]) -> dict[int, int]:
    return {getattr(Condition, name): int(weight) for name, weight in raw.items()}


def _headers(raw: Mapping[str, Mapping[str, Any]]) -> dict[tuple[str, ...], Command]:
    """Every legal spelling of every header -> its command."""
    table: dict[tuple[str, ...], Command] = {}
    commands = [_command(pattern, entry) for pattern, entry in raw.items()]
    commands += [Command("builtin", pattern, pattern) for pattern in BUILTINS]
    for command in commands:
        for spelling in expand(command.header):
            if table.setdefault(spelling, command) is not command:
                raise ValueError(f"{command.header}: {':'.join(spelling)} also belongs to {table[spelling].header}")
    return table


def _command(pattern: str, entry: Mapping[str, Any]) -> Command:
    kinds = [kind for kind in KINDS if kind in entry]
    if len(kinds) != 1:
        raise ValueError(f"{pattern}: needs exactly one of {KINDS}, has {kinds}")
    kind = kinds[0]
    return Command(
        kind,
        entry[kind],
        pattern,
        unit=entry.get("unit", ""),
        shown=entry.get("shown", ""),
        words=entry.get("words", {}),
        is_quoted=entry.get("quoted", "no") == "yes",
        takes=int(entry.get("takes", "0")),
        configures=entry.get("configures", ""),
        to=entry.get("to", ""),
        first=tuple(entry.get("first", ())),
    )
