"""Faraday's law in the book of gas."""

from __future__ import annotations

import pytest

from chargerd.verdict.gasbook import FARADAY_C_PER_MOL, gas_of, hydrogen_L, molar_volume_L, oxygen_L, sum_of, water_g


def test_the_constants_are_those_of_codata() -> None:
    # CODATA 2018: F = 96485.33212… C/mol exactly; molar volume 22.413970 L (273.15 K, 101.325 kPa).
    assert pytest.approx(96485.3321233100, abs=1e-9) == FARADAY_C_PER_MOL
    assert molar_volume_L(0.0) == pytest.approx(22.413970, abs=5e-7)


# Computed from those constants; 0.418 L/Ah at 0 °C is the figure of EN 50272-2 before its rounding to 0.42.
@pytest.mark.parametrize(
    ("temperature_degC", "hydrogen", "oxygen"),
    [(0.0, 0.41815, 0.20907), (20.0, 0.44876, 0.22438), (25.0, 0.45642, 0.22821), (50.0, 0.49469, 0.24734)],
)
def test_gas_volumes_to_five_digits(temperature_degC: float, hydrogen: float, oxygen: float) -> None:
    assert round(hydrogen_L(1.0, temperature_degC), 5) == hydrogen
    assert round(oxygen_L(1.0, temperature_degC), 5) == oxygen


def test_water_electrolysed_to_five_digits() -> None:
    assert round(water_g(1.0), 5) == 0.33608


def test_a_charge_is_booked_at_its_worst() -> None:
    entry = gas_of("1.1", 2, 0.1, 1200.0, 1500.0, 1.25)

    assert entry.share == pytest.approx(0.08)
    assert entry.hydrogen_L == pytest.approx(0.045642, rel=1e-4)
    assert entry.oxygen_L == pytest.approx(0.022821, rel=1e-4)
    assert entry.water_g == pytest.approx(0.033608, rel=1e-4)


def test_a_charge_of_nothing_has_no_share() -> None:
    assert gas_of("1.1", 1, 0.0, 0.0, 0.0, 0.0).share is None


def test_charges_add_up() -> None:
    total = sum_of([gas_of("1.1", 1, 0.1, 60.0, 90.0, 1.0), gas_of("1.1", 2, 0.3, 120.0, 180.0, 1.0)])

    assert (total.gas_charge_Ah, total.gassing_s, total.gassing_terminal_s) == pytest.approx((0.4, 180.0, 270.0))
    assert total.share == pytest.approx(0.2)
