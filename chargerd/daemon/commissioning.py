"""Proving a bench, step by step, with a person beside it and no cell on it. Nothing here energises more than 2 V and 0.2 A.

What can be measured is measured, not asked. Every step says what it saw; the first that fails stops those that build on it.
Whatever happens, outputs are off, or said not to be, at the end.
"""

from __future__ import annotations

import asyncio
import math
import statistics
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field

from chargerd.config.bench import BenchFile, ChannelSpec
from chargerd.config.commissioned import Proof, Record
from chargerd.config.inputs import stated_zero
from chargerd.core.zero import Zero, allowed_A
from chargerd.daemon.commissioning_feed import Feeding, fed
from chargerd.daemon.commissioning_guard import Guard
from chargerd.daemon.commissioning_last import last_steps, nothing_at_the_clips, relay_of, switched
from chargerd.daemon.simulated_hand import is_simulated_now, simulated_hand
from chargerd.daemon.surroundings import SURROUNDINGS, Check, Person
from chargerd.daemon.warm_hand import WARM_K, WARM_S
from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.contract.steps import ContractError, NotHereError
from chargerd.instruments.contract.suite import CHECKS, FATAL, Result, run_contract
from chargerd.instruments.framing.scpi import NoReadingError, OverRangeError
from chargerd.instruments.roles import Instrument, Load, Output, Source

STOPPED_EARLY = "stopped early"
READINGS = 10
POINTS_V = (0.5, 1.8)
"""Of the two-point check: the voltages these cells live between."""
PROBE_A = 0.1
LOAD_FROM_V = 2.0
LOAD_STEPS_V = (2.0, 1.5, 1.2, 1.0, 0.8, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1)
HOLDS = 0.95
"""A load that draws less than this share of its set-point does not hold it any more."""


@dataclass(slots=True)
class Proving:
    """What the steps share: the bench and its channel, the opened instruments, the person, and what was found so far."""

    bench: BenchFile
    channel: ChannelSpec
    instruments: Mapping[str, Instrument]
    person: Person
    now_s: Callable[[], float]
    proofs: list[Proof] = field(default_factory=list)
    numbers: dict[str, float] = field(default_factory=dict)
    proven: set[str] = field(default_factory=set)
    has_failed: bool = False
    guard: Guard | None = None
    feeding: Feeding | None = None
    simulated: bool = False

    @property
    def source(self) -> Source:
        """The supply."""
        source = self.instruments[self.channel.source]
        assert isinstance(source, Source)
        return source

    async def off(self, output: Source | Load) -> None:
        """Switch it off and prove it. Raises ContractError."""
        await _off(output)

    def note(self, instrument: str, check: str, result: Result, said: str) -> None:
        """Keep one proof and tell it."""
        self.proofs.append(Proof(instrument, check, str(result), said))
        self.has_failed = self.has_failed or result is Result.FAILED
        self.person.tell(f"  {instrument:<12} {check:<28} {result:<9} {said}")


Step = Callable[[Proving], Awaitable[str]]


async def commission(bench: BenchFile, channel: str, person: Person, *, utc: str, guard: Guard | None = None) -> Record:
    """Prove one channel and return its record; whether it counts is in `proven`: "record" only when nothing failed.

    Ended early through the guard it returns a record, too, of what was proven until then and of who ended it.

    Raises:
        BenchError: the file itself. LinkError, InstrumentError: an instrument cannot even be opened.
        RefusedError, JournalError: the guard cannot stand; nothing was energised.
    """
    loop, simulated = asyncio.get_running_loop(), await is_simulated_now(bench)
    opened = await ChannelBench.open(bench, channel, now=loop.time)
    proving = Proving(bench, bench.channels[channel], opened.instruments, person, loop.time, guard=guard, simulated=simulated)
    with fed(bench, channel) as proving.feeding:
        identities = await _guarded(proving, opened)
    if not proving.has_failed:
        proving.proven.add("record")
    return Record(
        utc, bench.name, bench.sha256, channel, simulated, identities, frozenset(proving.proven), proving.numbers,
        tuple(proving.proofs),
    )  # fmt: skip


async def _guarded(proving: Proving, opened: ChannelBench) -> dict[str, str]:
    """Take all steps with the guard standing; whatever happens, make safe and say if that is proven. Return the identities."""
    guard = proving.guard
    try:
        identities = await opened.identify()
        if guard is not None:
            await guard.stand(opened)
        await _until_stopped(proving, opened)
        return identities
    finally:
        if guard is not None:
            guard.watch(None)  # whatever comes now, switching off goes on
        observations = await opened.make_safe()
        for observed in observations:
            result = Result.PASSED if observed.verified else Result.FAILED
            proving.note(observed.instrument, "off at the end", result, observed.text)
        if guard is not None:
            guard.all_off = all(observed.verified for observed in observations)
        await opened.close()


