"""Words for single figures: good, fair, reject. The limits are the project's own.

A figure gets a word only when it was taken under the condition its limit is made for, and only when the bench resolves it.
"""

from __future__ import annotations

from enum import StrEnum

from chargerd.verdict.capacity import Cycle
from chargerd.verdict.resistance import Resistance
from chargerd.verdict.settle import Settled

EFFICIENCY_GOOD, EFFICIENCY_FAIR = 0.97, 0.90
RESISTANCE_GOOD_OHM_AH, RESISTANCE_FAIR_OHM_AH = 0.8, 2.0
FALL_GOOD_V, FALL_FAIR_V = 0.150, 0.400
RESISTANCE_AT_S = (9.0, 11.0)
"""The resistance limits are for 10 s after the step; a second after opening shows less, and would flatter the cell."""


class Grade(StrEnum):
    """What one figure says. NOT_RESOLVED: its uncertainty reaches across a limit. NOT_TESTED: condition not met."""

    GOOD = "good"
    FAIR = "fair"
    REJECT = "reject"
    NOT_RESOLVED = "not resolved"
    NOT_TESTED = "not tested"


def graded(value: float, limit: float | None, good: float, fair: float) -> Grade:
    """Grade a figure; `good` > `fair` means that larger is better. A figure that straddles a limit is not resolved."""
    off = limit or 0.0
    low, high = _word(value - off, good, fair), _word(value + off, good, fair)
    return low if low is high else Grade.NOT_RESOLVED


def _word(value: float, good: float, fair: float) -> Grade:
    sign = 1.0 if good > fair else -1.0
    if sign * value >= sign * good:
        return Grade.GOOD
    return Grade.FAIR if sign * value >= sign * fair else Grade.REJECT


def grade_efficiency(cycle: Cycle | None) -> Grade:
    """Grade the coulombic efficiency of a judged cycle: good from 97 %, fair from 90 %."""
    if cycle is None or not cycle.judged or cycle.coulombic_efficiency is None:
        return Grade.NOT_TESTED
    return graded(cycle.coulombic_efficiency, cycle.coulombic_limit, EFFICIENCY_GOOD, EFFICIENCY_FAIR)


def grade_resistance(resistance: Resistance | None, rated_Ah: float | None, *, leads_in_voltage: bool = False) -> Grade:
    """Grade R(10 s) × rated capacity: good to 0.8 Ω·Ah, fair to 2.0. An interruption shorter than 9 s is no test of it.

    With leads and clips in it, only good is certain: nobody knows how much of a larger one is the cell's.
    """
    if resistance is None or rated_Ah is None or not RESISTANCE_AT_S[0] <= resistance.end_after_s <= RESISTANCE_AT_S[1]:
        return Grade.NOT_TESTED
    grade = graded(resistance.end_ohm * rated_Ah, None, RESISTANCE_GOOD_OHM_AH, RESISTANCE_FAIR_OHM_AH)
    return Grade.NOT_RESOLVED if leads_in_voltage and grade is not Grade.GOOD else grade


def grade_fall(settled: Settled | None) -> Grade:
    """Grade the fall of the open-circuit voltage from 1 h to 24 h after charge: good to 150 mV, fair to 400."""
    fall_V = None if settled is None else settled.fall_V(3600.0, 86400.0)
    return Grade.NOT_TESTED if fall_V is None else graded(fall_V, None, FALL_GOOD_V, FALL_FAIR_V)
