"""A plan in words, before anything is switched on: a slip by ten is seen by a person who reads what will happen."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping

from chargerd.config.bench import BenchFile
from chargerd.config.cell import CellFile
from chargerd.config.fit import Fit
from chargerd.config.fit_bench import bank_notes
from chargerd.config.isolation import isolation_notes
from chargerd.config.plan import highest_V, largest_current_A
from chargerd.config.profile import ProfileFile, ProfileStep
from chargerd.config.readers import reader_notes
from chargerd.config.readiness import Abilities, missing, not_active
from chargerd.config.safety_time import safety_time
from chargerd.config.tables import Values
from chargerd.core.ends import ENDS
from chargerd.core.plan import Plan
from chargerd.core.program import ENERGISING, Repeat, Step, StepKind
from chargerd.units import words

AsSent = Callable[[float], float]
NONE_SENT: Mapping[str, AsSent] = {}
"""A level is told as it was reckoned where nobody knows how it is sent."""

_FOLLOWS = "the current is set anew at each reading from the measured voltage"
_END_WORDS = {
    "current_below": "the current falls below {}",
    "plateau_lasts": "nothing has changed for {}",
    "voltage_above": "the voltage reaches {}",
    "ir_free_voltage_above": "the voltage without the ohmic drop reaches {}",
    "voltage_below": "the voltage falls to {}",
    "temperature_above": "the cell reaches {}",
    "temperature_rise_above": "the cell has warmed by {} since the step began",
    "temperature_slope_above": "the cell warms by {} or faster",
    "voltage_slope_below": "the voltage changes by no more than {}",
    "voltage_slope_above": "the voltage falls by {} or faster",
    "voltage_falls_by": "the voltage has fallen by {} from its highest",
    "gassing_time": "it has gassed for {}",
    "gas_charge": "{} went into gas",
    "charge": "{} have moved",
    "energy": "{} have moved",
    "time": "{} have passed",
}


def describe(
    plan: Plan, profile: ProfileFile, cell: CellFile, bench: BenchFile, channel: str, sent: Mapping[str, AsSent] = NONE_SENT
) -> list[str]:
    """Return the plan in words: the rating, the limits, every step, the supply's own protection, what is not active here.

    `sent`: what becomes of a protection level ("ovp", "ocp") on its way to the supply, where its dialect is known.
    """
    attended = ", attended only" if profile.attended else ""
    return [
        f"{profile.name} on {cell.name} at {bench.name}, channel {channel}{attended}",
        describe_rating(cell),
        *_steps(plan),
        *_hard_limits(plan),
        *_protection(plan, cell, bench, sent),
        *(f"only if {name}'s zero, read with the relay open, proves something (not 0 in every reading); otherwise refused at the "
          f"start: {why}" for name, why in plan.needs_zero.items()),
        *_bank(plan, profile, cell, bench, channel),
        *remarks(profile, cell, bench, channel),
    ]


def describe_bench(
    bench: BenchFile, abilities: Mapping[str, Abilities], proven: Mapping[str, Collection[str] | None] | None = None
) -> list[str]:
    """Return, per channel, what is not active on it and what is missing for unattended; then what ties its wiring to earth.

    `abilities`: of sources and resistors' relays by name, as far as their dialects could be read. `proven`: by channel, what a
    commissioning record that counts has proven.
    """
    said = []
    for channel in bench.channels.values():
        said += [f"channel {channel.name}:"] + [f"  not active: {row}" for row in not_active(bench, channel, abilities)]
        said += describe_missing(bench, channel.name, abilities, (proven or {}).get(channel.name))
    said += [f"earth: {note}" for note in isolation_notes(bench.instruments, bench.channels)]
    return said + [f"inputs: {note}" for note in reader_notes(bench.instruments, bench.channels)]


def describe_missing(
    bench: BenchFile, channel: str, abilities: Mapping[str, Abilities], proven: Collection[str] | None
) -> list[str]:
    """Return what must be added before this channel may be left alone, and what to buy or do for it."""
    spec = bench.channels[channel]
    return [f"  missing for unattended: {row}" for row in missing(bench, spec, abilities, proven)]


def _bank(plan: Plan, profile: ProfileFile, cell: CellFile, bench: BenchFile, channel: str) -> Iterator[str]:
    fit, top_V = Fit(profile, cell, bench, bench.channels[channel]), highest_V(plan.program, cell)
    for step in plan.program.steps():
        yield from bank_notes(fit, step, top_V)


def describe_rating(cell: CellFile) -> str:
    """Return what the cell's rated capacity is and where it comes from."""
    said = f"rated capacity {words(cell.rated_Ah, 'charge')}"
    if cell.rated_bounded:
        return (
            f"{said}, bounded by its ingredients ({words(cell.rated_typed_Ah, 'charge')} was typed); provisional until measured"
        )
    return said + (", provisional until measured" if cell.rated_provisional else ", measured")


def remarks(profile: ProfileFile, cell: CellFile, bench: BenchFile, channel: str) -> list[str]:
    """Return what a person should know that is no fault: limits not active on this channel, steps that cannot be done.

    Needs no plan: `check` shows it also when the run itself would be refused.
    """
    spec = bench.channels[channel]
    notes = []
    if not spec.thermometer:
        notes.append("not active: temperature limits and heating, no thermometer on this channel; attended only")
    elif not spec.ambient:
        notes.append("not active: warming against the room as it changes; the cell's own temperature at the start stands for it")
    if not cell.gassing.measured:
        notes.append("gassing threshold unmeasured: 1.85 V is assumed, the highest charging voltage of an unattended profile")
    needing = [step.number for step in profile.steps() if step.kind is StepKind.DISCHARGE or _has_discharge(step)]
    if needing and not spec.load:
        notes.append(f"steps {', '.join(needing)} need a load and channel {channel} has none; stored: not tested")
    return notes


