"""Set-points that follow the voltage: constant power, constant resistance, a voltage ramp.

At each reading the set-point of a constant-current instrument is worked out anew, and written again only when it moved by more
than its step and 1 %.
It is never above the step's own current and voltage, and never follows half a reading. Nothing here raises an output: the
demand does, after the reading's row is written.
"""

from __future__ import annotations

from math import floor, isfinite

from chargerd.core.memory import Memory
from chargerd.core.observation import Observation
from chargerd.core.program import Step

MOVES_SHARE = 0.01
"""A set-point that moved by less than this share is left: rewriting costs time, and loads are good for a hundredth."""


def begin(memory: Memory, step: Step, limit_V: float | None) -> None:
    """Put the set-points where the step begins: its own, or none until a good reading gives one."""
    memory.set_A = 0.0 if step.power_W is not None or step.resistance_ohm is not None else step.current_A
    memory.set_V = None if step.ramp_V_per_h is not None or step.direction < 0 else limit_V
    memory.ramp_from_V = None


def follow(memory: Memory, step: Step, limit_V: float | None, seen: Observation) -> bool:
    """Work out the set-point from one whole reading. Returns True when it changed."""
    voltage_V = seen.voltage_V
    if not step.follows or memory.missing or voltage_V is None or not isfinite(voltage_V):
        return False
    if step.ramp_V_per_h is not None:
        return _ramp(memory, step, step.ramp_V_per_h, limit_V, voltage_V, seen.elapsed_s)
    wanted_A = _cut(min(_wanted_A(step, voltage_V), step.current_A), step.grain)
    moved_A = abs(wanted_A - memory.set_A)
    if not moved_A > max(step.grain, MOVES_SHARE * memory.set_A):
        return False
    memory.set_A = wanted_A
    return True


def _wanted_A(step: Step, voltage_V: float) -> float:
    """P/V or V/R. At no voltage a charge begins with its most, a discharge with nothing."""
    if step.resistance_ohm is not None:
        return max(voltage_V, 0.0) / step.resistance_ohm
    power_W = step.power_W or 0.0
    if voltage_V * step.current_A > power_W:
        return power_W / voltage_V
    return step.current_A if voltage_V > 0.0 or step.direction > 0 else 0.0


def _ramp(
    memory: Memory, step: Step, ramp_V_per_h: float, limit_V: float | None, voltage_V: float, elapsed_s: float
) -> bool:
    """Rise from the cell's own voltage at the first reading (again after a pause) up to the step's voltage."""
    assert limit_V is not None
    if memory.ramp_from_V is None:
        memory.ramp_from_V = min(max(voltage_V, 0.0), limit_V)
        memory.ramp_from_s = elapsed_s
    wanted_V = memory.ramp_from_V + ramp_V_per_h * (elapsed_s - memory.ramp_from_s) / 3600.0
    wanted_V = limit_V if wanted_V >= limit_V else _cut(wanted_V, step.grain)
    last_V = memory.set_V
    if last_V is not None and (not wanted_V > last_V or (wanted_V < limit_V and wanted_V - last_V < step.grain * 0.999)):
        return False
    memory.set_V = wanted_V
    return True


def _cut(value: float, grain: float) -> float:
    """Cut to what the instrument can be set to, never up."""
    return float(f"{floor(value / grain + 1e-9) * grain:.7g}") if grain > 0.0 else value
