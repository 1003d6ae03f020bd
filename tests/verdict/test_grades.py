"""A word only where its condition is met and the bench resolves it. The limits are the project's own."""

from __future__ import annotations

from dataclasses import replace

import pytest

from chargerd.verdict.capacity import Cycle
from chargerd.verdict.grades import Grade, grade_efficiency, grade_fall, grade_resistance, graded
from chargerd.verdict.resistance import Resistance
from chargerd.verdict.settle import Settled

CYCLE = Cycle(2, 2, "1.1", 2.0, 0.8, 1.5, 1.47, 2.5, 2.0, 36000.0, 0.01, 0.03, True, "", 0.98, 0.005, 0.8, 0.03)


@pytest.mark.parametrize(
    ("efficiency", "limit", "grade"),
    [
        (0.98, None, Grade.GOOD), (0.97, None, Grade.GOOD), (0.95, 0.01, Grade.FAIR), (0.90, None, Grade.FAIR),
        (0.85, 0.01, Grade.REJECT), (0.965, 0.01, Grade.NOT_RESOLVED), (0.895, 0.01, Grade.NOT_RESOLVED),
    ],
)  # fmt: skip
def test_coulombic_efficiency(efficiency: float, limit: float | None, grade: Grade) -> None:
    assert grade_efficiency(replace(CYCLE, coulombic_efficiency=efficiency, coulombic_limit=limit)) is grade


def test_a_cycle_that_is_not_judged_has_no_grade() -> None:
    assert grade_efficiency(replace(CYCLE, why_not="the first cycle is not judged")) is Grade.NOT_TESTED
    assert grade_efficiency(None) is Grade.NOT_TESTED


@pytest.mark.parametrize(("ohm", "grade"), [(0.5, Grade.GOOD), (1.0, Grade.FAIR), (1.4, Grade.REJECT)])
def test_resistance_at_ten_seconds(ohm: float, grade: Grade) -> None:
    assert grade_resistance(Resistance(0.0, 0.3, 0.05, ohm, 10.0, 0.3), 1.5) is grade


@pytest.mark.parametrize(("ohm", "grade"), [(0.5, Grade.GOOD), (1.0, Grade.NOT_RESOLVED), (1.4, Grade.NOT_RESOLVED)])
def test_with_leads_and_clips_in_it_a_resistance_can_be_good_and_never_the_cells_fault(ohm: float, grade: Grade) -> None:
    assert grade_resistance(Resistance(0.0, 0.3, 0.05, ohm, 10.0, 0.3), 1.5, leads_in_voltage=True) is grade


def test_resistance_at_one_second_is_no_test_of_ten() -> None:
    assert grade_resistance(Resistance(0.0, 0.3, 0.05, 0.5, 1.0, 0.3), 1.5) is Grade.NOT_TESTED
    assert grade_resistance(Resistance(0.0, 0.3, 0.05, 0.5, 10.0, 0.3), None) is Grade.NOT_TESTED


@pytest.mark.parametrize(("fall_V", "grade"), [(0.111, Grade.GOOD), (0.191, Grade.FAIR), (0.584, Grade.REJECT)])
def test_fall_over_a_day(fall_V: float, grade: Grade) -> None:
    assert grade_fall(Settled("charge", "1.1", 1, 2.1, {3600.0: 2.0, 86400.0: 2.0 - fall_V}, 90000.0, 1.9)) is grade


def test_ten_minutes_are_no_test_of_a_day() -> None:
    assert grade_fall(Settled("charge", "1.1", 1, 2.1, {600.0: 2.0}, 600.0, 2.0)) is Grade.NOT_TESTED


def test_smaller_is_better_when_good_is_below_fair() -> None:
    assert graded(0.5, None, 0.8, 2.0) is Grade.GOOD
    assert graded(0.75, 0.1, 0.8, 2.0) is Grade.NOT_RESOLVED
