"""Gassing time and estimated gas charge."""

import pytest

from chargerd.core.gas import GasMeter, current_min_A, tafel_current_A, threshold_V
from chargerd.core.plan import Gassing

GASSING = Gassing(threshold_V=1.85, coefficient_V_per_K=-0.004, current_25_A=0.015, decade_V=0.120)


def feed(meter: GasMeter, elapsed_s: float, level_V: float, current_A: float = 0.15, **more: object) -> None:
    settings = {"current_min_A": 0.015, "capacitance_F": 3970.0, "on_plateau": False, **more}
    tafel_A = tafel_current_A(GASSING, level_V, 1.85)
    meter.take(elapsed_s, level_V + 0.05, level_V, current_A, 1.85, tafel_A, **settings)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("temperature_degC", "expected_V"),
    [(25.0, 1.85), (35.0, 1.81), (45.0, 1.77), (20.0, 1.87), (15.0, 1.89), (0.0, 1.89), (None, 1.81)],
)
def test_the_threshold_falls_fully_when_hot_and_rises_little_when_cold(temperature_degC, expected_V):
    # −4 mV/K, never more than 40 mV above its 25 °C value; without a thermometer a warm 35 °C is assumed.
    assert threshold_V(GASSING, temperature_degC) == pytest.approx(expected_V)


def test_one_decade_of_voltage_is_ten_times_the_current():
    # Tafel's law (J. Tafel, 1905).
    assert tafel_current_A(GASSING, 1.85, 1.85) == pytest.approx(0.015)
    assert tafel_current_A(GASSING, 1.97, 1.85) == pytest.approx(0.15)
    assert tafel_current_A(GASSING, 1.73, 1.85) == pytest.approx(0.0015)


@pytest.mark.parametrize(("rated_Ah", "expected_A"), [(1.5, 0.015), (0.5, 0.010), (10.0, 0.1)])
def test_no_gassing_is_counted_below_a_hundredth_of_the_rating(rated_Ah, expected_A):
    assert current_min_A(rated_Ah) == pytest.approx(expected_A)


def test_gassing_counts_from_its_first_second_once_it_has_lasted_five():
    meter = GasMeter()
    for elapsed_s in range(5):
        feed(meter, float(elapsed_s), 1.86)

    assert (meter.flag, meter.gassing_s) == (False, 0.0)

    feed(meter, 5.0, 1.86)

    assert (meter.flag, meter.gassing_s) == (True, 5.0)


def test_a_spike_shorter_than_five_seconds_counts_nothing():
    meter = GasMeter()
    for elapsed_s, level_V in ((0.0, 1.80), (2.0, 1.90), (4.0, 1.90), (6.0, 1.80), (8.0, 1.90), (10.0, 1.90)):
        feed(meter, elapsed_s, level_V)

    assert meter.gassing_s == 0.0


def test_gassing_goes_on_within_twenty_millivolts_below_the_threshold_and_ends_below_that():
    meter = GasMeter()
    for elapsed_s, level_V in ((0.0, 1.86), (5.0, 1.86), (10.0, 1.835), (15.0, 1.835), (20.0, 1.829), (25.0, 1.849)):
        feed(meter, elapsed_s, level_V)

    # The flag falls at 20 s; that interval's end no longer gasses, so it is not counted.
    assert (meter.flag, meter.gassing_s) == (False, 15.0)


def test_gassing_time_accumulates_over_episodes():
    meter = GasMeter()
    for elapsed_s, level_V in ((0, 1.86), (5, 1.86), (10, 1.80), (15, 1.86), (20, 1.86), (25, 1.86)):
        feed(meter, float(elapsed_s), level_V)

    assert meter.gassing_s == 5.0 + 10.0


def test_current_at_or_below_the_least_charging_current_ends_gassing():
    meter = GasMeter()
    feed(meter, 0.0, 1.9)
    feed(meter, 5.0, 1.9)
    feed(meter, 10.0, 1.9, current_A=0.015)

    assert (meter.flag, meter.gassing_s) == (False, 5.0)


def test_the_terminal_timer_runs_where_the_ir_free_one_does_not():
    meter = GasMeter()
    for elapsed_s in (0.0, 5.0, 10.0):
        feed(meter, elapsed_s, 1.81)  # terminal 1.86

    assert (meter.gassing_s, meter.terminal_s) == (0.0, 10.0)


def test_tafel_charge_is_the_law_integrated():
    meter = GasMeter()
    for index in range(101):
        feed(meter, 36.0 * index, 1.85)

    assert meter.tafel_Ah == pytest.approx(0.015)


def test_residual_is_what_the_capacitance_cannot_have_stored():
    meter = GasMeter()
    feed(meter, 0.0, 1.90, current_A=0.3)
    feed(meter, 5.0, 1.90, current_A=0.3)
    for index in range(1, 721):
        feed(meter, 5.0 + 5.0 * index, 1.90 + 0.01 * index / 720, current_A=0.3)

    # 3600 s at 0.3 A less 3970 F · 10 mV, from the reading at which the flag rose.
    assert meter.residual_Ah + meter.episode_best_Ah == pytest.approx(0.3 - 3970 * 0.01 / 3600, rel=1e-6)


def test_after_a_plateau_all_current_is_gas():
    meter = GasMeter()
    feed(meter, 0.0, 1.5, current_A=0.2)
    feed(meter, 3600.0, 1.5, current_A=0.2, on_plateau=True)

    assert meter.plateau_Ah == pytest.approx(0.2)
    assert meter.charge_Ah == pytest.approx(0.2)


def test_no_more_than_the_whole_current_can_be_gas():
    meter = GasMeter()
    feed(meter, 0.0, 2.8, current_A=1.0)
    feed(meter, 3600.0, 2.8, current_A=1.0)

    assert meter.tafel_Ah == pytest.approx(1.0)
