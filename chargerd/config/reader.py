"""The one reader of a person's files: follows the tables, collects every fault, returns what could be read."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator

from chargerd.config.marked import Faults, MarkedList, MarkedMap, MarkedText, Node
from chargerd.config.scalars import read_scalar
from chargerd.config.tables import NAME, NAME_RULE, Given, Group, Key, Values, example_line
from chargerd.units import DIMENSIONS


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
            assert default is not None, key
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
    return read_scalar(key, node, label, faults)


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
    return Given(
        {name: read_group(group, value, f"{label}.{name}", faults) for name, value in _judged_names(node, label, faults)},
        node.place,
    )


def _short(label: str) -> str:
    """Return the last two names of a label: `charge.ends_when` says as much as a longer chain."""
    return ".".join(label.split(".")[-2:])


def _judged_names(node: MarkedMap, label: str, faults: Faults) -> Iterator[tuple[str, Node]]:
    for name, (key_text, value) in node.entries.items():
        if not NAME.fullmatch(name) or ".." in name:
            faults.add(key_text.place, f"{label}: {name!r} cannot be a name", NAME_RULE)
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
        faults.add(
            node.place,
            f"{label}: names with values belong here",
            f"write `a_name: {DIMENSIONS[key.of].example}` below" if key.of in DIMENSIONS else "write `a_name: 12.50 EUR` below",
        )
        return None
    found: dict[str, Given] = {}
    for name, value in _judged_names(node, label, faults):
        given = _read(Key(name, key.of, key.meaning), value, f"{label}.{name}", faults)
        if given is not None:
            found[name] = given
    return Given(found, node.place)
