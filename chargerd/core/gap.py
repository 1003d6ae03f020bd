"""What a gap between two lives of a run does to the engine's memory, and what the record notes for the next life."""

from __future__ import annotations

from chargerd.core.events import ClockNoted, Gap, LeftPaused
from chargerd.core.memory import Memory
from chargerd.core.plan import Plan
from chargerd.core.program import Step, StepKind
from chargerd.core.resting import may_gas, worst_A
from chargerd.core.resumption import FOR_NOBODY, FOR_PERSON
from chargerd.core.states import State

NOTES = (ClockNoted, LeftPaused)
"""What the engine remembers for the next life and decides nothing by."""


def charge_gas(memory: Memory, step: Step, plan: Plan, voltage_set_V: float | None, off_after_s: float) -> None:
    """Count a gap's gas at its worst: until off was verified a charge that may have gassed did, with all its current."""
    if may_gas(memory, step, plan, voltage_set_V, off_after_s):
        memory.gas.charge_for_gap(off_after_s, worst_A(memory, step))


def paused_from_s(memory: Memory, step: Step, record: Gap, now_s: float) -> float:
    """Return from when the step's own time stands still, run-relative s.

    An energised step stood still from off on. A cell at rest went on resting: a known gap is part of the rest; after an unknown
    one it begins again, for nobody could say how long it was.
    """
    if step.kind is not StepKind.REST or memory.state != State.RUNNING:
        last_s = memory.last_reading_s if memory.last_reading_s is not None else now_s
        return min(last_s + record.off_after_s, now_s)
    if record.duration_s is None:
        memory.step_started_s, memory.step_paused_s = now_s, 0.0
    return now_s


def note(memory: Memory, record: ClockNoted | LeftPaused) -> None:
    """Keep what the next life must know; the engine itself decides nothing by it."""
    if isinstance(record, LeftPaused):
        if memory.state == State.PAUSED:
            memory.reason = (FOR_NOBODY if record.never else FOR_PERSON) + record.reason
        return
    memory.boot_id, memory.boot_zero_s = record.boot_id, record.boot_zero_s
    memory.suspended_s, memory.synchronised = record.suspended_s, record.synchronised
