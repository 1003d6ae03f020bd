"""The trapezoid against closed solutions, and what counts as a gap."""

from __future__ import annotations

import math

import pytest

from chargerd.verdict.totals import Pace, Totals, Trapezoid, check_totals

TAU_S, LAST_S = 600.0, 3600.0
EXACT_As = TAU_S * (1.0 - math.exp(-LAST_S / TAU_S))


def decay_error(every_s: float) -> float:
    trapezoid = Trapezoid()
    for place in range(round(LAST_S / every_s) + 1):
        trapezoid.take(place * every_s, 1.0, math.exp(-place * every_s / TAU_S))
    return trapezoid.in_As / EXACT_As - 1.0


@pytest.mark.parametrize(("every_s", "error"), [(1.0, 2.31e-7), (10.0, 2.315e-5), (60.0, 8.332e-4), (300.0, 2.075e-2)])
def test_an_exponential_decay_errs_as_the_trapezoid_must(every_s: float, error: float) -> None:
    # For exp(-t/tau) the trapezoid gives (x/2)/tanh(x/2) times the integral, x = h/tau (geometric series, own derivation).
    half = every_s / TAU_S / 2.0

    assert half / math.tanh(half) - 1.0 == pytest.approx(error, rel=3e-3)
    assert decay_error(every_s) == pytest.approx(half / math.tanh(half) - 1.0, rel=1e-6)


def test_the_error_shrinks_with_the_square_of_the_interval() -> None:
    assert decay_error(20.0) / decay_error(10.0) == pytest.approx(4.0, rel=1e-3)


def test_a_straight_line_through_zero_counts_each_side_for_itself() -> None:
    trapezoid = Trapezoid()
    trapezoid.take(0.0, 1.0, 1.0)
    trapezoid.take(4.0, 1.0, -3.0)

    assert (trapezoid.in_As, trapezoid.out_As) == (0.5, 4.5)
    assert (trapezoid.in_J, trapezoid.out_J) == (0.5, 4.5)


def test_the_other_direction_through_zero_as_well() -> None:
    trapezoid = Trapezoid()
    trapezoid.take(0.0, 2.0, -3.0)
    trapezoid.take(4.0, 2.0, 1.0)

    assert (trapezoid.in_As, trapezoid.out_As) == (0.5, 4.5)
    assert (trapezoid.in_J, trapezoid.out_J) == (1.0, 9.0)


def test_nothing_is_counted_across_a_break() -> None:
    trapezoid = Trapezoid()
    trapezoid.take(0.0, 1.0, 1.0)
    trapezoid.break_off()
    trapezoid.take(100.0, 1.0, 1.0)

    assert trapezoid.in_As == 0.0
    assert trapezoid.step_in_As == 0.0


def test_three_declared_intervals_and_a_second_are_no_gap_and_more_is() -> None:
    assert Pace(5.0).is_gap(16.0) is False
    assert Pace(5.0).is_gap(16.001) is True


def test_an_undeclared_interval_is_learnt_and_short_ones_do_not_mislead() -> None:
    pace = Pace()
    for interval_s in (0.01, 5.0, 5.0, 5.0, 1.0, 5.0):
        assert pace.is_gap(interval_s) is False

    assert pace.is_gap(17.0) is True
    assert pace.usual_s == 5.0


def test_totals_that_differ_by_more_than_gaps_may_hide_do_not_agree() -> None:
    journal = Totals(1.5, 1.4, 2.4, 1.8)

    assert check_totals(Totals(1.501, 1.4, 2.4, 1.8), journal, 0.0).agree is True
    assert check_totals(Totals(1.51, 1.4, 2.4, 1.8), journal, 0.0).agree is False
    assert check_totals(Totals(1.51, 1.4, 2.4, 1.8), journal, 0.01).agree is True
    assert check_totals(Totals(1.5, 1.39, 2.4, 1.8), journal, 0.0).agree is False
