"""The instruments of one channel as its loop sees them: read, reduce, raise, make safe.

`read`, `apply_reduction`, `apply_raise` and `make_safe` never raise for what links and instruments do: a missing input is
said to be absent, an output that could not be proven is said not to be. Nothing here decides what should flow.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from chargerd.config.bench import BenchFile
from chargerd.config.hygiene import Allowance, allowed_by
from chargerd.config.inputs import inputs_of
from chargerd.core.demand import Demand, Energise
from chargerd.core.events import Observed
from chargerd.core.reading import ABSENT, ChannelInputs, Measured
from chargerd.errors import BenchError, FoundOnError, InstrumentError, LinkError
from chargerd.instruments.acting import Hands
from chargerd.instruments.bank import Bank
from chargerd.instruments.connection import Connection
from chargerd.instruments.offplan import off_plan
from chargerd.instruments.opening import make_bank, make_instrument, neighbours_of, roles_of
from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import Instrument, Load, Source
from chargerd.instruments.sample import Sampler
from chargerd.instruments.sensors.frozen import Watch
from chargerd.instruments.sensors.sensor import Fault
from chargerd.instruments.thermal import ThermometerSampler
from chargerd.instruments.transports.link import InFlight

REOPEN_AGAIN_S = 0.75
"""In one sample a link is opened a second time (the identity question itself may be lost) only if the first took no longer."""

PROMPT_S = 0.005
"""A sample that takes no longer is quickest with one question at a time; slower instruments are asked at the same time."""

VOLTAGE_AGE_MAX_S = 5.0
"""Resistors are chosen by a voltage no older: the cell falls by millivolts in that time."""

IDENTITY_EVERY_S = 60.0
"""At full readings the identity is asked again when the last proof is older: a port may have become another instrument."""


class ChannelBench:
    """All instruments of one channel, opened. Make one with `open`.

    `columns` are the keys `read` can deliver, in journal order. `trouble` holds, by instrument, what last went wrong with it
    and has not come right since, as a sentence.
    """

    def __init__(
        self, inputs: ChannelInputs, instruments: dict[str, Instrument], now: Callable[[], float],
        neighbours: Sequence[Switch] = (), kept: Sequence[Instrument] = (), bank: Bank | None = None, *, allowed: Allowance,
    ) -> None:  # fmt: skip
        self.inputs = inputs
        self.trouble: dict[str, str] = {}
        self._now_s = now
        self._instruments = instruments
        self._kept = tuple(kept)
        self._samplers = {name: _sampler(instrument, now) for name, instrument in instruments.items()}
        self._thermal = [sampler for sampler in self._samplers.values() if isinstance(sampler, ThermometerSampler)]
        specs = [sampler.instrument.spec for sampler in self._thermal]
        self._watch = Watch({spec.name: spec.resolution.get("temperature", 0.0) for spec in specs}, inputs.thermometer)
        self._sensor_trouble: dict[str, str] = {}
        self.columns = tuple(key for sampler in self._samplers.values() for key in sampler.columns)
        self.hands = Hands(inputs, instruments, neighbours, now, self.trouble, bank, allowed=allowed)
        self._identified_s = now()
        self._is_prompt = True

    @staticmethod
    async def open(
        bench: BenchFile, channel: str, *, now: Callable[[], float], in_flight: InFlight | None = None
    ) -> ChannelBench:
        """Open every link of a channel and prove who is at its end.

        Args:
            bench: the checked bench file.
            channel: a name in it.
            now: the channel's clock, s; ages are counted on it.
            in_flight: counter of calls in worker threads, for clocks that jump.

        Raises:
            BenchError: no such channel, an unknown dialect or address, an instrument in a role it does not have.
            LinkError, InstrumentError: an instrument does not answer, or another one does.
        """
        spec = bench.channels.get(channel)
        if spec is None:
            raise BenchError((f"{bench.path}: no channel {channel!r}; there are {', '.join(bench.channels)}",))
        links: dict[tuple[str, str], Connection] = {}
        instruments = {
            name: make_instrument(bench, name, role, links, in_flight) for name, role in roles_of(spec, bench).items()
        }
        neighbours = [make_instrument(bench, name, "switch", links, in_flight) for name in neighbours_of(spec, bench)]
        kept = [make_instrument(bench, name, "", links, in_flight) for name in bench.keep_on if name in bench.instruments]
        opened = ChannelBench(
            inputs_of(spec, bench), instruments, now, [one for one in neighbours if isinstance(one, Switch)], kept,
            make_bank(spec, bench, instruments), allowed=allowed_by(bench.limits),
        )  # fmt: skip
        try:
            for connection in links.values():
                await connection.reopen()
        except (LinkError, InstrumentError):
            await opened.close()
            raise
        return opened

    @property
    def exchanges(self) -> int:
        """Questions asked so far, over all instruments."""
        return sum({id(one.connection): one.connection.exchanges for one in self._instruments.values()}.values())

    @property
    def instruments(self) -> dict[str, Instrument]:
        """The instruments by name."""
        return self._instruments

    def take_errors(self) -> list[str]:
        """Return, once, what instruments reported in their error queues since this was last called."""
        found = [error for instrument in self._instruments.values() for error in instrument.errors]
        for instrument in self._instruments.values():
            instrument.errors.clear()
        return found

    async def close(self) -> None:
        """Close every link. Switches nothing: use `make_safe` before."""
        for instrument in (*self._instruments.values(), *self.hands.neighbours, *self._kept):
            await instrument.connection.close()

    # --- CHECKING --------------------------------------------------------------------------------------------------------

    async def identify(self) -> dict[str, str]:
        """Prove every identity; from here on a power-on of any instrument counts as a restart.

        Raises:
            LinkError: no answer. InstrumentError: another instrument answers.
        """
        for neighbour in self.hands.neighbours:
            await neighbour.connection.ensure()
        identities = {name: await instrument.identify() for name, instrument in self._instruments.items()}
        self._identified_s = self._now_s()
        return identities

    async def check_quiet(self) -> None:
        """Prove that outputs are off, error queues empty and modes right. An output found on is switched off first.

        Raises:
            InstrumentError: what was not quiet, by name. LinkError.
        """
        found_on = []
        for output in self.hands.outputs:
            if isinstance(output, Bank):
                closed = [part.relay for part in output.parts if await part.relay.look()]
                is_on = bool(closed)
            else:
                await output.connection.ensure()
                is_on = output.is_on = await output.connection.ask(output.dialect.questions["output"], bool)
            if is_on:
                off = await output.switch_off()
                found_on.append(f"{output.name} was on and was switched off ({'verified' if off.verified else off.text})")
        if found_on:
            found_on += [one.text for one in await self.make_safe() if not one.verified]
            raise FoundOnError("; ".join(found_on) + "; find out why, then start again")
        await self._prove_kept()
        await self.hands.prove_isolated()
        for instrument in self._instruments.values():
            await instrument.connection.ensure()
            await instrument.check_errors()
            await instrument.check_power_on()
        if isinstance(self.hands.load, Load):
            await self.hands.load.set_mode()
        self.take_errors()

    async def _prove_kept(self) -> None:
        """Prove that what must stay on is on, where it can say so. Nothing is ever written to it."""
        for kept in self._kept:
            await kept.connection.ensure()
            question = kept.dialect.questions.get("output") or kept.dialect.questions.get("closed")
            if question is not None and not await kept.connection.ask(question, bool):
                raise InstrumentError(f"{kept.name}: it must stay on and is off; switch it on by hand, then start again")

    async def write_limits(self, *, ovp_V: float | None, ocp_A: float | None, load_ocp_A: float | None) -> None:
        """Write the instruments' own protection levels and read them back.

        Raises:
            InstrumentError: refused, or read back different. LinkError.
        """
        hands = self.hands
        if hands.has_levels(ovp_V, ocp_A):
            # A plan without them never charges: a source without levels is refused when it is to be switched on.
            await hands.source.write_limits(ovp_V=ovp_V, ocp_A=ocp_A)
        hands.load_ocp_A = load_ocp_A
        if isinstance(hands.load, Load):
            await hands.load.write_limits(ocp_A=load_ocp_A)

    def off_plan(
        self, *, run: str, channel: str, worker_pid: int, boot_id: str, written_utc: str
    ) -> dict[str, object]:
        """Return what switches this channel off without this program: addresses, exact bytes, expected replies, identities."""
        return off_plan(
            self.hands.in_off_order(), run=run, channel=channel, worker_pid=worker_pid, boot_id=boot_id, written_utc=written_utc
        )

    # --- reading ---------------------------------------------------------------------------------------------------------

    async def read(self, *, full: bool) -> dict[str, Measured]:
        """Take one sample of every instrument. Never raises for link faults or garbled replies.

        Asked every time: voltage, current, status of the instrument that may be on (at rest: the source), the state of both
        outputs, the source's and the meter's voltage, temperatures. `full` adds the rest. A key that is not there was not
        asked; an input that was asked and has no good reply is ABSENT (no reading) or IMPLAUSIBLE (over range).
        """
        for sampler in self._samplers.values():
            sampler.begin(full=full, active=self._is_active(sampler.instrument))
        again = full and self._now_s() - self._identified_s >= IDENTITY_EVERY_S
        samplers = list(self._samplers.values())
        done = await self._sample_all(samplers, identify=again)
        failed = [sampler for sampler, good in zip(samplers, done, strict=True) if not good]
        if failed:
            await asyncio.gather(*(self._sample_again(sampler) for sampler in failed))
        if again:
            self._identified_s = self._now_s()
        inputs: dict[str, Measured] = {}
        for sampler in samplers:
            inputs |= sampler.measured(inputs)
        self._judge_sensors(inputs)
        if isinstance(self.hands.load, Bank):
            seen_V = inputs.get(f"{self.inputs.meter or self.inputs.source}_voltage_V", ABSENT)
            self.hands.load.voltage_V = seen_V.usable(VOLTAGE_AGE_MAX_S)
        return inputs

    def _judge_sensors(self, inputs: dict[str, Measured]) -> None:
        """Take back values of frozen sensors, and say what is wrong with any."""
        keys = {sampler.instrument.name: f"{sampler.instrument.name}_temperature_degC" for sampler in self._thermal}
        fresh = [sampler for sampler in self._thermal if sampler.asked]
        values_degC = {one.instrument.name: inputs[keys[one.instrument.name]].value for one in fresh}
        good = {name: value for name, value in values_degC.items() if value is not None}
        frozen = self._watch.frozen(self._now_s(), good)
        for sampler in self._thermal:
            name = sampler.instrument.name
            if sampler.asked and name in frozen:
                inputs[keys[name]] = sampler.reject(str(Fault.FROZEN))
            if sampler.fault:
                self.trouble[name] = self._sensor_trouble[name] = sampler.fault
            elif self.trouble.get(name) == self._sensor_trouble.pop(name, None):
                # The link's own trouble goes by the name of the first instrument on it; a sensor's is taken back here.
                self.trouble.pop(name, None)

    async def _sample_all(self, samplers: list[Sampler], *, identify: bool) -> list[bool]:
        """Ask one instrument after the other while they answer promptly, else all at the same time."""
        done: list[bool] = []
        began_s = self._now_s()
        while self._is_prompt and len(done) < len(samplers):
            done.append(await self._sample(samplers[len(done)], identify=identify))
            self._is_prompt = self._now_s() - began_s < PROMPT_S
        rest = samplers[len(done) :]
        if rest:
            done += await asyncio.gather(*(self._sample(sampler, identify=identify) for sampler in rest))
        self._is_prompt = self._now_s() - began_s < PROMPT_S
        return done

    async def _sample(self, sampler: Sampler, *, identify: bool) -> bool:
        """Take one instrument's part of a sample. Return False when asking once more, through a new link, may help."""
        connection = sampler.instrument.connection
        was_usable = connection.is_usable
        try:
            if not was_usable:
                await self._reopen(sampler.instrument)
            elif identify:
                await connection.identify()
            await sampler.ask()
        except LinkError as fault:
            self.trouble[connection.name] = str(fault)
            return not was_usable and not connection.has_answered
        except InstrumentError as fault:
            self.trouble[connection.name] = str(fault)
            return True
        self.trouble.pop(connection.name, None)
        return True

    async def _sample_again(self, sampler: Sampler) -> None:
        """Reopen, identify, ask once more."""
        try:
            if not sampler.instrument.connection.is_usable:
                await self._reopen(sampler.instrument)
            await sampler.ask()
        except (LinkError, InstrumentError) as fault:
            self.trouble[sampler.instrument.name] = str(fault)
        else:
            self.trouble.pop(sampler.instrument.name, None)

    async def _reopen(self, instrument: Instrument) -> None:
        began_s = self._now_s()
        try:
            await instrument.connection.reopen()
        except LinkError:
            if self._now_s() - began_s > REOPEN_AGAIN_S:
                raise
            await instrument.connection.reopen()

    def _is_active(self, instrument: Instrument) -> bool:
        energised = self.hands.energised
        if isinstance(instrument, Load):
            return energised is Energise.LOAD or instrument.is_on is not False
        return not isinstance(instrument, Source) or energised is not Energise.LOAD or instrument.is_on is not False

    # --- acting ----------------------------------------------------------------------------------------------------------

    async def apply_reduction(self, demand: Demand) -> list[Observed]:
        """Carry out at once whatever the demand takes away: outputs off, set-points down, the cell's relay open."""
        return await self.hands.apply_reduction(demand)

    async def apply_raise(self, demand: Demand) -> list[Observed]:
        """Carry out what the demand adds: the relay closed, set-points up, output on. What cannot be proven ends all off."""
        return await self.hands.apply_raise(demand)

    async def make_safe(self, *, doubted: bool = False) -> list[Observed]:
        """Switch off all outputs, source first, and open the relay, each proven or said not to be; see `Hands`."""
        return await self.hands.make_safe(doubted=doubted)


def _sampler(instrument: Instrument, now: Callable[[], float]) -> Sampler:
    return ThermometerSampler(instrument, now) if instrument.role == "thermometer" else Sampler(instrument, now)
