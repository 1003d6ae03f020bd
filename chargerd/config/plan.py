"""From three files to the engine's frozen plan: everything relative becomes a number for this cell on this bench."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from chargerd.config.bench import BenchFile, InstrumentSpec
from chargerd.config.cell import CellFile
from chargerd.config.fit import Fit, check_air, check_rise, check_sampling, check_step, check_voltage, effective_limits
from chargerd.config.fit_bench import check_dead_man, check_listening, check_off_plan, check_parts, check_scan, check_speed
from chargerd.config.fit_kinds import check_kind
from chargerd.config.inputs import inputs_of, zeros_of
from chargerd.config.marked import Faults
from chargerd.config.parts import Part, parts_of, voltage_V
from chargerd.config.profile import ProfileFile, ProfileRepeat, ProfileStep
from chargerd.config.profile_keys import CEILING_WORD, CLIMB_WORD
from chargerd.config.safety_time import reaction, safety_time
from chargerd.config.tables import amount
from chargerd.core.limits import Limits
from chargerd.core.plan import Plan, Resolves
from chargerd.core.program import ENERGISING, Climb, EndSpec, Interrupt, Program, Repeat, Step, StepKind, resolve_rungs
from chargerd.errors import BenchError, Place, ProfileError

OVP_ABOVE_V = 0.100
"""The supply's own over-voltage protection stands this far above the run's highest voltage: a software limit acts first."""
OCP_ABOVE = 0.10
OCP_ABOVE_MOST_A = 0.050
"""Its over-current protection stands a tenth, at most 50 mA, above the largest current: heat in a bad clip grows with I²."""


def build_plan(
    profile: ProfileFile, cell: CellFile, bench: BenchFile, channel: str, proven: Collection[str] = ()
) -> Plan:
    """Return the engine's plan for that profile on that cell at that channel.

    `proven`: what a commissioning record that counts has proven; a dead-man relay ends a hang only when it is among it.

    Raises:
        ProfileError: profile or cell do not fit; every misfit of all three files.
        BenchError: only the bench's own file is at fault (no such channel).
    """
    if channel not in bench.channels:
        raise BenchError(
            (f"{Place(str(bench.path), 1, 1)}: there is no channel {channel!r}; write one of: {', '.join(bench.channels)}",)
        )
    fit = Fit(profile, cell, bench, bench.channels[channel], proven=frozenset(proven))
    limits, places = effective_limits(fit)
    parts: list[Part] = []
    items: list[Step | Repeat] = []
    for item in profile.items:
        mine = [part for step in (item.steps if isinstance(item, ProfileRepeat) else (item,)) for part in _parts(fit, step)]
        parts += mine
        if not isinstance(item, ProfileRepeat):
            items += [step for _, step in mine]
            continue
        repeat = _repeat(fit, item, tuple(step for _, step in mine))
        items.append(repeat)
        if repeat.climb is not None and item.climb is not None:
            check_voltage(fit, item.climb, _highest_rung_key(fit, item), max(repeat.climb.rungs_V), limits, places)
    program = Program(profile.name, tuple(items), profile.attended)
    for written, step in parts:
        check_step(fit, written, step, limits, places)
        check_kind(fit, written, step, limits)
        check_scan(fit, written, step)
        if step.direction:
            check_parts(fit, written, step, limits, highest_V(program, cell))
    check_rise(fit, limits, places)
    check_air(fit, program.steps())
    if len(fit.faults):
        _raise(fit.faults, bench)
    plan = replace(_plan(fit, program, limits), needs_zero=_needs_zero(fit, parts, limits, places))
    missed_max = _check_times(fit, plan, parts)
    if len(fit.faults):
        _raise(fit.faults, bench)
    return replace(plan, missed_max=missed_max)


def _needs_zero(fit: Fit, parts: list[Part], limits: Limits, places: Mapping[str, Place]) -> dict[str, str]:
    """Return, by instrument, the first thing that does not fit any more when its zero proves nothing."""
    found = {}
    channel = fit.channel
    for name in filter(None, (channel.source, channel.load, channel.ammeter)) if channel.switch else ():
        without = replace(fit, faults=Faults(), unproven=name)
        for written, step in parts:
            check_step(without, written, step, limits, places)
            check_kind(without, written, step, limits)
        if len(without.faults):
            found[name] = next(iter(without.faults))
    return found


def _raise(faults: Faults, bench: BenchFile) -> None:
    faults.raise_as(BenchError if faults.paths() == {str(bench.path)} else ProfileError)


def _parts(fit: Fit, written: ProfileStep) -> Iterator[Part]:
    """Yield what one step is for the engine: itself, or its parts."""
    if written.kind in ENERGISING or written.kind is StepKind.REST:
        yield written, _step(fit, written)
    else:
        yield from parts_of(fit, written)


def _step(fit: Fit, written: ProfileStep) -> Step:
    """Resolve one step for this cell."""
    values = written.values
    sample_every_s = values.need("sample_every")
    ends = written.ends
    specs = () if ends is None else tuple(EndSpec(key, ends.need_absolute(key, fit.cell.rated_Ah)) for key in ends.given)
    if written.kind is StepKind.REST:
        return Step(written.number, written.kind, lasts_s=values.need("lasts"), sample_every_s=sample_every_s, ends=specs)
    interrupt = values.sub("interrupt")
    return Step(
        written.number,
        written.kind,
        current_A=values.need_absolute("current", fit.cell.rated_Ah),
        voltage_V=voltage_V(fit, values),
        climbs=values.text("voltage") == CLIMB_WORD,
        interrupt=None if interrupt is None else Interrupt(interrupt.need("every"), interrupt.need("lasts")),
        sample_every_s=sample_every_s,
        ends=specs,
        power_W=values.number("power"),
        resistance_ohm=values.number("resistance"),
        ramp_V_per_h=values.number("ramp"),
        grain=_grain(fit, written),
    )


def _grain(fit: Fit, written: ProfileStep) -> float:
    """Return the step of what follows the voltage: the source's voltage in a ramp, else the current of who carries it."""
    quantity = "voltage" if written.values.has("ramp") else "current"
    name = fit.channel.load if written.kind is StepKind.DISCHARGE else fit.channel.source
    spec = fit.bench.instruments.get(name)
    follows = any(map(written.values.has, ("power", "resistance", "ramp")))
    return spec.resolution.get(quantity, 0.0) if spec is not None and follows else 0.0


