"""Byte rows of a dialect file: devices spoken to in frames of bytes, such as relay boards. Pure.

A frame is written byte by byte with blanks between: two hexadecimal digits; `#12` for a byte written in decimal, as outputs
are; in a reply `??` for a byte that does not matter; `vv` for the bytes of a value; `cc` for the bytes of a check value, which
`check` names. A reply is as long as it is written. The message for the link is one byte with that length, then the frame.

A question says `ask` and `reply`, a command `send` and, where the device answers it, `reply`. Both may say

- `check`: a row of `CHECKS`, how the bytes `cc` follow from those before them
- `order`: of the bytes `vv`, `high-first` (unless said otherwise) or `low-first`; `sign`: `yes` where a value may be negative
- `scale`: what one step of the value is worth, such as `0.001` for millivolts

and a question whose answer is no number may say `values: "1=FF 0=00"` (meaning = bytes; words for a mode), or `bit`: the one
bit of the value that answers. *Bits of this framing count from 1, the lowest*; those of Modbus and of `status` count from 0.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from typing import Literal

from chargerd.errors import InstrumentError, LinkGarbledError
from chargerd.instruments.framing.scpi import ErrorEntry
from chargerd.instruments.framing.spoken import Command, Proof, Question

_VALUE_KEYS = ("check", "order", "sign", "scale")
BINARY = True
QUESTION_KEYS: tuple[str, ...] = ("ask", "reply", "values", "bit", *_VALUE_KEYS)
COMMAND_KEYS: tuple[str, ...] = ("send", "reply", *_VALUE_KEYS)

FRAME_LENGTH_MAX = 64

_TOKEN = re.compile(r"[0-9A-Fa-f]{2}|#[0-9]{1,3}|\?\?|vv|cc")
_EXAMPLE = 'write bytes, for example "A5 01 vv cc"'

Check = Callable[[bytes], bytes]
Order = Literal["big", "little"]

_ORDERS: dict[str, Order] = {"high-first": "big", "low-first": "little"}


def _sum(frame: bytes) -> bytes:
    return bytes([sum(frame) & 0xFF])


def _xor(frame: bytes) -> bytes:
    value = 0
    for byte in frame:
        value ^= byte
    return bytes([value])


CHECKS: dict[str, Check] = {
    "sum": _sum,  # the lowest byte of the sum of all bytes before it
    "complement": lambda frame: bytes([-sum(frame) & 0xFF]),  # all bytes with it add up to 0
    "xor": _xor,
}
"""What `check` may say: the check value of the bytes that stand before it. Common practice, no source."""


class _Frame:
    """One frame as written: literal bytes, and where value and check value stand."""

    def __init__(self, text: str, fields: Mapping[str, str], *, is_reply: bool) -> None:
        parts = text.split(" ")
        if not text or len(parts) > FRAME_LENGTH_MAX or not all(_TOKEN.fullmatch(part) for part in parts):
            raise ValueError(f"{text!r} is no frame; {_EXAMPLE}")
        self.parts = [self._checked(part, text, is_reply=is_reply) for part in parts]
        self.text = " ".join(self.parts)
        self.value = self._span("vv", text)
        check = self._span("cc", text)
        name = fields.get("check", "")
        if check is not None and name not in CHECKS:
            raise ValueError(f"check {name!r} of {text!r}; write one of {', '.join(CHECKS)}")
        if check is not None and check != slice(len(parts) - 1, len(parts)):
            raise ValueError(f"{text!r}: the check value is one byte, the last; {_EXAMPLE}")
        self.check = CHECKS[name] if check is not None else None

    @staticmethod
    def _checked(part: str, text: str, *, is_reply: bool) -> str:
        if part == "??" and not is_reply:
            raise ValueError(f"{text!r}: every byte that is sent must be known; {_EXAMPLE}")
        if part.startswith("#"):
            if int(part[1:]) > 255:
                raise ValueError(f"{text!r}: {part} is no byte; a byte is 0 to 255")
            return f"{int(part[1:]):02X}"
        return part if part in ("??", "vv", "cc") else part.upper()

    def _span(self, part: str, text: str) -> slice | None:
        """Return where the bytes of that kind stand; they must stand together."""
        places = [place for place, one in enumerate(self.parts) if one == part]
        if not places:
            return None
        if places[-1] - places[0] + 1 != len(places):
            raise ValueError(f"{text!r}: the bytes {part} must stand together; {_EXAMPLE}")
        return slice(places[0], places[-1] + 1)

    def filled(self, value: bytes) -> bytes:
        """Return the frame to send."""
        body = b""
        for place, part in enumerate(self.parts):
            if part == "vv":
                assert self.value is not None
                body += value[place - self.value.start : place - self.value.start + 1]
            elif part == "cc":
                assert self.check is not None
                body += self.check(body)
            else:
                body += bytes.fromhex(part)
        return body

    def taken(self, reply: bytes) -> bytes:
        """Return the value's bytes of a reply (none when it holds no value). Raises LinkGarbledError."""
        shown = reply.hex(" ").upper()
        if len(reply) != len(self.parts):
            raise LinkGarbledError(f"{len(reply)} bytes where {self.text} was expected: {shown}")
        for byte, part in zip(reply, self.parts, strict=True):
            if part not in ("??", "vv", "cc") and byte != int(part, 16):
                raise LinkGarbledError(f"not {self.text}: {shown}")
        if self.check is not None and reply[-1:] != self.check(reply[:-1]):
            raise LinkGarbledError(f"its check value is wrong: {shown}")
        return reply[self.value] if self.value is not None else b""


