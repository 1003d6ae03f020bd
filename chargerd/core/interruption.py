"""Current interruptions: the resistance from opening the circuit for a second, and the IR-free voltage that follows from it."""

from __future__ import annotations

from chargerd.core.events import Event, ResistanceMeasured
from chargerd.core.gas import RESISTANCE_AGE_MAX_S, RESISTANCE_JUMP_MAX
from chargerd.core.memory import Memory
from chargerd.core.observation import Observation
from chargerd.core.program import Interrupt, Step

FIRST_AFTER_S = 10.0
"""The first interruption of a charge comes this soon: until then R_int = 0 takes the ohmic drop for gassing."""
RESISTANCE_MAX_OHM = 100.0
"""Above this it is an open lead, not a cell."""


def has_resistance(memory: Memory, now_s: float) -> bool:
    """Return whether there is a trusted resistance younger than 30 min."""
    return memory.resistance_trusted and now_s - memory.resistance_s <= RESISTANCE_AGE_MAX_S


def ir_free_V(memory: Memory, voltage_V: float, current_A: float, now_s: float) -> float:
    """Return `V − I·R_int`, V. Without a trusted resistance younger than 30 min R_int is 0, so that gassing errs safe."""
    if memory.resistance_ohm is None or not has_resistance(memory, now_s):
        return voltage_V
    return voltage_V - current_A * memory.resistance_ohm


def first_due_s(now_s: float, interrupt: Interrupt | None) -> float | None:
    """Return when the first interruption of a step beginning (or going on) at `now_s` is due, None when it has none."""
    return None if interrupt is None else round(now_s + min(FIRST_AFTER_S, interrupt.every_s), 3)


def due(memory: Memory, step: Step, seen: Observation, now_s: float) -> bool:
    """Open the circuit when an interruption is due and this reading is good. Returns True when it was opened."""
    opening = memory.opening
    if opening.next_s is None or now_s < opening.next_s or step.interrupt is None or not memory.live:
        return False
    if seen.voltage_V is None or seen.current_A is None or not seen.current_A > 0.0:
        return False
    opening.open_s = now_s
    opening.next_s = round(now_s + step.interrupt.every_s, 3)
    opening.before_V = seen.voltage_V
    opening.before_A = seen.current_A
    opening.first_V = None
    return True


def take_interruption(
    memory: Memory, interrupt: Interrupt, seen: Observation, now_s: float, events: list[Event]
) -> None:
    """Take a reading of the open circuit; at the end of the interruption close it and report the resistance."""
    opening = memory.opening
    open_s = opening.open_s
    if open_s is None:
        return
    if opening.first_V is None and seen.voltage_V is not None and seen.source_on is False:
        opening.first_V = seen.voltage_V
        opening.first_s = now_s - open_s
    if now_s - open_s < interrupt.lasts_s - 1e-6:
        return
    opening.open_s = None
    if opening.first_V is None or seen.voltage_V is None:
        return
    first_ohm = (opening.before_V - opening.first_V) / opening.before_A
    end_ohm = (opening.before_V - seen.voltage_V) / opening.before_A
    accepted = _accept(memory, first_ohm, now_s)
    events.append(ResistanceMeasured(first_ohm, opening.first_s, end_ohm, now_s - open_s, opening.before_A, accepted))


def _accept(memory: Memory, resistance_ohm: float, now_s: float) -> bool:
    """Believe a resistance that is possible and has not jumped; remember it either way for the next comparison."""
    last_ohm = memory.resistance_ohm
    fresh = last_ohm is not None and now_s - memory.resistance_s <= RESISTANCE_AGE_MAX_S
    jumped = fresh and last_ohm is not None and abs(resistance_ohm - last_ohm) > RESISTANCE_JUMP_MAX * last_ohm
    possible = 0.0 < resistance_ohm < RESISTANCE_MAX_OHM
    memory.resistance_trusted = possible and not jumped
    if possible:
        memory.resistance_ohm = resistance_ohm
        memory.resistance_s = now_s
    return memory.resistance_trusted
