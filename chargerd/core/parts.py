"""Steps in timed parts: what a connection check and a zero current conclude, and when a question has waited too long. Pure."""

from __future__ import annotations

from chargerd.core.events import CheckPassed, ConnectionChecked, Event, ZeroMeasured
from chargerd.core.limits import SET_POINT_FLOOR_A
from chargerd.core.memory import Memory
from chargerd.core.observation import Observation
from chargerd.core.plan import Plan
from chargerd.core.program import Step, StepKind
from chargerd.core.zero import Zero, proves, why_not, zero_of

FLOWS_SHARE = 0.5
"""A probe of which less than half flows does not get through: a lead is off, a fuse has blown."""
RISE_FACTOR = 3.0
SETTLES_S = 3.0
"""An output just switched on has not settled; these seconds are no offset."""
PART_GRACE_S = 4.0
"""A part is timed by readings: one may come late by a scan with its retries. Its bounds allow for that."""


def watch(memory: Memory, step: Step, seen: Observation) -> None:
    """Note from one reading what the conclusion will need."""
    if step.kind is StepKind.CONNECTION_CHECK:
        _watch_probe(memory, step, seen)
    elif step.isolated and memory.live:
        raw_A = seen.source_current_A if step.sign > 0 else seen.load_current_A
        if raw_A is not None and seen.elapsed_s - memory.step_started_s >= SETTLES_S:
            memory.zero_sum_A += raw_A
            memory.zero_squares_A2 += raw_A * raw_A
            memory.zero_count += 1


def _watch_probe(memory: Memory, step: Step, seen: Observation) -> None:
    probe = memory.probe
    if step.sign > 0:
        if memory.live and seen.voltage_V is not None and seen.current_A is not None:
            probe.during_V, probe.during_A = seen.voltage_V, seen.current_A
    elif probe.during_V is None:
        probe.before_V = seen.voltage_V if seen.voltage_V is not None else probe.before_V
    elif probe.after_V is None and seen.source_on is False:
        probe.after_V = seen.voltage_V


def conclude(memory: Memory, step: Step, plan: Plan, *, last: bool) -> tuple[list[Event], str]:
    """Say what a part that has just ended showed: its event, and why the run may not go on ("" when it may).

    `last`: no other part of the group follows.
    """
    if step.isolated:
        return _zero(memory, step, plan)
    if step.kind is StepKind.CONNECTION_CHECK and last:
        return _connection(memory, step, plan)
    return [], ""


def _zero(memory: Memory, step: Step, plan: Plan) -> tuple[list[Event], str]:
    name = plan.inputs.source if step.sign > 0 else plan.inputs.load
    stated, count = plan.zeros.source if step.sign > 0 else plan.zeros.load, memory.zero_count
    zero = zero_of(count, memory.zero_sum_A, memory.zero_squares_A2, stated.step_A)
    if zero.u_A is None:
        return [ZeroMeasured(name, None, 0, accepted=False)], f"zero current: no reading of {name} while it was on"
    why = why_not(zero, stated, name)
    if why:
        return [ZeroMeasured(name, zero.mean_A, count, accepted=False, u_A=zero.u_A)], f"zero current: {why}"
    if step.sign > 0:
        memory.zero_source_A, memory.zero_source_u_A = zero
    else:
        memory.zero_load_A, memory.zero_load_u_A = zero
    return [ZeroMeasured(name, zero.mean_A, count, accepted=True, u_A=zero.u_A)], ""


def take_zeros(memory: Memory, checked: CheckPassed) -> None:
    """Take over the zeros that CHECKING has measured."""
    memory.zero_source_A, memory.zero_source_u_A = checked.zero_source_A, checked.zero_source_u_A
    memory.zero_load_A, memory.zero_load_u_A = checked.zero_load_A, checked.zero_load_u_A
    memory.zero_ammeter_A, memory.zero_ammeter_u_A = checked.zero_ammeter_A, checked.zero_ammeter_u_A


def slack_A(memory: Memory, step: Step, plan: Plan) -> float:
    """Return what the channel's current may be wrong by in this step: little once a zero has proven what it is, else all of it.

    Who measures it: the ammeter, else the source or the load. Resistors draw what the voltage makes them draw: they have no zero.
    """
    zeros, inputs, charges = plan.zeros, plan.inputs, step.direction > 0
    if inputs.ammeter:
        whole_A, zero, stated = zeros.ammeter_A, Zero(memory.zero_ammeter_A, memory.zero_ammeter_u_A), zeros.ammeter
    elif charges:
        whole_A, zero, stated = zeros.source_A, Zero(memory.zero_source_A, memory.zero_source_u_A), zeros.source
    elif inputs.load:
        whole_A, zero, stated = zeros.load_A, Zero(memory.zero_load_A, memory.zero_load_u_A), zeros.load
    else:
        return SET_POINT_FLOOR_A
    return SET_POINT_FLOOR_A if proves(zero, stated.step_A) else whole_A


def _connection(memory: Memory, step: Step, plan: Plan) -> tuple[list[Event], str]:
    """Polarity, open lead, contact: in the order in which one hides the other."""
    p = memory.probe
    ohm = None
    if p.before_V is None or p.during_V is None or p.during_A is None or p.after_V is None:
        why = "connection check: a voltage before, during or after the probe is missing; do it again"
    elif not p.during_A >= FLOWS_SHARE * step.current_A:
        why = (
            f"connection check: only {p.during_A * 1000:.1f} of {step.current_A * 1000:.1f} mA flow at {p.during_V:.3f} V: "
            "a lead is off, the fuse has blown, or the cell stands at the probe's voltage already"
        )
    elif not p.during_V - p.before_V > RISE_FACTOR * plan.resolves.voltage_V:
        why = (
            f"connection check: the voltage went from {p.before_V:.3f} V to {p.during_V:.3f} V while a charge flowed, "
            "but it must rise: leads swapped or shorted, or the voltage is not read at this cell"
        )
    else:
        ohm = float(f"{(p.during_V - p.after_V) / p.during_A:.7g}")
        lowest, highest = step.window_ohm
        why = "" if lowest <= ohm <= highest else (
            f"connection check: {ohm:.3f} ohm at the probe's end, believed for this cell are {lowest:g} to {highest:g} ohm: "
            + ("clean and press the clips" if ohm > highest else "is this cell shorted, or another one?")
        )  # fmt: skip
    return [ConnectionChecked(not why, p.before_V, p.during_V, p.after_V, p.during_A, ohm, why)], why


def overdue(memory: Memory, step: Step, now_s: float) -> bool:
    """Tell whether a question has waited longer for its answer than the profile allows."""
    return memory.asked_s is not None and not now_s - memory.asked_s < step.lasts_s
