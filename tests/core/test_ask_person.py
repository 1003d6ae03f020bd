"""A question waits with everything off; only an answer leads on, only through CHECKING, and without one in time the run stops."""

from __future__ import annotations

import pytest

from chargerd.core.demand import Energise
from chargerd.core.engine import Engine
from chargerd.core.events import (
    Answer,
    CheckFailed,
    CheckPassed,
    Gap,
    Pause,
    ProgramEnded,
    Resume,
    Start,
    StepEnded,
    StepStarted,
    Stop,
)
from chargerd.core.plan import Plan
from chargerd.core.program import Step, StepKind
from chargerd.core.reading import Reading
from chargerd.core.states import State

from .bench_of_one import begun, charge_step, inputs_of, plan_of, rest_step, take

QUESTION = "Is the water filled up?"


def ask_step(number: str = "1", *, within_s: float = 3600.0) -> Step:
    return Step(number, StepKind.ASK_PERSON, lasts_s=within_s, question=QUESTION)


def plan(*after: Step) -> Plan:
    return plan_of(ask_step(), *(after or (charge_step("2"),)))


def asked(*after: Step) -> Engine:
    engine = begun(plan(*after))
    take(engine, 10.0)
    return engine


def test_a_question_waits_paused_with_everything_off_and_says_what_it_asks():
    engine = asked()

    assert (engine.state, engine.memory.reason, engine.demand().energise) == (State.PAUSED, QUESTION, Energise.NONE)
    assert take(engine, 3000.0) == ()
    assert (engine.state, engine.demand().energise) == (State.PAUSED, Energise.NONE)


def test_an_answer_leads_on_only_through_checking():
    engine = asked()
    engine.command(Answer(text="yes, to the line"), 100.0)
    checking = (engine.state, engine.demand().energise)
    events = engine.command(CheckPassed(), 101.0)
    before = engine.demand().energise
    take(engine, 102.0)

    assert checking == (State.CHECKING, Energise.NONE)
    ended, started = (next(event for event in events if isinstance(event, kind)) for kind in (StepEnded, StepStarted))
    assert (ended.step, ended.end, ended.value, ended.limit) == ("1", "answered", 101.0, 3600.0)
    assert (started.step, before, engine.demand().energise) == ("2", Energise.NONE, Energise.SOURCE)


def test_a_resume_is_no_answer_and_asks_again():
    engine = asked()
    engine.command(Resume(), 100.0)
    engine.command(CheckPassed(), 101.0)

    assert (engine.state, engine.memory.reason, engine.step.number) == (State.PAUSED, QUESTION, "1")


def test_an_answer_nobody_asked_for_is_refused_and_changes_nothing():
    engine = begun(plan_of(charge_step("1")))
    engine.command(Pause(), 5.0)
    before = engine.memory_json()

    with pytest.raises(KeyError):
        engine.command(Answer(text="yes"), 6.0)

    assert engine.memory_json().replace('"elapsed_s":6.0', '"elapsed_s":5.0') == before


@pytest.mark.parametrize(("at_s", "state"), [(3599.9, State.PAUSED), (3600.0, State.STOPPED)])
def test_without_an_answer_in_time_the_run_stops_in_order(at_s, state):
    engine = asked()
    take(engine, at_s)

    assert engine.state is state
    assert engine.demand().energise is Energise.NONE
    assert (state is State.STOPPED) == ("nobody answered in time" in engine.memory.reason)


def test_an_answer_that_meets_a_failed_check_is_remembered_for_the_next_start():
    engine = asked()
    engine.command(Answer(text="yes"), 100.0)
    engine.command(CheckFailed("the thermometer is silent"), 101.0)
    engine.command(Start(by="resume"), 200.0)
    engine.command(CheckPassed(), 201.0)

    assert (engine.state, engine.step.number) == (State.RUNNING, "2")


def test_a_crash_while_a_question_waits_asks_it_again():
    engine = asked()
    again = Engine(plan())
    again.load_memory(engine.memory_json())
    again.command(Gap(None, 11.0), 500.0)
    again.command(Resume(), 600.0)
    again.command(CheckPassed(), 601.0)

    assert (again.state, again.memory.reason, again.memory.asked_s) == (State.PAUSED, QUESTION, 601.0)


def test_a_question_at_the_end_completes_the_program_and_one_after_the_other_both_wait():
    engine = asked(ask_step("2"))
    engine.command(Answer(), 100.0)
    engine.command(CheckPassed(), 101.0)
    second = (engine.state, engine.step.number)
    engine.command(Answer(), 200.0)
    events = engine.command(CheckPassed(), 201.0)

    assert second == (State.PAUSED, "2")
    assert [event.kind for event in events if isinstance(event, ProgramEnded)] == ["program-ended"]
    assert engine.state is State.COMPLETE


def test_a_person_may_stop_instead_of_answering_and_the_cell_is_protected_while_it_waits():
    engine = asked()
    engine.command(Stop(), 50.0)
    waiting = asked()
    waiting.take(Reading(60.0, inputs_of(voltage_V=2.80)), 60.0)

    assert (engine.state, waiting.state, waiting.memory.trip_cause) == (State.STOPPED, State.TRIPPED, "over-voltage")


def test_the_wait_is_no_part_of_a_step_after_it():
    engine = asked(rest_step("2", lasts_s=60.0))
    engine.command(Answer(), 1000.0)
    engine.command(CheckPassed(), 1001.0)
    take(engine, 1010.0)
    late = engine.state
    take(engine, 1061.0)

    assert (late, engine.state) == (State.RUNNING, State.COMPLETE)
