"""Has the current broken off? Leads that come off a cell must not pass for a full or an empty cell."""

from __future__ import annotations

from chargerd.core.memory import Memory
from chargerd.core.observation import Observation
from chargerd.core.program import Step, StepKind

BROKE_OFF = "the current broke off: are the leads still on the cell, does the load still hold it?"
FALL_SHARE = 0.2
"""No taper of a cell loses four fifths of its current from one reading to the next: its time constant is many minutes."""
HELD_SHARE = 0.5
"""A load that carries less than half of its set-point no longer holds it."""
FLOOR_A = 0.010
"""Below this, readings are mostly offset and noise."""
CONFIRM = 3
"""Readings in agreement, a second apart: one wrong reading must not stop a run."""
OPEN_V = 0.100
"""A charge without current whose source stands this far above the cell's own meter has an open lead, clip or relay between."""
_KEY = "contact"
_OWN_WORDS = frozenset({StepKind.CONNECTION_CHECK, StepKind.ZERO_CURRENT})
"""These say themselves what too little current means."""


def broke_off(memory: Memory, step: Step, seen: Observation) -> bool:
    """Take one reading of a live output. Returns True at the third one running in which the current is as good as gone."""
    if not memory.live or seen.current_A is None or step.kind in _OWN_WORDS:
        return False
    current_A = abs(seen.current_A)
    last_A = memory.last_live_A
    gone = last_A > FLOOR_A and current_A < FALL_SHARE * last_A
    if step.direction < 0:
        # Resistors carry what their values make of the cell's voltage, and are judged against an ammeter where there is one.
        gone = gone or (not seen.by_resistors and current_A < HELD_SHARE * memory.set_A)
    elif seen.source_voltage_V is not None and seen.voltage_V is not None:
        gone = gone or (current_A < FLOOR_A and seen.source_voltage_V - seen.voltage_V > OPEN_V)
    if not gone:
        memory.last_live_A = current_A
        memory.confirmed[_KEY] = 0
        return False
    memory.confirmed[_KEY] = memory.confirmed.get(_KEY, 0) + 1
    return memory.confirmed[_KEY] >= CONFIRM
