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
