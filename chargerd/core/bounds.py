"""From a plan and a step to the numbers protection compares with: derived bounds, never written by a person."""

from __future__ import annotations

from chargerd.core.detect.sight import Frozen
from chargerd.core.gas import ON_DELAY_S, current_min_A, is_above
from chargerd.core.limits import BOUND_FACTOR, StepBounds, Zeros
from chargerd.core.observation import Observation
from chargerd.core.parts import PART_GRACE_S
from chargerd.core.plan import Plan
from chargerd.core.program import Step

RESTING = StepBounds(0)


def frozen(plan: Plan) -> Frozen:
    """Return what protection compares a whole run with."""
    # A plan that never charges has no voltage level: then neither is written to the source, and neither expected of it.
    ocp_A = None if plan.ovp_V is None else plan.ocp_A
    return Frozen(
        plan.limits, plan.zeros, bool(plan.inputs.thermometer), plan.missed_max, plan.resolves.current_A, plan.ovp_V, ocp_A
    )


def step_bounds(step: Step, voltage_V: float | None, current_A: float, zeros: Zeros, slack_A: float) -> StepBounds:
    """Return the bounds of a step whose present set-points are `voltage_V` (None: none) and `current_A`.

    `slack_A`: what the channel's current may be wrong by. A set-point that follows the voltage never counts for more than the
    step's own current, whatever was worked out.
    """
    if not step.direction:
        return RESTING
    time_s, charge_Ah = step.end("time"), step.end("charge")
    if step.group:
        time_s = step.lasts_s + PART_GRACE_S
        charge_Ah = step.current_A * time_s / 3600.0
    return StepBounds(
        direction=step.direction,
        current_set_A=min(current_A, step.current_A),
        current_most_A=step.current_A,
        voltage_set_V=voltage_V if step.direction > 0 else None,
        floor_V=step.end("voltage_below") if step.direction < 0 else None,
        time_s=time_s,
        charge_Ah=charge_Ah,
        energy_Wh=step.end("energy"),
        gas_charge_Ah=step.end("gas_charge"),
        gassing_s=_gassing_s(step),
        slack_A=slack_A,
        zero_max_A=None if not step.isolated else zeros.source_A if step.sign > 0 else zeros.load_A,
    )


def _gassing_s(step: Step) -> float | None:
    """Return the gassing time that is bounded: a working end acts up to one delay and one reading after its own."""
    end_s = step.end("gassing_time")
    return None if end_s is None else end_s + (ON_DELAY_S + step.sample_every_s) / BOUND_FACTOR


def gasses(plan: Plan, ir_free_V: float | None, seen: Observation) -> bool:
    """Tell whether a reading counts as gassing: above the threshold, with a current that the program counts as a charge, too."""
    if not is_above(plan.gassing, ir_free_V, seen.temperature_degC):
        return False
    return seen.current_A is None or seen.current_A > current_min_A(plan.rated_Ah)