async def _until_stopped(proving: Proving, opened: ChannelBench) -> None:
    """Take all steps in a task of their own, which a stop cancels wherever it is; note who stopped it."""
    work = asyncio.create_task(_prove_all(proving, opened))
    if proving.guard is not None:
        proving.guard.watch(work)
    try:
        await work
    except asyncio.CancelledError:
        by = "" if proving.guard is None else proving.guard.stopped_by
        if not by:
            raise
        proving.note("person", STOPPED_EARLY, Result.FAILED, by)


async def _prove_all(proving: Proving, opened: ChannelBench) -> None:
    await _contracts(proving)
    for name, instrument, step in _steps(proving):
        if await _one(proving, instrument, name, step):
            continue
        # Nobody is asked or waited for while a contact is closed or an output may be on: all goes off before the next step.
        if not all(observed.verified for observed in await opened.make_safe()):
            proving.note(instrument, name, Result.FAILED, "it could not all be proven off and open; nothing more was tried")
            break


async def _contracts(proving: Proving) -> None:
    """Run every instrument's contract, which begins by measuring that nothing is connected.

    Outputs come first: while one of them is not proven dead, no contact is closed and no other output is switched on.
    """
    is_dead = True
    for name, instrument in sorted(proving.instruments.items(), key=lambda item: not isinstance(item[1], Output)):
        for finding in await run_contract(instrument, CHECKS if is_dead else [one for one in CHECKS if not one.changes]):
            proving.note(name, finding.check, finding.result, finding.said)
            if finding.result is Result.FAILED and finding.check in (*FATAL, "off at the end") and isinstance(instrument, Output):
                is_dead = False
            if finding.check == "deliberate trip" and finding.result is Result.PASSED:
                proving.proven.add("over-voltage")


async def _one(proving: Proving, instrument: str, name: str, step: Step) -> bool:
    """Take one step; return whether nothing failed in it."""
    if proving.has_failed and name in _ENERGISING:
        proving.note(instrument, name, Result.NOT_HERE, "not tried: something before it failed")
        return True
    try:
        proving.note(instrument, name, Result.PASSED, await step(proving))
    except NotHereError as why:
        proving.note(instrument, name, Result.NOT_HERE, str(why))
    except (LinkError, InstrumentError, OSError) as fault:
        proving.note(instrument, name, Result.FAILED, str(fault))
        return False
    return True


def _steps(proving: Proving) -> list[tuple[str, str, Step]]:
    channel = proving.channel
    thermometers = [name for name in (channel.thermometer, channel.ambient) if name]
    steps: list[tuple[str, str, Step]] = [
        ("zero current", channel.source, zero_current),
        ("meter against supply", channel.meter or channel.source, two_points),
        ("over-current trip", channel.source, over_current_trip),
        ("load's lowest voltage", channel.load or "load", lowest_voltage),
    ]
    steps += last_steps(proving)
    steps += [("warm hand", name, _warm_hand_of(name)) for name in thermometers]
    return steps + [(name, where, _around(check)) for where, name, check in SURROUNDINGS]


def _around(check: Check) -> Step:
    async def step(proving: Proving) -> str:
        return await check(proving.bench, proving.person)

    return step


_ENERGISING = frozenset({
    "zero current", "over-current trip", "meter against supply", "load's lowest voltage", "relay cuts the cell off",
    "dead-man relay lets go", "its own watchdog",
})  # fmt: skip


async def _readings(instrument: Instrument, quantity: str, count: int = READINGS) -> list[float]:
    question = instrument.dialect.questions[quantity]
    found = []
    for _ in range(count):
        found.append(await instrument.connection.ask(question, float))
        await asyncio.sleep(instrument.dialect.settle_s)
    return found


def _u_of_mean(readings: list[float], *steps: float) -> float:
    """Standard uncertainty of a mean, from scatter and the steps of the displays (JCGM 100:2008, 4.2 and 4.3.7)."""
    scatter = statistics.stdev(readings) / math.sqrt(len(readings))
    return math.hypot(scatter, *(step / math.sqrt(12.0) for step in steps))


async def _source_on(proving: Proving, voltage_V: float, current_A: float) -> None:
    source = proving.source
    await source.write_limits(ovp_V=max(voltage_V, LOAD_FROM_V) + 0.5, ocp_A=current_A + 0.1)
    await source.write_points(voltage_V=voltage_V, current_A=current_A)
    if not source.is_on:
        await source.switch_on()
    await asyncio.sleep(2.0 * source.dialect.settle_s)


