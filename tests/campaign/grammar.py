"""Replies of every shipped dialect, damaged: the parsers say a finite number, or refuse. Nothing else ever.

Whether a number is within the instrument's ratings is judged later, at the sample: a question does not know them.
"""

from __future__ import annotations

import math
import time
from random import Random

from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.dialect import Dialect, dialect_names
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.framing.spoken import Question
from tests.campaign.result import Result, core_seconds

SPELLINGS = (
    b"nan", b"NaN", b"inf", b"-inf", b"Infinity", b"9.91E37", b"9.9E37", b"-9.9E37", b"1e400", b"-1e400", b"1_000", b"1,5", b"1.5 V", b" 1.5 ",
    b"0x1F", b"1e", b"e5", b"+-1", b"1.2.3", b"", b" ", b"\x00", b"1.5\x00", "１.５".encode(), "٣".encode(), b"1" * 400, b"1." + b"0" * 400,
    b"1e-400", b"-0", b"ON", b"OFF", b"TRUE", b"01", b"1;2", b'-113,"Undefined header"', b"ERR", b"\xff\xfe", b"--", b"1E+37", b"1E+39",
)  # fmt: skip
VALID = {
    "number": (b"1.500", b"+1.52090E+00", b"-3.00000E-04", b"25.31", b"0"),
    "integer": (b"0", b"+128", b"512"), "boolean": (b"0", b"1", b"ON"), "word": (b"CURR", b"CC"),
    "identity": (b"Boathouse,Source 3A,SN1,1.0",), "error": (b'0,"No error"', b'-113,"Undefined header"'),
}  # fmt: skip


def damaged(reply: bytes, chance: Random) -> bytes:
    """One to three damages of a reply."""
    body = bytearray(reply)
    for _ in range(chance.randint(1, 3)):
        place, kind = chance.randrange(len(body) + 1), chance.randrange(8)
        if kind == 0 and body:
            body[place % len(body)] ^= 1 << chance.randrange(8)
        elif kind == 1:
            del body[place:]
        elif kind == 2:
            body[place:place] = bytes(chance.randrange(256) for _ in range(chance.randint(1, 4)))
        elif kind == 3:
            body[place:place] = body
        elif kind == 4 and body:
            del body[place % len(body)]
        elif kind == 5:
            body = bytearray(chance.choice(SPELLINGS))
        elif kind == 6:
            body[place:place] = chance.choice(SPELLINGS)
        else:
            body = bytearray(chance.randrange(256) for _ in range(chance.randint(0, 12)))
    return bytes(body)


def seeds_of(dialect: Dialect, question: Question) -> list[bytes]:
    """Replies to begin with: what the dialect's own examples print, and what its kind usually looks like."""
    replies = [example.reply for name, example in dialect.examples.items() if name.removesuffix("?") == question.name and example.reply]
    out = [reply if isinstance(reply, bytes) else bytes_of(reply, dialect.framing) for reply in replies]
    return out + [reply for several in VALID.values() for reply in several]


def bytes_of(text: str, framing: str) -> bytes:
    return bytes.fromhex(text) if framing in ("modbus", "bytes") and not set(text) - set("0123456789abcdefABCDEF ") else text.encode()


def fuzz(per_framing: int, seed: int, jobs: int) -> Result:
    """So many damaged replies for each framing, shared out over the questions of all dialects that use it."""
    del jobs
    began_s, result, chance = core_seconds(), Result(), Random(seed)
    questions: dict[str, list[tuple[str, Question, list[bytes]]]] = {}
    for name in dialect_names():
        dialect = load_dialect(name, output="1", input="101")
        for question in dialect.questions.values():
            questions.setdefault(dialect.framing, []).append((f"{name} {question.name}", question, seeds_of(dialect, question)))
    slowest_s = 0.0
    for framing, several in sorted(questions.items()):
        for number in range(per_framing):
            where, question, seeds = several[number % len(several)]
            reply = damaged(chance.choice(seeds), chance)
            before_s = time.perf_counter()
            wrong = judged(question, reply)
            slowest_s = max(slowest_s, time.perf_counter() - before_s)
            if wrong:
                result.found.append(f"{where}: {reply!r} became {wrong}")
        result.add(**{f"{framing} replies": per_framing})
    result.counts["slowest_ms"] = round(1e3 * slowest_s, 2)
    result.core_s = core_seconds() - began_s
    return result


def judged(question: Question, reply: bytes) -> str:
    """What is wrong with what a parser made of a reply, "" for nothing."""
    try:
        value = question.parse(reply)
    except (LinkError, InstrumentError):
        return ""
    except Exception as fault:  # noqa: BLE001 - exactly what is looked for
        return f"{type(fault).__name__}: {fault}"
    if isinstance(value, float) and not math.isfinite(value):
        return repr(value)
    if isinstance(value, str) and any(not 0x20 <= ord(letter) < 0x7F for letter in value):
        return f"a text with {value!r}"
    return ""