def _repeat(fit: Fit, written: ProfileRepeat, steps: tuple[Step, ...]) -> Repeat:
    ends, climb = written.values.sub("ends_when"), written.climb
    resolved = None
    if climb is not None:
        back = climb.sub("step_back_when")
        rungs_V = tuple(amount(rung) for rung in climb.items("voltage"))
        resolved = Climb(
            resolve_rungs(rungs_V, _ceiling_V(fit, written)), None if back is None else back.need("coulombic_efficiency_below")
        )
    return Repeat(
        written.number,
        written.values.count("rounds") or 1,
        steps,
        resolved,
        None if ends is None else ends.need("capacity_within"),
    )


def _ceiling_V(fit: Fit, written: ProfileRepeat) -> float:
    assert written.climb is not None
    if written.climb.text("ceiling") == CEILING_WORD:
        return fit.cell.top_charging_V
    return written.climb.need("ceiling")


def _highest_rung_key(fit: Fit, written: ProfileRepeat) -> str:
    """Return which key set the highest rung: the ceiling when it cut a rung, else the rungs themselves."""
    assert written.climb is not None
    highest_V = max(amount(rung) for rung in written.climb.items("voltage"))
    return "ceiling" if _ceiling_V(fit, written) < highest_V else "voltage"


def _plan(fit: Fit, program: Program, limits: Limits) -> Plan:
    source, channel = fit.source(), fit.channel
    meter = fit.instrument("voltage")
    thermometer, ammeter = fit.instrument("temperature"), fit.instrument("current")
    return Plan(
        program=program,
        limits=limits,
        inputs=inputs_of(channel, fit.bench),
        rated_Ah=fit.cell.rated_Ah,
        gassing=fit.cell.gassing,
        resolves=Resolves(_resolves(meter, "voltage"), _resolves(ammeter, "current"), _resolves(thermometer, "temperature")),
        ovp_V=_ovp_V(program, limits, source),
        ocp_A=_ocp_A(program, limits, source, fit.bench.wiring.fuse_A),
        zeros=zeros_of(channel, fit.bench),
    )


