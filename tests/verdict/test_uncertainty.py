"""Limits from data sheets, and the digits they leave."""

from __future__ import annotations

import pytest

from chargerd.verdict.uncertainty import (
    Accuracy,
    charge_limit_Ah,
    decimals,
    energy_limit_Wh,
    ratio_limit,
    significant,
    stated,
    stated_percent,
)


def test_a_tenth_of_a_per_cent_and_a_milliampere_over_five_hours() -> None:
    # √((0.001 × 1.5 Ah)² + (1 mA × 5 h)²) = 5.2 mAh (own arithmetic).
    limit_Ah = charge_limit_Ah(1.5, 5 * 3600.0, Accuracy(0.001, 0.001))

    assert limit_Ah == pytest.approx(5.2202e-3, rel=1e-4)


def test_an_offset_outweighs_a_gain_thirty_times_at_a_fifth_of_the_rate() -> None:
    # 0.3 A for 5 h, ±(0.05 % + 5 mA): 25.0 mAh against 0.75 mAh (own arithmetic).
    assert charge_limit_Ah(0.0, 5 * 3600.0, Accuracy(0.0005, 0.005)) == pytest.approx(25.0e-3)
    assert charge_limit_Ah(1.5, 0.0, Accuracy(0.0005, 0.005)) == pytest.approx(0.75e-3)


def test_the_step_of_current_between_two_samples_adds_its_own_part() -> None:
    assert charge_limit_Ah(0.0, 3600.0, Accuracy(0.0, 0.003), 0.004) == pytest.approx(0.005)


def test_unknown_accuracy_gives_no_limit() -> None:
    assert charge_limit_Ah(1.5, 18000.0, None) is None
    assert energy_limit_Wh(2.0, 1.5, 18000.0, Accuracy(0.001, 0.0), None) is None
    assert ratio_limit(1.4, None, 1.5, 0.01) is None


def test_an_energy_errs_with_voltage_and_current() -> None:
    current, voltage = Accuracy(0.003, 0.0), Accuracy(0.004, 0.0)

    assert energy_limit_Wh(2.0, 1.5, 18000.0, current, voltage) == pytest.approx(0.010)
    assert energy_limit_Wh(2.0, 1.6, 0.0, Accuracy(0.0, 0.0), Accuracy(0.0, 0.005)) == pytest.approx(0.008)


def test_half_a_per_cent_twice_makes_seven_tenths() -> None:
    assert ratio_limit(1.0, 0.005, 1.0, 0.005) == pytest.approx(0.00707, rel=1e-3)


@pytest.mark.parametrize(("limit", "places"), [(0.0052, 3), (0.014, 3), (0.0196, 2), (0.5, 1), (1.4, 1), (3.0, 0), (40.0, 0), (1.0, 1)])
def test_a_limit_leaves_its_first_digit_and_the_second_after_a_one(limit: float, places: int) -> None:
    assert decimals(limit) == places


def test_a_limit_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="positive and finite"):
        decimals(0.0)


def test_no_more_digits_than_justified() -> None:
    assert stated(1.386421, 0.0052, "Ah") == "1.386 ± 0.005 Ah"
    assert stated(1.386421, None, "Ah") == "1.39 Ah"
    assert stated_percent(0.99312, 0.01) == "99.3 ± 1.0 %"
    assert stated_percent(0.99312, 0.03) == "99 ± 3 %"
    assert stated_percent(0.99312, None) == "99 %"


@pytest.mark.parametrize(("value", "text"), [(1234.0, "1230"), (0.04567, "0.0457"), (0.0, "0"), (-2.5, "-2.50"), (0.9996, "1.000")])
def test_three_significant_digits_without_an_exponent(value: float, text: str) -> None:
    assert significant(value) == text
