"""From the tables: a JSON Schema for editors, and the rows of the manual.

A schema sees a file through an ordinary YAML reader, so yes/no and whole numbers may arrive as text or already converted. It
cannot compare two values; `chargerd check` is the judge.
"""

from __future__ import annotations

import re
from typing import Any

from chargerd.config.bench_keys import BENCH
from chargerd.config.cell_keys import CELL
from chargerd.config.profile_keys import PROFILE
from chargerd.config.tables import NAME, Group, Key
from chargerd.units import DIMENSIONS

KEYS: dict[str, Group] = {"bench": BENCH, "cell": CELL, "profile": PROFILE}
"""File kind → its table."""

_NUMBER = r"[+-]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]{1,6})?"
_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a file kind: bench, cell or profile. Raises KeyError for another."""
    return {"$schema": _DIALECT, "title": f"chargerd {kind} file", **_group(KEYS[kind])}


def manual_rows(kind: str) -> list[tuple[str, str, str, str, str]]:
    """Return the manual's table: key with its parents, how it is written, required, default, meaning."""
    return list(_rows(KEYS[kind], ""))


def _rows(group: Group, parent: str) -> list[tuple[str, str, str, str, str]]:
    rows = []
    for key in group.keys:
        name = f"{parent}.{key.name}" if parent else key.name
        rows.append((name, written_as(key), "yes" if key.required else "", key.default, key.meaning))
        if key.group is not None:
            below = {"named": f"{name}.NAME", "items": f"{name}[]"}.get(key.kind, name)
            rows.extend(_rows(key.group, below))
    return rows


def written_as(key: Key) -> str:
    """Return in words how a value of that key is written."""
    plain = {"flag": "yes or no", "count": "whole number", "date": "year-month-day", "group": "keys below",
             "named": "names with keys below", "items": "list", "texts": "list of texts"}  # fmt: skip
    said = plain.get(key.kind) or (f"{key.of.replace('_', ' ')} for each name" if key.kind == "free" else
                                   f"list of {key.of}s" if key.kind == "list" else key.kind.replace("_", " "))  # fmt: skip
    if key.kind in DIMENSIONS:
        said += f", as {DIMENSIONS[key.kind].example}"
    return " or ".join((*(f"`{word}`" for word in key.words), said))


def _group(group: Group) -> dict[str, Any]:
    made: dict[str, Any] = {
        "type": "object",
        "properties": {key.name: _key(key) for key in group.keys},
        "additionalProperties": False,
    }
    if group.single:
        made |= {"minProperties": 1, "maxProperties": 1}
    required = [key.name for key in group.keys if key.required]
    return made | ({"required": required} if required else {})


def _key(key: Key) -> dict[str, Any]:
    described = {"description": key.meaning + (f" (default {key.default})" if key.default else "")}
    if key.group is not None and key.kind == "group":
        return described | _group(key.group)
    if key.group is not None and key.kind == "named":
        return described | {"type": "object", "additionalProperties": _group(key.group), "minProperties": 1} | _names()
    if key.group is not None:
        return described | {"type": "array", "items": _group(key.group), "minItems": 1}
    if key.kind == "free":
        return described | {"type": "object", "additionalProperties": _value(key.of)} | _names()
    if key.kind == "list":
        return described | {"type": "array", "items": _value(key.of), "minItems": 1}
    value = _value(key.kind)
    return described | ({"anyOf": [{"enum": list(key.words)}, value]} if key.words else value)


def _names() -> dict[str, Any]:
    return {"propertyNames": {"pattern": f"^{NAME.pattern}$"}}


def _value(kind: str) -> dict[str, Any]:
    if kind in DIMENSIONS:
        return {"type": "string", "pattern": quantity_pattern(kind), "examples": [DIMENSIONS[kind].example]}
    return _PLAIN[kind]


_PLAIN: dict[str, dict[str, Any]] = {
    "money": {"type": "string", "pattern": f"^{_NUMBER} *[A-Z]{{3}}$"},
    "text": {"type": "string"},
    "texts": {"type": "array", "items": {"type": "string"}},
    "name": {"type": "string", "pattern": f"^{NAME.pattern}$"},
    "flag": {"enum": ["yes", "no", True, False]},
    "count": {"anyOf": [{"type": "integer", "minimum": 0}, {"type": "string", "pattern": "^[0-9]+$"}]},
    "date": {"type": "string", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"},
}


def quantity_pattern(dimension: str) -> str:
    """Return a regular expression for how a value of that dimension is written."""
    units = [re.escape(unit) for unit in DIMENSIONS[dimension].units]
    if dimension == "current":
        return f"^({_NUMBER} *({'|'.join(units)}|It)|C */ *[0-9.]+)$"
    if dimension == "charge":
        units.append("% *rated")
    return f"^{_NUMBER} *({'|'.join(units)})$"
