"""`dialect new` on a file that is there: what it says, as the answers that an interview would have been given."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from chargerd.cli.dialect_parts import NONE, keys_of
from chargerd.cli.dialect_printed import places, set_point
from chargerd.cli.dialect_words import DIFFERS, GROUPS, PROTECTIONS, UNASKED, WORDS
from chargerd.config.marked import Faults, MarkedList, MarkedMap, MarkedText, Node, read_marked
from chargerd.errors import BenchError, RefusedError
from chargerd.instruments.dialect import QUESTIONS, SETS
from chargerd.instruments.dialect_file import FRAMINGS

_UNASKED_KEYS = frozenset({"based_on", "select", "compound"})
"""What the interview knows nothing of, and would lose."""

Row = Mapping[str, str]


def answers_of(path: Path) -> dict[str, str]:
    """Return the answers, by their names in a draft. Raises BenchError, RefusedError."""
    faults = Faults()
    root = read_marked(path, faults).root
    if root is None:
        faults.raise_as(BenchError)
        raise AssertionError("no tree and no fault")
    lost = sorted(_UNASKED_KEYS & set(root.entries))
    if lost:
        raise RefusedError(f"{path} has {', '.join(lost)}, which would be lost by going through it again; edit that file")
    said = {key: _text(node) for key, (_, node) in root.entries.items()}
    found = {key: said[key] for key in ("about", "role", "framing", "settle", "power_on") if said.get(key)}
    framing = said.get("framing") or "scpi"
    if framing not in FRAMINGS:
        return found
    questions, commands, status, examples = (_rows(root, key) for key in ("questions", "commands", "status", "examples"))
    found |= dict(_said_once(questions, commands))
    first = keys_of(framing, is_question=True)[0]
    found |= {f"{name}? {first}": NONE for name in QUESTIONS if name not in questions}
    for name, row in questions.items():
        found |= dict(_question(name, row, examples.get(f"{name}?", {}), framing))
    for name, row in commands.items():
        found |= dict(_command(name, row, examples.get(name, {}), framing))
    found |= dict(_status(said.get("role", ""), framing, questions, status, examples))
    for key, _, _ in WORDS.values():
        if key in said:
            found[key] = said[key]
    return found


def _text(node: Node) -> str:
    if isinstance(node, MarkedList):
        return ", ".join(_text(item) for item in node.items)
    return node.text if isinstance(node, MarkedText) else ""


def _rows(root: MarkedMap, key: str) -> dict[str, Row]:
    node = root.entries[key][1] if key in root.entries else None
    if not isinstance(node, MarkedMap):
        return {}
    rows = {name: row for name, (_, row) in node.entries.items() if isinstance(row, MarkedMap)}
    return {name: {part: _text(text) for part, (_, text) in row.entries.items()} for name, row in rows.items()}


def _said_once(questions: Mapping[str, Row], commands: Mapping[str, Row]) -> Iterator[tuple[str, str]]:
    """Yield what is the same in all rows."""
    rows = [*questions.values(), *commands.values()]
    yield "units", "no" if any("scale" in row for row in rows) else "yes"
    missing = {row.get("missing", NONE) for name, row in questions.items() if QUESTIONS.get(name) == "number"}
    yield "missing", missing.pop() if len(missing) == 1 else DIFFERS
    replies = {row.get("reply", NONE) for row in commands.values()}
    yield "acknowledgement", replies.pop() if len(replies) == 1 else DIFFERS
    switches = {f"{name}_enable" for name in PROTECTIONS}
    is_switched = switches & set(commands) or {f"{name}d" for name in switches} & set(questions)
    yield "protections", "switched" if is_switched else "always"


def _question(name: str, row: Row, example: Row, framing: str) -> Iterator[tuple[str, str]]:
    first = keys_of(framing, is_question=True)[0]
    yield from ((f"{name}? {part}", text) for part, text in row.items())
    printed = example.get("reply", "")
    yield f"{name}? answer", printed or NONE
    if framing != "line":
        return
    if row.get("ask") == "":
        yield f"{name}? {first}", UNASKED
    found = places(name, {"ask": row.get("ask", "")}, printed) if name in QUESTIONS and printed else []
    if row.get("reply") in found:
        yield f"{name}? reply", printed
        yield f"{name}? which", str(found.index(row["reply"]) + 1)


def _command(name: str, row: Row, example: Row, framing: str) -> Iterator[tuple[str, str]]:
    yield from ((f"{name} {part}", text) for part, text in row.items())
    if not example:
        yield f"{name} sent", NONE
        return
    yield f"{name} value", example.get("value", "")
    yield f"{name} answer", example.get("reply") or NONE
    found = set_point(example.get("sent", "")) if framing == "line" and name in SETS else None
    if found is not None and found[:2] == (row.get("send"), row.get("decimals")):
        yield f"{name} send", example["sent"]


def _status(
    role: str, framing: str, questions: Mapping[str, Row], status: Mapping[str, Row], examples: Mapping[str, Row]
) -> Iterator[tuple[str, str]]:
    first = keys_of(framing, is_question=True)[0]
    for group, _, conditions, _ in GROUPS.get(role, ()):
        held = {name: status[name] for name, _ in conditions if name in status}
        register = next((row.get("register", "") for row in held.values()), "")
        if register not in questions:
            continue
        row = questions[register]
        yield f"{group}? {first}", row.get(first, "")
        words = [pair.partition("=") for pair in row.get("values", "").split()]
        example = examples.get(f"{register}?", {})
        yield f"{group}? reply", _as_printed(row.get("reply", ""), [word for word, _, _ in words], example)
        by_number = {number: word for word, _, number in words}
        for name, bit in held.items():
            equals = bit.get("equals", "")
            yield f"status {name}", f"bit {bit['bit']}" if "bit" in bit else by_number.get(equals, equals)
        meaningless = [word for word, _, number in words if number == "0"]
        if group == "trips" and meaningless:
            yield f"{group} none", meaningless.pop(0)
        elif group == "trips" and not words:
            yield f"{group} none", "0"
        if meaningless:
            yield f"{group} others", " ".join(meaningless)


def _as_printed(reply: str, words: list[str], example: Row) -> str:
    """Return a reply of words as a manual prints it, `MD=CC or MD=CV`, where its pattern says no more; the example's first."""
    if len(words) < 2 or not re.fullmatch(r"[^{}]*\{word\}", reply):
        return reply
    printed = [reply.replace("{word}", word) for word in words]
    return " or ".join(sorted(printed, key=lambda one: one != example.get("reply")))
