"""Single values: text, and a row that says what it must be, become a value or a fault with its remedy."""

from __future__ import annotations

import difflib
import re
from datetime import date

from chargerd.config.marked import Faults, MarkedText
from chargerd.config.tables import NAME, NAME_RULE, Given, Key, example_line
from chargerd.units import DIMENSIONS, Quantity, UnitError, parse


def read_scalar(key: Key, node: MarkedText, label: str, faults: Faults) -> Given | None:
    """Read one value; None after noting why it is none. A value outside the row's bounds is noted and returned."""
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
        meant = (
            "yes"
            if text.lower() in {"true", "on", "y", "1", "yes"}
            else "no"
            if text.lower() in {"false", "off", "n", "0", "no"}
            else "yes or no"
        )
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


def _name(_: Key, text: str) -> str:
    if not NAME.fullmatch(text) or ".." in text:
        raise UnitError(f"{text!r} cannot be a name", NAME_RULE)
    return text


def _text(_: Key, text: str) -> str:
    return text


_PLAIN_READERS = {"flag": _flag, "count": _count, "date": _date, "name": _name, "text": _text}


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
