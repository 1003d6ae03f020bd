"""Carrying out what the engine demands of a channel's outputs and of the relay at its cell, each step proven or said not to be.

The order is the protection: the relay closes only while source and load are proven off, and nothing is energised through a
relay that is not proven closed. On the way down it is the other way round: source off, load off, verified, and the relay last,
without load. A contact that breaks a current arcs, near gas; so it does that only when off has no effect, and then at once.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from chargerd.config.hygiene import Allowance
from chargerd.config.safety_time import OFF_QUESTIONS, OFF_TRIES
from chargerd.core.demand import Demand, Energise
from chargerd.core.events import Observed
from chargerd.core.reading import ChannelInputs
from chargerd.errors import InstrumentError, LinkError, RefusedError
from chargerd.instruments.bank import Bank
from chargerd.instruments.connection import WrongIdentityError
from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import Instrument, Load, Output, ProtectionActedError, Source

RAISE_TRIES = 4
RAISE_BUDGET_S = 1.5
"""No new attempt to raise is begun later than this: the channel must be passed every 2 s."""

RAISES_MAX, RAISE_AGAIN_S = 3, 2.0
"""A link that loses replies is no reason to end a run while everything is proven off: so often, and not sooner, it is tried anew
at later readings. A link that is gone trips by the readings that are lost meanwhile."""

SOURCE_FIRST_S = 0.25
"""How long the load's switching off waits for the source's: source first, but a mute source must not keep the load on."""

LIVE_V = 0.5
"""A source that is off, with nothing on its leads, shows less than this; its output capacitor needs some seconds for it."""

OPEN_AGAIN_S = 10.0
"""A relay that could not be proven open is tried again this often while the outputs are off."""


class NotAllowedError(InstrumentError):
    """A set-point that this run may not write: our bug, for the plan was checked. Nothing was sent."""


class Hands:
    """The outputs of one channel, and the relay between them and the cell.

    `neighbours` are relays of other channels on the same source or load: they must be open before this channel's closes.
    `trouble` collects, by instrument, what last went wrong.
    """

    def __init__(
        self, inputs: ChannelInputs, instruments: dict[str, Instrument], neighbours: Sequence[Switch],
        now_s: Callable[[], float], trouble: dict[str, str], bank: Bank | None = None, *, allowed: Allowance,
    ) -> None:  # fmt: skip
        self.allowed = allowed
        """What may be written at all: the bench's limits, at CHECKING those of the run. Asserted at every write."""
        source = instruments[inputs.source]
        assert isinstance(source, Source)
        self.source = source
        load = instruments.get(inputs.load)
        self.load: Load | Bank | None = bank or (load if isinstance(load, Load) else None)
        relay = instruments.get(inputs.switch)
        self.relay = relay if isinstance(relay, Switch) else None
        self.neighbours = tuple(neighbours)
        self.energised = Energise.NONE
        self.load_ocp_A: float | None = None
        self._now_s = now_s
        self._trouble = trouble
        self._open_again_s = self._raise_again_s = 0.0
        self._raises_lost = 0

    @property
    def outputs(self) -> list[Output | Bank]:
        """Source and load, in the order they go off."""
        return [self.source] if self.load is None else [self.source, self.load]

    def in_off_order(self) -> list[Output | Switch]:
        """Everything that an off plan switches, in order: source, load, the cell's relay, a bank's contacts.

        The cell's relay ends whatever current is left at once; behind it a board's contacts open one by one, without current.
        """
        loads: list[Output] = [self.load] if isinstance(self.load, Output) else []
        contacts = [part.relay for part in self.load.parts] if isinstance(self.load, Bank) else []
        return [self.source, *loads, *([] if self.relay is None else [self.relay]), *contacts]

    async def prove_isolated(self) -> None:
        """Outputs being off: open the relay if it is not, and prove that it is open and that no other cell is on these leads.

        Raises:
            InstrumentError: it does not open, or its second contact contradicts. RefusedError: another cell. LinkError.
        """
        if self.relay is None:
            return
        for output in self.outputs:
            await output.prove_off()
        await self.prove_alone()
        opened = await self.relay.switch(closed=False)
        if not opened.verified:
            raise InstrumentError(f"{opened.text}; nothing was started")

    # --- down ------------------------------------------------------------------------------------------------------------

    async def apply_reduction(self, demand: Demand) -> list[Observed]:
        """Carry out at once whatever the demand takes away. Raises and starts nothing."""
        wanted = self._output(demand)
        observed = [await output.switch_off() for output in self.outputs if output.is_on and output is not wanted]
        if demand.energise is Energise.NONE:
            self.energised = Energise.NONE
        if wanted is not None and wanted.is_on and wanted.points:
            lowered = tuple(min(old, new) for old, new in zip(wanted.points, self._points(wanted, demand), strict=True))
            if lowered != wanted.points:
                observed += await self._lower(wanted, lowered)
            elif isinstance(wanted, Bank):
                observed += await wanted.relieve()
        if not all(one.verified for one in observed):
            return observed + await self._open_at_once()
        return observed if demand.connected else observed + await self._disconnect()

    async def make_safe(self, *, doubted: bool = False) -> list[Observed]:
        """Switch off all outputs, source first, then open the relay. Never raises for what instruments do.

        The relay waits for the outputs no longer than switching off may take; after that it opens whatever still flows.
        `doubted`: an output could not be proven off before. Behind an open relay no current can show that it still is on, so
        a source must then show no voltage either.
        """
        self.energised = Energise.NONE
        offs = [asyncio.ensure_future(self.source.switch_off())]
        await asyncio.wait(offs, timeout=SOURCE_FIRST_S)
        if self.load is not None:
            offs.append(asyncio.ensure_future(self.load.switch_off()))
        _, late = await asyncio.wait(offs, timeout=self._off_budget_s if self.relay is not None else None)
        doubted = doubted or bool(late)  # what it still proves by its current, it proves behind an open relay
        opened = await self._open_at_once()
        observed = [await off for off in offs]
        if doubted and self.relay is not None and observed[0].verified:
            try:
                await self.prove_dead()
            except (LinkError, InstrumentError) as fault:
                self.source.is_on = None
                observed[0] = Observed(self.source.name, "off", verified=False, text=str(fault))
        return [*observed, *opened]

    async def prove_dead(self) -> None:
        """The relay being open: raise InstrumentError when the source shows a voltage although it says it is off; LinkError."""
        if "voltage" not in self.source.dialect.questions:
            return
        shown_V = await self.source.voltage_V()
        if not shown_V <= LIVE_V:
            raise InstrumentError(
                f"{self.source.name}: it says that it is off, and shows {shown_V:.2f} V with nothing on its leads: it is stuck "
                "on, or its output capacitor holds its charge (1 kohm across its terminals empties it)"
            )

    @property
    def _off_budget_s(self) -> float:
        return sum(OFF_TRIES * OFF_QUESTIONS * output.timeout_s for output in self.outputs)

    async def _disconnect(self) -> list[Observed]:
        """Open the relay, all outputs being off; one that could not be proven open is tried again now and then."""
        relay = self.relay
        if relay is None or relay.is_closed is False or self._now_s() < self._open_again_s:
            return []
        return await self._open_at_once()

    async def _open_at_once(self) -> list[Observed]:
        if self.relay is None:
            return []
        opened = await self.relay.switch(closed=False)
        self._open_again_s = 0.0 if opened.verified else self._now_s() + OPEN_AGAIN_S
        return [opened]

    async def _lower(self, output: Output | Bank, points: tuple[float, ...]) -> list[Observed]:
        try:
            await self._write_points(output, points)
        except (LinkError, InstrumentError) as fault:
            self._trouble[output.name] = str(fault)
            off = await output.switch_off()
            return [Observed(output.name, off.what, off.verified, f"{fault}; {off.text}")]
        return []

    # --- up --------------------------------------------------------------------------------------------------------------

    async def apply_raise(self, demand: Demand) -> list[Observed]:
        """Carry out what the demand adds. Closing the relay is all that one call does: a reading comes before energy."""
        if demand.connected and self.relay is not None and not self.relay.is_closed:
            return await self.connect()
        output = self._output(demand)
        if output is None:
            if demand.energise is Energise.NONE:
                return []
            return [Observed("load", "on", verified=False, text="this channel has no load"), *await self.make_safe()]
        if output.is_on and output.is_armed and output.points == self._points(output, demand):
            return await output.follow() if isinstance(output, Bank) else []
        if self._now_s() < self._raise_again_s:
            return []
        self.energised = demand.energise
        fault = "was not tried"
        refused = 0
        began_s = self._now_s()
        was_on = bool(output.is_on)
        for _ in range(RAISE_TRIES):
            try:
                observed = await self._raise(output, demand, was_on=was_on)
            except (WrongIdentityError, ProtectionActedError, NotAllowedError) as wrong:
                fault, refused = str(wrong), RAISE_TRIES
                break
            except InstrumentError as refusal:
                fault, refused = str(refusal), refused + 1
            except LinkError as lost:
                fault = str(lost)
            else:
                self._raises_lost = 0
                return observed
            if refused > 1 or self._now_s() - began_s > RAISE_BUDGET_S:
                break
        self._trouble[output.name] = fault
        observed = await self.make_safe()
        self._raises_lost += 1
        if not (refused or was_on) and self._raises_lost < RAISES_MAX and all(one.verified for one in observed):
            self._raise_again_s = self._now_s() + RAISE_AGAIN_S
            return observed
        return [Observed(output.name, "on", verified=False, text=fault), *observed]

    async def connect(self) -> list[Observed]:
        """Close the cell's relay onto nothing: source and load proven off now, no other cell on them. Else make safe."""
        relay = self.relay
        assert relay is not None
        try:
            if not relay.is_closed:
                await self.prove_dead()
            for output in self.outputs:
                await output.prove_off()
            await self.prove_alone()
            closed = await relay.switch(closed=True)
            if closed.verified:
                for output in self.outputs:
                    await output.prove_off()  # a load that is stuck on shows only now, with a cell before it
        except (LinkError, InstrumentError, RefusedError) as fault:
            closed = Observed(relay.name, "closed", verified=False, text=f"not closed: {fault}")
        if closed.verified:
            return [closed]
        self._trouble[relay.name] = closed.text
        return [closed, *await self.make_safe()]

    async def prove_alone(self) -> None:
        """Prove that no other cell is connected to this channel's source or load. Raises RefusedError; as `Switch.look`."""
        for neighbour in self.neighbours:
            if await neighbour.look():
                raise RefusedError(
                    f"{neighbour.name} is closed: another cell is connected to the same instruments; open it and find out why"
                )

    async def _raise(self, output: Output | Bank, demand: Demand, *, was_on: bool) -> list[Observed]:
        """Arm and switch on, or change set-points of what `was_on` before the first try. Raises InstrumentError, LinkError."""
        if not was_on and output.is_on is not False:
            # A try that broke off may have switched it on, and nobody was told: it goes on anew, proven, or not at all.
            off = await output.switch_off()
            if not off.verified:
                raise InstrumentError(off.text)
        await self._limits(output, demand)
        if not output.is_armed or output.points != self._points(output, demand):
            await self._write_points(output, self._points(output, demand))
        if was_on:
            return []
        for other in self.outputs:
            if other is not output:
                await other.prove_off()
        await self._prove_relay(output, isolated=demand.isolated)
        return [await output.switch_on()]

    async def _prove_relay(self, output: Output | Bank, *, isolated: bool) -> None:
        """Prove the relay closed, or for a zero current open. Raises InstrumentError; as `Switch.look`."""
        if isolated and self.relay is None:
            raise InstrumentError(f"{output.name}: no relay keeps the cell out of this; a zero current is not measured")
        if self.relay is not None and await self.relay.look() is isolated:
            state = "closed" if isolated else "open"
            raise InstrumentError(f"{output.name}: not switched on, {self.relay.name} between it and the cell is {state}")

    async def _limits(self, output: Output | Bank, demand: Demand) -> None:
        if isinstance(output, Source) and (demand.voltage_set_V is None or not self.has_levels(demand.ovp_V, demand.ocp_A)):
            raise InstrumentError(f"{output.name}: the demand lacks a voltage or a level of protection")
        if isinstance(output, Bank):
            return
        await output.connection.ensure()
        if output.has_limits:
            return
        if isinstance(output, Load):
            await output.write_limits(ocp_A=self.load_ocp_A)
        else:
            await self.source.write_limits(ovp_V=demand.ovp_V, ocp_A=demand.ocp_A)

    async def _write_points(self, output: Output | Bank, points: tuple[float, ...]) -> None:
        is_source = isinstance(output, Source)
        why = self.allowed.why_not(1 if is_source else -1, points[0] if is_source else None, points[-1])
        if why:
            raise NotAllowedError(f"{output.name}: {why}; not written")
        if isinstance(output, (Load, Bank)):
            await output.write_points(current_A=points[0])
        else:
            await self.source.write_points(voltage_V=points[0], current_A=points[1])

    def _points(self, output: Output | Bank, demand: Demand) -> tuple[float, ...]:
        """Set-points of that output. A demand without one gets 0: nothing flows that nobody asked for."""
        current_A = demand.current_set_A or 0.0
        return (demand.voltage_set_V or 0.0, current_A) if isinstance(output, Source) else (current_A,)

    def has_levels(self, ovp_V: float | None, ocp_A: float | None) -> bool:
        """Whether there is a level for each protection the source says it has."""
        protects = self.source.spec.protects
        return not (("voltage" in protects and ovp_V is None) or ("current" in protects and ocp_A is None))

    def _output(self, demand: Demand) -> Output | Bank | None:
        return {Energise.SOURCE: self.source, Energise.LOAD: self.load}.get(demand.energise)
