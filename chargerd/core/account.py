"""Keeping account of a reading: the sums, the gas meter, the plateau, and what the ends and the journal's columns are made of."""

from __future__ import annotations

from chargerd.core.demand import Activity
from chargerd.core.derived import Derived
from chargerd.core.ends import VOLTAGE_LIMIT_MARGIN_V, StepView
from chargerd.core.gas import RATED_SWING_V, current_min_A, tafel_current_A, threshold_V
from chargerd.core.interruption import has_resistance, ir_free_V
from chargerd.core.memory import Memory
from chargerd.core.observation import REGULATED, Observation
from chargerd.core.plan import Plan
from chargerd.core.program import CHARGING, Step, StepKind
from chargerd.core.states import State

ACTIVITY = {
    StepKind.REST: Activity.REST,
    StepKind.CHARGE: Activity.CHARGE,
    StepKind.CONSTANT_VOLTAGE: Activity.CHARGE,
    StepKind.DISCHARGE: Activity.DISCHARGE,
}
"""What the channel does in each kind of step while its output is on."""


class Account:
    """Feeds the sums of a `Memory` from observations."""

    __slots__ = ("_capacitance_F", "_current_min_A", "_plan")

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._capacitance_F = plan.rated_Ah * 3600.0 / RATED_SWING_V
        self._current_min_A = current_min_A(plan.rated_Ah)

    def take(
        self, memory: Memory, step: Step, voltage_set_V: float | None, seen: Observation, *, running: bool, interrupted: bool
    ) -> StepView:
        """Add one observation to the sums and return what the step's ends are judged on."""
        m = memory
        now_s = seen.elapsed_s
        at_limit = _at_voltage_limit(seen, voltage_set_V)
        voltage_V, current_A = seen.voltage_V, seen.current_A
        electrode_V = None
        if running:
            m.tally.add(now_s, voltage_V, current_A, step.sample_every_s)
            if step.kind in CHARGING and voltage_V is not None and current_A is not None:
                electrode_V = ir_free_V(m, voltage_V, current_A, now_s)
                if interrupted or not m.live:
                    m.gas.forget()
                else:
                    self._take_charging(m, seen, voltage_V, current_A, electrode_V, at_limit=at_limit)
        return StepView(
            elapsed_s=now_s - m.step_started_s - m.step_paused_s if m.begun else 0.0,
            voltage_V=voltage_V,
            current_A=current_A,
            temperature_degC=seen.temperature_degC,
            ir_free_V=electrode_V,
            is_ir_free=has_resistance(m, now_s),
            at_voltage_limit=at_limit,
            charge_Ah=m.tally.step_charge_Ah,
            energy_Wh=m.tally.step_energy_Wh,
            gassing_s=m.gas.gassing_s,
            gas_charge_Ah=m.gas.charge_Ah,
            plateau_s=m.plateau.lasted_s(now_s),
        )

    def _take_charging(
        self, memory: Memory, seen: Observation, voltage_V: float, current_A: float, electrode_V: float, *, at_limit: bool
    ) -> None:
        plan = self._plan
        gas_threshold_V = threshold_V(plan.gassing, seen.temperature_degC)
        memory.plateau.take(
            seen.elapsed_s, voltage_V, current_A, at_limit,
            capacitance_F=self._capacitance_F, voltage_u_V=plan.resolves.voltage_V, current_u_A=plan.resolves.current_A,
        )  # fmt: skip
        memory.gas.take(
            seen.elapsed_s, voltage_V, electrode_V, current_A, gas_threshold_V,
            tafel_current_A(plan.gassing, electrode_V, gas_threshold_V),
            current_min_A=self._current_min_A, capacitance_F=self._capacitance_F,
            on_plateau=memory.plateau.flat_since_s is not None,
        )  # fmt: skip


def _at_voltage_limit(seen: Observation, voltage_set_V: float | None) -> bool:
    if seen.source_regulated in (1, 2):
        return seen.source_regulated == 2
    return voltage_set_V is not None and seen.voltage_V is not None and seen.voltage_V >= voltage_set_V - VOLTAGE_LIMIT_MARGIN_V


def derive(memory: Memory, step: Step, seen: Observation | None) -> Derived:
    """Return the derived columns for a reading (None: before the first)."""
    m = memory
    tally, gas = m.tally, m.gas
    regulated = "" if seen is None or seen.source_regulated is None else REGULATED.get(seen.source_regulated, "")
    return Derived(
        m.state, step.number if m.begun else "", m.position.round, _activity(m, step).value, regulated,
        None if seen is None else seen.voltage_V,
        None if seen is None else seen.current_A,
        None if seen is None else seen.temperature_degC,
        tally.charge_in_Ah, tally.charge_out_Ah, tally.energy_in_Wh, tally.energy_out_Wh,
        gas.gassing_s, gas.terminal_s, gas.charge_Ah,
        m.resistance_ohm if m.resistance_trusted else None,
    )  # fmt: skip


def _activity(memory: Memory, step: Step) -> Activity:
    if memory.state != State.RUNNING:
        return Activity.OFF
    if memory.opening.open_s is not None:
        return Activity.INTERRUPTION
    return ACTIVITY[step.kind]
