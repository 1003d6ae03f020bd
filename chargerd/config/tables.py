"""The rows that say what a file may contain, and the values read by them (reader.py reads).

A file kind is described once, as `Group`s of `Key`s (in cell.py, bench.py, profile.py). From these rows come the checks here,
the JSON Schemas (schema.py) and the manual's tables. No model library stands between: values are text with units, faults
need line and column, and all of them are wanted at once -- the rows and the marked tree give that without a second
description of every key.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from chargerd.errors import Place
from chargerd.units import DIMENSIONS, Quantity

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
"""Names become folders, topics and columns: no spaces, no slashes."""

NAME_RULE = "use letters, digits, `-`, `_` and `.` only, at most 64, a letter or digit first"

KINDS = frozenset(
    {*DIMENSIONS, "money", "text", "name", "flag", "count", "date", "group", "named", "items", "list", "texts", "free"}
)
"""What a key may hold. `named`: a map from free names to groups; `items`: a list of groups; `list`: a list of quantities;
`free`: a map from free names to quantities; `texts`: a list of texts."""


@dataclass(frozen=True, slots=True)
class Key:
    """One row of a table.

    `least` and `most` bound a value, in the file's own notation; `why` says where the bound comes from. `words` may stand
    instead of a value. `group` describes what a group, named or items key holds; `of` the dimension of a list or free map.
    """

    name: str
    kind: str
    meaning: str
    required: bool = False
    default: str = ""
    least: str = ""
    most: str = ""
    why: str = ""
    words: tuple[str, ...] = ()
    group: Group | None = None
    of: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """A map with known keys. `single`: exactly one of them. `foreign`: keys that belong elsewhere → what to say."""

    name: str
    keys: tuple[Key, ...]
    single: bool = False
    foreign: Mapping[str, str] = field(default_factory=dict)

    def key(self, name: str) -> Key | None:
        """Return the row of that name."""
        return next((key for key in self.keys if key.name == name), None)


@dataclass(frozen=True, slots=True)
class Given:
    """A value that was read, and where it stands (for a default: the place of its map)."""

    value: object
    place: Place
    text: str = ""


def amount(given: Given) -> float:
    """Return the value of a quantity that was read without fault, in its base unit."""
    assert isinstance(given.value, Quantity), given.text
    return given.value.value


@dataclass(slots=True)
class Values:
    """The values of one map. Getters return None when the key is absent or faulty, so cross-checks can go on."""

    group: Group
    label: str
    place: Place
    given: dict[str, Given] = field(default_factory=dict)

    def has(self, key: str) -> bool:
        """Whether a readable value or a default is there."""
        return key in self.given

    def at(self, key: str) -> Place:
        """Return where the key's value stands, else where the map begins."""
        return self.given[key].place if key in self.given else self.place

    def name_of(self, key: str) -> str:
        """Return the key with the map's name before it, as messages say it."""
        return f"{self.label}.{key}" if self.label else key

    def quantity(self, key: str) -> Quantity | None:
        """Return the value with its unit."""
        value = self.given[key].value if key in self.given else None
        return value if isinstance(value, Quantity) else None

    def number(self, key: str) -> float | None:
        """Return the value in its dimension's base unit."""
        quantity = self.quantity(key)
        return None if quantity is None else quantity.value

    def need(self, key: str) -> float:
        """Return a value that is there because its row requires it or has a default, and no fault was found."""
        number = self.number(key)
        assert number is not None, key
        return number

    def need_absolute(self, key: str, rated_Ah: float) -> float:
        """Return such a value, one relative to the rated capacity resolved."""
        quantity = self.quantity(key)
        assert quantity is not None, key
        return quantity.absolute(rated_Ah)

    def text(self, key: str) -> str:
        """Return a text, name or word; empty when absent."""
        value = self.given[key].value if key in self.given else ""
        return value if isinstance(value, str) else ""

    def flag(self, key: str) -> bool:
        """Return yes as True; no, absent and faulty as False."""
        return key in self.given and self.given[key].value is True

    def count(self, key: str) -> int | None:
        """Return a whole number."""
        value = self.given[key].value if key in self.given else None
        return value if isinstance(value, int) and not isinstance(value, bool) else None

    def sub(self, key: str) -> Values | None:
        """Return the values of a map inside this one."""
        value = self.given[key].value if key in self.given else None
        return value if isinstance(value, Values) else None

    def named(self, key: str) -> dict[str, Values]:
        """Return the maps by name."""
        value = self.given[key].value if key in self.given else None
        return {name: item for name, item in value.items() if isinstance(item, Values)} if isinstance(value, dict) else {}

    def items(self, key: str) -> list[Given]:
        """Return the items of a list, each with its place."""
        value = self.given[key].value if key in self.given else None
        return [item for item in value if isinstance(item, Given)] if isinstance(value, list) else []

    def free(self, key: str) -> dict[str, Given]:
        """Return a map from free names to quantities, each with its place."""
        value = self.given[key].value if key in self.given else None
        return {name: item for name, item in value.items() if isinstance(item, Given)} if isinstance(value, dict) else {}


def example_line(key: Key) -> str:
    """Return a line a person could write for that key."""
    if key.words:
        return f"{key.name}: {key.words[0]}"
    samples = {
        "text": "some words",
        "name": "plover-01",
        "flag": "yes",
        "count": key.least or "3",
        "date": "2025-10-03",
        "money": "12.50 EUR",
        "list": "[…, …]",
        "texts": "[…, …]",
    }
    if key.kind in DIMENSIONS:
        return f"{key.name}: {DIMENSIONS[key.kind].example}"
    return f"{key.name}: {samples.get(key.kind, '')}".rstrip() + ("" if key.kind in samples else " …")
