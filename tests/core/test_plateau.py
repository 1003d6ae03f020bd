"""Has it stopped changing?"""

import math

import pytest

from chargerd.core.plateau import Plateau

CAPACITANCE_F = 1.5 * 3600 / 1.36


def watch(value, *, at_limit: bool, until_s: float, every_s: float = 5.0, current_A: float = 0.15, u: float = 0.0) -> float | None:
    """First time a plateau of ten minutes is seen, s."""
    plateau = Plateau()
    elapsed_s = 0.0
    while elapsed_s <= until_s:
        voltage_V = 1.85 if at_limit else value(elapsed_s)
        now_A = value(elapsed_s) if at_limit else current_A
        plateau.take(
            elapsed_s, voltage_V, now_A, at_limit, capacitance_F=CAPACITANCE_F, voltage_u_V=0.0 if at_limit else u,
            current_u_A=u if at_limit else 0.0,
        )  # fmt: skip
        if plateau.lasted_s(elapsed_s) >= 600.0:
            return elapsed_s
        elapsed_s += every_s
    return None


def test_a_taper_that_goes_on_is_no_plateau():
    assert watch(lambda t: 0.15 * math.exp(-t / 3600.0), at_limit=True, until_s=4 * 3600.0) is None


def test_a_taper_that_settles_is_a_plateau_when_it_falls_less_than_two_percent_in_ten_minutes():
    # I = 0.05 + 0.10 e^(−t/1800): the fall over the last 600 s is 2 % of I(t−600) at
    # 0.10 e^(−t/τ)(e^(600/τ) − 1) = 0.02 (0.05 + 0.10 e^(−(t−600)/τ)). Own calculation.
    tau_s = 1800.0
    grown = math.exp(600 / tau_s)
    exact_s = -tau_s * math.log(0.02 * 0.05 / (0.10 * (grown - 1) - 0.02 * 0.10 * grown))

    seen_s = watch(lambda t: 0.05 + 0.10 * math.exp(-t / tau_s), at_limit=True, until_s=6 * 3600.0)

    assert seen_s == pytest.approx(exact_s, abs=60.0)  # bucket means lag by a bucket


def test_a_voltage_still_rising_as_stored_charge_would_make_it_is_no_plateau():
    assert watch(lambda t: 1.2 + 0.15 * t / CAPACITANCE_F, at_limit=False, until_s=4 * 3600.0) is None


def test_a_flat_voltage_is_a_plateau_only_from_half_an_hour_on():
    assert watch(lambda t: 1.70, at_limit=False, until_s=2 * 3600.0) == pytest.approx(1800.0, abs=35.0)


def test_a_current_that_starts_flat_is_judged_from_the_first_full_window_on():
    assert watch(lambda t: 0.05, at_limit=True, until_s=3600.0) == pytest.approx(630.0, abs=10.0)


def test_a_coarse_bench_stretches_the_window_until_the_change_asked_for_is_three_uncertainties():
    # 10 mV steps: u of a difference 4.1 mV; 3 u · C / (10 % of I) = 3256 s = 54 min at 0.15 A.
    plateau = Plateau()
    plateau.take(0.0, 1.7, 0.15, False, capacitance_F=CAPACITANCE_F, voltage_u_V=0.0041, current_u_A=0.0)

    assert plateau.window_s == pytest.approx(54.3 * 60, abs=30.0)


def test_reaching_the_limit_begins_anew():
    plateau = Plateau()
    for index in range(400):
        plateau.take(5.0 * index, 1.7, 0.15, False, capacitance_F=CAPACITANCE_F, voltage_u_V=0.0, current_u_A=0.0)

    assert plateau.lasted_s(2000.0) > 0.0

    plateau.take(2000.0, 1.85, 0.15, True, capacitance_F=CAPACITANCE_F, voltage_u_V=0.0, current_u_A=0.0)

    assert plateau.lasted_s(2000.0) == 0.0
