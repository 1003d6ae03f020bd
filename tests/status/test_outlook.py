"""Estimates against closed forms: straight lines, and the exponential i(t) = c + A·exp(-t/tau)."""

import math
import random
from itertools import pairwise

import pytest

from chargerd.core.ends import ENDS, StepView
from chargerd.core.program import EndSpec, Step, StepKind
from chargerd.status.outlook import (
    FIT_POINTS_MIN,
    NO_OUTLOOK,
    POINTS_MAX,
    Forecast,
    Outlook,
    Taper,
    fit_line,
    fit_taper,
    value_of,
)


def charge(*ends: tuple[str, float], kind: StepKind = StepKind.CHARGE) -> Step:
    return Step("1", kind, 0.15, 1.85, lasts_s=600.0, ends=tuple(EndSpec(*end) for end in ends))


def follow(step: Step, views: list[StepView]) -> Outlook:
    forecast = Forecast(step)
    for view in views:
        forecast.take(view)
    return forecast.outlook()


def taper(t_s: float, floor_A: float, height_A: float, tau_s: float) -> StepView:
    return StepView(t_s, 1.85, floor_A + height_A * math.exp(-t_s / tau_s), at_voltage_limit=True, charge_Ah=0.0001 * t_s)


def test_no_views_no_outlook() -> None:
    assert Forecast(charge(("time", 100.0))).outlook() == NO_OUTLOOK


def test_time_counts_down_exactly_from_the_first_view() -> None:
    end = follow(charge(("time", 3600.0)), [StepView(600.0, 1.7, 0.15)]).next_end

    assert end is not None
    assert end == ("time", 600.0, 3600.0, 3000.0)


def test_charge_at_constant_current_is_a_straight_line() -> None:
    views = [StepView(5.0 * k, 1.7, 0.15, charge_Ah=0.15 * 5.0 * k / 3600.0) for k in range(1, 400)]
    outlook = follow(charge(("charge", 1.8), ("time", 50400.0)), views)

    assert outlook.next_end is not None
    assert outlook.next_end.end == "charge"
    assert outlook.step_left_s == pytest.approx(1.8 / 0.15 * 3600.0 - views[-1].elapsed_s, rel=1e-9)


def test_the_first_of_several_ends_is_named() -> None:
    views = [StepView(10.0 * k, 0.8 + 0.001 * k, 0.15, gassing_s=10.0 * k, charge_Ah=1e-5 * k) for k in range(1, 100)]
    outlook = follow(charge(("charge", 1.8), ("gassing_time", 1200.0), ("time", 50400.0)), views)

    assert outlook.next_end is not None
    assert (outlook.next_end.end, pytest.approx(outlook.next_end.remaining_s)) == ("gassing_time", 210.0)


def test_a_falling_voltage_reaches_the_end_of_discharge() -> None:
    views = [StepView(10.0 * k, 1.6 - 1e-4 * 10.0 * k, -0.3) for k in range(1, 200)]
    outlook = follow(charge(("voltage_below", 0.8), kind=StepKind.DISCHARGE), views)

    assert outlook.step_left_s == pytest.approx(8000.0 - 1990.0, rel=1e-6)
    assert (outlook.voltage_trend, outlook.current_trend) == (-1, 0)


@pytest.mark.parametrize("floor_A", [0.0, 0.008])
@pytest.mark.parametrize("now_s", [1500.0, 6000.0])
def test_a_taper_reaches_its_end_when_the_closed_form_says(floor_A: float, now_s: float) -> None:
    height_A, tau_s, end_A = 0.15, 4000.0, 0.02
    views = [taper(5.0 * k, floor_A, height_A, tau_s) for k in range(int(now_s / 5.0) + 1)]
    outlook = follow(charge(("current_below", end_A), ("time", 50400.0)), views)
    expected_s = tau_s * math.log(height_A / (end_A - floor_A)) - now_s

    assert outlook.next_end is not None
    assert outlook.next_end.end == "current_below"
    assert outlook.step_left_s == pytest.approx(expected_s, rel=0.01)
    assert outlook.current_trend == -1


def test_a_current_that_tapers_to_its_gas_never_promises_an_end_below_it() -> None:
    views = [taper(5.0 * k, 0.04, 0.11, 2000.0) for k in range(800)]
    outlook = follow(charge(("current_below", 0.03), ("time", 50400.0)), views)

    assert outlook.next_end is not None
    assert outlook.next_end.end == "time"


def test_charge_and_energy_at_the_voltage_limit_follow_the_taper() -> None:
    floor_A, height_A, tau_s, volts, now_s = 0.02, 0.13, 3000.0, 1.85, 4000.0

    def flowed_Ah(t_s: float) -> float:
        return (floor_A * t_s + height_A * tau_s * (1.0 - math.exp(-t_s / tau_s))) / 3600.0

    views = []
    for k in range(int(now_s / 5.0) + 1):
        view = taper(5.0 * k, floor_A, height_A, tau_s)
        view.charge_Ah, view.energy_Wh = flowed_Ah(5.0 * k), volts * flowed_Ah(5.0 * k)
        views.append(view)
    end_Ah = flowed_Ah(now_s + 5000.0)

    assert follow(charge(("charge", end_Ah)), views).step_left_s == pytest.approx(5000.0, rel=0.01)
    assert follow(charge(("energy", volts * end_Ah)), views).step_left_s == pytest.approx(5000.0, rel=0.01)


