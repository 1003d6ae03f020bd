"""What every transport promises: one question in flight, hard time-outs, and closed for good at the first surprise.

A link that once missed a reply may hand the late one to the next question, and a voltage is then taken for a temperature.
So a link never recovers: after any error it is closed and `dirty`, and whoever owns it opens a new one and asks who is there.
"""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Protocol

REPLY_LENGTH_MAX = 65536
"""Bytes waiting for a line end before a peer is held to be babbling (the longest SCPI reply used here is below 300)."""

TERMINATORS: dict[str, bytes] = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r"}
"""What `?eol=` and `?send_eol=` in an address may say; `lf` unless said otherwise."""


class InFlight(Protocol):
    """A counter of what is on its way, for clocks that may jump only while nothing is (the tests' clock).

    `key` names the link or call, so that what is lost with a link can be forgotten with it.
    """

    def add(self, count: int = 1, key: Hashable = None) -> None:
        """Count something as on its way."""

    def done(self, count: int = 1, key: Hashable = None) -> None:
        """Count something as arrived."""

    def forget(self, key: Hashable) -> None:
        """Drop what is counted on a link that was closed."""


@dataclass(frozen=True, slots=True)
class Address:
    """A parsed address: `scheme://target?option=value`. `text` is what stands in the bench file."""

    text: str
    scheme: str
    target: str
    options: Mapping[str, str] = field(default_factory=dict)

    @property
    def terminator(self) -> bytes:
        """The line end of this instrument's replies, and of messages to it unless `send_eol` names another."""
        return TERMINATORS[self.options.get("eol", "lf")]

    @property
    def send_terminator(self) -> bytes:
        """The line end of messages."""
        return TERMINATORS[self.options.get("send_eol", self.options.get("eol", "lf"))]

    def other_end(self, reply: bytes) -> str:
        """Say what to write where a reply ends otherwise than it says; nothing where that is not to be seen.

        `reply`: all that came, from the reply's first byte on, or only what came behind the end that was waited for.
        """
        end = next((end for end in (b"\r\n", b"\n", b"\r") if reply.endswith(end)), b"")
        if reply == b"\n" and self.terminator == b"\r":
            end = b"\r\n"
        if not end or end == self.terminator:
            return ""
        names = {end: name for name, end in TERMINATORS.items()}
        shown = names[end].upper().replace("CRLF", "CR LF")
        return f"; its lines end by {shown}; write eol={names[end]}&send_eol={names[self.send_terminator]} in the address"

    def has(self, option: str) -> bool:
        """Tell whether an option that is yes or no says yes."""
        return self.options.get(option, "no") == "yes"


class Link(Protocol):
    """Bytes to one instrument and back. Every method raises only `LinkError`s, and after one the link is closed."""

    @property
    def dirty(self) -> bool:
        """True once anything unexpected happened, or the link was closed: it will never be usable again."""

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """Send one message (without line end) and return the reply (without line end), within `deadline_s` from now.

        `urgent` goes before every question that is still waiting for its turn.

        Raises:
            LinkTimeoutError: no whole reply in time.
            LinkClosedError: the other side is gone, or the link was closed before.
            LinkGarbledError: bytes nobody asked for, or a reply without end.
        """

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """Ask one after the other, each within `deadline_s`; return each reply with the loop's time of its arrival.

        Nothing comes back unless all were answered. Raises as `query`.
        """

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """Send one message that has no reply. Raises as `query`."""

    async def close(self) -> None:
        """Close; never raises, may be called twice."""


async def query_each(link: Link, messages: Sequence[bytes], deadline_s: float) -> list[tuple[bytes, float]]:
    """Do what `Link.query_all` promises with single questions."""
    loop = asyncio.get_running_loop()
    return [(await link.query(message, deadline_s=deadline_s), loop.time()) for message in messages]


class Turn:
    """One question at a time; urgent ones (switching off) go before all that are still waiting."""

    __slots__ = ("_held", "_number", "_waiting")

    def __init__(self) -> None:
        self._held = False
        self._number = count()
        self._waiting: list[tuple[bool, int, asyncio.Future[None]]] = []

    def take_now(self) -> bool:
        """Take the turn if nobody has it."""
        if self._held:
            return False
        self._held = True
        return True

    async def take(self, *, urgent: bool) -> None:
        """Wait for the turn. The caller gives it back with `give`."""
        if self.take_now():
            return
        called = asyncio.get_running_loop().create_future()
        heapq.heappush(self._waiting, (not urgent, next(self._number), called))
        try:
            await called
        except asyncio.CancelledError:
            if called.done() and not called.cancelled():
                self.give()
            raise

    def give(self) -> None:
        """Give the turn to the next one waiting."""
        while self._waiting:
            called = heapq.heappop(self._waiting)[2]
            if not called.done():
                called.set_result(None)
                return
        self._held = False
