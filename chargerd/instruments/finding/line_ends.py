"""How a device on a serial port ends its lines: which end it takes, and with which it answers, each found by itself.

What comes is read as bytes until the line is silent, so that the end of an answer is seen whatever it is; a link reads up to the
end that its address names, and would take the rest for something nobody asked for.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

from chargerd.errors import LinkError
from chargerd.instruments.transports.link import REPLY_LENGTH_MAX
from chargerd.instruments.transports.registry import parse_address
from chargerd.instruments.transports.serial_bus import BusLink, join_bus

QUIET_S = 0.15
"""Silence behind CR or LF after which no more of the answer comes: five characters at 300 baud."""

CALL_S = 1.0
"""On top of the listening, for opening the port and taking turns."""

NAMES = {b"\n": "lf", b"\r": "cr", b"\r\n": "crlf"}
SHOWN = {b"\n": "LF", b"\r": "CR", b"\r\n": "CR LF"}


@dataclass(frozen=True, slots=True)
class Heard:
    """An answer: its text, the end of its line, the end that the question had to have, whether the question came back first."""

    text: bytes
    answers: bytes
    takes: bytes
    has_echo: bool = False

    @property
    def options(self) -> str:
        """What an address says of it, behind its other options; nothing where that is what is usual."""
        said = "" if self._reads == b"\n" else f"&eol={NAMES[self._reads]}"
        said += "" if self.takes == self._reads else f"&send_eol={NAMES[self.takes]}"
        return said + ("&echo=yes" if self.has_echo else "")

    @property
    def ends(self) -> str:
        """In words; nothing where both ends are LF."""
        said = "" if self.takes == b"\n" else f"ending lines by {SHOWN[self.takes]}" + (" alone" if self.takes == b"\r" else "")
        if self.takes != self.answers:
            said = f"takes {SHOWN[self.takes]}, answers with {SHOWN[self.answers]}"
        return ", ".join(filter(None, (said, "repeating what it hears" if self.has_echo else "")))

    @property
    def _reads(self) -> bytes:
        """A reply is read to its LF, and a CR before that is taken off: who takes LF needs no more said."""
        return b"\n" if self.answers == b"\r\n" and self.takes == b"\n" else self.answers


class _RawLink(BusLink):
    """Bytes sent as they are, and all that comes until the line is silent."""

    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Send; read until silence behind a line's end, or the deadline."""
        port = self.quiet_port(deadline_s)
        until_s = time.monotonic() + deadline_s
        port.write(message)
        heard = b""
        while len(heard) < REPLY_LENGTH_MAX:
            has_ended = heard.endswith((b"\r", b"\n"))
            port.timeout = QUIET_S if has_ended else until_s - time.monotonic()
            if port.timeout <= 0.0 or not (more := port.read(1)):
                break
            heard += more + port.read(port.in_waiting)
        return heard

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send what has no reply."""
        self.quiet_port(deadline_s).write(message)


async def raw(address: str, message: bytes, deadline_s: float, open_s: float) -> bytes:
    """Send these bytes through a link of their own; return all that comes. Raises LinkError when the port does not open."""
    parsed = parse_address(address)
    link = _RawLink(parsed, await join_bus(parsed, deadline_s=open_s, in_flight=None))
    try:
        return await link.work(lambda: link.exchange(message, deadline_s), deadline_s + QUIET_S + CALL_S)
    except LinkError:
        return b""
    finally:
        await link.close()


def heard(reply: bytes, asked: bytes, takes: bytes) -> Heard | None:
    """Return what a reply to `asked`, ended by `takes`, shows; None when it is not one line, an echo aside."""
    answers = next((end for end in (b"\r\n", b"\n", b"\r") if reply.endswith(end)), b"")
    lines = reply.removesuffix(answers).split(answers) if answers else []
    has_echo = len(lines) > 1 and lines[0] == asked
    if len(lines) != 1 + has_echo:
        return None
    text = lines[-1].strip(b"\r\n ")
    return Heard(text, answers, takes, has_echo) if text and text != asked else None
