"""Asking what was found who it is: only where a person has said yes. Each answer is compared with the shipped dialects."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from chargerd.errors import ChargerdError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.dialect import Dialect, dialect_names
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.finding.line_ends import Heard, heard, raw
from chargerd.instruments.finding.ports import shown
from chargerd.instruments.framing.scpi import parse_identity
from chargerd.instruments.transports.registry import open_link, parse_address

OPEN_S = 3.0
LISTEN_S = 2.5
"""A board that prints once a second has then printed a whole line, though we joined in the middle of one."""

ASK_S = 1.0
END_S = 0.4
"""How long a device is waited for that hears the end of a question only now."""

UNIT_S = 0.3
"""How long a Modbus unit is waited for; most answer within a tenth of a second, and most units are not there."""

IDENTITY = b"*IDN?"

READ_FIRST_REGISTER = bytes.fromhex("03 0000 0001")
"""Read one holding register, number 0 (MODBUS Application Protocol V1.1b3, §6.3). Any reply, a refusal too, shows a device."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Who answers at an address: what to write as its identity ("" when unknown), which dialects may fit, what was heard."""

    address: str
    identity: str
    dialects: tuple[str, ...]
    heard: str


@cache
def shipped() -> tuple[Dialect, ...]:
    """Return the shipped dialects."""
    return tuple(load_dialect(name) for name in dialect_names())


def speaking(reply: bytes, asked: bytes) -> tuple[str, tuple[str, ...]]:
    """Return the identity in a reply to `asked` (b"": printed unasked), and the dialects that understand it."""
    identity, names = "", []
    for dialect in shipped():
        question = dialect.questions["identity"]
        if question.message != asked:
            continue
        try:
            meant = str(question.parse(reply))
        except ChargerdError:
            continue
        identity = identity or meant
        names.append(dialect.name)
    return identity, tuple(names)


async def ask_serial(path: str, baud: int) -> Answer:
    """Listen to a port for a while, then ask `*IDN?`. Raises LinkError when the port cannot be used.

    A device that ends lines otherwise still waits for the end of that one: it is ended for it, by CR and then by CR LF, and
    asked again. Its answer, if only a refusal, says which end it takes; the end of that answer is looked at by itself.
    """
    address = f"serial://{path}?baud={baud}"
    printed = await _listen(f"{address}&listen=yes")
    if printed is not None:
        return printed
    reply = await raw(address, IDENTITY + b"\n", ASK_S, OPEN_S)
    answer = heard(reply, IDENTITY, b"\n") or await _ended_otherwise(address)
    if answer is not None:
        return _understood(f"{address}{answer.options}", answer.text, answer.ends)
    if reply:
        return Answer(address, "", (), f"did not answer *IDN? properly ({shown(repr(reply[:40]))})")
    return Answer(address, "", (), "does not answer *IDN?")


async def _ended_otherwise(address: str) -> Heard | None:
    """End the question by CR, ask once more so, then by CR LF; leave nothing in the device that would spoil the next question.

    Where nothing comes, CR ends what is left in a device that ends lines by CR. It is harmless to who ends lines by LF: it is
    white space before the next header (IEEE 488.2 §7.4.1.2, from memory).
    """
    spoilt = await raw(address, b"\r", END_S, OPEN_S)  # what comes is about a line of ours that was spoilt
    reply = await raw(address, IDENTITY + b"\r", END_S, OPEN_S)
    answer = heard(reply, IDENTITY, b"\r") or heard(spoilt, b"", b"\r")
    if answer is not None:
        return answer
    await raw(address, b"\n", END_S, OPEN_S)
    answer = heard(await raw(address, IDENTITY + b"\r\n", END_S, OPEN_S), IDENTITY, b"\r\n")
    if answer is None:
        await raw(address, b"\r", END_S, OPEN_S)
    return answer


async def _said(address: str, message: bytes, deadline_s: float = END_S) -> bytes | None:
    """Send once through a link of its own and return the reply, None when none came. Raises LinkError when it does not open."""
    link = await open_link(parse_address(address), deadline_s=OPEN_S)
    try:
        return await link.query(message, deadline_s=deadline_s)
    except LinkError:
        return None
    finally:
        await link.close()


async def _listen(address: str) -> Answer | None:
    link = await open_link(parse_address(address), deadline_s=OPEN_S)
    try:
        line = await link.query(b"", deadline_s=LISTEN_S)
    except LinkTimeoutError:
        return None
    except LinkGarbledError as fault:
        return Answer(address, "", (), f"prints by itself, but no text at this speed ({shown(str(fault))})")
    finally:
        await link.close()
    identity, names = speaking(line, b"")
    return Answer(address, identity, names, f"prints by itself: {shown(line.decode('ascii', 'replace'))!r}")


async def ask_lines(address: str) -> Answer:
    """Ask `*IDN?`. Raises LinkError when the address cannot be opened; silence is an answer."""
    link = await open_link(parse_address(address), deadline_s=OPEN_S)
    try:
        reply = await link.query(IDENTITY, deadline_s=ASK_S)
    except LinkTimeoutError:
        return Answer(address, "", (), "does not answer *IDN?")
    except LinkError as fault:
        return Answer(address, "", (), f"did not answer *IDN? properly ({shown(str(fault))})")
    finally:
        await link.close()
    return _understood(address, reply, "")


def _understood(address: str, reply: bytes, ending: str) -> Answer:
    """Return what a reply to `*IDN?` says. `ending`: how its lines end, in words, where that is not the usual LF."""
    text, ends = reply.decode("ascii", "replace"), f", {ending}" if ending else ""
    try:
        parse_identity(text)
    except LinkGarbledError:
        return Answer(address, "", (), f"answers {shown(text)!r}{ends}, which is no identity: it has words of its own")
    identity, names = speaking(reply, IDENTITY)
    return Answer(address, identity, names, f"is {shown(text)!r}{ends}")


async def ask_units(port: str, options: str, units: Iterable[int]) -> list[Answer]:
    """Ask each Modbus unit on a serial port for one register; return those that answer. Raises LinkError for the port."""
    found = []
    for unit in units:
        address = f"modbus-rtu://{port}?{options}&unit={unit}"
        reply = await _asked(address, READ_FIRST_REGISTER)
        if reply is None:
            continue
        fits = [(identity, name) for name, identity in [await _as_modbus(address, one) for one in shipped()] if name]
        heard = f"unit {unit} answers {reply.hex(' ').upper()}"
        found.append(Answer(address, fits[0][0] if fits else "", tuple(name for _, name in fits), heard))
    return found


async def _as_modbus(address: str, dialect: Dialect) -> tuple[str, str]:
    """Return a dialect's name and the identity it finds at a unit, or nothing."""
    if dialect.framing != "modbus":
        return "", ""
    question = dialect.questions["identity"]
    reply = await _asked(address, question.message)
    try:
        return (dialect.name, str(question.parse(reply))) if reply is not None else ("", "")
    except ChargerdError:
        return "", ""


async def _asked(address: str, message: bytes) -> bytes | None:
    """Ask once through a link of its own: nobody's late reply can be taken for another's."""
    return await _said(address, message, UNIT_S)
