"""The rows that say what a file may contain, and the one reader that follows them.

A file kind is described once, as `Group`s of `Key`s (in cell.py, bench.py, profile.py). From these rows come the checks here,
the JSON Schemas (schema.py) and the manual's tables. No model library stands between: values are text with units, faults
need line and column, and all of them are wanted at once -- the rows and the marked tree give that without a second
description of every key.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date

from chargerd.config.marked import Faults, MarkedList, MarkedMap, MarkedText, Node
from chargerd.errors import Place
from chargerd.units import DIMENSIONS, Quantity, UnitError, parse

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
"""Names become folders, topics and columns: no spaces, no slashes."""

_NAME_RULE = "use letters, digits, `-`, `_` and `.` only, at most 64, a letter or digit first"

KINDS = frozenset({*DIMENSIONS, "money", "text", "name", "flag", "count", "date", "word", "group", "named", "items",
                   "list", "texts", "free"})
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


def read_group(group: Group, node: Node, label: str, faults: Faults) -> Values:
    """Read one map by its table. What is wrong is added to `faults`; what could be read is returned."""
    values = Values(group, label, node.place)
    if not isinstance(node, MarkedMap):
        what = "a list" if isinstance(node, MarkedList) else repr(node.text) if node.text else "nothing"
        faults.add(node.place, f"{label}: {what} stands here", f"write keys under it: {_listed(group)}")
        return values
    for name, (key_text, value) in node.entries.items():
        key = group.key(name)
        if key is None:
            faults.add(key_text.place, *_unknown_key(name, group, value, label))
            continue
        given = _read(key, value, values.name_of(name), faults)
        if given is not None:
            values.given[name] = given
    _demand(group, node, values, faults)
    for key in group.keys:
        if key.default and key.name not in node.entries:
            default = _read(key, MarkedText(key.default, node.place), values.name_of(key.name), faults)
            if default is not None:
                values.given[key.name] = default
    return values


def _demand(group: Group, node: MarkedMap, values: Values, faults: Faults) -> None:
    """Note required keys that are missing."""
    if group.single:
        known = [name for name in node.entries if group.key(name) is not None]
        if len(known) > 1:
            second = node.entries[known[1]][0].place
            faults.add(second, f"{known[1]} stands in the same step as {known[0]}", "begin each step with `- ` on its own line")
        elif not node.entries:
            faults.add(node.place, f"{values.label}: an empty step", f"write one of {_listed(group)}")
        return
    for key in group.keys:
        if key.required and key.name not in node.entries:
            faults.add(node.place, f"{values.name_of(key.name)} is missing ({key.meaning})", f"write `{example_line(key)}`")


def example_line(key: Key) -> str:
    """Return a line a person could write for that key."""
    if key.words:
        return f"{key.name}: {key.words[0]}"
    samples = {"text": "some words", "name": "plover-01", "flag": "yes", "count": key.least or "3", "date": "2025-10-03",
               "money": "12.50 EUR", "list": "[…, …]", "texts": "[…, …]"}
    if key.kind in DIMENSIONS:
        return f"{key.name}: {DIMENSIONS[key.kind].example}"
    return f"{key.name}: {samples.get(key.kind, '')}".rstrip() + ("" if key.kind in samples else " …")


def _listed(group: Group) -> str:
    names = [key.name for key in group.keys]
    return ", ".join(names[:-1]) + " or " + names[-1] if len(names) > 1 else names[0]


def _unknown_key(name: str, group: Group, value: Node, label: str) -> tuple[str, str]:
    where = f"{label}: " if label else ""
    if name in group.foreign:
        return f"{where}{name} does not belong here", group.foreign[name]
    if re.match(r"[0-9]", name) and isinstance(value, MarkedText) and not value.text:
        return f"{where}{name!r} stands alone between commas", "write decimals with a point, a comma inside { } begins a new key"
    if not name:
        return f"{where}a key is empty", f"known here: {_listed(group)}"
    close = difflib.get_close_matches(name, [key.name for key in group.keys], 1, 0.6)
    return f"{where}unknown key {name!r}", f"did you mean {close[0]!r}?" if close else f"known here: {_listed(group)}"


def _read(key: Key, node: Node, label: str, faults: Faults) -> Given | None:
    """Read one value by its row; None after noting a fault that leaves nothing usable."""
    if key.kind in {"group", "named", "items"} and key.group is not None:
        return _read_nested(key, key.group, node, label, faults)
    if key.kind in {"list", "texts"}:
        return _read_list(key, node, label, faults)
    if key.kind == "free":
        return _read_free(key, node, label, faults)
    if not isinstance(node, MarkedText):
        faults.add(node.place, f"{label}: a single value belongs here", f"write `{example_line(key)}`")
        return None
    if key.kind != "text" and node.lines > 1:
        faults.add(node.place, f"{label}: the value runs over {node.lines} lines", "write it in one; is a colon missing?")
        return None
    if key.kind == "text" and node.plain and node.commented:
        faults.add(node.place, f"{label}: the text is cut off at the #", "put the text in quotes, or the comment on its own line")
    return _read_scalar(key, node, label, faults)


def _read_scalar(key: Key, node: MarkedText, label: str, faults: Faults) -> Given | None:
    try:
        value = _scalar(key, node)
    except UnitError as error:
        faults.add(node.place, f"{label}: {error.what}", error.remedy)
        return None
    if isinstance(value, Quantity) or (isinstance(value, int) and key.kind == "count"):
        _bound(key, value, node, label, faults)
    return Given(value, node.place, node.text)


def _scalar(key: Key, node: MarkedText) -> object:
    """Return the value of a scalar. Raises UnitError with what to write instead."""
    text = node.text
    if text in key.words:
        return text
    if not text:
        raise UnitError("nothing is written here", f"write `{example_line(key)}`")
    if node.plain and re.search(r"\S#", text) and key.kind not in DIMENSIONS:
        raise UnitError("the comment sticks to the value", f"put a space before the #: {text.split('#')[0].rstrip()}  # comment")
    if key.kind in DIMENSIONS or key.kind == "money":
        return _quantity(key, text)
    return _PLAIN_READERS[key.kind](key, text)


def _quantity(key: Key, text: str) -> Quantity:
    try:
        return parse(text, key.kind)
    except UnitError as error:
        if key.words and re.fullmatch(r"[A-Za-z_ -]+", text):
            close = difflib.get_close_matches(text, key.words, 1, 0.5)
            hint = f"did you mean {close[0]}?" if close else f"write {', '.join(key.words)} or a {key.kind}"
            raise UnitError(f"{text!r} is not known here", hint) from None
        raise UnitError(error.what, error.remedy) from None


def _flag(_: Key, text: str) -> bool:
    if text not in {"yes", "no"}:
        meant = "yes" if text.lower() in {"true", "on", "y", "1", "yes"} else "no" if text.lower() in {
            "false", "off", "n", "0", "no"} else "yes or no"
        raise UnitError(f"{text!r} is neither yes nor no", f"write {meant}")
    return text == "yes"


def _count(_: Key, text: str) -> int:
    if not re.fullmatch(r"[1-9][0-9]{0,5}|0", text):
        raise UnitError(f"{text!r} is not a whole number", "write for example 10")
    return int(text)


def _date(_: Key, text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat() if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text) else _no_date(text)
    except ValueError as error:
        raise UnitError(f"{text!r} is not a date", "write year-month-day, for example 2025-10-03") from error


def _no_date(text: str) -> str:
    raise ValueError(text)


def _word(key: Key, text: str) -> str:
    close = difflib.get_close_matches(text, key.words, 1, 0.5)
    raise UnitError(f"{text!r} is not known here", f"did you mean {close[0]}?" if close else f"write {' or '.join(key.words)}")


def _name(_: Key, text: str) -> str:
    if not NAME.fullmatch(text) or ".." in text:
        raise UnitError(f"{text!r} cannot be a name", _NAME_RULE)
    return text


def _text(_: Key, text: str) -> str:
    return text


_PLAIN_READERS = {"flag": _flag, "count": _count, "date": _date, "word": _word, "name": _name, "text": _text}


def _bound(key: Key, value: Quantity | int, node: MarkedText, label: str, faults: Faults) -> None:
    """Note a value outside the row's bounds. Relative and absolute values are compared only with bounds of their own unit."""
    for bound, sign in ((key.least, -1.0), (key.most, 1.0)):
        if not bound:
            continue
        for one in bound.split(" or "):
            edge = int(one) if isinstance(value, int) else parse(one, key.kind)
            if isinstance(value, Quantity) and isinstance(edge, Quantity):
                outside = value.unit == edge.unit and (value.value - edge.value) * sign > 0
            else:
                outside = isinstance(value, int) and isinstance(edge, int) and (value - edge) * sign > 0
            if outside:
                side = f"above {one}, the most" if sign > 0 else f"below {one}, the least"
                reason = f" ({key.why})" if key.why else ""
                faults.add(node.place, f"{label}: {node.text} is {side} allowed here{reason}", "check the number and its unit")