def test_a_taper_to_nothing_never_moves_more_than_it_holds() -> None:
    assert Taper(0.0, 0.1, 3600.0).charges_in_s(0.0999) == pytest.approx(3600.0 * math.log(1000.0), rel=1e-3)
    assert Taper(0.0, 0.1, 3600.0).charges_in_s(0.101) is None


def test_below_the_voltage_limit_the_limit_comes_first_and_then_nothing_is_promised() -> None:
    views = [StepView(10.0 * k, 1.5 + 1e-4 * k, 0.15, charge_Ah=0.15 * k / 360.0) for k in range(1, 201)]
    step = charge(("current_below", 0.03), ("charge", 1.8), ("time", 50400.0))
    outlook = follow(step, views)

    assert outlook.to_limit_s == pytest.approx((1.85 - 1.52) / 1e-5)
    assert (outlook.next_end, outlook.step_left_s) == (("current_below", 0.15, 0.03, None), None)

    sooner = charge(("current_below", 0.03), ("charge", 0.1), ("time", 50400.0))

    assert follow(sooner, views).to_limit_s is None
    assert follow(sooner, views).step_left_s == pytest.approx((0.1 - 200 * 0.15 / 360.0) / 0.15 * 3600.0)


def test_the_limit_of_a_climbing_charge_is_its_rung() -> None:
    step = Step("1", StepKind.CHARGE, 0.15, climbs=True, ends=(EndSpec("time", 50400.0),))
    forecast = Forecast(step, 1.75)
    for k in range(1, 201):
        forecast.take(StepView(10.0 * k, 1.5 + 1e-4 * k, 0.15))

    assert forecast.outlook().to_limit_s == pytest.approx((1.75 - 1.52) / 1e-5)


def test_reaching_the_limit_starts_anew_so_that_a_long_charge_does_not_hide_a_short_taper() -> None:
    before = [StepView(5.0 * k, 1.7 + 1e-5 * k, 0.15) for k in range(5000)]
    start_s = before[-1].elapsed_s
    after = [taper(5.0 * k, 0.0, 0.15, 600.0) for k in range(60)]
    for view in after:
        view.elapsed_s += start_s + 5.0
    outlook = follow(charge(("current_below", 0.03), ("time", 50400.0)), before + after)

    assert outlook.step_left_s == pytest.approx(600.0 * math.log(5.0) - 295.0, rel=0.02)
    assert outlook.to_limit_s is None


def test_the_time_to_the_limit_counts_down_too() -> None:
    forecast, seen = Forecast(charge(("time", 1e6))), []
    for k in range(3000):
        forecast.take(StepView(1.0 * k, 1.5 + 1e-5 * k, 0.15))
        if k > 2900:
            seen.append(forecast.outlook().to_limit_s)

    assert {round((before or 0.0) - (after or 0.0), 3) for before, after in pairwise(seen)} == {1.0}


def test_noise_of_a_milliampere_moves_the_estimate_little() -> None:
    noise = random.Random(1)
    views = [taper(5.0 * k, 0.0, 0.15, 4000.0) for k in range(1200)]
    for view in views:
        view.current_A = round(view.current_A or 0.0, 3) + noise.choice((-0.001, 0.0, 0.001))
    outlook = follow(charge(("current_below", 0.02)), views)

    assert outlook.step_left_s == pytest.approx(4000.0 * math.log(0.15 / 0.02) - 5995.0, rel=0.25)


def test_below_the_voltage_limit_nothing_is_said_of_the_taper() -> None:
    views = [StepView(5.0 * k, 1.7, 0.15) for k in range(400)]
    outlook = follow(charge(("current_below", 0.03)), views)

    assert outlook.next_end is not None
    assert (outlook.next_end.value, outlook.next_end.remaining_s, outlook.step_left_s) == (0.15, None, None)


def test_noise_about_a_steady_voltage_is_no_slope() -> None:
    noise = random.Random(2)
    views = [StepView(5.0 * k, 1.7 + noise.gauss(0.0, 0.002), -0.3) for k in range(400)]
    outlook = follow(charge(("voltage_below", 0.8), kind=StepKind.DISCHARGE), views)

    assert (outlook.step_left_s, outlook.voltage_trend) == (None, 0)


def test_a_voltage_that_leads_away_from_its_end_is_not_drawn_out() -> None:
    views = [StepView(5.0 * k, 1.0 + 1e-4 * k, -0.3) for k in range(400)]

    assert follow(charge(("voltage_below", 0.8), kind=StepKind.DISCHARGE), views).step_left_s is None