def question(name: str, fields: Mapping[str, str], kind: str) -> Question:
    """Return the question of one row. Raises ValueError."""
    ask = _Frame(fields.get("ask", ""), fields, is_reply=False)
    reply = _Frame(fields.get("reply", ""), fields, is_reply=True)
    if ask.value is not None:
        raise ValueError(f"{fields['ask']!r}: a question holds no value; write its bytes")
    if reply.value is None:
        raise ValueError(f"reply {fields['reply']!r} holds no value; write vv where it stands")
    sense = _sense(kind, fields, reply.value.stop - reply.value.start)
    message = bytes([len(reply.parts)]) + ask.filled(b"")
    proof = _proof(reply, kind, fields)
    return Question(name, fields["ask"], ask.filled(b"").hex(" ").upper(), message, lambda raw: sense(reply.taken(raw)), proof)


def _proof(reply: _Frame, kind: str, fields: Mapping[str, str]) -> Proof:
    """Return how `off` understands the same reply."""
    length = 0 if reply.value is None else reply.value.stop - reply.value.start
    meanings, bit, is_low_first = _meanings(fields, length), _bit(fields, length), _order(fields) == "little"
    held = ["(..)"] * length if kind == "number" or reply.value is None else [".."] * length
    if bit is not None:  # counted from the lowest, which is 1; the digit of a byte that holds it must have it clear
        byte = (bit - 1) // 8 if is_low_first else length - 1 - (bit - 1) // 8
        digit = f"[{''.join(f'{one:X}' for one in range(16) if not one >> (bit - 1) % 4 & 1)}]"
        held[byte] = f".{digit}" if (bit - 1) % 8 < 4 else f"{digit}."
    elif kind != "number" and held:
        held = [f"({' '.join(held)})"]
    shown = [{"??": "..", "cc": ".."}.get(part, part) for part in reply.parts if part != "vv"]
    if reply.value is not None:
        shown[reply.value.start : reply.value.start] = held
    raws = [raw for raw, meaning in meanings.items() if meaning == "0"] if meanings else [bytes(length)]
    no = tuple(raw.hex(" ").upper() for raw in raws)
    order = tuple(range(length, 0, -1)) if kind == "number" and is_low_first else tuple(range(1, length + 1))
    return Proof(
        " ".join(shown),
        order if kind == "number" else (1,),
        ("signed" if _is_signed(fields) else "unsigned") if kind == "number" else "text",
        () if bit is not None else no,
        float(_scale(fields)),
        fields.get("check", "") if reply.check is not None else "",
    )


def command(name: str, fields: Mapping[str, str], *, carries_number: bool) -> Command:
    """Return the command of one row. With `reply`, the device answers it and must answer so. Raises ValueError."""
    send = _Frame(fields.get("send", ""), fields, is_reply=False)
    carries = send.value is not None
    if carries != carries_number:
        raise ValueError('a set-point, and nothing else, carries vv; write for example {send: "A5 vv vv cc", scale: 0.001}')
    reply = _Frame(fields["reply"], fields, is_reply=True) if "reply" in fields else None
    if reply is not None and reply.value is not None:
        raise ValueError(f"reply {fields['reply']!r} of a command holds no value; write ?? for what changes")
    length = 0 if send.value is None else send.value.stop - send.value.start
    scale, is_signed, order = _scale(fields), _is_signed(fields), _order(fields)

    def encode(value: Decimal | None) -> bytes:
        announced = bytes([len(reply.parts) if reply is not None else 0])
        if value is None:
            return announced + send.filled(b"")
        try:
            number = int(value / scale).to_bytes(length, order, signed=is_signed)
        except OverflowError:
            raise InstrumentError(f"{name} of {value} does not fit into {length} bytes; not sent") from None
        return announced + send.filled(number)

    shown = send.text.replace(" ".join(["vv"] * length), "{value}") if carries else send.filled(b"").hex(" ").upper()
    acknowledge = reply.taken if reply is not None else None
    proof = Proof() if reply is None else _proof(reply, "", fields)
    return Command(name, fields["send"], shown, encode, 0, acknowledge, scale if carries else None, proof)