def _resolves(spec: InstrumentSpec | None, quantity: str) -> float:
    return 0.0 if spec is None else float(f"{spec.resolves_difference(quantity):.7g}")


def top_voltage_V(program: Program) -> float | None:
    """Return the highest voltage any charge of the program is held at, None when nothing charges."""
    set_V = [step.voltage_V for step in program.steps() if step.direction > 0 and step.voltage_V is not None]
    for item in program.items:
        if isinstance(item, Repeat) and item.climb is not None:
            set_V.extend(item.climb.rungs_V)
    return max(set_V, default=None)


def highest_V(program: Program, cell: CellFile) -> float:
    """Return the highest voltage a discharge may begin at: where the program charges to, else the cell's top."""
    top_V = top_voltage_V(program)
    return cell.top_charging_V if top_V is None else top_V


def largest_current_A(program: Program) -> float:
    """Return the largest current of any step, either way."""
    return max((step.current_A for step in program.steps() if step.direction), default=0.0)


def _ovp_V(program: Program, limits: Limits, source: InstrumentSpec) -> float | None:
    """A little above the run's highest voltage, never above the hard limit."""
    top_V = top_voltage_V(program)
    if top_V is None:
        return None
    above_V = OVP_ABOVE_V + 3 * source.uncertainty("voltage", top_V)
    return min(limits.voltage_max_V, _on_step(top_V + above_V, source.resolution["voltage"]))


def _ocp_A(program: Program, limits: Limits, source: InstrumentSpec, fuse_A: float) -> float | None:
    """A little above the run's largest current, never above the fuse or the hard limits."""
    largest_A = largest_current_A(program)
    if largest_A == 0:
        return None
    above_A = min(OCP_ABOVE * largest_A, OCP_ABOVE_MOST_A) + 3 * source.uncertainty("current", largest_A)
    hard_A = max(limits.charge_current_max_A, limits.discharge_current_max_A)
    return min(fuse_A, hard_A, _on_step(largest_A + above_A, source.resolution["current"]))


def _on_step(value: float, step: float) -> float:
    """Round up to what the instrument can be set to."""
    return float(f"{math.ceil(value / step - 1e-9) * step:.7g}")


def _check_times(fit: Fit, plan: Plan, parts: list[Part]) -> int:
    """Check every energising step's sampling; return how many missed readings running this run may tolerate.

    Three, unless a person is there and only fewer fit: then a single lost answer ends the run sooner, which is the safe side.
    """
    # A supply without over-current protection of its own may give all that the fuse lets through.
    current_A = (plan.ocp_A or 0.0) if "current" in fit.source().protects else fit.bench.wiring.fuse_A
    time = safety_time(current_A, plan.limits.voltage_max_V, fit.cell.mass_g, fit.bench.wiring, fit.bench.ventilation)
    slowest_s = max((step.sample_every_s for step in plan.program.steps() if step.direction), default=0.0)
    act = reaction(fit.bench, fit.channel)
    missed_max = 3
    if fit.profile.attended:
        missed_max = next((some for some in (3, 2) if slowest_s <= act.slowest_sampling_s(time.half_s, some)), 1)
    for written, step in parts:
        if step.direction:
            check_sampling(fit, written, step, time, missed_max, current_A)
            check_speed(fit, written, step, time, missed_max, plan.limits, current_A)
    check_dead_man(fit, time)
    check_off_plan(fit)
    check_listening(fit)
    return missed_max
