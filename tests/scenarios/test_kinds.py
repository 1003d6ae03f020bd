"""Each kind of step beside plain charges and discharges does what a closed form gives.

A capacitor behind a resistor at constant power, constant resistance, under a voltage ramp; the two-pulse resistance of a cell with
one RC pair; a probe at a good contact, an open lead, a bad clip, swapped leads; an instrument's zero behind an open relay.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from math import log, sqrt

import pytest

from chargerd.core.demand import Activity
from chargerd.core.events import CheckPassed, ConnectionChecked, Pause, Record, Resume, StateChanged, StepEnded, ZeroMeasured
from chargerd.core.limits import Zeros
from chargerd.core.plan import Plan, Resolves
from chargerd.core.program import EndSpec, Step, StepKind
from chargerd.core.reading import Measured
from chargerd.core.states import State
from chargerd.core.zero import StatedZero
from chargerd.sim.cell import Cell
from chargerd.sim.rehearsal import Rehearsal
from tests.core.bench_of_one import plan_of, rest_step

from .ideal_cells import IDEAL, Recorder, ends_in_order, first_end, ideal_cell

EVERY_S = 5.0
C = IDEAL.C
NO_OHMIC = replace(IDEAL, R0=1e-6)
FAR = (EndSpec("time", 300_000.0), EndSpec("charge", 50.0))


def set_points(recorder: Recorder) -> list[float]:
    """The current of every reading that had one, charge positive."""
    return [current_A for _, _, current_A, _ in recorder.rows if current_A]


# --- set-points that follow the voltage ----------------------------------------------------------------------------------


def test_constant_power_out_of_a_capacitor():
    # C·V·dV/dt = −P: from V0 to V1 in C·(V0² − V1²)/2P. The current may lag what it should be by the hundredth that is not
    # written again, so that the power is at most a hundredth too small, never too large.
    step = Step("1", StepKind.DISCHARGE, 0.5, power_W=0.3, ends=(EndSpec("voltage_below", 0.9), *FAR), sample_every_s=EVERY_S)
    recorder = Recorder()
    ended = first_end(plan_of(step), ideal_cell(NO_OHMIC, charged_V=0.75), recorder=recorder)
    exact_s = C * (1.8**2 - 0.9**2) / (2 * 0.3)
    powers_W = [-voltage_V * current_A for _, voltage_V, current_A, _ in recorder.rows if current_A]

    assert ended.end == "voltage_below"
    assert exact_s - EVERY_S <= ended.elapsed_s <= exact_s / 0.99 + 2 * EVERY_S
    assert min(powers_W) >= 0.3 * 0.99 * (1 - 1e-3)
    assert max(powers_W) <= 0.3 * (1 + 1e-3)
    assert ended.energy_Wh == pytest.approx(0.3 * ended.elapsed_s / 3600.0, rel=0.01)


def test_a_set_point_is_written_again_only_when_it_moved_by_a_hundredth():
    step = Step("1", StepKind.DISCHARGE, 0.5, power_W=0.3, ends=(EndSpec("voltage_below", 0.9), *FAR), sample_every_s=EVERY_S)
    recorder = Recorder()
    first_end(plan_of(step), ideal_cell(NO_OHMIC, charged_V=0.75), recorder=recorder)
    levels = sorted({round(-current_A, 6) for current_A in set_points(recorder)})

    # From 0.3 W / 1.8 V = 167 mA to 0.3 W / 0.9 V = 333 mA, a factor of two, in steps of 1 %: ln 2 / ln 1.01 = 69.7.
    assert 60 <= len(levels) <= 70
    assert all(after >= 1.01 * before * (1 - 1e-6) for before, after in itertools.pairwise(levels))


def test_an_instruments_step_is_kept_and_never_rounded_up():
    step = Step(
        "1", StepKind.DISCHARGE, 0.5, power_W=0.3, grain=0.01, ends=(EndSpec("voltage_below", 0.9), *FAR), sample_every_s=EVERY_S
    )
    recorder = Recorder()
    first_end(plan_of(step), ideal_cell(NO_OHMIC, charged_V=0.75), recorder=recorder)

    assert {round(-100.0 * current_A, 6) % 1.0 for current_A in set_points(recorder)} == {0.0}
    assert max(-voltage_V * current_A for _, voltage_V, current_A, _ in recorder.rows) <= 0.3 * (1 + 1e-3)


def test_the_steps_current_is_the_most_that_constant_power_draws():
    # At 0.9 V the power would need 333 mA; the step allows 200 mA, reached at 1.5 V: from there it is constant current.
    step = Step("1", StepKind.DISCHARGE, 0.2, power_W=0.3, ends=(EndSpec("voltage_below", 0.9), *FAR), sample_every_s=EVERY_S)
    recorder = Recorder()
    ended = first_end(plan_of(step), ideal_cell(NO_OHMIC, charged_V=0.75), recorder=recorder)
    exact_s = C * (1.8**2 - 1.5**2) / (2 * 0.3) + C * (1.5 - 0.9) / 0.2

    assert max(-current_A for current_A in set_points(recorder)) <= 0.2
    assert exact_s - EVERY_S <= ended.elapsed_s <= exact_s / 0.99 + 2 * EVERY_S


def test_constant_power_into_a_capacitor():
    # The current falls as the voltage rises: the power is at most a hundredth too large, until the voltage limit takes over.
    step = Step(
        "1", StepKind.CHARGE, 0.5, 1.85, power_W=0.3, ends=(EndSpec("voltage_above", 1.75), *FAR), sample_every_s=EVERY_S
    )
    ended = first_end(plan_of(step), ideal_cell(NO_OHMIC))
    exact_s = C * (1.75**2 - 1.05**2) / (2 * 0.3)

    assert ended.end == "voltage_above"
    assert exact_s / 1.011 - EVERY_S <= ended.elapsed_s <= exact_s + 2 * EVERY_S


def test_constant_resistance_across_a_capacitor():
    # V0·exp(−t/RC). The current falls with the voltage; what is not written again leaves it at most a hundredth too large.
    step = Step(
        "1", StepKind.DISCHARGE, 0.5, resistance_ohm=10.0, ends=(EndSpec("voltage_below", 0.9), *FAR), sample_every_s=EVERY_S
    )
    recorder = Recorder()
    ended = first_end(plan_of(step), ideal_cell(NO_OHMIC, charged_V=0.75), recorder=recorder)
    exact_s = 10.0 * C * log(1.8 / 0.9)
    ohms = [-voltage_V / current_A for _, voltage_V, current_A, _ in recorder.rows if current_A]

    assert ended.end == "voltage_below"
    assert exact_s / 1.011 - EVERY_S <= ended.elapsed_s <= exact_s + 2 * EVERY_S
    assert (min(ohms), max(ohms)) == (pytest.approx(10.0, rel=0.0105), pytest.approx(10.0, rel=0.0105))


def test_a_voltage_ramp_charges_a_capacitor_with_a_constant_current_and_then_tapers():
    # I → C·dV/dt = 0.396 A with τ = R0·C; at (1.60 V − 1.05 V)/(0.36 V/h) = 5500 s the limit is reached and the taper begins.
    step = Step(
        "1", StepKind.CHARGE, 0.6, 1.60, ramp_V_per_h=0.36, grain=1e-3, ends=(EndSpec("current_below", 0.05), *FAR),
        sample_every_s=EVERY_S,
    )  # fmt: skip
    recorder = Recorder()
    ended = first_end(plan_of(step), ideal_cell(), recorder=recorder)
    tau_s, reached_s = IDEAL.R0 * C, 5500.0
    reached_A = 0.36 / 3600.0 * C * (1.0 - 2.718281828 ** (-reached_s / tau_s))
    at_limit = [row for row in recorder.rows if reached_s - 60.0 <= row[0] <= reached_s]

    assert ended.end == "current_below"
    assert ended.elapsed_s == pytest.approx(reached_s + tau_s * log(reached_A / 0.05), rel=0.01)
    assert sum(row[2] for row in at_limit) / len(at_limit) == pytest.approx(reached_A, rel=0.02)
    assert max(row[1] for row in recorder.rows) <= 1.60 + 1e-6


def test_after_a_pause_a_ramp_rises_again_from_the_cells_own_voltage():
    step = Step("1", StepKind.CHARGE, 0.6, 1.60, ramp_V_per_h=0.36, grain=1e-3, ends=FAR, sample_every_s=EVERY_S)
    rehearsal = Rehearsal(plan_of(step), ideal_cell())
    for _ in rehearsal.run(2000.0):
        pass
    before_V = rehearsal.engine.demand().voltage_set_V
    for record in (Pause(), Resume(), CheckPassed()):
        rehearsal.engine.command(record, rehearsal.now_s)
        assert rehearsal.engine.demand().voltage_set_V is None
    rehearsal.switch()
    open_V = rehearsal.cell.voltage_V
    rehearsal.read()

    assert before_V == pytest.approx(1.05 + 0.36 * 2000.0 / 3600.0, abs=2e-3)
    assert rehearsal.engine.demand().voltage_set_V == pytest.approx(open_V, abs=1.1e-3)


# --- pulses --------------------------------------------------------------------------------------------------------------


def pulse(number: str, sign: int, current_A: float, lasts_s: float, *, every_s: float = 0.5, ends: tuple[EndSpec, ...] = ()) -> Step:
    return Step(
        number, StepKind.PULSES, current_A, 2.5 if sign > 0 else None, lasts_s=lasts_s, sample_every_s=every_s, sign=sign,
        group=number.rpartition(".")[0], ends=ends,
    )  # fmt: skip


ONE_RC = replace(IDEAL, C=1e9, Uimm=2.0, R0=0.080, R1=0.050, tau1=10.0, hA=1e9)
"""Open circuit 2.000 V, R0 = 80 mohm, R1 = 50 mohm, tau = 10 s."""


def test_the_two_pulse_resistance_of_a_cell_with_one_rc_pair():
    # IEC 61960-3: 0.2 It for 10 s, then at once 1.0 It for 1 s. Of this cell with 1.5 Ah, by its closed form: U1 = 1.966518 V,
    # U2 = 1.864283 V, R = (U1 − U2)/(I2 − I1) = 85.196 mohm.
    steps = pulse("1.1", -1, 0.3, 10.0, every_s=0.05), pulse("1.2", -1, 1.5, 1.0, every_s=0.05)
    first, second = ends_in_order(plan_of(*steps), ideal_cell(ONE_RC), 2)

    assert [(one.end, one.elapsed_s) for one in (first, second)] == [("lasts", 10.0), ("lasts", 1.0)]
    assert (first.current_A, second.current_A) == (-0.3, -1.5)
    # The simulator's steps of 50 ms are of first order: dt/2τ of the RC pair's share.
    assert first.voltage_V == pytest.approx(1.966518, abs=3e-5)
    assert second.voltage_V == pytest.approx(1.864283, abs=2e-4)
    assert (first.voltage_V - second.voltage_V) / 1.2 == pytest.approx(0.085196, abs=2e-4)


def test_two_pulses_in_one_direction_follow_each_other_without_switching_off():
    records = [
        record for _, record in Rehearsal(plan_of(pulse("1.1", -1, 0.3, 10.0), pulse("1.2", -1, 1.5, 1.0)), ideal_cell(ONE_RC)).run(60.0)
    ]

    assert [(record.instrument, record.what) for record in records if record.kind == "observed"] == [("load", "on"), ("load", "off")]


def test_an_end_of_the_whole_step_leaves_the_other_pulses_out():
    floor = (EndSpec("voltage_below", 1.90),)
    train = pulse("1.1", -1, 1.5, 60.0, ends=floor), pulse("1.2", 0, 0.0, 10.0), pulse("1.3", -1, 1.5, 60.0, ends=floor)
    first, after = ends_in_order(plan_of(*train, rest_step("2", lasts_s=20.0)), ideal_cell(ONE_RC), 2)

    assert [(one.step, one.end) for one in (first, after)] == [("1.1", "voltage_below"), ("2", "lasts")]


def test_a_pause_within_pulses_begins_them_anew():
    plan = plan_of(pulse("1.1", -1, 0.3, 10.0), pulse("1.2", 0, 0.0, 10.0), pulse("1.3", -1, 1.5, 10.0))
    rehearsal = Rehearsal(plan, ideal_cell(ONE_RC))
    for _ in rehearsal.run(22.0):
        pass
    engine, before = rehearsal.engine, rehearsal.engine.step.number
    for record in (Pause(), Resume(), CheckPassed()):
        engine.command(record, rehearsal.now_s)

    assert (before, engine.step.number, engine.demand().activity) == ("1.3", "1.1", Activity.PULSE)


# --- connection check ----------------------------------------------------------------------------------------------------


def probe_steps(current_A: float = 0.03, *, window_ohm: tuple[float, float] = (0.2, 1.0)) -> tuple[Step, ...]:
    return tuple(
        Step(
            f"1.{place}", StepKind.CONNECTION_CHECK, current_A, 1.85 if sign else None, lasts_s=10.0, sample_every_s=1.0, sign=sign,
            group="1", window_ohm=window_ohm,
        )
        for place, sign in enumerate((0, 1, 0), 1)
    )  # fmt: skip


def checked(cell: Cell, plan: Plan | None = None, *, tamper=None) -> tuple[ConnectionChecked, Rehearsal, list[Record]]:
    plan = plan or plan_of(*probe_steps(), rest_step("2", lasts_s=30.0), resolves=Resolves(voltage_V=0.0004))
    rehearsal = Rehearsal(plan, cell, tamper=tamper)
    records = [record for _, record in rehearsal.run(100.0)]
    (found,) = [record for record in records if isinstance(record, ConnectionChecked)]
    return found, rehearsal, records


def test_a_good_connection_is_passed_with_its_resistance():
    found, rehearsal, _ = checked(ideal_cell())

    assert (found.passed, found.text) == (True, "")
    assert found.resistance_ohm == pytest.approx(IDEAL.R0, rel=1e-4)
    assert found.before_V == pytest.approx(1.05)
    # 30 mA for 10 s into 3960 F are 76 µV; the rest of the rise is I·R0.
    assert found.during_V == pytest.approx(1.05 + 0.03 * (IDEAL.R0 + 10.0 / C), abs=1e-6)
    assert rehearsal.engine.state is State.COMPLETE


@pytest.mark.parametrize(("ohm", "words"), [(1.5, "clean and press the clips"), (0.05, "shorted, or another one"), (1e6, "a lead is off")])
def test_a_bad_connection_waits_for_a_person_with_a_sentence(ohm, words):
    found, rehearsal, records = checked(ideal_cell(replace(IDEAL, R0=ohm)))
    paused = [record for record in records if isinstance(record, StateChanged) and record.after == State.PAUSED]

    assert not found.passed
    assert words in found.text
    assert [record.reason for record in paused] == [found.text]
    assert rehearsal.engine.demand().energise == "none"


def test_a_voltage_that_does_not_rise_with_the_charge_is_refused():
    """Swapped leads at a supply that shows no negative voltage: it reads nought before and during the probe."""

    def blind(inputs: dict[str, Measured], _: float) -> None:
        inputs["supply_voltage_V"] = Measured(0.0)

    found, rehearsal, _ = checked(ideal_cell(), tamper=blind)

    assert not found.passed
    assert "it must rise: leads swapped or shorted" in found.text
    assert rehearsal.engine.state is State.PAUSED


def test_resuming_after_a_bad_connection_checks_it_again_from_the_beginning():
    cell = ideal_cell(replace(IDEAL, R0=1.5))
    _, rehearsal, _ = checked(cell)
    engine = rehearsal.engine
    for record in (Resume(), CheckPassed()):
        engine.command(record, rehearsal.now_s)

    assert (engine.step.number, engine.memory.probe.during_V) == ("1.1", None)


# --- zero current --------------------------------------------------------------------------------------------------------

ZERO_A = 0.0123


def offset(inputs: dict[str, Measured], _: float) -> None:
    """A supply that reads 12.3 mA too much while it is on, and nothing while it is off."""
    if inputs["supply_output"].value:
        inputs["supply_current_A"] = Measured((inputs["supply_current_A"].value or 0.0) + ZERO_A)


def zeros_of(offset_A: float) -> Zeros:
    """A supply of that stated offset in steps of 1 mA: no current is what shows at most twice that and two steps."""
    return Zeros(source_A=2.0 * offset_A + 0.002, source=StatedZero(offset_A, 0.001))


def zero_then_charge(offset_A: float) -> Plan:
    zero = Step("1.1", StepKind.ZERO_CURRENT, 0.075, 1.85, lasts_s=30.0, sample_every_s=1.0, sign=1, group="1")
    charge = Step("2", StepKind.CHARGE, 0.15, 1.85, sample_every_s=5.0, ends=(EndSpec("time", 600.0), EndSpec("charge", 1.0)))
    return plan_of(zero, charge, zeros=zeros_of(offset_A))


def test_a_zero_measured_with_the_relay_open_is_subtracted_from_then_on_and_moves_no_charge():
    records = [record for _, record in Rehearsal(zero_then_charge(0.012), ideal_cell(), tamper=offset).run(2000.0)]
    (zero,) = [record for record in records if isinstance(record, ZeroMeasured)]
    first, second = [record for record in records if isinstance(record, StepEnded)]

    assert (zero.instrument, zero.current_A, zero.accepted) == ("supply", pytest.approx(ZERO_A, abs=1e-7), True)
    # 28 equal readings: the step of 1 mA alone, as a uniform distribution (JCGM 100:2008, 4.3.7).
    assert zero.u_A == pytest.approx(0.001 / sqrt(12.0), rel=1e-3)
    assert zero.readings == 28  # once a second for 30 s, at both ends; the first 3 s left out
    assert first.charge_Ah == 0.0
    assert second.charge_Ah == pytest.approx(0.15 * 600.0 / 3600.0, rel=1e-6)


def test_a_load_that_carries_nothing_behind_an_open_relay_has_not_let_go_of_the_cell():
    parts = [
        Step(f"1.{place}", StepKind.ZERO_CURRENT, 0.075, 1.85 if sign > 0 else None, lasts_s=30.0, sample_every_s=1.0, sign=sign, group="1")
        for place, sign in enumerate((1, -1), 1)
    ]
    rehearsal = Rehearsal(plan_of(*parts, zeros=zeros_of(0.012)), ideal_cell(), tamper=offset)
    zeros = [record for _, record in rehearsal.run(200.0) if isinstance(record, ZeroMeasured)]

    assert rehearsal.engine.state is State.COMPLETE
    assert [(zero.instrument, zero.current_A) for zero in zeros] == [("supply", pytest.approx(ZERO_A)), ("load", 0.0)]


def test_a_zero_beyond_what_the_bench_file_says_waits_for_a_person():
    rehearsal = Rehearsal(zero_then_charge(0.009), ideal_cell(), tamper=offset)
    (zero,) = [record for _, record in rehearsal.run(200.0) if isinstance(record, ZeroMeasured)]

    assert (zero.accepted, rehearsal.engine.state) == (False, State.PAUSED)
    assert "zero current: supply reads 12.3 mA with the cell's relay open" in rehearsal.engine.memory.reason


def test_current_through_a_relay_that_should_be_open_trips():
    def welded(inputs: dict[str, Measured], _: float) -> None:
        if inputs["supply_output"].value:
            inputs["supply_current_A"] = Measured(0.075)

    rehearsal = Rehearsal(zero_then_charge(0.012), ideal_cell(), tamper=welded)
    for _ in rehearsal.run(200.0):
        pass

    assert rehearsal.engine.memory.trip_cause == "current-while-isolated"
