"""Dialects that speak Modbus: what `holding 16` and its type and scale mean as bytes, and what registers mean as numbers.

In a dialect file with `framing: modbus` a question says

- `ask`: `holding 16`, `input 16` (a register to read only), `coil 0` or `discrete 0` (one bit), or `holding 16-19` (from, to).
  These are addresses on the wire and count from 0. *What a printed list calls register n is address n - 1*, and what it calls
  40017 or 4x0017 is holding 16, 30001 is input 0, 00001 is coil 0, 10001 is discrete 0.
- `type`: `uint16` (unless said otherwise), `int16`, `uint32`, `int32`, `float32`, or `text` for an identity in ASCII
- `words`: of a 32-bit number, `high-first` (unless said otherwise) or `low-first`
- `scale`: what one step of the register is worth, such as `0.001` for millivolts
- `bit`: the one bit of a register (0: the least) that answers a yes-or-no question
- `values`: of a word or yes/no, such as `CV=0 CC=1`, or `on=1 off=0`, which is assumed; any other number is garbled

and a command says `send`: `holding 16 {value}` with `type`, `words` and `scale` as above (and `decimals` with float32),
`holding 18 1`, `coil 0 on`; and `write: several` for an instrument that only takes the multiple writes, functions 0F and 10.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import partial

from chargerd.errors import InstrumentError, LinkGarbledError
from chargerd.instruments.framing import modbus_frame as frame
from chargerd.instruments.framing.scpi import IDENTITY_LENGTH_MAX, NoReadingError, OverRangeError
from chargerd.instruments.framing.spoken import Command, Proof, Question

QUESTION_KEYS: tuple[str, ...] = ("ask", "type", "words", "scale", "bit", "values")
COMMAND_KEYS: tuple[str, ...] = ("send", "type", "words", "scale", "decimals", "write")
BINARY = True

EXCEPTIONS: dict[int, str] = {
    1: "illegal function: it does not know this kind of request",
    2: "illegal data address: it has no such register or coil",
    3: "illegal data value: it does not take this number",
    4: "server device failure: it could not carry the request out",
    5: "acknowledge: it has taken the request and is still at it, which proves nothing yet",
    6: "busy: ask again later",
    8: "memory parity error: its own memory failed it",
    10: "gateway path unavailable: the gateway has no way to it",
    11: "gateway target did not respond: the gateway heard nothing from it",
}
"""Exception code → what it means, V1.1b3 §7."""

NOT_NOW = frozenset({5, 6, 11})
"""Exceptions that say "wait" or "nobody there now", not "no"."""

_READS = {
    "holding": frame.READ_HOLDING_REGISTERS,
    "input": frame.READ_INPUT_REGISTERS,
    "coil": frame.READ_COILS,
    "discrete": frame.READ_DISCRETE_INPUTS,
}
_ASK = re.compile(r"(holding|input|coil|discrete) ([0-9]{1,5})(?:-([0-9]{1,5}))?")
_SEND = re.compile(r"(holding|coil) ([0-9]{1,5}) (\{value\}|[0-9]{1,5}|on|off)")
_VALUE = re.compile(r"([A-Za-z][A-Za-z0-9_]{0,31})=([0-9]{1,5})")
_SCALE = re.compile(r"[0-9]{1,6}(?:\.[0-9]{1,9})?")
_TYPES: dict[str, tuple[int, bool]] = {"uint16": (1, False), "int16": (1, True), "uint32": (2, False), "int32": (2, True)}
"""Whole-number types → registers, signed."""

_PRINTABLE = re.compile(r"[\x20-\x7e]+")
_ON_OFF = {0: "OFF", 1: "ON"}


class RefusedError(InstrumentError):
    """An exception reply: the instrument understood the frame and refuses the request. `exception` is its code."""

    def __init__(self, exception: int) -> None:
        super().__init__(f"Modbus exception {exception:02X}, {EXCEPTIONS.get(exception, 'not in the standard')}")
        self.exception = exception


class NotNowError(NoReadingError):
    """An exception of `NOT_NOW`: there is no reading now, and nothing written is proven; the link is good."""

    def __init__(self, exception: int) -> None:
        super().__init__(f"Modbus exception {exception:02X}, {EXCEPTIONS[exception]}")
        self.exception = exception


@dataclass(frozen=True, slots=True)
class Number:
    """A number in registers. `scale`: what one step is worth."""

    type: str = "uint16"
    low_first: bool = False
    scale: Decimal = Decimal(1)

    @property
    def registers(self) -> int:
        """How many registers it takes."""
        return 2 if self.type == "float32" else _TYPES[self.type][0]

    def value(self, registers: tuple[int, ...]) -> float:
        """Return the number in these registers.

        Raises:
            NoReadingError: a float32 that is no number. OverRangeError: one that is infinite.
        """
        content = self._content(registers)
        if self.type != "float32":
            return float(int.from_bytes(content, "big", signed=_TYPES[self.type][1]) * self.scale) + 0.0
        single: float = struct.unpack(">f", content)[0]
        if math.isnan(single):
            raise NoReadingError("the register holds no number")
        if math.isinf(single):
            raise OverRangeError("the register holds infinity")
        return float(_shortest(single) * self.scale) + 0.0

    def raw(self, value: Decimal) -> tuple[int, ...]:
        """Return the registers for a value, cut towards zero, so that never more is sent than was asked for.

        Raises:
            InstrumentError: it does not fit.
        """
        steps = value / self.scale
        try:
            if self.type == "float32":
                content = _single_towards_zero(steps)
            else:
                content = int(steps).to_bytes(2 * self.registers, "big", signed=_TYPES[self.type][1])
        except OverflowError:
            raise InstrumentError(f"{value:f} does not fit into a register of type {self.type}, scale {self.scale}") from None
        high_first = tuple(int.from_bytes(content[at : at + 2], "big") for at in range(0, len(content), 2))
        return high_first[::-1] if self.low_first else high_first

    def _content(self, registers: tuple[int, ...]) -> bytes:
        return b"".join(register.to_bytes(2, "big") for register in (registers[::-1] if self.low_first else registers))


def _shortest(single: float) -> Decimal:
    """Return the shortest decimal number that is this single-precision one: 0.15, not 0.150000006."""
    for digits in (6, 7, 8):
        text = f"{single:.{digits}g}"
        if struct.unpack(">f", struct.pack(">f", float(text)))[0] == single:
            return Decimal(text)
    return Decimal(f"{single:.9g}")


def _single_towards_zero(value: Decimal) -> bytes:
    """Return the single-precision number next to `value` on the side of zero, or `value`. Raises OverflowError."""
    content = struct.pack(">f", float(value))
    if abs(Decimal(struct.unpack(">f", content)[0])) <= abs(value):
        return content
    return (int.from_bytes(content, "big") - 1).to_bytes(4, "big")  # the next pattern down is the next number inwards


@dataclass(frozen=True, slots=True)
class Reading:
    """The parser of one question's reply. `count`: registers or bits asked for."""

    request: bytes
    kind: str
    count: int
    number: Number = field(default_factory=Number)
    values: Mapping[int, str] = field(default_factory=lambda: _ON_OFF)
    bit: int | None = None
    is_text: bool = False

    def __call__(self, reply: bytes) -> object:
        """Return the value in the PDU of a reply. Raises as `Question.parse`."""
        refuse_exception(self.request, reply)
        if self.request[0] in (frame.READ_COILS, frame.READ_DISCRETE_INPUTS):
            return frame.bits_in(reply, self.count)[0]
        registers = frame.registers_in(reply)
        if self.kind == "identity":
            return self._identity(registers)
        if self.kind == "number":
            return self.number.value(registers)
        value = int(self.number.value(registers))
        if self.kind == "integer":
            return value
        word = self._word(value if self.bit is None else value >> self.bit & 1)
        return word == "ON" if self.kind == "boolean" else word

    def _word(self, value: int) -> str:
        word = self.values.get(value)
        if word is None:
            raise LinkGarbledError(f"{value} is none of {', '.join(f'{word}={number}' for number, word in self.values.items())}")
        return word

    def _identity(self, registers: tuple[int, ...]) -> str:
        if not self.is_text:
            return ",".join(str(register) for register in registers)
        content = b"".join(register.to_bytes(2, "big") for register in registers)
        text = content.rstrip(b"\0 ").decode("latin-1").strip(" ")
        if _PRINTABLE.fullmatch(text) is None or len(text) > IDENTITY_LENGTH_MAX:
            raise LinkGarbledError(f"not an identity: {content.hex(' ')}")
        return ",".join(part.strip(" ") for part in text.split(","))