def _has_discharge(step: ProfileStep) -> bool:
    pulses = (item.value for item in step.values.items("train"))
    return any(isinstance(pulse, Values) and pulse.has("discharge") for pulse in pulses)


def _hard_limits(plan: Plan) -> Iterator[str]:
    limits = plan.limits
    yield (
        f"everything goes off and stays off above {words(limits.voltage_max_V, 'voltage')}, below "
        f"{words(limits.voltage_min_V, 'voltage')}, above {words(limits.charge_current_max_A, 'current')} in or "
        f"{words(limits.discharge_current_max_A, 'current')} out"
    )
    if plan.inputs.thermometer:
        yield (
            f"and above {words(limits.temperature_max_degC, 'temperature')}, when "
            f"{words(limits.rise_max_K, 'temperature_difference')} warmer than the room, or heating by "
            f"{words(limits.slope_max_K_per_min, 'heating_rate')}; "
            f"below {words(limits.temperature_min_degC, 'temperature')} it waits"
        )


def _protection(plan: Plan, cell: CellFile, bench: BenchFile, sent: Mapping[str, AsSent]) -> Iterator[str]:
    if plan.ovp_V is not None:
        yield f"the supply's own over-voltage protection: {words(sent.get('ovp', float)(plan.ovp_V), 'voltage')}"
    if plan.ocp_A is not None:
        time = safety_time(plan.ocp_A, plan.limits.voltage_max_V, cell.mass_g, bench.wiring, bench.ventilation)
        yield (
            f"its over-current protection: {words(sent.get('ocp', float)(plan.ocp_A), 'current')} for a largest current of "
            f"{words(largest_current_A(plan.program), 'current')}; at that, {time.first} in {words(time.seconds, 'time')}"
        )
    if plan.missed_max < 3:
        yield f"at most {plan.missed_max} missed reading(s) running, because the current is large"


def _steps(plan: Plan) -> Iterator[str]:
    for item in plan.program.items:
        if isinstance(item, Repeat):
            yield from _repeat(item)
            for step in item.steps:
                yield "   " + describe_step(step)
        else:
            yield describe_step(item)


def _repeat(item: Repeat) -> Iterator[str]:
    most = "up to " if item.capacity_within is not None else ""
    said = f"{item.number}  {most}{item.rounds} rounds"
    if item.climb is not None:
        said += ", charging to " + ", then ".join(words(rung_V, "voltage") for rung_V in item.climb.rungs_V)
        if item.climb.step_back_efficiency is not None:
            said += f"; a rung lower when less than {words(item.climb.step_back_efficiency, 'percent')} comes back"
    if item.capacity_within is not None:
        said += f"; done when two rounds agree within {words(item.capacity_within, 'percent')}"
    yield said


def describe_step(step: Step) -> str:
    """Return one step in words, every number with its unit."""
    ends = ", or ".join(_END_WORDS[end.kind].format(words(end.value, ENDS[end.kind].dimension)) for end in step.ends)
    if step.kind not in ENERGISING:
        return f"{step.number}  {_describe_timed(step)}" + (f", or until {ends}" if ends else "")
    amperes, volts = words(step.current_A, "current"), words(step.voltage_V or 0.0, "voltage")
    up_to = "the round's voltage" if step.climbs else volts
    if step.power_W is not None:
        amperes = f"{words(step.power_W, 'power')} ({_FOLLOWS}), at most {amperes}"
    elif step.resistance_ohm is not None:
        amperes = f"the voltage over {words(step.resistance_ohm, 'resistance')} ({_FOLLOWS}), at most {amperes}"
    if step.kind is StepKind.DISCHARGE:
        said = f"discharge at {amperes}"
    elif step.kind is StepKind.CONSTANT_VOLTAGE:
        said = f"hold {volts} with at most {amperes}"
    elif step.ramp_V_per_h is not None:
        said = f"charge at most at {amperes}, the voltage rising by {words(step.ramp_V_per_h, 'voltage_rate')} up to {up_to}"
    else:
        said = f"charge at {amperes} up to {up_to}"
    opened = ""
    if step.interrupt is not None:
        opened = f", opened for {words(step.interrupt.lasts_s, 'time')} every {words(step.interrupt.every_s, 'time')}"
    return f"{step.number}  {said}{opened}, read every {words(step.sample_every_s, 'time')}, until {ends}"


def _describe_timed(step: Step) -> str:
    """Return in words what lasts a fixed time: rests, pulses, probes, zero currents, questions."""
    lasts, amperes, volts = (
        words(step.lasts_s, "time"), words(step.current_A, "current"), words(step.voltage_V or 0.0, "voltage"),
    )  # fmt: skip
    if step.kind is StepKind.ASK_PERSON:
        return f"everything off, ask: {step.question} (stopped when nobody answers within {lasts})"
    if not step.sign:
        return f"rest for {lasts}, output off" + (", before or after a probe" if step.kind is StepKind.CONNECTION_CHECK else "")
    read = f", read every {words(step.sample_every_s, 'time')}"
    if step.isolated:
        what = f"the source on at {volts}" if step.sign > 0 else "the load on"
        return f"relay open, {what} for {lasts}: what it reads now is its zero{read}"
    if step.kind is StepKind.CONNECTION_CHECK:
        lowest, highest = (words(ohm, "resistance") for ohm in step.window_ohm)
        return f"probe: {amperes} in for {lasts}, at most {volts}; it must rise; {lowest} to {highest} is believed{read}"
    return f"pulse: {amperes} {f'in, at most {volts},' if step.sign > 0 else 'out'} for {lasts}{read}"
