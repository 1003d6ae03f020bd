"""From a step to the numbers protection compares with: derived bounds, never written by a person."""

from __future__ import annotations

from chargerd.core.limits import StepBounds
from chargerd.core.program import CHARGING, Step, StepKind

RESTING = StepBounds(0)


def step_bounds(step: Step, voltage_V: float | None) -> StepBounds:
    """Return the bounds of a step whose voltage (rung or set-point) is `voltage_V`."""
    if step.kind is StepKind.REST:
        return RESTING
    return StepBounds(
        direction=1 if step.kind in CHARGING else -1,
        current_set_A=step.current_A,
        voltage_set_V=voltage_V if step.kind in CHARGING else None,
        floor_V=step.end("voltage_below"),
        time_s=step.end("time"),
        charge_Ah=step.end("charge"),
        energy_Wh=step.end("energy"),
        gas_charge_Ah=step.end("gas_charge"),
    )
