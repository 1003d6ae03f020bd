"""Asking what was found who it is: only where a person has said yes. Each answer is compared with the shipped dialects."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from chargerd.errors import ChargerdError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.dialect import Dialect, dialect_names
from chargerd.instruments.dialect_file import load_dialect
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

READ_FIRST_REGISTER = bytes.fromhex("03 0000 0001")
"""Read one holding register, number 0 (MODBUS Application Protocol V1.1b3, §6.3). Any reply, a refusal too, shows a device."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Who answers at an address: what to write as its identity ("" when unknown), which dialects may fit, what was heard."""

    address: str
    identity: str
    dialects: tuple[str, ...]
    heard: str
    has_ended: bool = True
    """False: nothing came that shows that the device has seen the end of the question."""


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

    A device that ends lines by CR still waits for the end of that one: it is ended for it. Its answer, if only a refusal, says
    how it ends lines.
    """
    address = f"serial://{path}?baud={baud}"
    printed = await _listen(f"{address}&listen=yes")
    if printed is not None:
        return printed
    answer = await ask_lines(address)
    return answer if answer.has_ended else await _end_by_cr(f"{address}&eol=cr", answer)


async def _end_by_cr(address: str, unanswered: Answer) -> Answer:
    """End the question by CR, ask once more so, and leave nothing in the device that would spoil the next question.

    Where nothing comes, LF and CR end what is left in devices of either kind, and CR LF with them. The last CR is harmless to
    who ends lines by LF: it is white space before the next header (IEEE 488.2 §7.4.1.2, from memory).
    """
    await _said(address, b"")  # what comes is about a line of ours that was spoilt
    reply = await _said(address, b"*IDN?")
    if reply is not None:
        return _understood(address, reply, "by CR alone")
    await _said(address, b"\n")
    return unanswered


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
        reply = await link.query(b"*IDN?", deadline_s=ASK_S)
    except LinkTimeoutError:
        return Answer(address, "", (), "does not answer *IDN?", has_ended=False)
    except LinkError as fault:
        return Answer(address, "", (), f"did not answer *IDN? properly ({shown(str(fault))})", has_ended=False)
    finally:
        await link.close()
    return _understood(address, reply, "")


def _understood(address: str, reply: bytes, ending: str) -> Answer:
    """Return what a reply to `*IDN?` says. `ending`: how its lines end, where that is not the usual LF."""
    text, ends = reply.decode("ascii", "replace"), f", ending lines {ending}" if ending else ""
    try:
        parse_identity(text)
    except LinkGarbledError:
        return Answer(address, "", (), f"answers {shown(text)!r}{ends}, which is no identity: it has words of its own")
    identity, names = speaking(reply, b"*IDN?")
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
