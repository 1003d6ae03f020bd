"""The table of transitions."""

import pytest

from chargerd.core.states import OVER, TRANSITIONS, State, next_state


def test_every_state_has_a_row():
    assert set(TRANSITIONS) == set(State)


def test_a_pair_that_is_not_in_the_table_is_refused():
    with pytest.raises(KeyError):
        next_state(State.COMPLETE, "start")


def test_nothing_leads_out_of_tripped():
    assert set(TRANSITIONS[State.TRIPPED].values()) == {State.TRIPPED}


def test_only_checking_leads_to_running():
    into_running = {state for state, row in TRANSITIONS.items() for after in row.values() if after is State.RUNNING}

    assert into_running == {State.CHECKING}


def test_every_state_can_trip():
    assert {state for state, row in TRANSITIONS.items() if row.get("trip") is State.TRIPPED} == set(State)


def test_no_ended_state_leads_back():
    for state in OVER:
        assert set(TRANSITIONS[state].values()) <= {state, State.TRIPPED}


@pytest.mark.parametrize(
    ("cause", "led_from"),
    [
        ("start", "IDLE"), ("check-passed", "CHECKING"), ("check-failed", "CHECKING"), ("pause", "RUNNING"), ("resume", "PAUSED"),
        ("program-ended", "RUNNING"), ("stop", "IDLE CHECKING RUNNING PAUSED TRIPPED"),
        ("interrupted", "CHECKING RUNNING PAUSED COMPLETE STOPPED TRIPPED"), ("trip", "IDLE CHECKING RUNNING PAUSED COMPLETE STOPPED TRIPPED"),
    ],
)  # fmt: skip
def test_each_cause_leads_on_from_these_states_and_no_others(cause: str, led_from: str) -> None:
    """A channel that never started cannot be interrupted; one that has ended can still be found interrupted, and trip."""
    assert [state.value for state, row in TRANSITIONS.items() if cause in row] == led_from.split()


def test_what_is_over_stays_over() -> None:
    assert {State.COMPLETE, State.STOPPED, State.TRIPPED} == OVER
    assert TRANSITIONS[State.PAUSED]["interrupted"] is State.PAUSED
    assert TRANSITIONS[State.CHECKING]["interrupted"] is TRANSITIONS[State.RUNNING]["interrupted"] is State.PAUSED