def test_a_temperature_an_ir_free_voltage_and_a_plateau_are_drawn_out_too() -> None:
    views = [StepView(10.0 * k, 1.7, 0.15, 20.0 + 0.01 * k, 1.5 + 1e-4 * k, plateau_s=10.0 * k) for k in range(1, 101)]

    assert follow(charge(("temperature_above", 30.0)), views).step_left_s == pytest.approx(9000.0)
    assert follow(charge(("ir_free_voltage_above", 1.6)), views).step_left_s == pytest.approx(9000.0)
    assert follow(charge(("plateau_lasts", 1600.0)), views).step_left_s == pytest.approx(600.0)


def test_a_plateau_that_has_not_begun_has_no_time() -> None:
    assert follow(charge(("plateau_lasts", 600.0)), [StepView(10.0 * k, 1.7, 0.15) for k in range(40)]).step_left_s is None


def test_a_rest_ends_by_its_own_time_with_no_current_at_all() -> None:
    outlook = follow(charge(kind=StepKind.REST), [StepView(360.0, 1.8, 0.0)])

    assert outlook.next_end is not None
    assert (outlook.next_end.end, outlook.step_left_s) == ("lasts", 240.0)


def test_interruptions_do_not_disturb_a_taper() -> None:
    def views(interrupted_every: int) -> list[StepView]:
        return [
            StepView(5.0 * k, 1.7, 0.0) if interrupted_every and k % interrupted_every == 9 else taper(5.0 * k, 0.0, 0.15, 4000.0)
            for k in range(1000)
        ]

    plain, interrupted = (follow(charge(("current_below", 0.02)), views(every)).step_left_s for every in (0, 10))

    assert plain == pytest.approx(interrupted, rel=0.01)


def test_a_missing_reading_is_left_out_and_not_taken_for_zero() -> None:
    views = [StepView(10.0 * k, None if k % 3 == 0 else 1.6 - 1e-3 * k, -0.3) for k in range(1, 200)]

    assert follow(charge(("voltage_below", 0.8), kind=StepKind.DISCHARGE), views).step_left_s == pytest.approx(6010.0)


def test_an_end_beyond_a_fortnight_is_not_known() -> None:
    views = [StepView(5.0 * k, 1.7, 0.15, charge_Ah=1e-9 * k) for k in range(400)]

    assert follow(charge(("charge", 1.8)), views).step_left_s is None


def test_memory_is_bounded_over_a_long_step() -> None:
    forecast = Forecast(charge(("charge", 1e6)))
    most = 0
    for k in range(20_000):
        forecast.take(StepView(1.0 * k, 1.7, 0.15, charge_Ah=1e-3 * k))
        most = max(most, len(forecast._points))

    assert most <= POINTS_MAX
    assert len(forecast._points) > POINTS_MAX // 3
    assert forecast._points[0].elapsed_s == 0.0


def test_the_engine_may_reuse_its_view() -> None:
    view, forecast = StepView(0.0, 1.7, 0.15), Forecast(charge(("charge", 1.0)))
    for k in range(100):
        view.elapsed_s, view.charge_Ah = 10.0 * k, 0.001 * k
        forecast.take(view)

    assert forecast.outlook().step_left_s == pytest.approx(10.0 * (1000 - 99))


def test_between_two_calculations_the_time_left_counts_down() -> None:
    forecast = Forecast(charge(("charge", 1.8)))
    left_s = []
    for k in range(5000):
        forecast.take(StepView(1.0 * k, 1.7, 0.15, charge_Ah=1e-4 * k))
        if k > 4900:
            left_s.append(forecast.outlook().step_left_s)
    steps = {round(before - after, 6) for before, after in pairwise(left_s)}

    assert {1.0} == steps


def test_every_end_of_the_table_has_a_value() -> None:
    view = StepView(
        1.0, 2.0, -3.0, 4.0, 5.0, at_voltage_limit=True, charge_Ah=6.0, rise_K=1.0, voltage_slopes_V_per_h=(0.1, -0.2),
        temperature_slopes_K_per_min=(0.1, 0.2), falls_V=(0.01, 0.02),
    )  # fmt: skip

    assert value_of("current_below", view) == 3.0
    assert all(value_of(kind, view) is not None for kind in ENDS)


def test_the_line_and_its_error_agree_with_a_worked_example() -> None:
    # Anscombe, The American Statistician 27 (1973), first of his four sets: slope 0.500, standard error 0.118 (from memory).
    x = [10.0, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5]
    y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]
    line = fit_line(sorted(zip(x, y, strict=True)))

    assert line is not None
    assert pytest.approx((line.slope, line.slope_error, line.value), abs=5e-4) == (0.500, 0.118, 10.001)


@pytest.mark.parametrize("series", [
    [(float(k), 0.1) for k in range(50)],
    [(float(k), 0.1 + 0.001 * k) for k in range(50)],
    [(float(k), 0.1 - 0.0001 * k * k) for k in range(50)],
    [(float(k), 0.1 - 0.001 * k) for k in range(FIT_POINTS_MIN - 1)],
    [(1.0, 0.1)] * 20,
])  # fmt: skip
def test_what_does_not_fall_like_a_taper_is_none(series: list[tuple[float, float]]) -> None:
    assert fit_taper(series) is None
