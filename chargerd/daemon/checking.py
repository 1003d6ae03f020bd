"""CHECKING: what must be proven, in this order, before anything may be switched on. A failure is a reason to a person."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace

from chargerd.config.hygiene import allowed_in
from chargerd.config.inputs import stated_zero
from chargerd.config.plan import top_voltage_V
from chargerd.config.unattended import Grant, Shown, grant
from chargerd.core.demand import Activity, off_demand
from chargerd.core.events import CheckPassed, Observed
from chargerd.core.limits import REVERSED_V
from chargerd.core.observation import Observation, Observer, missing_inputs
from chargerd.core.plan import Plan
from chargerd.core.program import CHARGING, StepKind
from chargerd.core.reading import ABSENT, Measured, Reading
from chargerd.core.zero import Zero, proves
from chargerd.daemon.probe_pulse import Alive, Probed, nobody_guards, probe
from chargerd.daemon.starting import ANYHOW, Starting, until_stopped
from chargerd.daemon.warm_hand import warm_hand
from chargerd.errors import RefusedError
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.roles import Load, Meter
from chargerd.instruments.zero import judge_zero, zero_of, zero_of_output

Prove = Callable[[], Awaitable[None]]
"""Leaves the off plan on disk and waits until the keeper has acknowledged its limits. Raises RefusedError."""

ZERO_SHARE = 0.1
"""Of the rated capacity per hour: the largest current-limit at which a zero is measured."""
SEEN_V = 0.050
"""A step of the source's own voltage this large is the cell's, seen through the relay."""
NOT_AT_TERMINAL = "the start was not at a terminal"
AGE_MAX_S = 10.0
"""At CHECKING a reading older than one scan with its retries is no proof."""


class Checking:
    """Identity → quiet → warm hand → protection written and read back → readings plausible → off plan and keeper → probe pulse.

    With a relay at the cell: … → relay proven open → off plan and keeper → zero of every current → relay proven closed →
    readings plausible → probe pulse → relay open again. What needs a person comes before anything is armed: an instrument's
    own watchdog must not run out while somebody looks for a cell. Nothing is switched on before off plan and keeper stand.
    """

    def __init__(self, prove: Prove, alive: Alive = nobody_guards, starting: Starting = ANYHOW) -> None:
        self._prove = prove
        self._alive = alive
        self._starting = starting
        self._warmed: tuple[int, ...] | None = None
        self._last_ohm = starting.believed.last_ohm
        self.granted: Grant | None = None
        """Whether the run may be left alone, after the last proof; None when nobody asks."""

    async def run(self, bench: ChannelBench, plan: Plan) -> CheckPassed:
        """Return the proof. Raises RefusedError, LinkError or InstrumentError with the reason why not."""
        bench.hands.allowed = allowed_in(plan)
        await bench.identify()
        await bench.check_quiet()
        no_hand = await self._warm_hand(bench, plan)
        await bench.write_limits(ovp_V=plan.ovp_V, ocp_A=plan.ocp_A, load_ocp_A=plan.ocp_A)
        if bench.hands.relay is not None:
            passed, probed = await self._through_relay(bench, plan)
        else:
            await _judge_bench(bench, plan)
            await self._prove()
            # Without a relay the current at rest says nothing of the offset while on: it is judged, not subtracted.
            passed = CheckPassed()
            probed = await self._probe(bench, plan, passed)
        passed = replace(passed, resistance_ohm=probed.resistance_ohm, probe_charge_Ah=probed.charge_Ah)
        return self._granted(bench, plan, passed, Shown(
            no_hand, "" if self._starting.named or self._starting.goes_on else NOT_AT_TERMINAL, probed.not_shown
        ))  # fmt: skip

    async def _warm_hand(self, bench: ChannelBench, plan: Plan) -> str:
        """Return why no hand was seen on the thermometer; "" when it was, at this start and through the very same links."""
        name, person = plan.inputs.thermometer, self._starting.person
        if not name or self._starting.goes_on:
            return ""
        links = tuple(bench.instruments[one].connection.generation for one in (name, plan.inputs.ambient) if one)
        if self._warmed is not None:
            return "" if self._warmed == links else "its link was opened anew since: pauses ask for no hand"
        if person is None:
            return NOT_AT_TERMINAL
        why = await until_stopped(warm_hand(bench, person, self._starting.hold), self._starting.stopped)
        self._warmed = None if why else links
        return why

    async def _probe(self, bench: ChannelBench, plan: Plan, zeros: CheckPassed) -> Probed:
        believed = replace(self._starting.believed, last_ohm=self._last_ohm)
        probed = await probe(bench, plan, zeros, believed, self._alive)
        self._last_ohm = probed.resistance_ohm or self._last_ohm
        return probed

    def _granted(self, bench: ChannelBench, plan: Plan, passed: CheckPassed, shown: Shown) -> CheckPassed:
        """Say in the record whether the run may be left alone, and let nothing be written that would not be harmless then."""
        facts, passed = self._starting.facts, replace(passed, clock_set=self._starting.clock_set)
        if facts is None:
            return passed
        self.granted = granted = grant(facts, shown)
        if granted.is_granted:
            bench.hands.allowed = allowed_in(plan, facts.untended, facts.alone)
        return replace(passed, unattended=granted.is_granted, attended_because=granted.because)

    async def _through_relay(self, bench: ChannelBench, plan: Plan) -> tuple[CheckPassed, Probed]:
        """The relay was proven open: measure the zeros, then see the cell through it. It is open again at the end."""
        hands, source_V = bench.hands, f"{plan.inputs.source}_voltage_V"
        open_V = (await bench.read(full=False)).get(source_V, ABSENT).value
        await self._prove()
        passed = await self._zeros(bench, plan)
        _all_verified(await hands.connect())
        self._alive()
        closed_V = (await _judge_bench(bench, plan)).get(source_V, ABSENT).value
        _judge_contact(bench, open_V, closed_V)
        self._alive()
        probed = await self._probe(bench, plan, passed)
        _all_verified(await hands.apply_reduction(off_demand(Activity.OFF, AGE_MAX_S)))
        return passed, probed

    async def _zeros(self, bench: ChannelBench, plan: Plan) -> CheckPassed:
        hands = bench.hands
        charged_A = [step.current_A for step in plan.program.steps() if step.kind in CHARGING]
        drawn_A = [step.current_A for step in plan.program.steps() if step.kind is StepKind.DISCHARGE]
        small_A = ZERO_SHARE * plan.rated_Ah  # should the relay be welded, this flows through the cell for a second
        source, load, ammeter = Zero(), Zero(), Zero()
        if charged_A:
            set_V = min(plan.limits.voltage_max_V, top_voltage_V(plan.program) or plan.limits.voltage_max_V)
            source = await zero_of_output(hands, hands.source, set_V, min(*charged_A, small_A), self._alive)
            judge_zero(hands.source, source)
        if drawn_A and isinstance(hands.load, Load):
            load = await zero_of_output(hands, hands.load, None, min(*drawn_A, small_A), self._alive)
            judge_zero(hands.load, load)
        if plan.inputs.ammeter:
            instrument = bench.instruments[plan.inputs.ammeter]
            assert isinstance(instrument, Meter)
            ammeter = await zero_of(instrument, self._alive)
            judge_zero(instrument, ammeter)
        inputs = plan.inputs
        for name, zero in ((inputs.source, source), (inputs.load, load), (inputs.ammeter, ammeter)):
            _judge_proof(bench, plan, name, zero)
        return CheckPassed(source.mean_A, load.mean_A, ammeter.mean_A, source.u_A, load.u_A, ammeter.u_A)


def _judge_proof(bench: ChannelBench, plan: Plan, name: str, zero: Zero) -> None:
    """A run that was found fit because its zero would be subtracted does not begin on a zero that proves nothing."""
    if name in plan.needs_zero and not proves(zero, stated_zero(bench.instruments[name].spec).step_A):
        shown = "was not measured" if zero.u_A is None else (
            "was exactly 0 in every reading, which proves nothing: a display that blanks small values shows the same"
        )  # fmt: skip
        raise RefusedError(
            f"the zero of {name} {shown}; all of its stated offset then counts, and this run does not fit: "
            f"{plan.needs_zero[name]}"
        )


def _all_verified(observed: list[Observed]) -> None:
    for one in observed:
        if not one.verified:
            raise RefusedError(one.text)


def _judge_contact(bench: ChannelBench, open_V: float | None, closed_V: float | None) -> None:
    """Closing must have been seen: by the second contact, by the voltage that came through, or later by a meter at the cell."""
    relay = bench.hands.relay
    assert relay is not None
    moved = open_V is not None and closed_V is not None and abs(closed_V - open_V) >= SEEN_V
    if "mirror" not in relay.dialect.questions and not bench.inputs.meter and not moved:
        raise RefusedError(
            f"{relay.name}: closing it changes nothing that is measured: it does not close or open, or the cell has no voltage; "
            "look at the relay, or measure the voltage at the cell"
        )


async def _judge_bench(bench: ChannelBench, plan: Plan) -> dict[str, Measured]:
    inputs = await bench.read(full=True)
    seen = Observer(plan.inputs).observe(Reading(0.0, inputs), AGE_MAX_S, 0.0, 0.0)
    _judge_readings(seen, plan)
    return inputs


def _judge_readings(seen: Observation, plan: Plan) -> None:
    missing = missing_inputs(
        seen, has_thermometer=bool(plan.inputs.thermometer), has_relay=bool(plan.inputs.switch)
    )
    if seen.relay_doubt:
        raise RefusedError(f"{seen.relay_doubt}: its second contact contradicts it: it is welded, or it does not close")
    if missing:
        raise RefusedError(f"no good reading of: {', '.join(missing)}; check the instruments and their connections")
    if seen.source_on or seen.load_on:
        raise RefusedError("an output is on before the start; switch it off at its panel and find out why it was on")
    limits = plan.limits
    most_V = limits.voltage_max_V * plan.inputs.cells
    for name, voltage_V in seen.taps_V.items():
        if voltage_V is None or not REVERSED_V <= voltage_V <= limits.voltage_max_V:
            raise RefusedError(f"{name} reads {voltage_V} V, not between {REVERSED_V:g} and {limits.voltage_max_V:g} V")
    for voltage_V in seen.voltages_V:
        if not voltage_V >= REVERSED_V:
            raise RefusedError(f"the cell reads {voltage_V:.3f} V: it is connected the wrong way round; swap its leads")
        if not voltage_V <= most_V:
            raise RefusedError(f"the cell reads {voltage_V:.3f} V, above its hard limit {most_V:.3f} V: is it this cell?")
    _judge_zero("source", seen.source_current_A, plan, plan.zeros.source_A)
    _judge_zero("load", seen.load_current_A, plan, plan.zeros.load_A)
    _judge_zero("ammeter", seen.ammeter_A, plan, plan.zeros.ammeter_A)
    temperature_degC = seen.temperature_degC
    if temperature_degC is not None and not limits.temperature_min_degC <= temperature_degC <= limits.temperature_max_degC:
        span = f"{limits.temperature_min_degC:g} to {limits.temperature_max_degC:g} °C"
        raise RefusedError(f"the cell is at {temperature_degC:.1f} °C, outside {span}; wait, or check the thermometer")


def _judge_zero(name: str, current_A: float | None, plan: Plan, zero_A: float) -> None:
    zero_A = max(zero_A, 5.0 * plan.resolves.current_A)
    if current_A is not None and not abs(current_A) <= zero_A:
        raise RefusedError(
            f"the {name} reads {current_A * 1000:.1f} mA with its output off, more than {zero_A * 1000:.1f} mA: "
            "its zero is outside its stated accuracy, or current really flows"
        )