async def _off(instrument: Source | Load) -> None:
    observed = await instrument.switch_off()
    if not observed.verified:
        raise ContractError(observed.text)


async def zero_current(proving: Proving) -> str:
    """Read the supply's ammeter, its output on and nothing connected; store zero and scatter, judge them by its data sheet."""
    source = proving.source
    try:
        await _source_on(proving, POINTS_V[1], PROBE_A)
        readings_A = await _readings(source, "current")
    finally:
        await _off(source)
    zero_A, scatter_A = statistics.fmean(readings_A), statistics.pstdev(readings_A)
    u_A = _u_of_mean(readings_A, source.spec.resolution.get("current", 0.0))
    proving.numbers |= {"zero_source_A": zero_A, "zero_source_scatter_A": scatter_A, "zero_source_u_A": u_A}
    most_A = allowed_A(Zero(zero_A, u_A), stated_zero(source.spec))
    if not abs(zero_A) <= most_A:
        raise ContractError(
            f"{zero_A * 1000:+.1f} mA with nothing connected, more than its stated accuracy allows ({most_A * 1000:.1f} mA): "
            "something is connected, or write its real accuracy (current: 0.1 % + 25 mA)"
        )
    return f"{zero_A * 1000:+.2f} mA, standard uncertainty {u_A * 1000:.2f} mA, scatter {scatter_A * 1000:.2f} mA, stored"


async def over_current_trip(proving: Proving) -> str:
    """The supply's own over-current protection really acts; needs a current, so the supply feeds the load for a moment."""
    source, load = proving.source, proving.instruments.get(proving.channel.load)
    if "ocp" not in source.dialect.commands:
        raise NotHereError("it has no over-current protection of its own")
    if not isinstance(load, Load):
        raise NotHereError("without a load there is nothing to draw a current")
    if not await proving.person.confirm("Clip the supply's leads to the load's leads, no cell between them. Done?"):
        raise NotHereError("not done by the person")
    try:
        await source.write_limits(ovp_V=LOAD_FROM_V + 0.5, ocp_A=PROBE_A / 2)
        await source.write_points(voltage_V=LOAD_FROM_V, current_A=2 * PROBE_A)
        await source.switch_on()
        await load.write_limits(ocp_A=4 * PROBE_A)
        await load.write_points(current_A=PROBE_A)
        await load.switch_on()
        await asyncio.sleep(4.0 * max(source.dialect.settle_s, load.dialect.settle_s))
        flows_A = await source.connection.ask(source.dialect.questions["current"], float)
        has_tripped = bool(await source.tripped()) or not await source.connection.ask(source.dialect.questions["output"], bool)
    finally:
        await _off(source)
        await _off(load)
    if not has_tripped:
        raise ContractError(f"protection at {PROBE_A / 2 * 1000:.0f} mA, and {flows_A * 1000:.0f} mA flow")
    if "clear_protection" in source.dialect.commands:
        await source.clear_protection()
    proving.proven.add("over-current")
    return f"at {PROBE_A / 2 * 1000:.0f} mA it acted, and was cleared with its output off"


async def two_points(proving: Proving) -> str:
    """Compare the meter with the supply at two voltages; store the difference and how well it is known."""
    meter = proving.instruments.get(proving.channel.meter)
    if meter is None:
        raise NotHereError("no meter: the supply's own voltage is all there is, and clips are not seen")
    relay = relay_of(proving)
    where = "the supply's leads" if relay is None else "the cell's clips, which hang free"
    if not await proving.person.confirm(f"Clip the meter's leads to {where}, nothing else. Done?"):
        raise NotHereError("not done by the person")
    source = proving.source
    differences_V = []
    await nothing_at_the_clips(proving)
    try:
        if relay is not None:
            await switched(relay, closed=True)
        for voltage_V in POINTS_V:
            await _source_on(proving, voltage_V, PROBE_A)
            pairs = zip(await _readings(source, "voltage"), await _readings(meter, "voltage"), strict=True)
            each_V = [seen_V - said_V for said_V, seen_V in pairs]
            differences_V.append(statistics.fmean(each_V))
            proving.numbers[f"meter_minus_source_at_{voltage_V:g}V_V"] = differences_V[-1]
            proving.numbers[f"meter_minus_source_at_{voltage_V:g}V_scatter_V"] = statistics.pstdev(each_V)
            steps_V = [one.spec.resolution.get("voltage", 0.0) for one in (source, meter)]
            proving.numbers[f"meter_minus_source_at_{voltage_V:g}V_u_V"] = _u_of_mean(each_V, *steps_V)
    finally:
        await _off(source)
        if relay is not None:
            await switched(relay, closed=False)
    at = list(zip(POINTS_V, differences_V, strict=True))
    said = ", ".join(f"{difference_V * 1000:+.1f} mV at {at_V:g} V" for at_V, difference_V in at)
    for at_V, difference_V in at:
        allowed_V = 3.0 * math.hypot(source.spec.uncertainty("voltage", at_V), meter.spec.uncertainty("voltage", at_V))
        if not abs(difference_V) <= allowed_V:
            raise ContractError(f"{said}: more than both accuracies allow ({allowed_V * 1000:.1f} mV); one of them is wrong")
    return f"{said}, stored"


