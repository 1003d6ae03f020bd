"""The wire pairs of a dialect: what its manual prints must be what is sent, and must mean what the manual says."""

from __future__ import annotations

import re

from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.contract.suite import Finding, Result
from chargerd.instruments.dialect import QUESTIONS, Dialect, Example
from chargerd.instruments.dialect_file import FRAMINGS
from chargerd.instruments.framing.scpi import ErrorEntry


def check_examples(dialect: Dialect, *others: Dialect) -> list[Finding]:
    """Return one finding for each question and command: passed, failed with both sides, or unproven: no example.

    `others`: the same dialect, of other outputs and inputs; a pair is of whichever its manual shows.
    """
    findings = _checked(dialect)
    for other in others:
        pairs = zip(findings, _checked(other), strict=True)
        findings = [there if here.result is Result.FAILED and there.result is Result.PASSED else here for here, there in pairs]
    return findings


def _checked(dialect: Dialect) -> list[Finding]:
    names = [*(f"{name}?" for name in dialect.questions), *dialect.commands]
    stray = [name for name in dialect.examples if name not in names]
    return [_check(dialect, name) for name in names] + [
        Finding(dialect.name, name, Result.FAILED, "an example, but neither a question nor a command of this dialect")
        for name in stray
    ]


def _check(dialect: Dialect, name: str) -> Finding:
    example = dialect.examples.get(name)
    if example is None:
        return Finding(dialect.name, name, Result.UNPROVEN, "no wire pair; write one from the manual, under examples:")
    try:
        wrong = _wrong_question(dialect, name, example) if name.endswith("?") else _wrong_command(dialect, name, example)
    except (InstrumentError, LinkError, ValueError) as fault:
        wrong = str(fault)
    said = f"{example.sent} → {example.reply or 'no reply'}"
    return Finding(dialect.name, name, Result.FAILED if wrong else Result.PASSED, wrong or said)


def _wrong_question(dialect: Dialect, name: str, example: Example) -> str:
    """Return what differs, "" when nothing does."""
    question = dialect.questions[name.removesuffix("?")]
    sent = shown(dialect.framing, question.message)
    if sent != example.sent:
        return f"the manual sends {example.sent!r}, the dialect {sent!r}"
    if not example.reply:
        return ""
    meant = meaning(question.parse(_bytes(dialect, example.reply)), QUESTIONS[question.name])
    return "" if meant == example.means else f"{example.reply!r} means {example.means!r}, the dialect reads {meant!r}"


def _wrong_command(dialect: Dialect, name: str, example: Example) -> str:
    command = dialect.commands[name]
    sent = shown(dialect.framing, command.message(example.value))
    if sent != example.sent:
        return f"the manual sends {example.sent!r}, the dialect {sent!r}"
    if example.reply and command.acknowledge is None:
        return f"the manual shows the reply {example.reply!r}, the dialect waits for none"
    if example.reply and command.acknowledge is not None:
        command.acknowledge(_bytes(dialect, example.reply))
    return ""


def meaning(value: object, kind: str) -> str:
    """Return the meaning of a reply as an example writes it: `1.85`, `yes`, `513`, `CURR`, `-222 Data out of range`."""
    if isinstance(value, ErrorEntry):
        return f"{value.number} {value.text}".rstrip()
    if kind == "boolean":
        return "yes" if value else "no"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def shown(framing: str, message: bytes) -> str:
    """Return a message as an example writes it: text, or bytes in hexadecimal."""
    if not FRAMINGS[framing].BINARY:
        return message.decode("ascii")
    frame = message[1:] if framing == "bytes" else message  # there the first byte is for the link alone
    return frame.hex(" ").upper()


def _bytes(dialect: Dialect, text: str) -> bytes:
    """Raises ValueError: not hexadecimal."""
    if not FRAMINGS[dialect.framing].BINARY:
        return text.encode("ascii")
    if not re.fullmatch(r"[0-9A-Fa-f ]+", text):
        raise ValueError(f"{text!r} is not hexadecimal")
    return bytes.fromhex(text)
