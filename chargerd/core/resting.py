"""What a run that was broken off was doing, and where its cell may stand at rest after the gap. Pure."""

from __future__ import annotations

from chargerd.core.gas import RATED_SWING_V, threshold_V
from chargerd.core.memory import Memory
from chargerd.core.plan import Plan
from chargerd.core.program import Repeat, Step, StepKind
from chargerd.core.resumption import Budget, StepClass

NEAR_V = 0.050
"""A charge this close under the gassing threshold counts as at it: thresholds are guesses until measured (design, safety)."""
RELAXES_V = 0.100
"""How far a cell at rest may move within the longest gap: in our simulated cells 71 mV in 15 min after the fastest charge."""
UNKNOWN_R_OHM_Ah = 1.5
"""Internal resistance of a cell whose own is not measured, × its rated capacity: 1 Ω at 1.5 Ah is twice our simulated cell's."""
SLOW_SHARE = 2.0
"""Slow polarisation dies away too: the whole step at rest is up to so many times the ohmic one."""
READS_V = 0.020
"""Two readings of one voltage by one instrument differ by no more (common practice, no source)."""


def rises_V(plan: Plan, current_A: float, seconds: float) -> float:
    """Return how far that current moves the cell's voltage at most, V: twice what its rating says, for ratings are guesses."""
    return 2.0 * abs(current_A) * seconds * RATED_SWING_V / (3600.0 * plan.rated_Ah)


def may_gas(memory: Memory, step: Step, plan: Plan, voltage_set_V: float | None, seconds: float) -> bool:
    """Tell whether a charge may have gassed within so many seconds after the last reading."""
    if step.direction <= 0 or step.isolated:
        return False
    if memory.gas.flag or memory.gas.flag_terminal:
        return True
    low_V = threshold_V(plan.gassing, None) - NEAR_V  # as if warm: then a cell gasses earliest
    reached_V = memory.protection.last_V + rises_V(plan, worst_A(memory, step), seconds)
    ceiling_V = plan.limits.voltage_max_V if voltage_set_V is None else voltage_set_V
    return not min(reached_V, ceiling_V) < low_V


def worst_A(memory: Memory, step: Step) -> float:
    """Return the largest current that may have flowed since the last reading: the last one, or what the step may set."""
    return max(abs(memory.protection.last_A), step.current_A if step.direction else 0.0)


def step_class(memory: Memory, step: Step, plan: Plan, *, gases: bool) -> StepClass:
    """Return what was going on, by the class a gap is judged by; a charge that may gas is one wherever it stands."""
    if step.kind is StepKind.ASK_PERSON:
        return StepClass.QUESTION
    if step.group:
        return StepClass.PARTS
    if gases:
        return StepClass.CHARGE_ABOVE
    if not step.direction:
        return StepClass.REST
    item = plan.program.items[min(memory.position.item, len(plan.program.items) - 1)]
    if isinstance(item, Repeat) and item.climb is not None:
        return StepClass.FORMATION
    return StepClass.CHARGE_BELOW if step.direction > 0 else StepClass.DISCHARGE


def budgets(memory: Memory, step: Step) -> tuple[Budget, ...]:
    """Return how much of each end of the step is used, by protection's own worst-case sums and the engine's, the larger."""
    if not step.direction or step.group:
        return ()  # a rest only lasts; of parts the whole step is done again
    kept = memory.protection
    used = {
        "time": kept.step_s,
        "charge": max(kept.charge_Ah, memory.tally.step_charge_Ah),
        "energy": max(kept.energy_Wh, memory.tally.step_energy_Wh),
        "gas_charge": max(kept.gas_charge_Ah, memory.gas.charge_Ah),
        "gassing_time": memory.gas.gassing_s,
    }
    ends = {name: step.end(name) for name in used}
    return tuple(Budget(name, used[name], most) for name, most in ends.items() if most is not None)


def band_V(
    memory: Memory, step: Step, plan: Plan, voltage_set_V: float | None, *, gap_s: float | None, off_after_s: float
) -> tuple[float | None, float | None]:
    """Return between which voltages the cell may stand at rest after the gap, V; None where nothing bounds it.

    From the last voltage: the ohmic and slow parts of the last current's drop, what the current may have moved until off, and
    what a cell at rest moves by itself. After an unknown gap only what lies above is bounded.
    """
    kept = memory.protection
    ohm = memory.resistance_ohm if memory.resistance_trusted and memory.resistance_ohm else UNKNOWN_R_OHM_Ah / plan.rated_Ah
    current_A = worst_A(memory, step) if step.direction else abs(kept.last_A)
    drop_V = SLOW_SHARE * ohm * current_A
    moved_V = rises_V(plan, current_A, off_after_s) if step.direction else 0.0
    low_V, high_V = kept.last_V - RELAXES_V - READS_V, kept.last_V + RELAXES_V + READS_V
    if step.direction > 0 or kept.last_A > 0.0:
        low_V -= drop_V
        highest_V = plan.limits.voltage_max_V if voltage_set_V is None else max(voltage_set_V, kept.last_V)
        high_V = min(kept.last_V + moved_V, highest_V) + READS_V
    elif step.direction < 0 or kept.last_A < 0.0:
        low_V = kept.last_V - moved_V - READS_V
        high_V += drop_V
    return (low_V if gap_s is not None else None), high_V
