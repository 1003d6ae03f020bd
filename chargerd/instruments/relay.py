"""A relay: a contact that is told to open or close and then asked, itself and by its second contact, whether it did."""

from __future__ import annotations

import asyncio

from chargerd.config.bench import InstrumentSpec
from chargerd.core.events import Observed
from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.connection import Connection, WrongIdentityError
from chargerd.instruments.dialect import Dialect
from chargerd.instruments.roles import OFF_TRIES, Instrument


class Switch(Instrument):
    """One relay.

    `is_closed` is the last state observed: None until one was, or when a switching could not be proven. A relay that cannot
    say its state counts as what it was told last; whether it obeys is then proven by currents and voltages alone.
    """

    role = "switch"

    def __init__(self, spec: InstrumentSpec, dialect: Dialect, connection: Connection) -> None:
        super().__init__(spec, dialect, connection)
        self.is_closed: bool | None = None
        self.told: bool | None = None

    @property
    def settle_s(self) -> float:
        """From the command to a contact that has stopped bouncing."""
        contact = self.spec.contact
        return max(self.dialect.settle_s, 0.0 if contact is None else contact.settle_s)

    async def look(self, *, urgent: bool = False) -> bool:
        """Ask now whether the contact is closed; return it.

        Raises:
            InstrumentError: the second contact contradicts, or the state is not known. LinkError.
        """
        await self.connection.ensure()
        questions = self.dialect.questions
        closed = await self.connection.ask(questions["closed"], bool, urgent=urgent) if "closed" in questions else None
        mirror = await self.connection.ask(questions["mirror"], bool, urgent=urgent) if "mirror" in questions else None
        told = self.told if closed is None and mirror is None else None
        known = [state for state in (closed, mirror, told) if state is not None]
        if not known:
            raise InstrumentError(f"{self.name}: it is not known whether its contact is closed")
        if any(state != known[0] for state in known):
            self.is_closed = None
            raise InstrumentError(
                f"{self.name}: it says {_word(known[0])}, its second contact says {_word(known[-1])}: is it welded, has it power?"
            )
        self.is_closed = known[0]
        return known[0]

    async def prove_open(self) -> None:
        """Raises InstrumentError unless the contact is open now; LinkError."""
        if await self.look():
            raise InstrumentError(f"{self.name}: must be open first, but it is closed")

    async def switch(self, *, closed: bool) -> Observed:
        """Open or close the contact, prove it, retry opening. Never raises for what instruments do.

        Closing is tried once: what did not close at the first command is looked at by a person.
        """
        what, reason = ("closed" if closed else "open"), ""
        for _ in range(1 if closed else OFF_TRIES):
            try:
                await self.connection.ensure()
                self.is_closed = self.told = None
                await self.connection.tell(self.dialect.commands["close" if closed else "open"], urgent=not closed)
                self.told = closed
                await asyncio.sleep(self.settle_s)
                is_closed = await self.look(urgent=not closed)
            except WrongIdentityError as fault:
                reason = str(fault)
                break
            except (LinkError, InstrumentError) as fault:
                reason = str(fault)
                continue
            if is_closed == closed:
                return Observed(self.name, what, verified=True, text=f"says {_word(is_closed)}")
            reason = f"{self.name} was told to be {what} and says {_word(is_closed)}"
        self.is_closed = None
        return Observed(self.name, what, verified=False, text=reason)


def _word(closed: bool) -> str:
    return "closed" if closed else "open"
