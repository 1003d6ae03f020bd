"""A load made of power resistors, each behind a relay. It cannot hold a current; it switches between those its resistors make.

The rule: of all combinations none of whose resistors gets too hot, the one with the largest current that is not above the
current asked for, at the cell's present voltage. It is chosen anew when another current is asked for, or when the present one
has left the band from a quarter below to a twentieth above what is asked. Contacts that must open do so before others close.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, combinations

from chargerd.core.events import Observed
from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.relay import Switch

ABOVE, BELOW = 0.05, 0.25
"""The band. The cell falls slowly, so a wide one below keeps the relays still; above it stays within what a step may carry."""


@dataclass(frozen=True, slots=True)
class Part:
    """One resistor: its relay, its value in ohm, the heat it bears in W, the current its contact bears in A (None: unsaid)."""

    relay: Switch
    resistance_ohm: float
    power_W: float
    contact_A: float | None = None

    def bears(self, voltage_V: float) -> bool:
        """Whether resistor and contact stand that voltage for hours."""
        current_A = voltage_V / self.resistance_ohm
        return voltage_V * current_A <= self.power_W and (self.contact_A is None or current_A <= self.contact_A)


def choose(parts: tuple[Part, ...], current_A: float, voltage_V: float) -> tuple[Part, ...]:
    """Return the combination with the largest current not above `current_A`, of equals the fewest contacts; () if none."""
    able = [part for part in parts if part.bears(voltage_V)]
    every = chain.from_iterable(combinations(able, count) for count in range(1, len(able) + 1))
    fitting = [some for some in every if carried_A(some, voltage_V) <= current_A]
    return max(fitting, key=lambda some: (carried_A(some, voltage_V), -len(some)), default=())


def carried_A(parts: tuple[Part, ...], voltage_V: float) -> float:
    """Return what these resistors draw together at that voltage."""
    return sum(voltage_V / part.resistance_ohm for part in parts)


class Bank:
    """The resistors of one channel's load, acted upon as a load is.

    `is_on` is whether any contact is closed as last observed: None until one was, or when switching off could not be proven.
    `voltage_V` is the cell's present voltage; whoever reads it sets it, and without it nothing is switched on.
    """

    def __init__(self, name: str, parts: tuple[Part, ...]) -> None:
        self.name = name
        self.parts = parts
        self.points: tuple[float, ...] = ()
        self.voltage_V: float | None = None

    @property
    def is_on(self) -> bool | None:
        """True when any contact was seen closed, False when all were seen open."""
        states = [part.relay.is_closed for part in self.parts]
        return True if any(states) else None if None in states else False

    @property
    def closed(self) -> tuple[Part, ...]:
        """The resistors whose contact was last seen closed."""
        return tuple(part for part in self.parts if part.relay.is_closed)

    @property
    def is_armed(self) -> bool:
        """True once a current was asked for: resistors have no settings of their own to prove."""
        return bool(self.points)

    @property
    def timeout_s(self) -> float:
        """The longest wait for one answer of all its relays together."""
        return sum(part.relay.timeout_s for part in self.parts)

    async def write_points(self, *, current_A: float) -> None:
        """Ask for that current. While on, it is followed at once if it is lower."""
        self.points = (current_A,)
        if self.is_on:
            observed = await self.relieve()
            if observed:
                raise InstrumentError(f"{self.name}: nothing it can make is as low as {current_A:g} A: {observed[0].text}")

    async def switch_off(self) -> Observed:
        """Open every contact and prove it. Never raises for what instruments do; no contact is skipped for another's fault."""
        opened = [await part.relay.switch(closed=False) for part in self.parts]
        failed = [one.text for one in opened if not one.verified]
        return Observed(self.name, "off", verified=not failed, text="; ".join(failed) or f"{len(opened)} contacts are open")

    async def prove_off(self) -> None:
        """Ask every contact now. Raises InstrumentError unless all are open; LinkError."""
        for part in self.parts:
            await part.relay.prove_open()

    async def switch_on(self) -> Observed:
        """Close the combination for the current asked for. Raises InstrumentError when none fits or one does not close."""
        chosen = self._choose()
        if not chosen:
            raise InstrumentError(f"{self.name}: no resistor draws as little as {self.points[0]:g} A at {self.voltage_V:g} V")
        await self.prove_off()
        return await self._change(chosen)

    async def relieve(self) -> list[Observed]:
        """Open contacts at once where more flows than the band allows; nothing is closed."""
        if self.voltage_V is None or carried_A(self.closed, self.voltage_V) <= (1 + ABOVE) * self.points[0]:
            return []  # without a voltage the engine's own count of missing readings ends the discharge
        chosen = self._choose()
        opened = [await part.relay.switch(closed=False) for part in self.closed if part not in chosen]
        if self.closed and all(one.verified for one in opened):
            return []
        return [await self.switch_off()]

    async def follow(self) -> list[Observed]:
        """Choose again when the current has left the band. Returns what was switched; a contact that fails ends all off."""
        if self.voltage_V is None:
            return []
        now_A = carried_A(self.closed, self.voltage_V)
        if (1 - BELOW) * self.points[0] <= now_A <= (1 + ABOVE) * self.points[0]:
            return []
        chosen = self._choose()
        if not chosen or chosen == self.closed:
            return []
        try:
            return [await self._change(chosen)]
        except (InstrumentError, LinkError) as fault:
            return [Observed(self.name, "on", verified=False, text=str(fault)), await self.switch_off()]

    def _choose(self) -> tuple[Part, ...]:
        if self.voltage_V is None or not self.points:
            raise InstrumentError(f"{self.name}: the cell's voltage is not known, so no resistor can be chosen")
        return choose(self.parts, self.points[0], self.voltage_V)

    async def _change(self, chosen: tuple[Part, ...]) -> Observed:
        """Break before make: what flows in between is less, never more."""
        for part in self.parts:
            if part not in chosen and part.relay.is_closed is not False:
                await self._switch(part, closed=False)
        for part in chosen:
            if not part.relay.is_closed:
                await self._switch(part, closed=True)
        said = " + ".join(f"{part.resistance_ohm:g} ohm" for part in chosen)
        return Observed(self.name, "on", verified=True, text=said)

    async def _switch(self, part: Part, *, closed: bool) -> None:
        observed = await part.relay.switch(closed=closed)
        if not observed.verified:
            raise InstrumentError(observed.text)
