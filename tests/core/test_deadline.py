"""When the next reading is wanted, how long the last good one holds, and what is remembered of one that lacked something."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chargerd.core.deadline import CONFIRM_EVERY_S, LEASE_EXTRA_S, WATCH_EVERY_S, deadline_s, lapsed, note_missing, valid_until_s
from chargerd.core.events import Event, ReadingFound, ReadingLost
from chargerd.core.limits import Trip
from chargerd.core.memory import Memory
from chargerd.core.program import EndSpec, Interrupt, Step
from chargerd.core.states import State

from .bench_of_one import charge_step, rest_step

ENDLESS = charge_step(ends=(EndSpec("charge", 1.8),))
"""A charge without an end in time, read each 5 s."""


def running(**values: object) -> Memory:
    given = {"state": State.RUNNING.value, "live": True, "last_reading_s": 100.0, "last_good_s": 100.0}
    return Memory(**(given | values))  # type: ignore[arg-type]


def test_the_first_reading_is_wanted_at_once() -> None:
    assert deadline_s(running(last_reading_s=None), ENDLESS) == 0.0


def test_a_step_is_read_at_its_own_period_and_what_does_not_run_each_ten_seconds() -> None:
    assert deadline_s(running(), ENDLESS) == 105.0
    for state in (State.PAUSED, State.COMPLETE, State.STOPPED, State.TRIPPED, State.CHECKING):
        assert deadline_s(running(state=state.value), ENDLESS) == 110.0
    assert WATCH_EVERY_S == 10.0


def test_an_end_seen_once_is_read_again_a_second_later() -> None:
    memory = running()
    memory.confirmed["voltage_above"] = 1

    assert deadline_s(memory, ENDLESS) == 101.0
    memory.confirmed["voltage_above"] = 0
    assert deadline_s(memory, ENDLESS) == 105.0
    assert CONFIRM_EVERY_S == 1.0
    memory.confirmed["voltage_above"] = 1
    for last_s, wanted_s in ((100.004, 101.004), (100.0004, 101.0)):  # to the millisecond
        memory.last_reading_s = last_s
        assert deadline_s(memory, ENDLESS) == wanted_s


@pytest.mark.parametrize(
    ("started_s", "paused_s", "wanted_s"),
    [
        (0.0, 0.0, 103.0),  # the step's 103 s end before its period does
        (0.0, 2.0, 105.0),  # a pause puts the end off: both at once
        (0.0, 3.0, 105.0),
        (-3.0, 0.0, 105.0),  # an end that is reached is not waited for: it was judged at the last reading
        (-2.999, 0.0, 100.001),
        (0.0, 0.0004, 103.0),  # whole milliseconds
    ],
)
@pytest.mark.parametrize(
    "step", [charge_step(ends=(EndSpec("time", 103.0), EndSpec("charge", 1.8))), replace(rest_step(lasts_s=103.0), sample_every_s=5.0)]
)
def test_a_step_is_read_when_its_time_is_over(step: Step, started_s: float, paused_s: float, wanted_s: float) -> None:
    assert deadline_s(running(step_started_s=started_s, step_paused_s=paused_s), step) == wanted_s


def test_an_interruption_is_read_when_it_is_due_and_when_it_is_over() -> None:
    step = charge_step(interrupt=Interrupt(300.0, 1.5), ends=(EndSpec("charge", 1.8),))
    memory = running()

    memory.opening.next_s = 103.0
    assert deadline_s(memory, step) == 103.0
    memory.opening.next_s = 106.0
    assert deadline_s(memory, step) == 105.0
    memory.opening.next_s = 100.0
    assert deadline_s(memory, step) == 105.0
    for open_s, over_s in ((100.004, 101.504), (100.0004, 101.5)):
        memory.opening.open_s, memory.opening.next_s = open_s, 100.5
        assert deadline_s(memory, step) == over_s
    assert deadline_s(memory, ENDLESS) == 105.0, "a step without interruptions has none due"


def test_a_good_reading_holds_for_the_periods_tolerated_and_five_seconds() -> None:
    assert valid_until_s(running(), ENDLESS, 3) == 100.0 + 3 * 5.0 + 5.0
    assert valid_until_s(running(), ENDLESS, 0) == 105.0
    assert valid_until_s(running(last_good_s=None), ENDLESS, 3) == -1.0
    assert LEASE_EXTRA_S == 5.0


def test_a_lease_has_lapsed_just_after_its_last_instant() -> None:
    assert lapsed(running(), ENDLESS, 3, 120.0) is None
    assert lapsed(running(), ENDLESS, 3, 120.001) == Trip("reading-lost", pytest.approx(20.001), None, "no reading in time")
    assert lapsed(running(last_good_s=None), ENDLESS, 3, 7.0) == Trip("reading-lost", 7.0, None, "no reading in time")


@pytest.mark.parametrize("values", [{"live": False}, {"state": State.PAUSED.value}, {"state": State.TRIPPED.value}])
def test_what_is_not_on_has_no_lease_that_could_lapse(values: dict[str, object]) -> None:
    assert lapsed(running(**values), ENDLESS, 3, 1e6) is None


def note(memory: Memory, missing: list[str], now_s: float) -> list[Event]:
    events: list[Event] = []
    note_missing(memory, missing, now_s, events)
    return events


def test_what_is_missing_is_said_once_and_what_comes_back_is_too() -> None:
    memory = running()

    assert note(memory, ["voltage"], 105.0) == [ReadingLost("voltage", 1)]
    assert (memory.last_good_s, memory.missed) == (100.0, 1)
    assert note(memory, ["voltage", "temperature"], 110.0) == [ReadingLost("temperature", 2)]
    assert note(memory, ["temperature"], 115.0) == [ReadingFound("voltage")]
    assert (memory.last_good_s, memory.missed, memory.missing) == (100.0, 3, ["temperature"])
    assert note(memory, [], 120.0) == [ReadingFound("temperature")]
    assert (memory.last_good_s, memory.missed, memory.missing) == (120.0, 0, [])
    assert note(memory, [], 125.0) == []
    assert note(memory, ["voltage"], 130.0) == [ReadingLost("voltage", 1)]
