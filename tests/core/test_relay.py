"""The relay at the cell, as the core knows it: no energy through a contact that was not proven, and none left closed for nothing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargerd.core.causes import CAUSES
from chargerd.core.demand import Energise
from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Gap, Observed, Pause, ReadingLost, Record, Start, Stop, Tripped
from chargerd.core.limits import Zeros
from chargerd.core.plan import Plan
from chargerd.core.program import Interrupt
from chargerd.core.reading import ABSENT, ChannelInputs, Measured, Reading
from chargerd.core.relay import REST_CONNECTED_MAX_S
from chargerd.core.states import State
from tests.core.bench_of_one import charge_step, discharge_step, inputs_of, plan_of, rest_step

WITH_METER = ChannelInputs("supply", "load", "meter", "probe", switch="relay")
WITHOUT_METER = ChannelInputs("supply", "load", "", "probe", switch="relay")


def reading(elapsed_s: float, *, closed: bool | None, mirror: bool | None = None, **inputs: object) -> Reading:
    raw = inputs_of(**inputs)  # type: ignore[arg-type]
    raw["meter_voltage_V"] = raw["supply_voltage_V"]
    raw["relay_closed"] = ABSENT if closed is None else Measured(float(closed))
    if mirror is not None:
        raw["relay_mirror"] = Measured(float(mirror))
    return Reading(elapsed_s, raw)


def take(engine: Engine, elapsed_s: float, **inputs: object) -> tuple[Record, ...]:
    return engine.take(reading(elapsed_s, **inputs), elapsed_s)  # type: ignore[arg-type]


def checked(plan: Plan) -> Engine:
    engine = Engine(plan)
    engine.command(Start(), 0.0)
    engine.command(CheckPassed(), 0.0)
    return engine


def connected(plan: Plan) -> Engine:
    """Relay closed and proven at 0 s, with a reading through it at 1 s."""
    engine = checked(plan)
    take(engine, 0.0, closed=False)
    engine.command(Observed("relay", "closed", verified=True), 0.5)
    assert take(engine, 1.0, closed=True) == ()
    return engine


def live(plan: Plan) -> Engine:
    engine = connected(plan)
    which = "supply" if engine.demand().energise is Energise.SOURCE else "load"
    engine.command(Observed(which, "on", verified=True), 1.0)
    return engine


def cause(events: tuple[Record, ...]) -> str:
    return next((event.cause for event in events if isinstance(event, Tripped)), "")


def test_first_the_relay_then_a_reading_through_it_then_energy():
    engine = checked(plan_of(charge_step(), inputs=WITH_METER))
    asked = [(engine.demand().connected, engine.demand().energise)]

    take(engine, 0.0, closed=False)
    asked.append((engine.demand().connected, engine.demand().energise))
    engine.command(Observed("relay", "closed", verified=True), 0.5)
    take(engine, 1.0, closed=True)
    asked.append((engine.demand().connected, engine.demand().energise))

    assert asked == [(False, Energise.NONE), (True, Energise.NONE), (True, Energise.SOURCE)]


def test_a_channel_without_a_relay_is_energised_as_before():
    engine = checked(plan_of(charge_step()))
    engine.take(Reading(0.0, inputs_of()), 0.0)

    assert engine.demand().energise is Energise.SOURCE


@pytest.mark.parametrize(
    ("inputs", "lasts_s", "stays"),
    [
        (WITH_METER, REST_CONNECTED_MAX_S, True),
        (WITH_METER, REST_CONNECTED_MAX_S + 1.0, False),
        (WITHOUT_METER, 3600.0, True),
    ],
)
def test_a_rest_longer_than_a_minute_opens_the_relay_where_a_meter_still_reads_the_cell(inputs, lasts_s, stays):
    engine = connected(plan_of(rest_step(lasts_s=lasts_s), inputs=inputs))

    assert engine.demand().energise is Energise.NONE
    assert engine.demand().connected is stays


def test_a_rest_does_not_close_a_relay_where_a_meter_reads_the_cell():
    engine = checked(plan_of(rest_step(lasts_s=30.0), inputs=WITH_METER))
    take(engine, 0.0, closed=False)

    assert engine.demand().connected is False


def test_a_rest_closes_the_relay_where_only_the_source_reads_the_cell():
    engine = checked(plan_of(rest_step(lasts_s=600.0), inputs=WITHOUT_METER))
    take(engine, 0.0, closed=False)

    assert engine.demand().connected is True


def test_the_relay_stays_closed_through_an_interruption():
    engine = live(plan_of(charge_step(interrupt=Interrupt(300.0, 1.0)), inputs=WITH_METER))
    take(engine, 20.0, closed=True, source_on=True, current_A=0.15)

    assert engine.memory.opening.open_s == 20.0
    assert (engine.demand().connected, engine.demand().energise) == (True, Energise.NONE)


@pytest.mark.parametrize("command", [Pause(), Stop()])
def test_nothing_is_asked_of_the_cell_after_a_pause_or_a_stop_so_the_relay_opens(command):
    engine = live(plan_of(charge_step(), inputs=WITH_METER))
    engine.command(command, 2.0)

    assert engine.demand().connected is False


def test_a_relay_that_opened_by_itself_trips():
    engine = live(plan_of(charge_step(), inputs=WITH_METER))

    assert cause(take(engine, 2.0, closed=False, source_on=True)) == "relay-found-open"


def test_a_relay_that_closed_by_itself_trips_at_rest_and_after_the_end():
    for engine in (checked(plan_of(rest_step(), inputs=WITH_METER)), checked(plan_of(rest_step(lasts_s=1.0), inputs=WITH_METER))):
        take(engine, 0.0, closed=False)
        take(engine, 5.0, closed=False)

        assert cause(take(engine, 6.0, closed=True)) == "relay-found-closed"


@pytest.mark.parametrize("closed", [False, True])
def test_a_second_contact_that_contradicts_trips(closed):
    engine = (connected if closed else checked)(plan_of(rest_step(lasts_s=10.0), inputs=WITH_METER))

    assert cause(take(engine, 2.0, closed=closed, mirror=not closed)) == "relay-contradicts"


@pytest.mark.parametrize("closed", [False, True])
def test_a_second_contact_that_agrees_does_not_trip(closed):
    engine = (connected if closed else checked)(plan_of(rest_step(lasts_s=30.0), inputs=WITH_METER))

    assert take(engine, 2.0, closed=closed, mirror=closed) == ()


@pytest.mark.parametrize("what", ["open", "closed"])
def test_a_switching_of_the_relay_that_is_not_proven_trips(what):
    engine = checked(plan_of(charge_step(), inputs=WITH_METER))

    assert cause(engine.command(Observed("relay", what, verified=False, text="says nothing"), 1.0)) == "relay-not-verified"
    assert "relay-not-verified" in CAUSES


def test_a_relay_that_cannot_be_read_is_missed_and_nothing_goes_on():
    engine = checked(plan_of(charge_step(), inputs=WITH_METER))
    events = take(engine, 0.0, closed=None)

    assert [event.name for event in events if isinstance(event, ReadingLost)] == ["relay state"]
    assert engine.demand().connected is False


def test_a_relay_that_stays_unread_while_energised_trips():
    engine = live(plan_of(charge_step(), inputs=WITH_METER))
    causes = [cause(take(engine, 5.0 * n, closed=None, source_on=True, current_A=0.15)) for n in range(1, 5)]

    assert causes == ["", "", "", "reading-lost"]


def test_what_a_source_reads_behind_an_open_relay_is_not_the_cell():
    engine = checked(plan_of(charge_step(), inputs=WITHOUT_METER))

    assert take(engine, 0.0, closed=False, voltage_V=0.02) == ()
    assert engine.derived.voltage_V is None
    assert engine.demand().connected is True


def test_a_cell_that_nobody_reads_through_a_closed_relay_is_missed():
    engine = checked(plan_of(charge_step(), inputs=WITHOUT_METER))
    take(engine, 0.0, closed=False)
    engine.command(Observed("relay", "closed", verified=True), 0.5)
    events = take(engine, 1.0, closed=True, voltage_V=None)

    assert [event.name for event in events if isinstance(event, ReadingLost)] == ["voltage"]
    assert engine.demand().energise is Energise.NONE


def test_a_voltage_above_the_limit_behind_an_open_relay_trips_all_the_same():
    engine = checked(plan_of(rest_step(), inputs=WITHOUT_METER))

    assert cause(take(engine, 0.0, closed=False, voltage_V=2.8)) == "over-voltage"


def test_after_a_gap_the_relay_counts_as_open():
    engine = live(plan_of(charge_step(), inputs=WITH_METER))
    engine.command(Gap(None, 11.0), 30.0)

    assert engine.state is State.PAUSED
    assert take(engine, 31.0, closed=False) == ()
    assert cause(take(engine, 32.0, closed=True)) == "relay-found-closed"


def lossy(engine: Engine, elapsed_s: float, source_V: float, *, current_A: float = 0.8) -> str:
    """A reading in which the source stands at `source_V` and the meter at the cell shows 1.5 V."""
    seen = reading(elapsed_s, closed=True, source_on=True, current_A=current_A, voltage_V=1.5)
    seen.inputs["supply_voltage_V"] = Measured(source_V)
    return cause(engine.take(seen, elapsed_s))


def test_what_clips_and_contacts_turn_into_heat_trips_at_the_third_reading():
    # 0.33 V at 0.8 A are 0.26 W; with 50 mohm of leads 0.032 W of them are the leads' own.
    plan = plan_of(charge_step(current_A=0.8), inputs=WITH_METER)
    leads = plan_of(charge_step(current_A=0.8), inputs=WITH_METER, zeros=Zeros(lead_ohm=0.05))

    assert [lossy(engine, t, 1.83) for engine in (live(plan),) for t in (2.0, 3.0, 4.0)] == ["", "", "hot-contact"]
    assert [lossy(engine, t, 1.83) for engine in (live(leads),) for t in (2.0, 3.0, 4.0)] == ["", "", ""]


def test_one_good_reading_between_forgives_a_hot_contact_and_a_little_heat_is_none():
    engine = live(plan_of(charge_step(current_A=0.8), inputs=WITH_METER))

    assert [lossy(engine, t, source_V) for t, source_V in ((2.0, 1.83), (3.0, 1.83), (4.0, 1.55), (5.0, 1.83), (6.0, 1.80))] == [""] * 5


def test_a_loss_that_is_no_number_is_not_taken_for_a_cold_contact():
    engine = live(plan_of(charge_step(current_A=0.8), inputs=WITH_METER))
    seen = engine._observer.observe(reading(2.0, closed=True, source_on=True, current_A=0.8), 20.0, 0.0, 0.0)
    seen.source_voltage_V = math.nan
    guard, bounds = engine._protection, engine._bounds
    trips = [guard.judge(seen, bounds, live=True, watched=True, gas_A=0.0, connected=True) for _ in range(3)]

    assert [trip is not None and trip.cause for trip in trips] == [False, False, "hot-contact"]


STEPS = (charge_step("1", interrupt=Interrupt(30.0, 1.0)), rest_step("2", lasts_s=30.0), discharge_step("3"), rest_step("4"))
READINGS = st.fixed_dictionaries(
    {
        "closed": st.sampled_from([True, False, None]),
        "mirror": st.sampled_from([None, None, True, False]),
        "voltage_V": st.sampled_from([1.5, 1.2, 0.7, None, 2.8]),
        "source_on": st.sampled_from([False, True, None]),
        "load_on": st.sampled_from([False, True, None]),
        "current_A": st.sampled_from([0.15, -0.3, 0.0]),
    }
)
COMMANDS = st.sampled_from(
    [
        Observed("relay", "closed", verified=True), Observed("relay", "open", verified=True),
        Observed("relay", "open", verified=False), Observed("supply", "on", verified=True),
        Observed("supply", "off", verified=True), Observed("load", "on", verified=True), Gap(None, 11.0),
    ]
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.sampled_from([WITH_METER, WITHOUT_METER]), st.lists(st.one_of(READINGS, COMMANDS), max_size=30))
def test_whatever_happens_energy_is_asked_for_only_through_a_relay_proven_closed(inputs, happenings):
    engine = checked(plan_of(*STEPS, inputs=inputs))
    proven = False
    for at_s, what in enumerate(happenings):
        if isinstance(what, dict):
            take(engine, 5.0 * at_s, **what)
        else:
            engine.command(what, 5.0 * at_s)
            proven = (what.what == "closed" if what.what in ("open", "closed") else proven) if isinstance(what, Observed) else False
        demand = engine.demand()

        assert demand.energise is Energise.NONE or (proven and demand.connected)
        assert engine.state is State.RUNNING or not demand.connected