async def lowest_voltage(proving: Proving) -> str:
    """Find the lowest voltage at which the load still holds its current, and compare it with the bench file."""
    source, load = proving.source, proving.instruments.get(proving.channel.load)
    if not isinstance(load, Load):
        raise NotHereError("no load with a limit of its own: stored charge is not tested, or resistors draw it down to 0 V")
    if not await proving.person.confirm("The supply's leads are still on the load's leads, no cell between them?"):
        raise NotHereError("not done by the person")
    lowest_V = math.inf
    try:
        await _source_on(proving, LOAD_FROM_V, 2 * PROBE_A)
        await load.write_limits(ocp_A=4 * PROBE_A)
        await load.write_points(current_A=PROBE_A)
        await load.switch_on()
        for voltage_V in LOAD_STEPS_V:
            await source.write_points(voltage_V=voltage_V, current_A=2 * PROBE_A)
            await asyncio.sleep(2.0 * max(source.dialect.settle_s, load.dialect.settle_s))
            drawn_A = statistics.fmean(await _readings(load, "current", 3))
            if not drawn_A >= HOLDS * PROBE_A:
                break
            lowest_V = voltage_V
    finally:
        await _off(source)
        await _off(load)
    if math.isinf(lowest_V):
        raise ContractError(f"it does not even hold {PROBE_A * 1000:.0f} mA at {LOAD_FROM_V:g} V: are the leads connected?")
    proving.numbers["load_minimum_V"] = lowest_V
    written_V = load.spec.minimum_voltage_V
    if lowest_V > written_V + 1e-9 and lowest_V > LOAD_STEPS_V[-1]:
        raise ContractError(f"it holds its current down to {lowest_V:g} V only; write minimum_voltage: {lowest_V:g} V")
    return f"holds {PROBE_A * 1000:.0f} mA down to {lowest_V:g} V"


def _warm_hand_of(name: str) -> Step:
    async def warm_hand(proving: Proving) -> str:
        """The person warms one sensor; that one must be seen to rise, and no other as much."""
        others = [other for other in (proving.channel.thermometer, proving.channel.ambient) if other and other != name]
        start_degC = {one: await _temperature(proving.instruments[one]) for one in (name, *others)}
        if not await proving.person.confirm(f"Hold the sensor {name} between two fingers and keep holding. Ready?"):
            raise ContractError("not done by the person: a sensor that nobody has seen move may read the room")
        is_ours = proving.simulated and await simulated_hand(proving.bench, name)
        hand = "a simulated hand" if is_ours else "a hand"
        until_s = proving.now_s() + WARM_S
        rise_K = 0.0
        needed_K = max(WARM_K, 3.0 * proving.instruments[name].spec.resolution.get("temperature", 0.0))
        while proving.now_s() < until_s and not rise_K >= needed_K:
            await asyncio.sleep(1.0)
            rise_K = await _temperature(proving.instruments[name]) - start_degC[name]
        for other in others:
            other_K = await _temperature(proving.instruments[other]) - start_degC[other]
            if other_K >= max(needed_K, rise_K):
                raise ContractError(f"{other} rose by {other_K:.1f} K and {name} by {rise_K:.1f} K: they are swapped")
        if not rise_K >= needed_K:
            raise ContractError(f"rose by {rise_K:.1f} K in {WARM_S:.0f} s, not {needed_K:.1f} K: not the one you hold, or stuck")
        return f"rose by {rise_K:.1f} K under {hand}"

    return warm_hand


async def _temperature(instrument: Instrument) -> float:
    """Raises ContractError when the instrument has no reading."""
    try:
        return await instrument.connection.ask(instrument.dialect.questions["temperature"], float)
    except (NoReadingError, OverRangeError) as blank:
        raise ContractError(f"{instrument.name}: {blank}") from None