def refuse_exception(request: bytes, reply: bytes) -> None:
    """Pass a good reply.

    Raises:
        LinkGarbledError: not a reply to this request.
        RefusedError, NotNowError: an exception.
    """
    frame.check_reply(request, reply)
    if frame.is_exception(reply):
        raise NotNowError(reply[1]) if reply[1] in NOT_NOW else RefusedError(reply[1])


def question(name: str, fields: Mapping[str, str], kind: str) -> Question:
    """Return one question of a dialect. `kind` is number, integer, boolean, word or identity.

    Raises:
        ValueError: what is wrong with it.
    """
    if kind == "error":
        raise ValueError("Modbus has no error queue, an instrument refuses by an exception; delete it and write lacks: [error]")
    notation = fields.get("ask", "")
    match = _ASK.fullmatch(notation)
    if match is None:
        raise ValueError(f"{notation!r} asks nothing; write holding, input, coil or discrete and an address from 0 on")
    table, first = match[1], int(match[2])
    is_bit, is_text = table in ("coil", "discrete"), fields.get("type") == "text"
    number = Number() if is_bit or is_text else _number(fields)
    expected = 1 if is_bit else number.registers
    count = int(match[3]) - first + 1 if match[3] else expected
    _refuse_kind(fields, kind, is_bit=is_bit)
    if kind != "identity" and count != expected:
        raise ValueError(f"{notation!r} asks for {count}; this question needs {expected}")
    bit = _bit(fields, number) if "bit" in fields else None
    values = _values(fields, kind) if "values" in fields else _ON_OFF
    request = frame.read_request(_READS[table], first, count)
    reading = Reading(request, kind, count, number, values, bit, is_text)
    return Question(name, notation, notation, request, reading, _proof(reading))