def _sense(kind: str, fields: Mapping[str, str], length: int) -> Callable[[bytes], object]:
    """Return what a value's bytes mean."""
    scale, is_signed, order = _scale(fields), _is_signed(fields), _order(fields)
    meanings, bit = _meanings(fields, length), _bit(fields, length)

    def whole(raw: bytes) -> int:
        if meanings:
            if raw not in meanings:
                raise LinkGarbledError(f"none of {fields['values']}: {raw.hex(' ').upper()}")
            return int(meanings[raw])
        number = int.from_bytes(raw, order, signed=is_signed)
        return number if bit is None else number >> (bit - 1) & 1

    def boolean(raw: bytes) -> object:
        number = whole(raw)
        if number not in (0, 1):
            raise LinkGarbledError(f"neither on nor off: {raw.hex(' ').upper()}")
        return number == 1

    def word(raw: bytes) -> object:
        if raw not in meanings:
            raise LinkGarbledError(f"none of {fields['values']}: {raw.hex(' ').upper()}")
        return meanings[raw].upper()

    senses: dict[str, Callable[[bytes], object]] = {
        "number": lambda raw: float(Decimal(int.from_bytes(raw, order, signed=is_signed)) * scale),
        "integer": whole,
        "boolean": boolean,
        "word": word,
        "identity": lambda raw: raw.hex(" ").upper(),
        "error": lambda raw: ErrorEntry(whole(raw), ""),
    }
    if kind == "word" and not meanings:
        raise ValueError('bytes hold no word; say which byte is which: values: "CC=01 CV=00"')
    if meanings and kind != "word" and not all(re.fullmatch("[0-9]{1,5}", meaning) for meaning in meanings.values()):
        raise ValueError(f'values {fields["values"]!r}; write numbers before the bytes here: values: "1=FF 0=00"')
    if kind in ("number", "identity") and (meanings or bit is not None):
        raise ValueError(f"a {kind} has neither values nor bit; delete them")
    return senses[kind]


def _meanings(fields: Mapping[str, str], length: int) -> dict[bytes, str]:
    """Read `values: "1=FF 0=00"`: meaning = bytes."""
    found: dict[bytes, str] = {}
    for pair in fields.get("values", "").split():
        meaning, equals, digits = pair.partition("=")
        if not equals or not meaning or re.fullmatch(f"[0-9A-Fa-f]{{{2 * length}}}", digits) is None:
            raise ValueError(f'values {fields["values"]!r}; write meaning = bytes, for example "1=FF 0=00"')
        found[bytes.fromhex(digits)] = meaning
    return found


def _bit(fields: Mapping[str, str], length: int) -> int | None:
    """Read `bit`: which one of the value, the lowest being 1, as outputs are counted."""
    text = fields.get("bit")
    if text is None:
        return None
    if re.fullmatch("[0-9]{1,2}", text) is None or not 1 <= int(text) <= 8 * length:
        raise ValueError(f"bit {text!r}; here bits count from 1: it has bits 1 (the lowest) to {8 * length}")
    return int(text)


def _is_signed(fields: Mapping[str, str]) -> bool:
    sign = fields.get("sign", "no")
    if sign not in ("yes", "no"):
        raise ValueError(f"sign {sign!r}; write yes or no")
    return sign == "yes"


def _order(fields: Mapping[str, str]) -> Order:
    order = fields.get("order", "high-first")
    if order not in _ORDERS:
        raise ValueError(f"order {order!r}; write one of {', '.join(_ORDERS)}")
    return _ORDERS[order]


def _scale(fields: Mapping[str, str]) -> Decimal:
    try:
        scale = Decimal(fields.get("scale", "1"))
    except InvalidOperation:
        scale = Decimal(0)
    if not (scale.is_finite() and scale > 0):
        raise ValueError(f"scale {fields.get('scale')!r} is no positive number; the value is the number times scale")
    return scale
