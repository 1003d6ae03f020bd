"""Keeping account of a reading: the sums, the gas meter, the plateau, and what the ends and the journal's columns are made of."""

from __future__ import annotations

from chargerd.core.demand import Activity
from chargerd.core.derived import Derived
from chargerd.core.ends import VOLTAGE_LIMIT_MARGIN_V, StepView
from chargerd.core.events import StepEnded
from chargerd.core.gas import RATED_SWING_V, current_min_A, tafel_current_A, threshold_V
from chargerd.core.interruption import has_resistance, ir_free_V
from chargerd.core.memory import Memory
from chargerd.core.observation import REGULATED, Observation
from chargerd.core.plan import Plan
from chargerd.core.program import Step, StepKind
from chargerd.core.states import State
from chargerd.core.trend import WINDOWS, Trend, window_s

ACTIVITY = {
    StepKind.REST: Activity.REST,
    StepKind.CHARGE: Activity.CHARGE,
    StepKind.CONSTANT_VOLTAGE: Activity.CHARGE,
    StepKind.DISCHARGE: Activity.DISCHARGE,
    StepKind.PULSES: Activity.PULSE,
    StepKind.CONNECTION_CHECK: Activity.PROBE,
    StepKind.ZERO_CURRENT: Activity.ZERO_CURRENT,
    StepKind.ASK_PERSON: Activity.ASK_PERSON,
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
        """Add one observation to the sums and return what the step's ends are judged on. `voltage_set_V`: its own limit."""
        m = memory
        now_s = seen.elapsed_s
        # While a ramp rises the source holds a voltage, but not yet the step's: the current there is no taper.
        at_limit = _at_voltage_limit(seen, voltage_set_V) and (step.ramp_V_per_h is None or m.set_V == voltage_set_V)
        voltage_V, current_A = seen.voltage_V, seen.current_A
        electrode_V = None
        if running and step.isolated:
            m.tally.forget()  # what is read is the instrument's zero, none of it reached the cell
        elif running:
            m.tally.add(now_s, voltage_V, current_A, step.sample_every_s)
            if step.direction > 0 and voltage_V is not None and current_A is not None:
                electrode_V = ir_free_V(m, voltage_V, current_A, now_s)
                if interrupted or not m.live:
                    m.gas.forget()
                else:
                    self._take_charging(m, seen, voltage_V, current_A, electrode_V, at_limit=at_limit)
        if running:
            _take_trends(m, step, seen, steady=m.live and not interrupted, at_limit=at_limit)
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
            rise_K=_difference(seen.temperature_degC, m.start_degC),
            voltage_slopes_V_per_h=m.voltage_trend.slopes(3600.0),
            temperature_slopes_K_per_min=m.temperature_trend.slopes(60.0),
            falls_V=m.fall_trend.fallen(),
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


def begin_trends(memory: Memory, step: Step, plan: Plan) -> None:
    """Begin to follow what the ends of this step ask for, each in its own window; gas and plateau anew with each charge."""
    if step.direction > 0 and not step.isolated:
        memory.gas_before_Ah += memory.gas.charge_Ah
        memory.gas = type(memory.gas)()
        memory.plateau = type(memory.plateau)()
    memory.zero_sum_A, memory.zero_squares_A2, memory.zero_count = 0.0, 0.0, 0
    windows = {spec.kind: window_s(spec.kind, spec.value, plan.resolves) for spec in step.ends if spec.kind in WINDOWS}
    memory.voltage_trend = Trend(windows.get("voltage_slope_below", windows.get("voltage_slope_above", 0.0)))
    memory.fall_trend = Trend(windows.get("voltage_falls_by", 0.0))
    memory.temperature_trend = Trend(windows.get("temperature_slope_above", 0.0))
    memory.start_degC = None


def _take_trends(memory: Memory, step: Step, seen: Observation, *, steady: bool, at_limit: bool) -> None:
    """Voltages count at rest, or while the current of the step flows below its voltage limit; at the limit they say nothing."""
    temperature_degC = seen.temperature_degC
    if temperature_degC is not None:
        memory.start_degC = temperature_degC if memory.start_degC is None else memory.start_degC
        memory.temperature_trend.take(seen.elapsed_s, temperature_degC)
    if not (memory.voltage_trend.window_s or memory.fall_trend.window_s):
        return
    if at_limit and step.direction > 0 and steady:
        memory.voltage_trend.restart()
        memory.fall_trend.restart()
    elif seen.voltage_V is not None and (steady or not step.direction):
        memory.voltage_trend.take(seen.elapsed_s, seen.voltage_V)
        memory.fall_trend.take(seen.elapsed_s, seen.voltage_V)


def _difference(value: float | None, start: float | None) -> float | None:
    return None if value is None or start is None else value - start


def _at_voltage_limit(seen: Observation, voltage_set_V: float | None) -> bool:
    if seen.source_regulated in (1, 2):
        return seen.source_regulated == 2
    return voltage_set_V is not None and seen.voltage_V is not None and seen.voltage_V >= voltage_set_V - VOLTAGE_LIMIT_MARGIN_V


def step_ended(memory: Memory, step: Step, view: StepView, end: str, value: float, limit: float) -> StepEnded:
    """Return the event that says what ended a step and what it came to."""
    return StepEnded(
        step.number, memory.position.round, end, value, limit, view.elapsed_s, view.charge_Ah, view.energy_Wh,
        view.gassing_s, view.gas_charge_Ah, view.voltage_V, view.current_A, view.temperature_degC,
    )  # fmt: skip


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