def _proof(reading: Reading) -> Proof:
    """Return how `off` understands the same reply, its PDU being written as "03 02 00 01"."""
    head = f"{reading.request[0]:02X} {frame.reply_length(reading.request) - 2:02X} "
    number = reading.number
    if reading.request[0] in (frame.READ_COILS, frame.READ_DISCRETE_INPUTS):
        return Proof(head + _clear(0, 2), no=())
    if reading.kind == "identity":
        return Proof(f"{head}({' '.join(['..'] * 2 * reading.count)})", sense="ascii" if reading.is_text else "registers")
    if reading.bit is not None:
        return Proof(head + _clear(reading.bit, 4), no=())
    sense = "float" if number.type == "float32" else "signed" if number.type.startswith("int") else "unsigned"
    no = tuple(str(value) for value, word in reading.values.items() if word == "OFF")
    order = (2, 1) if number.low_first else tuple(range(1, number.registers + 1))
    return Proof(head + " ".join(["(.. ..)"] * number.registers), order, sense, no, float(number.scale))


def _clear(bit: int, digits: int) -> str:
    """Return a pattern of so many hexadecimal digits in which a bit is 0."""
    pattern = ["."] * digits
    pattern[digits - 1 - bit // 4] = f"[{''.join(f'{digit:X}' for digit in range(16) if not digit >> bit % 4 & 1)}]"
    return " ".join("".join(pattern[at : at + 2]) for at in range(0, digits, 2))


def command(name: str, fields: Mapping[str, str], *, carries_number: bool) -> Command:
    """Return one command of a dialect.

    Raises:
        ValueError: what is wrong with it.
    """
    notation = fields.get("send", "")
    match = _SEND.fullmatch(notation)
    if match is None or (match[1] == "coil") != (match[3] in ("on", "off")):
        raise ValueError(f"{notation!r} is no command; write holding ADDRESS {{value}} or NUMBER, or coil ADDRESS on")
    if (match[3] == "{value}") != carries_number:
        raise ValueError(f"{notation!r} cannot be; a set-point, and nothing else, carries {{value}}")
    write = fields.get("write", "one")
    if write not in ("one", "several"):
        raise ValueError(f"write {write!r} is none; write one or several")
    address, several = int(match[2]), write == "several"
    if carries_number:
        return _set(name, notation, fields, address, several=several)
    for key in ("type", "words", "scale", "decimals"):
        if key in fields:
            raise ValueError(f"{key} says nothing here, this command carries no number; delete it")
    if match[1] == "coil":
        request = _coil_request(address, on=match[3] == "on", several=several)
    else:
        request = _registers_request(address, (int(match[3]),), several=several)
    proof = Proof(request[:5].hex(" ").upper())
    return Command(name, notation, notation, lambda _: request, acknowledge=partial(refuse_exception, request), proof=proof)


def _set(name: str, notation: str, fields: Mapping[str, str], address: int, *, several: bool) -> Command:
    number, decimals = _number(fields), fields.get("decimals", "")
    is_single = number.type == "float32"
    if is_single != ("decimals" in fields) or (is_single and not re.fullmatch("[0-6]", decimals)):
        raise ValueError("decimals belong to float32, and only there; write decimals: 0 to 6, what the instrument resolves")

    def encode(value: Decimal | None) -> bytes:
        assert value is not None
        return _registers_request(address, number.raw(value), several=several)

    acknowledge = partial(_acknowledge, encode(Decimal(0)))
    if is_single:
        return Command(name, notation, notation, encode, int(decimals), acknowledge)
    return Command(name, notation, notation, encode, 0, acknowledge, number.scale)


def _acknowledge(example: bytes, reply: bytes) -> None:
    """Judge the reply to a write of any number: function and address, or address and count, as in `example`.

    The transport has compared it with what was really written.
    """
    if example[0] == frame.WRITE_REGISTER and len(reply) == len(example):
        example = example[:3] + reply[3:]
    refuse_exception(example, reply)


def _coil_request(address: int, *, on: bool, several: bool) -> bytes:
    return frame.write_coils_request(address, (on,)) if several else frame.write_coil_request(address, on=on)


def _registers_request(address: int, registers: tuple[int, ...], *, several: bool) -> bytes:
    if several or len(registers) > 1:
        return frame.write_registers_request(address, registers)
    return frame.write_register_request(address, registers[0])


def _refuse_kind(fields: Mapping[str, str], kind: str, *, is_bit: bool) -> None:
    """Refuse keys that say nothing for this kind of question."""
    if is_bit and kind != "boolean":
        raise ValueError("a coil or discrete input answers only yes or no; ask a register")
    if kind == "identity" and fields.get("type", "uint16") not in ("uint16", "text"):
        raise ValueError("type of an identity; write text, or uint16 for model numbers")
    if kind != "identity" and fields.get("type") == "text":
        raise ValueError("type text is only for an identity; write a type of number")
    if kind in ("integer", "boolean", "word") and fields.get("type") == "float32":
        raise ValueError("type of a state; a state is a whole number")
    allowed = {
        "scale": kind == "number",
        "type": not is_bit,
        "words": not is_bit,
        "bit": kind == "boolean" and not is_bit,
        "values": kind in ("boolean", "word") and not is_bit,
    }
    for key, is_allowed in allowed.items():
        if key in fields and not is_allowed:
            raise ValueError(f"{key} says nothing here; delete it")
    if kind == "word" and "values" not in fields:
        raise ValueError('registers hold no word; say which number is which: values: "CV=0 CC=1"')


def _number(fields: Mapping[str, str]) -> Number:
    kind, words, scale = fields.get("type", "uint16"), fields.get("words", "high-first"), fields.get("scale", "1")
    if kind not in (*_TYPES, "float32"):
        raise ValueError(f"type {kind!r} is none; types are {', '.join(_TYPES)}, float32")
    if words not in ("high-first", "low-first") or ("words" in fields and kind in ("uint16", "int16")):
        raise ValueError(f"words {words!r} cannot be; of a 32-bit number write high-first or low-first")
    step = Decimal(scale) if _SCALE.fullmatch(scale) else Decimal(0)
    if not step > 0:
        raise ValueError(f"scale {scale!r} is none; write what one step is worth, such as 0.001")
    return Number(kind, words == "low-first", step)


def _bit(fields: Mapping[str, str], number: Number) -> int:
    text = fields["bit"]
    if not re.fullmatch("[0-9]|1[0-5]", text) or number.type != "uint16" or "values" in fields:
        raise ValueError(f"bit {text!r} cannot be; here the bits of a uint16 register count from 0 to 15, 0 the lowest")
    return int(text)


def _values(fields: Mapping[str, str], kind: str) -> dict[int, str]:
    """Read `values: "CV=0 CC=1"`: what each number stands for."""
    text, values = fields["values"], dict[int, str]()
    for part in text.split():
        match = _VALUE.fullmatch(part)
        if match is None or int(match[2]) in values:
            raise ValueError(f'values {text!r}; write word = number, each number once, for example "CV=0 CC=1"')
        values[int(match[2])] = match[1].upper()
    if not values or (kind == "boolean" and set(values.values()) != {"ON", "OFF"}):
        raise ValueError(f'values {text!r}; of a yes or no write "on=1 off=0", with the numbers of the instrument')
    return values
