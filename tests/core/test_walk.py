"""Walking a program: rounds, rungs, stepping back, agreement."""

from __future__ import annotations

import pytest

from chargerd.core.events import Event, RepeatEnded, RoundEnded, SteppedBack
from chargerd.core.memory import Position
from chargerd.core.program import Climb, Program, Repeat
from chargerd.core.walk import LOSES_CHARGE, Walk

from .bench_of_one import charge_step, discharge_step, rest_step

RUNGS_V = (1.75, 1.80, 1.85)


def climbing(*, rounds: int = 10, within: float | None = 0.02, back: float | None = 0.95) -> Repeat:
    steps = (charge_step("1.1", voltage_V=None, climbs=True), discharge_step("1.2"))
    return Repeat("1", rounds, steps, Climb(RUNGS_V, back), within)


class Walked:
    """A walk fed with rounds of so much charge in and out; keeps the rungs and what was said."""

    def __init__(self, *items: Repeat) -> None:
        self.walk = Walk(Program("p", (*items, rest_step("9"))), Position())
        self.walk.begin(0.0, 0.0)
        self.in_Ah = self.out_Ah = 0.0
        self.events: list[Event] = []
        self.rungs_V = [self.walk.voltage_V()]

    def round(self, in_Ah: float, out_Ah: float) -> None:
        self.in_Ah += in_Ah
        assert self.walk.advance(self.in_Ah, self.out_Ah, self.events)
        self.out_Ah += out_Ah
        assert self.walk.advance(self.in_Ah, self.out_Ah, self.events)
        self.rungs_V.append(self.walk.voltage_V())

    @property
    def ended(self) -> list[str]:
        return [event.end for event in self.events if isinstance(event, RepeatEnded)]


def test_each_round_climbs_one_rung_and_stays_on_the_last():
    walked = Walked(climbing())
    for capacity_Ah in (0.5, 0.6, 0.7, 0.8):
        walked.round(capacity_Ah / 0.97, capacity_Ah)

    assert walked.rungs_V == [1.75, 1.80, 1.85, 1.85, 1.85]


def test_two_rounds_that_agree_end_the_repeat_only_on_the_last_rung():
    walked = Walked(climbing())
    for _ in range(3):
        walked.round(1.03, 1.0)
    assert walked.ended == []

    walked.round(1.03, 1.015)

    assert walked.ended == ["capacity_within"]
    assert walked.walk.step().number == "9"


@pytest.mark.parametrize(("last_Ah", "ended"), [(1.0202, []), (1.0198, ["capacity_within"])])
def test_agreement_is_a_share_of_the_mean_of_both(last_Ah, ended):
    # |a − b| ≤ 2 % of (a + b)/2 with a = 1: b = 1.0202.
    walked = Walked(climbing())
    for _ in range(3):
        walked.round(1.1 / 1.05, 1.0)
    walked.round(1.07, last_Ah + 0.00001)

    assert walked.ended == ended


def test_a_round_that_loses_charge_makes_the_rung_below_the_last():
    walked = Walked(climbing())
    walked.round(1.0, 0.5)  # the first round is not judged
    walked.round(1.0, 0.94)

    assert [(event.from_V, event.to_V) for event in walked.events if isinstance(event, SteppedBack)] == [(1.80, 1.75)]
    walked.round(1.0, 0.97)
    walked.round(1.0, 0.97)
    assert walked.rungs_V == [1.75, 1.80, 1.75, 1.75, None]
    assert walked.ended == ["capacity_within"]


def test_stepping_back_may_happen_more_than_once_and_below_the_lowest_rung_ends_the_repeat():
    walked = Walked(climbing())
    for _ in range(2):
        walked.round(1.0, 0.97)
    for _ in range(3):
        walked.round(1.0, 0.90)

    backs = [event.to_V for event in walked.events if isinstance(event, SteppedBack)]
    assert backs == [1.80, 1.75, None]
    assert walked.ended == [LOSES_CHARGE]


def test_exactly_the_share_asked_for_is_enough():
    walked = Walked(climbing(back=0.5))
    walked.round(1.0, 0.5)
    walked.round(1.0, 0.5)

    assert not any(isinstance(event, SteppedBack) for event in walked.events)


def test_a_repeat_ends_with_its_rounds():
    walked = Walked(climbing(rounds=2, within=None))
    walked.round(1.0, 0.97)
    walked.round(1.0, 0.97)

    assert walked.ended == ["rounds"]


def test_a_step_back_in_the_last_round_ends_with_the_rounds():
    walked = Walked(climbing(rounds=2, within=None))
    walked.round(1.0, 0.97)
    walked.round(1.0, 0.90)

    assert walked.ended == ["rounds"]


def test_a_round_without_charge_has_no_efficiency_and_no_agreement():
    walked = Walked(climbing(rounds=4))
    for _ in range(4):
        walked.round(0.0, 0.0)

    assert [event.coulombic_efficiency for event in walked.events if isinstance(event, RoundEnded)] == [None] * 4
    assert walked.ended == ["rounds"]


def test_without_a_climb_any_two_rounds_running_may_agree():
    steps = (charge_step("1.1"), discharge_step("1.2"))
    walked = Walked(Repeat("1", 5, steps, None, 0.02))
    walked.round(1.0, 0.97)
    walked.round(1.0, 0.97)

    assert walked.ended == ["capacity_within"]


def test_the_next_item_begins_anew_and_the_end_is_the_end():
    walked = Walked(climbing(rounds=1), climbing(rounds=1))
    walked.round(1.0, 0.97)

    assert (walked.walk.position.round, walked.walk.position.rung, walked.walk.voltage_V()) == (1, 0, 1.75)
    walked.round(1.0, 0.97)
    assert walked.walk.step().number == "9"
    assert walked.walk.advance(2.0, 1.94, walked.events) is False


def test_a_round_before_a_step_back_is_no_round_running():
    walked = Walked(climbing())
    walked.round(1.0, 0.97)
    walked.round(1.0, 0.90)
    walked.round(1.0, 0.97)
    assert walked.ended == []

    walked.round(1.0, 0.97)

    assert walked.ended == ["capacity_within"]