def _read_nested(key: Key, group: Group, node: Node, label: str, faults: Faults) -> Given | None:
    if key.kind == "group":
        return Given(read_group(group, node, _short(label), faults), node.place)
    if key.kind == "items":
        if not isinstance(node, MarkedList) or not node.items:
            faults.add(node.place, f"{label}: a list belongs here", "begin each item with `- ` on a line of its own")
            return None
        return Given([Given(read_group(group, item, "", faults), item.place) for item in node.items], node.place)
    if not isinstance(node, MarkedMap):
        faults.add(node.place, f"{label}: names with keys under them belong here", "write `a-name:` and its keys below, indented")
        return None
    return Given({name: read_group(group, value, f"{label}.{name}", faults)
                  for name, value in _judged_names(node, label, faults)}, node.place)


def _short(label: str) -> str:
    """Return the last two names of a label: `charge.ends_when` says as much as a longer chain."""
    return ".".join(label.split(".")[-2:])


def _judged_names(node: MarkedMap, label: str, faults: Faults) -> Iterator[tuple[str, Node]]:
    for name, (key_text, value) in node.entries.items():
        if not NAME.fullmatch(name) or ".." in name:
            faults.add(key_text.place, f"{label}: {name!r} cannot be a name", _NAME_RULE)
        yield name, value


def _read_list(key: Key, node: Node, label: str, faults: Faults) -> Given | None:
    if not isinstance(node, MarkedList):
        faults.add(node.place, f"{label}: a list belongs here", "write [ …, … ]")
        return None
    row = Key(key.name, key.of or "text", key.meaning, least=key.least, most=key.most, why=key.why)
    read = [_read(row, item, label, faults) for item in node.items]
    return Given([item for item in read if item is not None], node.place)


def _read_free(key: Key, node: Node, label: str, faults: Faults) -> Given | None:
    if not isinstance(node, MarkedMap):
        faults.add(node.place, f"{label}: names with values belong here", f"write `a_name: {DIMENSIONS[key.of].example}` below"
                   if key.of in DIMENSIONS else "write `a_name: 12.50 EUR` below")
        return None
    found: dict[str, Given] = {}
    for name, value in _judged_names(node, label, faults):
        given = _read(Key(name, key.of, key.meaning), value, f"{label}.{name}", faults)
        if given is not None:
            found[name] = given
    return Given(found, node.place)
