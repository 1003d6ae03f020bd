"""What a framing makes of one entry of a dialect: a question with its parser, or a command with its bytes.

A framing module offers `QUESTION_KEYS`, `COMMAND_KEYS` (what a dialect file may write), `question(name, fields, kind)` and
`command(name, fields, carries_number=…)`; both raise ValueError with what is wrong. Pure: nothing here moves a byte.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes:
        name: in the dialect.
        notation: as the dialect file writes it.
        text: as people are shown it.
        message: what the link is given.
        parse: turns the link's reply into a value. Raises LinkGarbledError for what is not in the grammar, NoReadingError,
            OverRangeError, and InstrumentError for a refusal.
    """

    name: str
    notation: str
    text: str
    message: bytes
    parse: Callable[[bytes], object]


@dataclass(frozen=True, slots=True)
class Command:
    """One command; the functions take its number, or None where it carries none.

    Attributes:
        name: in the dialect.
        notation: as the dialect file writes it.
        text: as people are shown it.
        message: what the link is given.
        sent: the number as it is really sent: cut, never rounded up.
        step: smallest difference of two numbers as sent.
        acknowledge: judges the reply, raising as `Question.parse`; None when no reply comes.
    """

    name: str
    notation: str
    text: Callable[[float | None], str]
    message: Callable[[float | None], bytes]
    sent: Callable[[float], float]
    step: float
    acknowledge: Callable[[bytes], None] | None
