"""The engine: leases, permits, pauses, interruptions, gaps."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargerd.core.demand import Activity, Energise
from chargerd.core.engine import Engine
from chargerd.core.events import (
    CheckFailed,
    CheckPassed,
    Fault,
    Gap,
    Observed,
    Pause,
    ResistanceMeasured,
    Resume,
    Start,
    Stop,
    Tripped,
)  # fmt: skip
from chargerd.core.program import EndSpec, Interrupt, Repeat
from chargerd.core.reading import Measured, Quality, Reading
from chargerd.core.states import State

from .bench_of_one import begun, charge_step, charging, discharge_step, energised, inputs_of, plan_of, rest_step, take


def keep_charging(engine: Engine, from_s: float, to_s: float, **inputs: object) -> None:
    """Feed a reading every 10 s from the one instant to the other, both included, so that no lease lapses between."""
    at_s = from_s
    while at_s < to_s:
        charging(engine, at_s, **inputs)
        at_s += 10.0
    charging(engine, to_s, **inputs)


def kinds(events) -> list[str]:
    return [event.kind for event in events]


def test_nothing_is_demanded_before_checking_has_passed():
    engine = Engine(plan_of(charge_step()))
    assert engine.demand().energise is Energise.NONE

    engine.command(Start(), 0.0)
    take(engine, 0.0)

    assert (engine.state, engine.demand().energise) == (State.CHECKING, Energise.NONE)


def test_a_failed_check_goes_back_to_idle():
    engine = Engine(plan_of(charge_step()))
    engine.command(Start(), 0.0)
    engine.command(CheckFailed("no thermometer"), 1.0)

    assert engine.state is State.IDLE


def test_nothing_is_energised_before_a_reading_in_which_everything_is_good():
    engine = begun(plan_of(charge_step()))
    assert engine.demand().energise is Energise.NONE

    take(engine, 1.0, temperature_degC=None)
    assert engine.demand().energise is Energise.NONE

    take(engine, 2.0)
    demand = engine.demand()
    assert (demand.energise, demand.activity) == (Energise.SOURCE, Activity.CHARGE)
    assert (demand.voltage_set_V, demand.current_set_A) == (1.85, 0.15)


def test_the_lease_ends_three_periods_and_a_scan_after_the_last_good_reading():
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0)
    assert engine.demand().valid_until_s == 5.0 + 3 * 5.0 + 5.0

    charging(engine, 10.0, voltage_V=None)

    assert engine.demand().valid_until_s == 25.0


def test_a_lapsed_lease_trips_at_the_next_tick_and_not_before():
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0)
    before = engine.memory_json()

    assert engine.tick(25.0) == ()
    assert engine.memory_json() == before

    events = engine.tick(25.001)
    assert kinds(events) == ["tripped", "state-changed"]
    assert engine.demand().energise is Energise.NONE


@pytest.mark.parametrize(("at_s", "state"), [(25.0, State.RUNNING), (25.001, State.TRIPPED)])
def test_a_good_reading_does_not_renew_a_lease_that_has_lapsed(at_s, state):
    """The program was stopped or the computer slept: whatever the first reading afterwards says, nobody has supervised."""
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0)

    charging(engine, at_s)

    assert engine.state is state
    assert engine.memory.trip_cause == ("reading-lost" if state is State.TRIPPED else "")


def test_four_lost_readings_trip():
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0)
    seen = [kinds(charging(engine, 5.0 + 2.0 * n, voltage_V=None)) for n in range(1, 5)]

    assert seen == [["reading-lost"], [], [], ["tripped", "state-changed"]]
    assert engine.memory.trip_cause == "reading-lost"


def test_a_stale_value_counts_as_missing():
    engine = energised(plan_of(charge_step()))
    inputs = inputs_of(source_on=True, current_A=0.15)
    inputs["probe_temperature_degC"] = Measured(25.0, 20.1)
    engine.take(Reading(5.0, inputs), 5.0)

    assert engine.memory.missing == ["temperature"]
    assert engine.memory.last_good_s == 0.0


def test_a_value_of_bad_quality_counts_as_missing():
    engine = energised(plan_of(charge_step()))
    inputs = inputs_of(source_on=True, current_A=0.15)
    inputs["supply_voltage_V"] = Measured(1.5, 0.0, Quality.IMPLAUSIBLE)
    engine.take(Reading(5.0, inputs), 5.0)

    assert engine.memory.missing == ["voltage"]


def test_a_source_switched_off_at_its_panel_pauses_and_is_not_switched_on_again():
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0)
    events = take(engine, 10.0, source_on=False)

    assert kinds(events) == ["state-changed"]
    assert (engine.state, engine.memory.reason) == (State.PAUSED, "switched off at its panel")
    for elapsed_s in (15.0, 30.0, 3600.0):
        take(engine, elapsed_s)
        assert engine.demand().energise is Energise.NONE


def test_a_pause_freezes_timers_and_counters():
    step = charge_step(ends=(EndSpec("time", 100.0), EndSpec("charge", 1.8)))
    engine = energised(plan_of(step))
    keep_charging(engine, 10.0, 50.0)
    charge_Ah = engine.memory.tally.charge_in_Ah
    engine.command(Pause(), 50.0)
    take(engine, 60.0)
    engine.command(Resume(), 1050.0)
    engine.command(CheckPassed(), 1050.0)
    take(engine, 1050.0)
    engine.command(Observed("supply", "on", verified=True), 1050.0)

    assert engine.memory.tally.charge_in_Ah == charge_Ah
    keep_charging(engine, 1060.0, 1090.0)
    assert charging(engine, 1099.0) == ()
    assert kinds(charging(engine, 1100.0))[0] == "step-ended"


def pause_for_an_hour(engine: Engine, at_s: float) -> None:
    engine.command(Pause(), at_s)
    engine.command(Resume(), at_s + 3600.0)
    engine.command(CheckPassed(), at_s + 3600.0)
    take(engine, at_s + 3600.0)
    engine.command(Observed("supply", "on", verified=True), at_s + 3600.0)


def test_a_pause_is_no_part_of_a_plateau():
    ends = (EndSpec("plateau_lasts", 1200.0), EndSpec("charge", 9.0), EndSpec("time", 1e6))
    engine = energised(plan_of(charge_step(ends=ends)))
    keep_charging(engine, 10.0, 1900.0, voltage_V=1.7)
    lasted_s = engine.view.plateau_s
    assert 600.0 <= lasted_s < 1200.0

    pause_for_an_hour(engine, 1900.0)

    assert charging(engine, 1900.0 + 3601.0, voltage_V=1.7) == ()
    assert engine.view.plateau_s == pytest.approx(lasted_s + 1.0)


def test_a_pause_is_no_gassing():
    engine = energised(plan_of(charge_step(voltage_V=1.95)))
    charging(engine, 2.0, voltage_V=1.9)

    pause_for_an_hour(engine, 4.0)
    charging(engine, 3605.0, voltage_V=1.9)
    assert engine.memory.gas.gassing_s == 0.0  # three seconds above the threshold: the delay is five

    charging(engine, 3608.0, voltage_V=1.9)
    assert (engine.memory.gas.gassing_s, engine.memory.gas.terminal_s) == pytest.approx((6.0, 6.0))


def test_a_voltage_above_the_steps_own_before_a_pause_is_not_one_that_lasts():
    engine = energised(plan_of(charge_step()))
    charging(engine, 2.0, voltage_V=1.95)

    pause_for_an_hour(engine, 3.0)
    charging(engine, 3604.0, voltage_V=1.95)

    assert engine.state is State.RUNNING


def test_a_command_the_state_does_not_allow_is_refused_and_changes_nothing():
    engine = energised(plan_of(charge_step()))
    before = engine.memory.state
    with pytest.raises(KeyError):
        engine.command(Start(), 1.0)

    assert engine.memory.state == before


def test_stop_ends_the_run():
    engine = energised(plan_of(charge_step()))
    events = engine.command(Stop(reason="bedtime"), 5.0)

    assert events[0].after == "STOPPED"
    assert engine.demand().energise is Energise.NONE


@pytest.mark.parametrize(("what", "cause"), [("on", "on-not-verified"), ("off", "off-not-verified")])
def test_a_switching_that_was_not_verified_trips(what, cause):
    engine = energised(plan_of(charge_step()))
    events = engine.command(Observed("supply", what, verified=False, text="still 0.15 A"), 5.0)

    assert isinstance(events[0], Tripped)
    assert (events[0].cause, engine.state) == (cause, State.TRIPPED)


def test_only_the_first_trip_is_the_cause():
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0, voltage_V=2.8)
    assert engine.command(Fault("link-lost", "gone"), 6.0) == ()

    assert engine.memory.trip_cause == "over-voltage"


def test_a_tripped_engine_never_demands_energy_whatever_comes():
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0, voltage_V=2.8)
    for elapsed_s in (10.0, 20.0):
        take(engine, elapsed_s)
        assert engine.demand().energise is Energise.NONE
    for command in (Start(), Resume(), CheckPassed(), Pause()):
        with pytest.raises(KeyError):
            engine.command(command, 30.0)
    assert engine.state is State.TRIPPED


def test_a_trip_goes_before_an_end_reached_at_the_same_reading():
    step = charge_step(ends=(EndSpec("voltage_above", 2.0), EndSpec("time", 5.0), EndSpec("charge", 1.8)))
    engine = energised(plan_of(step))

    assert kinds(charging(engine, 5.0, voltage_V=2.8)) == ["tripped", "state-changed"]


def interrupted_engine() -> Engine:
    engine = energised(plan_of(charge_step(interrupt=Interrupt(300.0, 1.0))))
    engine.memory.opening.next_s = 300.0  # the first comes after 10 s; these tests look at a later one
    keep_charging(engine, 5.0, 295.0, voltage_V=1.60)
    return engine


def test_the_first_interruption_comes_ten_seconds_into_a_charge():
    engine = energised(plan_of(charge_step(interrupt=Interrupt(300.0, 1.0))))
    charging(engine, 5.0)
    assert engine.deadline_s() == 10.0

    charging(engine, 10.0)

    assert engine.demand().activity is Activity.INTERRUPTION


def run_interruption(engine: Engine, at_s: float, before_V: float, first_V: float, end_V: float) -> ResistanceMeasured:
    charging(engine, at_s, voltage_V=before_V)
    assert engine.demand().activity is Activity.INTERRUPTION
    engine.command(Observed("supply", "off", verified=True), at_s)
    take(engine, at_s + 0.02, voltage_V=first_V)
    assert engine.deadline_s() == at_s + 1.0
    events = take(engine, at_s + 1.0, voltage_V=end_V)
    engine.command(Observed("supply", "on", verified=True), at_s + 1.0)
    return events[0]


def test_an_interruption_gives_the_resistance_at_its_start_and_end():
    engine = interrupted_engine()
    assert engine.deadline_s() == 300.0

    measured = run_interruption(engine, 300.0, 1.60, 1.51, 1.495)

    assert measured.resistance_ohm == pytest.approx(0.6)
    assert measured.after_s == pytest.approx(0.02)
    assert measured.resistance_end_ohm == pytest.approx(0.7)
    assert (measured.accepted, engine.demand().energise) == (True, Energise.SOURCE)


def test_the_ir_free_voltage_uses_the_interruption_and_forgets_it_after_half_an_hour():
    engine = interrupted_engine()
    run_interruption(engine, 300.0, 1.60, 1.51, 1.495)
    engine.memory.opening.next_s = None  # no further interruption in this test
    charging(engine, 305.0, voltage_V=1.70)
    assert engine.view.ir_free_V == pytest.approx(1.70 - 0.15 * 0.6)

    for elapsed_s in range(310, 2120, 10):
        charging(engine, float(elapsed_s), voltage_V=1.70)

    assert engine.view.ir_free_V == 1.70


def test_a_resistance_that_jumped_by_more_than_half_is_not_used():
    engine = interrupted_engine()
    run_interruption(engine, 300.0, 1.60, 1.51, 1.495)
    keep_charging(engine, 305.0, 595.0, voltage_V=1.60)
    measured = run_interruption(engine, 600.0, 1.60, 1.45, 1.44)

    assert measured.accepted is False
    charging(engine, 605.0, voltage_V=1.70)
    assert engine.view.ir_free_V == 1.70


def test_an_interruption_in_which_the_source_stays_on_trips():
    engine = interrupted_engine()
    charging(engine, 300.0)

    assert charging(engine, 300.02)[0].cause == "source-found-on"


def test_an_interruption_is_skipped_when_its_reading_is_missing():
    engine = interrupted_engine()
    charging(engine, 300.0, voltage_V=None)

    assert engine.demand().energise is Energise.SOURCE


def test_after_a_gap_a_run_waits_for_a_person_and_is_charged_for_the_worst():
    engine = energised(plan_of(charge_step()))
    for elapsed_s in (5.0, 10.0):
        charging(engine, elapsed_s)
    before_Ah = engine.memory.protection.charge_Ah

    engine.command(Gap(duration_s=600.0, off_after_s=60.0), 610.0)

    assert engine.state is State.PAUSED
    assert engine.memory.protection.charge_Ah - before_Ah == pytest.approx(0.15 * 60 / 3600)
    take(engine, 611.0)
    assert engine.demand().energise is Energise.NONE

    engine.command(Resume(), 620.0)
    engine.command(CheckPassed(), 620.0)
    take(engine, 620.0)

    assert engine.view.elapsed_s == pytest.approx(10.0 + 60.0, abs=1e-6)
    assert engine.demand().energise is Energise.SOURCE


def test_a_gap_while_gassing_is_charged_as_gassing():
    engine = energised(plan_of(charge_step(voltage_V=1.95)))
    for elapsed_s in (5.0, 10.0, 15.0):
        charging(engine, elapsed_s, voltage_V=1.9)
    before_s, before_Ah = engine.memory.gas.gassing_s, engine.memory.gas.tafel_Ah

    engine.command(Gap(duration_s=None, off_after_s=30.0), 15.0)

    assert engine.memory.gas.gassing_s - before_s == 30.0
    assert engine.memory.gas.tafel_Ah - before_Ah == pytest.approx(0.15 * 30 / 3600)


@pytest.mark.parametrize("duration_s", [None, 10.0])
def test_a_gap_after_a_trip_leaves_it_tripped(duration_s):
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0, voltage_V=2.8)
    engine.command(Gap(duration_s=duration_s, off_after_s=0.0), 20.0)

    assert engine.state is State.TRIPPED


def test_a_program_walks_its_steps_and_completes():
    ends = (EndSpec("time", 10.0), EndSpec("charge", 1.8))
    engine = energised(plan_of(charge_step("1", ends=ends), rest_step("2", lasts_s=20.0)))

    assert kinds(charging(engine, 10.0)) == ["step-ended", "step-started"]
    assert engine.demand().energise is Energise.NONE
    assert engine.deadline_s() == 20.0
    assert take(engine, 20.0) == ()
    assert kinds(take(engine, 30.0)) == ["step-ended", "program-ended", "state-changed"]
    assert engine.state is State.COMPLETE


def test_source_and_load_are_never_demanded_together_across_a_step():
    ends = (EndSpec("time", 10.0), EndSpec("charge", 1.8))
    engine = energised(plan_of(charge_step("1", ends=ends), discharge_step("2")))
    charging(engine, 10.0)

    assert engine.demand().energise is Energise.LOAD
    # The source is still read on: until its off is observed the channel is not live, and this reading trips.
    assert charging(engine, 10.1)[0].cause == "source-found-on"


def test_memory_survives_json_bit_for_bit():
    engine = interrupted_engine()
    run_interruption(engine, 300.0, 1.60, 1.51, 1.495)
    for elapsed_s in range(305, 900, 5):
        charging(engine, float(elapsed_s), voltage_V=1.6 + elapsed_s * 1e-4, current_A=0.15 / 3)
    text = engine.memory_json()
    twin = Engine(engine.plan)
    twin.load_memory(text)

    assert twin.memory_json() == text
    assert twin.demand() == engine.demand()
    assert charging(twin, 905.0) == charging(engine, 905.0)
    assert twin.memory_json() == engine.memory_json()


def test_a_checkpoint_of_another_shape_is_refused():
    engine = begun(plan_of(charge_step()))
    with pytest.raises(ValueError):
        engine.load_memory('{"state":"RUNNING"}')
    with pytest.raises(ValueError):
        engine.load_memory(engine.memory_json().replace('"rung_top"', '"rung_tip"'))


LEVELS = st.one_of(st.none(), st.floats(-0.5, 3.0))
READINGS = st.lists(
    st.tuples(
        st.floats(0.1, 30.0), LEVELS, st.one_of(st.none(), st.floats(-0.5, 0.5)), st.one_of(st.none(), st.floats(0.0, 60.0)),
        st.one_of(st.none(), st.booleans()), st.one_of(st.none(), st.booleans()),
    ),
    max_size=40,
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(READINGS)
def test_whatever_is_read_energy_is_demanded_only_on_a_live_lease_and_never_again_after_a_trip(script):
    plan = plan_of(Repeat("1", 2, (charge_step("1.1"), rest_step("1.2"), discharge_step("1.3"))))
    engine = begun(plan)
    now_s, last_good_s, tripped = 0.0, -1.0, False
    for dt_s, voltage_V, current_A, temperature_degC, source_on, load_on in script:
        now_s = round(now_s + dt_s, 3)
        inputs = inputs_of(
            voltage_V=voltage_V, temperature_degC=temperature_degC, source_on=source_on, load_on=load_on, current_A=current_A or 0.0
        )
        if current_A is None:
            inputs["supply_current_A"] = replace_value(inputs["supply_current_A"])
        events = engine.take(Reading(now_s, inputs), now_s)
        if not engine.memory.missing:
            last_good_s = now_s
        tripped = tripped or any(isinstance(event, Tripped) for event in events)
        demand = engine.demand()
        if demand.energise is not Energise.NONE:
            assert not tripped
            assert last_good_s <= demand.valid_until_s <= last_good_s + 3 * demand.sample_every_s + 5.0
            engine.command(Observed(demand.energise.value, "on", verified=True), now_s)
        assert (engine.state is State.TRIPPED) == tripped


def replace_value(measured: Measured) -> Measured:
    return measured._replace(value=None, quality=Quality.ABSENT)


def test_every_limit_is_judged_while_checking_and_after_the_end_too():
    engine = begun(plan_of(rest_step("1", lasts_s=10.0)))
    take(engine, 10.0)
    assert engine.state is State.COMPLETE

    assert take(engine, 20.0, temperature_degC=46.0)[0].cause == "over-temperature"


def test_a_zero_current_found_at_checking_is_subtracted():
    plan = plan_of(charge_step())
    engine = Engine(plan)
    engine.command(Start(), 0.0)
    engine.command(CheckPassed(zero_source_A=0.004), 0.0)
    take(engine, 0.0)
    engine.command(Observed("supply", "on", verified=True), 0.0)
    charging(engine, 5.0, current_A=0.154)

    assert engine.derived.current_A == pytest.approx(0.15)


def test_without_a_thermometer_none_is_waited_for():
    plan = plan_of(charge_step(), inputs=replace(plan_of(charge_step()).inputs, thermometer=""))
    engine = begun(plan)
    take(engine, 0.0, temperature_degC=None)

    assert engine.demand().energise is Energise.SOURCE


def test_a_cell_too_cold_pauses_the_run_and_does_not_trip_it():
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0, temperature_degC=4.9)

    assert (engine.state, engine.memory.reason) == (State.PAUSED, "too-cold")
    assert engine.demand().energise is Energise.NONE


def test_an_end_reached_once_is_read_again_within_a_second():
    step = charge_step(ends=(EndSpec("voltage_above", 1.6), EndSpec("time", 3600.0), EndSpec("charge", 1.8)))
    engine = energised(plan_of(step))
    charging(engine, 5.0, voltage_V=1.59)
    assert engine.deadline_s() == 10.0

    charging(engine, 10.0, voltage_V=1.60)
    assert engine.deadline_s() == 11.0

    charging(engine, 11.0, voltage_V=1.59)
    assert engine.deadline_s() == 16.0


def test_leads_off_a_charging_cell_pause_the_run_and_are_not_called_full():
    step = charge_step(ends=(EndSpec("current_below", 0.03), EndSpec("time", 3600.0), EndSpec("charge", 1.8)))
    engine = energised(plan_of(step))
    charging(engine, 5.0, voltage_V=1.85, current_A=0.10, regulated=2)
    for elapsed_s in (10.0, 11.0):
        assert charging(engine, elapsed_s, voltage_V=1.85, current_A=0.0, regulated=2) == ()
    charging(engine, 12.0, voltage_V=1.85, current_A=0.0, regulated=2)

    assert engine.state is State.PAUSED
    assert "leads" in engine.memory.reason


def test_one_reading_without_current_pauses_nothing():
    engine = energised(plan_of(charge_step()))
    charging(engine, 5.0)
    charging(engine, 10.0, current_A=0.0)
    charging(engine, 11.0)
    for elapsed_s in (12.0, 13.0):
        charging(engine, elapsed_s, current_A=0.0)

    assert engine.state is State.RUNNING


def test_a_taper_may_fall_as_a_cell_does():
    engine = energised(plan_of(charge_step()))
    for count in range(30):
        charging(engine, 5.0 * (count + 1), voltage_V=1.85, current_A=0.15 * 0.75**count, regulated=2)

    assert engine.state is State.RUNNING


def test_a_load_that_no_longer_holds_its_current_pauses_the_run():
    engine = energised(plan_of(discharge_step("1")))
    for elapsed_s in (5.0, 6.0, 7.0):
        take(engine, elapsed_s, current_A=-0.14, load_on=True)

    assert engine.state is State.PAUSED


def test_the_ir_free_end_waits_for_a_resistance_that_was_measured():
    step = charge_step(
        voltage_V=2.65, interrupt=Interrupt(300.0, 1.0),
        ends=(EndSpec("ir_free_voltage_above", 1.55), EndSpec("time", 3600.0), EndSpec("charge", 1.8)),
    )  # fmt: skip
    engine = energised(plan_of(step))
    for elapsed_s in (5.0, 6.0, 7.0, 8.0):
        assert charging(engine, elapsed_s, voltage_V=1.6) == ()

    run_interruption(engine, 10.0, 1.60, 1.59, 1.58)
    seen = [kinds(charging(engine, elapsed_s, voltage_V=1.6)) for elapsed_s in (12.0, 13.0, 14.0)]

    assert seen == [[], [], ["step-ended", "program-ended", "state-changed"]]


def test_a_resistance_older_than_half_an_hour_no_longer_serves_the_ir_free_end():
    engine = interrupted_engine()
    run_interruption(engine, 300.0, 1.60, 1.51, 1.495)
    charging(engine, 305.0, voltage_V=1.6)
    assert engine.view.is_ir_free is True

    engine.memory.resistance_s -= 1800.0
    charging(engine, 310.0, voltage_V=1.6)

    assert engine.view.is_ir_free is False


def test_an_interruption_whose_first_reading_is_missing_gives_no_resistance():
    engine = interrupted_engine()
    charging(engine, 300.0, voltage_V=1.6)
    engine.command(Observed("supply", "off", verified=True), 300.0)
    take(engine, 300.02, voltage_V=None)

    events = take(engine, 301.0, voltage_V=None)

    assert kinds(events) == []
    assert engine.demand().activity is not Activity.INTERRUPTION


def test_an_interruption_in_which_the_source_was_never_seen_off_gives_no_resistance():
    engine = interrupted_engine()
    charging(engine, 300.0, voltage_V=1.6)
    engine.command(Observed("supply", "off", verified=True), 300.0)
    take(engine, 300.02, voltage_V=1.51, source_on=None)

    events = take(engine, 301.0, voltage_V=1.495, source_on=None)

    assert kinds(events) == []
    assert engine.demand().activity is not Activity.INTERRUPTION


def test_an_impossible_resistance_is_not_kept():
    engine = interrupted_engine()
    measured = run_interruption(engine, 300.0, 1.60, 1.61, 1.62)

    assert (measured.accepted, engine.memory.resistance_ohm) == (False, None)


def test_a_reading_that_went_missing_before_the_output_is_on_holds_it_off():
    engine = begun(plan_of(charge_step()))
    take(engine, 1.0)
    assert engine.demand().energise is Energise.SOURCE

    take(engine, 2.0, temperature_degC=None)

    assert engine.demand().energise is Energise.NONE
