"""What every framing makes of a dialect's rows: questions and commands as bytes, and the sense of the bytes that come back.

A framing is a module of this package, pure, with `QUESTION_KEYS` and `COMMAND_KEYS` (what a row may hold), `BINARY` (whether
its bytes are shown in hexadecimal) and two functions,
`question(name, fields, kind)` and `command(name, fields, carries_number=…)`, which raise ValueError with what is wrong in a row.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_DOWN, Decimal

KINDS = ("identity", "error", "integer", "number", "boolean", "word")
"""What a reply can be."""

Parse = Callable[[bytes], object]
"""The sense of a whole reply. Raises LinkGarbledError for what is not in the grammar; NoReadingError, OverRangeError."""


@dataclass(frozen=True, slots=True)
class Proof:
    """How `off`, which imports nothing of this package, understands a reply: plain data of the off plan.

    Attributes:
        pattern: regular expression of the whole reply, lines as they are, frames as "01 0A FF"; its groups hold the value.
        order: the groups as they are to be read, the most significant first.
        sense: of the value: text, decimal, or of a frame unsigned, signed, float, registers, ascii.
        no: values that mean off, or open. Empty with a yes-or-no question: the pattern itself says no.
        scale: what one step of a number is worth.
        check: check value at the end of a frame: crc16, sum, complement, xor.
    """

    pattern: str = "(.*)"
    order: tuple[int, ...] = (1,)
    sense: str = "text"
    no: tuple[str, ...] = ("0", "OFF")
    scale: float = 1.0
    check: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """One question: its name, the row as written, how people see it, the message a link sends, and what its reply means."""

    name: str
    notation: str
    text: str
    message: bytes
    parse: Parse
    proof: Proof = Proof()


@dataclass(frozen=True, slots=True)
class Command:
    """One command.

    `template` is how people see it, with `{value}` where the number stands; `decimals` those of the number in its SI unit, or
    `step` where steps are not decimal; `encode` makes the message of the number as sent (None: there is none).
    `acknowledge`: None when no reply comes, else it raises LinkGarbledError or InstrumentError unless the reply says "done";
    `proof` is the same for `off`.
    """

    name: str
    notation: str
    template: str
    encode: Callable[[Decimal | None], bytes]
    decimals: int = 0
    acknowledge: Callable[[bytes], object] | None = None
    step_exact: Decimal | None = None
    proof: Proof = Proof()

    def text(self, value: float | None = None) -> str:
        """Return what is sent, as people see it."""
        return self.template if value is None else self.template.replace("{value}", f"{self.sent(value):f}")

    def message(self, value: float | None = None) -> bytes:
        """Return what is sent. A number is cut, never rounded up: what is sent never exceeds what was asked for."""
        return self.encode(None if value is None else self.sent(value))

    def sent(self, value: float) -> Decimal:
        """Return the number as it is sent, in its SI unit. Binary noise below 1e-9 does not count as a part of the value."""
        exact = Decimal(repr(round(value, 9)))
        if self.step_exact is None:
            return exact.quantize(Decimal(1).scaleb(-self.decimals), rounding=ROUND_DOWN)
        return (exact / self.step_exact).quantize(Decimal(1), rounding=ROUND_DOWN) * self.step_exact

    @property
    def step(self) -> float:
        """The smallest difference of two numbers as sent."""
        return 10.0**-self.decimals if self.step_exact is None else float(self.step_exact)


def text_command(
    name: str, notation: str, template: str, decimals: int = 0, acknowledge: Callable[[bytes], object] | None = None,
    scale: Decimal = Decimal(1), proof: Proof = Proof(),
) -> Command:  # fmt: skip
    """Return a command that is sent as ASCII text. The number written is the value divided by `scale`."""

    def encode(value: Decimal | None) -> bytes:
        if value is None:
            return template.encode("ascii")
        return template.replace("{value}", f"{value if scale == 1 else value / scale:f}").encode("ascii")

    step = None if scale == 1 else scale.scaleb(-decimals)
    return Command(name, notation, template, encode, decimals, acknowledge, step, proof)
