"""Charge and energy by the trapezoid."""

import math

import pytest

from chargerd.core.tally import Tally

TAU_S = 600.0


def decay(every_s: float) -> Tally:
    """I = exp(−t/τ) at 1 V, 0…3600 s, sampled each `every_s`."""
    tally = Tally()
    for index in range(round(3600 / every_s) + 1):
        elapsed_s = index * every_s
        tally.add(elapsed_s, 1.0, math.exp(-elapsed_s / TAU_S), every_s)
    return tally


@pytest.mark.parametrize(
    ("every_s", "relative", "half_digit"),
    [(1, 2.31e-7, 5e-10), (10, 2.315e-5, 5e-9), (60, 8.332e-4, 5e-8), (300, 2.075e-2, 5e-6)],
)
def test_the_trapezoid_errs_as_its_law_says(every_s, relative, half_digit):
    # Error of the trapezoid (b−a)·h²·max|f″|/12: for a decay the relative error is h²/(12 τ²). Own calculation.
    exact_As = TAU_S * (1.0 - math.exp(-6.0))

    assert exact_As == pytest.approx(598.51275, abs=5e-6)
    assert decay(every_s).charge_in_Ah * 3600.0 / exact_As - 1.0 == pytest.approx(relative, abs=half_digit)


def test_energy_uses_the_power_at_each_reading():
    tally = Tally()
    tally.add(0.0, 1.0, 1.0, 3600.0)
    tally.add(3600.0, 2.0, 1.0, 3600.0)

    assert tally.energy_in_Wh == pytest.approx(1.5)
    assert tally.charge_in_Ah == pytest.approx(1.0)


def test_charge_and_discharge_are_kept_apart():
    tally = Tally()
    for elapsed_s, current_A in ((0.0, 2.0), (10.0, 2.0), (20.0, -2.0), (30.0, -2.0)):
        tally.add(elapsed_s, 1.5, current_A, 10.0)

    # 10 s at 2 A, then a triangle of 5 s each way, then 10 s back.
    assert tally.charge_in_Ah * 3600.0 == pytest.approx(25.0)
    assert tally.charge_out_Ah * 3600.0 == pytest.approx(25.0)
    assert tally.energy_in_Wh == pytest.approx(tally.energy_out_Wh)


def test_a_missing_reading_leaves_the_interval_open():
    tally = Tally()
    tally.add(0.0, 1.5, 1.0, 10.0)
    tally.add(10.0, None, 1.0, 10.0)
    tally.add(15.0, 1.5, None, 10.0)
    tally.add(20.0, 1.5, 3.0, 10.0)

    assert tally.charge_in_Ah * 3600.0 == pytest.approx(40.0)


def test_a_gap_is_counted_as_unknown_and_not_interpolated():
    tally = Tally()
    tally.add(0.0, 1.5, 1.0, 10.0)
    tally.add(31.5, 1.5, 1.0, 10.0)

    assert (tally.charge_in_Ah, tally.gaps, tally.gap_s) == (0.0, 1, 31.5)


def test_time_after_forgetting_is_not_counted():
    tally = Tally()
    tally.add(0.0, 1.5, 1.0, 10.0)
    tally.forget()
    tally.add(10.0, 1.5, 1.0, 10.0)

    assert tally.charge_in_Ah == 0.0


def test_a_new_step_starts_its_own_sums():
    tally = Tally()
    tally.add(0.0, 1.5, 1.0, 10.0)
    tally.add(10.0, 1.5, 1.0, 10.0)
    tally.start_step()
    tally.add(20.0, 1.5, 1.0, 10.0)

    assert tally.step_charge_Ah * 3600.0 == pytest.approx(10.0)
    assert tally.charge_in_Ah * 3600.0 == pytest.approx(20.0)
