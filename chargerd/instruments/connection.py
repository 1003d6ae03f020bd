"""One instrument's connection: address, link, and the proof of who is at the other end.

No byte but the identity question leaves before the identity was proven, and the proof dies with the link: after every error
the link is closed, and the next use opens a new one and asks again. After a *wrong* identity nothing is ever written.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import TypeVar

from chargerd.errors import InstrumentError, LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.framing import scpi
from chargerd.instruments.framing.scpi_rows import reading
from chargerd.instruments.framing.spoken import Command, Question
from chargerd.instruments.transports.link import InFlight, Link
from chargerd.instruments.transports.registry import open_link, parse_address
from chargerd.instruments.untouchable import Untouchable

FIRST_OPEN_S = 5.0
"""For the first opening: a library may have to be loaded, a USB instrument enumerated."""

REOPEN_S = 1.0
"""For every later one: a pass of the channel must stay within 2 s."""

IDENTITY = Question("identity", "*IDN?", "*IDN?", b"*IDN?", reading(scpi.parse_identity))
"""How an instrument is asked who it is, unless its dialect says otherwise (IEEE 488.2 §10.14)."""

T = TypeVar("T")


class WrongIdentityError(InstrumentError):
    """Another instrument answers at this address. Nothing is written to it."""


class Connection:
    """Owns the link to one instrument.

    `generation` counts openings: whatever was proven through an earlier link is not proven now. `exchanges` counts questions.
    """

    def __init__(
        self, name: str, address: str, identity: str, *, timeout_s: float = 0.5, in_flight: InFlight | None = None,
        asked_by: Question = IDENTITY, untouchable: Untouchable | None = None,
    ) -> None:  # fmt: skip
        self.name = name
        self.address = parse_address(address)
        self.expected_identity = identity
        self.identity = ""
        self.timeout_s = timeout_s
        self.generation = 0
        self.exchanges = 0
        self.has_restarted = False
        """Latched: the instrument reported a power-on since it was identified at CHECKING."""
        self._asked_by = asked_by
        self._untouchable = untouchable or Untouchable(())
        self._opening = asyncio.Lock()
        self._in_flight = in_flight
        self._link: Link | None = None
        self._proven = False
        self._answered = False
        self._in_doubt = False
        """Something failed since the identity was last proven: what comes next may be the late answer to it."""

    @property
    def is_usable(self) -> bool:
        """True while the link is clean and its far end is the instrument expected."""
        return self._proven and self._link is not None and not self._link.dirty

    @property
    def has_answered(self) -> bool:
        """True when whoever is at the far end of the last link opened answered the identity question rightly."""
        return self._answered

    async def reopen(self) -> str:
        """Open a new link (closing any old one), ask who is there and compare; return the identity.

        Raises:
            LinkError: nobody there, or no proper answer.
            WrongIdentityError: another instrument is there; the link is closed.
        """
        before = self.generation
        async with self._opening:
            if self.generation != before and self.is_usable:
                return self.identity  # two instruments of one link found it broken at the same time
            return await self._reopen()

    async def _reopen(self) -> str:
        await self.close()
        self._answered = False
        deadline_s = FIRST_OPEN_S if self.generation == 0 else REOPEN_S
        try:
            self._link = await open_link(self.address, deadline_s=deadline_s, in_flight=self._in_flight)
        except LinkError as fault:
            raise self._named(fault) from fault
        self.generation += 1
        if not self._in_doubt:
            return await self.identify()
        try:
            return await self.identify()
        except WrongIdentityError:
            # The late answer to what was asked before would look like this, and nothing would be switched off: look once more.
            self._in_doubt = False
            return await self._reopen()

    async def identify(self) -> str:
        """Ask the identity question and compare. Raises as `reopen`."""
        try:
            reply = str(await self._exchange(self._asked_by, urgent=False, needs_proof=False))
        except (LinkError, InstrumentError):
            self._proven = False
            raise
        expected = ",".join(part.strip(" ") for part in self.expected_identity.split(","))
        if reply != expected:
            await self.close()
            raise WrongIdentityError(
                f"{self.name}: {reply!r} answers at {self.address.text}, expected {expected!r}; nothing is written to it"
            )
        self.identity = reply
        self._proven = self._answered = True
        self._in_doubt = False
        return reply

    async def ensure(self) -> None:
        """Reopen and identify unless the link is usable. Raises as `reopen`."""
        if not self.is_usable:
            await self.reopen()

    async def ask(self, question: Question, kind: type[T], *, urgent: bool = False) -> T:
        """Ask one question; return what its reply means, which is of that kind.

        Raises:
            LinkError: no reply, or not in the grammar; the link is then closed.
            NoReadingError, OverRangeError: the reply says so; the link stays good.
        """
        meant = await self._exchange(question, urgent=urgent)
        assert isinstance(meant, kind), question.name
        return meant

    async def ask_all(self, messages: Sequence[bytes]) -> list[tuple[bytes, float]]:
        """Ask one after the other; return the raw replies, each with how long ago it arrived in seconds.

        Raises:
            LinkError: one was not answered; nothing is returned.
        """
        self._demand_proof("a sample")
        assert self._link is not None
        self.exchanges += len(messages)
        try:
            replies = await self._link.query_all(messages, deadline_s=self.timeout_s)
        except LinkError as fault:
            raise self._named(fault) from fault
        now_s = asyncio.get_running_loop().time()
        return [(raw, now_s - at_s) for raw, at_s in replies]

    async def ask_together(self, texts: Sequence[str]) -> list[str]:
        """Ask several questions in one message (IEEE 488.2 compound) and return the replies, not yet parsed.

        Raises:
            LinkError: no reply, or not exactly as many as questions.
        """
        message = texts[0] + "".join((";" if text.startswith("*") else ";:") + text for text in texts[1:])
        self.exchanges += len(texts) - 1
        together = Question("", "", message, message.encode("ascii"), reading(lambda text: scpi.split_replies(text, len(texts))))
        replies = await self._exchange(together, urgent=False)
        assert isinstance(replies, list)
        return replies

    async def tell(self, command: Command, value: float | None = None, *, urgent: bool = False) -> None:
        """Send one command, and wait for its acknowledgement where it has one.

        Raises:
            LinkError: the link is then closed. InstrumentError: the instrument answers that it will not.
        """
        text = command.text(value)
        self._untouchable.judge(self.name, command.name, text, is_question=False)
        if command.acknowledge is not None:
            question = Question(command.name, command.notation, text, command.message(value), command.acknowledge)
            await self._exchange(question, urgent=urgent)
            return
        self._demand_proof(text)
        assert self._link is not None
        try:
            await self._link.write(command.message(value), deadline_s=self.timeout_s, urgent=urgent)
        except LinkError as fault:
            raise self._named(fault) from fault

    async def tell_text(self, text: str) -> None:
        """Send a text that is in no dialect: only what proves that refusals are seen. Raises LinkError."""
        self._demand_proof(text)
        assert self._link is not None
        await self._link.write(text.encode("ascii"), deadline_s=self.timeout_s)

    async def spoil(self, reason: LinkGarbledError) -> LinkGarbledError:
        """Close the link because of a reply that is not in the grammar; return the error to raise."""
        self._in_doubt = True
        await self.close()
        return LinkGarbledError(f"{self.name}: {reason}")

    async def close(self) -> None:
        """Close the link. Never raises."""
        self._proven = False
        if self._link is not None:
            await self._link.close()

    async def _exchange(self, question: Question, *, urgent: bool, needs_proof: bool = True) -> object:
        if needs_proof:
            self._demand_proof(question.text)
        if self._link is None:
            raise LinkClosedError(f"{self.name}: not connected")
        self.exchanges += 1
        try:
            raw = await self._link.query(question.message, deadline_s=self.timeout_s, urgent=urgent)
        except LinkError as fault:
            raise self._named(fault) from fault
        try:
            return question.parse(raw)
        except LinkGarbledError as fault:
            raise await self.spoil(LinkGarbledError(f"{question.text} was answered by {raw[:40]!r}: {fault}")) from fault

    def _demand_proof(self, text: str) -> None:
        if not self._proven:
            raise LinkClosedError(f"{self.name}: {text} not sent, the instrument's identity is not proven")

    def _named(self, fault: LinkError) -> LinkError:
        """Return a fault of the link, with whose it is."""
        self._in_doubt = True
        for kind in (LinkTimeoutError, LinkClosedError, LinkGarbledError):
            if isinstance(fault, kind):
                return kind(f"{self.name}: {fault}")
        return LinkError(f"{self.name}: {fault}")
