"""The instruments of one channel as its loop sees them: read, reduce, raise, make safe.

`read`, `apply_reduction`, `apply_raise` and `make_safe` never raise for what links and instruments do: a missing input is
said to be absent, an output that could not be proven is said not to be. Nothing here decides what should flow.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from chargerd.config.bench import BenchFile
from chargerd.core.demand import Demand, Energise
from chargerd.core.events import Observed
from chargerd.core.reading import ChannelInputs, Measured
from chargerd.errors import BenchError, FoundOnError, InstrumentError, LinkError
from chargerd.instruments.connection import Connection, WrongIdentityError
from chargerd.instruments.offplan import off_plan
from chargerd.instruments.opening import make_instrument, roles_of
from chargerd.instruments.roles import Instrument, Load, Output, ProtectionActedError, Source
from chargerd.instruments.sample import Sampler
from chargerd.instruments.transports.link import InFlight

REOPEN_AGAIN_S = 0.75
"""In one sample a link is opened a second time (the identity question itself may be lost) only if the first took no longer."""

RAISE_TRIES = 4
RAISE_BUDGET_S = 1.5
"""No new attempt to raise is begun later than this: the channel must be passed every 2 s."""

SOURCE_FIRST_S = 0.25
"""How long the load's switching off waits for the source's: source first, but a mute source must not keep the load on."""

PROMPT_S = 0.005
"""A sample that takes no longer is quickest with one question at a time; slower instruments are asked at the same time."""

IDENTITY_EVERY_S = 60.0
"""At full readings the identity is asked again when the last proof is older: a port may have become another instrument."""


class ChannelBench:
    """All instruments of one channel, opened. Make one with `open`.

    `columns` are the keys `read` can deliver, in journal order. `trouble` holds, by instrument, what last went wrong with it
    and has not come right since, as a sentence.
    """

    def __init__(self, inputs: ChannelInputs, instruments: dict[str, Instrument], now: Callable[[], float]) -> None:
        self.inputs = inputs
        self.trouble: dict[str, str] = {}
        self._now_s = now
        self._instruments = instruments
        self._samplers = {name: Sampler(instrument, now) for name, instrument in instruments.items()}
        self.columns = tuple(key for sampler in self._samplers.values() for key in sampler.columns)
        source = instruments[inputs.source]
        assert isinstance(source, Source)
        self._source = source
        load = instruments.get(inputs.load)
        self._load = load if isinstance(load, Load) else None
        self._load_ocp_A: float | None = None
        self._identified_s = now()
        self._energised = Energise.NONE
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
        inputs = ChannelInputs(spec.source, spec.load, spec.meter, spec.thermometer, spec.ambient)
        opened = ChannelBench(inputs, instruments, now)
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
        for instrument in self._instruments.values():
            await instrument.connection.close()

    # --- CHECKING --------------------------------------------------------------------------------------------------------

    async def identify(self) -> dict[str, str]:
        """Prove every identity; from here on a power-on of any instrument counts as a restart.

        Raises:
            LinkError: no answer. InstrumentError: another instrument answers.
        """
        identities = {name: await instrument.identify() for name, instrument in self._instruments.items()}
        self._identified_s = self._now_s()
        return identities

    async def check_quiet(self) -> None:
        """Prove that outputs are off, error queues empty and modes right. An output found on is switched off first.

        Raises:
            InstrumentError: what was not quiet, by name. LinkError.
        """
        found_on = []
        for output in self._outputs():
            await output.connection.ensure()
            if await output.connection.ask(output.dialect.questions["output"], bool):
                off = await output.switch_off()
                found_on.append(f"{output.name} was on and was switched off ({'verified' if off.verified else off.text})")
            else:
                output.is_on = False
        if found_on:
            raise FoundOnError("; ".join(found_on) + "; find out why, then start again")
        for instrument in self._instruments.values():
            await instrument.connection.ensure()
            await instrument.check_errors()
            await instrument.check_power_on()
        if self._load is not None:
            await self._load.set_mode()
        self.take_errors()

    async def write_limits(self, *, ovp_V: float | None, ocp_A: float | None, load_ocp_A: float | None) -> None:
        """Write the instruments' own protection levels and read them back.

        Raises:
            InstrumentError: refused, or read back different. LinkError.
        """
        if self._has_levels(ovp_V, ocp_A):
            # A plan without them never charges: a source without levels is refused when it is to be switched on.
            await self._source.write_limits(ovp_V=ovp_V, ocp_A=ocp_A)
        self._load_ocp_A = load_ocp_A
        if self._load is not None:
            await self._load.write_limits(ocp_A=load_ocp_A)

    def off_plan(
        self, *, run: str, channel: str, worker_pid: int, boot_id: str, written_utc: str
    ) -> dict[str, object]:
        """Return what switches this channel off without this program: addresses, exact bytes, expected replies, identities."""
        return off_plan(
            self._outputs(), run=run, channel=channel, worker_pid=worker_pid, boot_id=boot_id, written_utc=written_utc
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
            inputs |= sampler.measured()
        return inputs

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
        if isinstance(instrument, Load):
            return self._energised is Energise.LOAD or instrument.is_on is not False
        return not isinstance(instrument, Source) or self._energised is not Energise.LOAD or instrument.is_on is not False

    # --- acting ----------------------------------------------------------------------------------------------------------

    async def apply_reduction(self, demand: Demand) -> list[Observed]:
        """Carry out at once whatever the demand takes away: outputs off, set-points down. Raises and starts nothing."""
        wanted = self._output(demand)
        observed = [await output.switch_off() for output in self._outputs() if output.is_on and output is not wanted]
        if demand.energise is Energise.NONE:
            self._energised = Energise.NONE
        if wanted is not None and wanted.is_on and wanted.points:
            lowered = tuple(min(old, new) for old, new in zip(wanted.points, self._points(wanted, demand), strict=True))
            if lowered != wanted.points:
                observed += await self._lower(wanted, lowered)
        return observed

    async def apply_raise(self, demand: Demand) -> list[Observed]:
        """Carry out what the demand adds: set-points up, output on. What cannot be proven ends with everything off."""
        output = self._output(demand)
        if output is None:
            if demand.energise is Energise.NONE:
                return []
            return [Observed("load", "on", verified=False, text="this channel has no load"), *await self.make_safe()]
        if output.is_on and output.is_armed and output.points == self._points(output, demand):
            return []
        self._energised = demand.energise
        fault = "was not tried"
        refused = 0
        began_s = self._now_s()
        for _ in range(RAISE_TRIES):
            try:
                return await self._raise(output, demand)
            except (WrongIdentityError, ProtectionActedError) as wrong:
                fault = str(wrong)
                break
            except InstrumentError as refusal:
                fault = str(refusal)
                refused += 1
            except LinkError as lost:
                fault = str(lost)
            if refused > 1 or self._now_s() - began_s > RAISE_BUDGET_S:
                break
        self.trouble[output.name] = fault
        return [Observed(output.name, "on", verified=False, text=fault), *await self.make_safe()]

    async def make_safe(self) -> list[Observed]:
        """Switch off all outputs, source first, each proven or said not to be. Never raises for what instruments do."""
        self._energised = Energise.NONE
        first = asyncio.ensure_future(self._source.switch_off())
        await asyncio.wait({first}, timeout=SOURCE_FIRST_S)
        rest = [await output.switch_off() for output in self._outputs()[1:]]
        return [await first, *rest]

    async def _raise(self, output: Output, demand: Demand) -> list[Observed]:
        was_on = output.is_on
        await self._limits(output, demand)
        if not output.is_armed or output.points != self._points(output, demand):
            await self._write_points(output, self._points(output, demand))
        if was_on:
            return []
        for other in self._outputs():
            if other is not output:
                await other.prove_off()
        return [await output.switch_on()]

    async def _limits(self, output: Output, demand: Demand) -> None:
        if isinstance(output, Source) and (demand.voltage_set_V is None or not self._has_levels(demand.ovp_V, demand.ocp_A)):
            raise InstrumentError(f"{output.name}: the demand lacks a voltage or a level of protection")
        await output.connection.ensure()
        if output.has_limits:
            return
        if isinstance(output, Load):
            await output.write_limits(ocp_A=self._load_ocp_A)
        else:
            await self._source.write_limits(ovp_V=demand.ovp_V, ocp_A=demand.ocp_A)

    async def _lower(self, output: Output, points: tuple[float, ...]) -> list[Observed]:
        try:
            await self._write_points(output, points)
        except (LinkError, InstrumentError) as fault:
            self.trouble[output.name] = str(fault)
            off = await output.switch_off()
            return [Observed(output.name, off.what, off.verified, f"{fault}; {off.text}")]
        return []

    async def _write_points(self, output: Output, points: tuple[float, ...]) -> None:
        if isinstance(output, Load):
            await output.write_points(current_A=points[0])
        else:
            await self._source.write_points(voltage_V=points[0], current_A=points[1])

    def _points(self, output: Output, demand: Demand) -> tuple[float, ...]:
        """Set-points of that output. A demand without one gets 0: nothing flows that nobody asked for."""
        current_A = demand.current_set_A or 0.0
        return (current_A,) if isinstance(output, Load) else (demand.voltage_set_V or 0.0, current_A)

    def _has_levels(self, ovp_V: float | None, ocp_A: float | None) -> bool:
        """Whether there is a level for each protection the source says it has."""
        protects = self._source.spec.protects
        return not (("voltage" in protects and ovp_V is None) or ("current" in protects and ocp_A is None))

    def _outputs(self) -> list[Output]:
        return [self._source] if self._load is None else [self._source, self._load]

    def _output(self, demand: Demand) -> Output | None:
        return {Energise.SOURCE: self._source, Energise.LOAD: self._load}.get(demand.energise)
