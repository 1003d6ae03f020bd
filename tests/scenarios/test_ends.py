"""Each end alone ends a step, at the instant a closed form gives.

Circuit theory needs no source: series RC, ramps, the logarithm of a taper. Readings are exact; an end on a single reading of
volts, amps or degrees is confirmed by three readings a second apart, so it acts two seconds after the first.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil, exp, log

import pytest

from chargerd.core.ends import ENDS
from chargerd.core.plan import Gassing, Resolves
from chargerd.core.program import EndSpec, Interrupt, Step, StepKind
from chargerd.sim.rehearsal import Rehearsal
from tests.core.bench_of_one import plan_of, rest_step

from .ideal_cells import GASSING, IDEAL, ends_in_order, first_end, ideal_cell

EVERY_S = 5.0
CONFIRMING_S = 2.0
U0, R0, C = IDEAL.Uimm, IDEAL.R0, IDEAL.C
TAU_S = R0 * C


def charge(end: EndSpec, *, current_A: float = 0.15, voltage_V: float = 1.85, every_s: float = EVERY_S, **more: object) -> Step:
    """A charge with that one end, and time and charge ends far away (every energising step must have both)."""
    far = tuple(spec for spec in (EndSpec("time", 300_000.0), EndSpec("charge", 50.0)) if spec.kind != end.kind)
    return Step("1", StepKind.CHARGE, current_A, voltage_V, ends=(end, *far), sample_every_s=every_s, **more)  # type: ignore[arg-type]


def discharge(end: EndSpec, *, current_A: float = 0.3) -> Step:
    far = tuple(spec for spec in (EndSpec("time", 300_000.0), EndSpec("charge", 50.0)) if spec.kind != end.kind)
    return Step("1", StepKind.DISCHARGE, current_A, ends=(end, *far), sample_every_s=EVERY_S)


def on_the_grid(exact_s: float, every_s: float = EVERY_S) -> float:
    """The first reading at or after an instant."""
    return -(-exact_s // every_s) * every_s


def test_voltage_above():
    ended = first_end(plan_of(charge(EndSpec("voltage_above", 1.50))), ideal_cell())
    exact_s = (1.50 - U0 - 0.15 * R0) * C / 0.15

    assert (ended.end, ended.elapsed_s) == ("voltage_above", pytest.approx(on_the_grid(exact_s) + CONFIRMING_S, abs=0.01))


def test_voltage_below():
    ended = first_end(plan_of(discharge(EndSpec("voltage_below", 1.2001))), ideal_cell(charged_V=0.8))
    exact_s = (U0 + 0.8 - 0.3 * R0 - 1.2001) * C / 0.3

    assert (ended.end, ended.elapsed_s) == ("voltage_below", pytest.approx(on_the_grid(exact_s) + CONFIRMING_S, abs=0.01))


@pytest.mark.parametrize("step", [charge, discharge])
def test_charge(step):
    ended = first_end(plan_of(step(EndSpec("charge", 0.1))), ideal_cell(charged_V=0.4))
    exact_s = 0.1 * 3600.0 / (0.15 if step is charge else 0.3)

    assert (ended.end, ended.elapsed_s) == ("charge", pytest.approx(on_the_grid(exact_s), abs=EVERY_S))
    assert ended.charge_Ah == pytest.approx(0.1, abs=0.3 * EVERY_S / 3600.0)


def test_energy():
    # ∫V·I dt of a ramp: I·(V0·t + I·t²/2C) with V0 the voltage just after switching on.
    ended = first_end(plan_of(charge(EndSpec("energy", 0.10))), ideal_cell())
    start_V, I = U0 + 0.15 * R0, 0.15
    exact_s = (-start_V + (start_V**2 + 2 * I / C * 0.10 * 3600.0 / I) ** 0.5) * C / I

    assert (ended.end, ended.elapsed_s) == ("energy", pytest.approx(on_the_grid(exact_s), abs=EVERY_S))


def test_time_ends_at_its_second_whatever_the_sampling():
    ended = first_end(plan_of(charge(EndSpec("time", 1234.5))), ideal_cell())

    assert (ended.end, ended.elapsed_s) == ("time", pytest.approx(1234.5, abs=1e-6))


def test_a_rest_lasts_as_long_as_it_says():
    ended = first_end(plan_of(rest_step("1", lasts_s=601.5)), ideal_cell())

    assert (ended.end, ended.elapsed_s) == ("lasts", pytest.approx(601.5, abs=1e-6))


def test_current_below():
    # Constant current to the limit, then I = I0·exp(−t/R0C) to 30 mA. The simulated cell takes 5 s steps here, whose taper is
    # exactly I0·(1 + dt/R0C)^(−n): the discrete form is the one to compare with.
    ended = first_end(plan_of(charge(EndSpec("current_below", 0.030), voltage_V=1.60)), ideal_cell())
    limit_s = (1.60 - U0 - 0.15 * R0) * C / 0.15
    discrete_s = EVERY_S * log(0.15 / 0.030) / log(1.0 + EVERY_S / TAU_S)
    assert discrete_s == pytest.approx(TAU_S * log(5.0), rel=2e-3)

    assert (ended.end, ended.elapsed_s) == ("current_below", pytest.approx(limit_s + discrete_s + CONFIRMING_S, abs=EVERY_S))


def test_small_current_below_the_voltage_limit_is_no_taper():
    step = charge(EndSpec("current_below", 0.2), current_A=0.15, voltage_V=1.60)
    ended = first_end(plan_of(step), ideal_cell())
    limit_s = (1.60 - U0 - 0.15 * R0) * C / 0.15

    assert ended.elapsed_s > limit_s


def test_plateau_lasts():
    # Gas takes all the current at E = Uref + b·ln(I/iref): below the 2.3 V limit the voltage settles there and never tapers.
    gassing = Gassing(threshold_V=2.6, current_25_A=1e-9)  # neither gassing end can act
    ended = first_end(plan_of(charge(EndSpec("plateau_lasts", 600.0), voltage_V=2.4), gassing=gassing), ideal_cell(GASSING, charged_V=0.9))
    b_V = GASSING.bdec / log(10.0)
    settled_V = GASSING.Uref + b_V * log(0.15 / GASSING.iref) + 0.15 * R0

    # Approach: dE/dt = (I − i_ox)/C. With u = exp(−(E−Uref)/b): u' = −(I·u − iref)/(C·b), an exponential with τ = C·b/I.
    tau_s = C * b_V / 0.15
    start_u = exp(-(U0 + 0.9 - GASSING.Uref) / b_V)
    end_u = GASSING.iref / 0.15

    def level_V(elapsed_s: float) -> float:
        return GASSING.Uref - b_V * log(end_u + (start_u - end_u) * exp(-elapsed_s / tau_s))

    capacitance_F = 1.5 * 3600.0 / 1.36
    rise_V = 0.10 * 0.15 * 600.0 / capacitance_F
    exact_s = next(t for t in range(1800, 40_000) if level_V(t) - level_V(t - 600) < rise_V)

    assert ended.end == "plateau_lasts"
    assert ended.voltage_V == pytest.approx(settled_V, abs=0.02)
    # Means over buckets of 30 s lag by up to two buckets.
    assert exact_s <= ended.elapsed_s <= exact_s + 60.0 + EVERY_S


def test_gassing_time():
    # Tapering at 1.95 V with R_int measured: V_E = V − I·R0 rises through the threshold when I has fallen to (V − V_g)/R0.
    step = charge(EndSpec("gassing_time", 300.0), voltage_V=1.95, interrupt=Interrupt(300.0, 1.0))
    gassing = Gassing(threshold_V=1.92, coefficient_V_per_K=-0.004, current_25_A=1e-9)
    ended = first_end(plan_of(step, gassing=gassing), ideal_cell())
    limit_s = (1.95 - U0 - 0.15 * R0) * C / 0.15
    start_s = limit_s + TAU_S * log(0.15 / ((1.95 - 1.92) / R0))

    assert ended.end == "gassing_time"
    # Interruptions of 1 s each 300 s shift the taper by as much, the 5 s steps by t·dt/2τ ≈ 1 s.
    assert ended.elapsed_s == pytest.approx(start_s + 300.0, abs=EVERY_S + limit_s / 300.0 + 5.0)
    assert ended.gassing_s == pytest.approx(300.0, abs=EVERY_S)


def test_gas_charge():
    # Held at 1.85 V, 10 mV below the threshold and with no interruption (R_int = 0), the Tafel estimate alone runs, at
    # i25·10^(−10 mV/decade) from the instant the limit is reached, until the current has tapered to the least counted (15 mA).
    gassing = Gassing(threshold_V=1.86, coefficient_V_per_K=0.0, current_25_A=0.015)
    step = charge(EndSpec("gas_charge", 0.010), current_A=0.15, voltage_V=1.85)
    ended = first_end(plan_of(step, gassing=gassing), ideal_cell(replace(IDEAL, hA=1e9)))
    held_A = 0.015 * 10.0 ** (-0.010 / 0.120)
    limit_s = (1.85 - U0 - 0.15 * R0) * C / 0.15
    # On the ramp before, the integral of i25·10^((V−V_g)/decade) is the held current times (decade/ln 10)/(dV/dt).
    ramp_Ah = held_A * (0.120 / log(10.0)) / (0.15 / C) / 3600.0
    exact_s = limit_s + (0.010 - ramp_Ah) * 3600.0 / held_A
    assert exact_s < limit_s + TAU_S * log(10.0)

    assert (ended.end, ended.elapsed_s) == ("gas_charge", pytest.approx(exact_s, abs=2 * EVERY_S))


def test_the_residual_estimate_ends_a_charge_whose_resistance_nobody_measured():
    # With R_int = 0 a cell at its limit above the threshold seems to gas with all its current: the estimate errs safe.
    gassing = Gassing(threshold_V=1.80, coefficient_V_per_K=0.0, current_25_A=1e-9)
    step = charge(EndSpec("gas_charge", 0.010), current_A=0.15, voltage_V=1.85)
    ended = first_end(plan_of(step, gassing=gassing), ideal_cell(replace(IDEAL, hA=1e9)))
    limit_s = (1.85 - U0 - 0.15 * R0) * C / 0.15

    assert ended.end == "gas_charge"
    # The rise of the ramp above the threshold is credited as stored, C_r/1.36 V per volt.
    stored_Ah = 1.5 / 1.36 * 0.05
    put_in_Ah = 0.010 + stored_Ah
    start_s = limit_s - 0.05 * C / 0.15
    ramp_Ah = 0.15 * (limit_s - start_s) / 3600.0
    taper_s = -TAU_S * log(1.0 - (put_in_Ah - ramp_Ah) * 3600.0 / (0.15 * TAU_S))
    assert ended.elapsed_s == pytest.approx(limit_s + taper_s, abs=2 * EVERY_S)


def test_ir_free_voltage_above():
    step = charge(EndSpec("ir_free_voltage_above", 1.50), voltage_V=1.85, interrupt=Interrupt(300.0, 1.0))
    ended = first_end(plan_of(step), ideal_cell())
    exact_s = (1.50 - U0) * C / 0.15
    openings = exact_s // 300.0

    assert ended.end == "ir_free_voltage_above"
    assert ended.elapsed_s == pytest.approx(exact_s + openings + CONFIRMING_S, abs=2 * EVERY_S)


def test_temperature_above():
    # A cell of heat capacity 208 J/K in a room of 25 °C: T = 25 + (P/hA)(1 − exp(−t·hA/Cth)); P = R0·I² at constant current.
    parameters = replace(IDEAL, R0=2.0)
    limits = replace(plan_of(rest_step()).limits, voltage_max_V=9.0)
    step = charge(EndSpec("temperature_above", 26.0), current_A=0.6, voltage_V=8.0)
    ended = first_end(plan_of(step, limits=limits), ideal_cell(parameters))
    heat_K = 2.0 * 0.6**2 / parameters.hA
    exact_s = -parameters.Cth / parameters.hA * log(1.0 - 1.0 / heat_K)

    assert (ended.end, ended.elapsed_s) == ("temperature_above", pytest.approx(exact_s + CONFIRMING_S, abs=2 * EVERY_S))


def test_temperature_rise_above():
    # The same law as above: 1 K above the temperature at which the step began, here the room's.
    limits = replace(plan_of(rest_step()).limits, voltage_max_V=9.0)
    parameters = replace(IDEAL, R0=2.0)
    step = charge(EndSpec("temperature_rise_above", 1.0), current_A=0.6, voltage_V=8.0)
    ended = first_end(plan_of(step, limits=limits), ideal_cell(parameters))
    exact_s = -parameters.Cth / parameters.hA * log(1.0 - 1.0 / (2.0 * 0.6**2 / parameters.hA))

    assert (ended.end, ended.elapsed_s) == ("temperature_rise_above", pytest.approx(exact_s + CONFIRMING_S, abs=2 * EVERY_S))


@pytest.mark.parametrize(("limit_K_per_min", "end"), [(0.205, "temperature_slope_above"), (0.210, "time")])
def test_temperature_slope_above(limit_K_per_min, end):
    # 0.72 W into 208 J/K, well lagged, heat by P/Cth = 0.2077 K/min. Buckets of four readings (18 s, on a 5 s grid: 20 s): the
    # means are 180 s apart when the tenth closes at 200 s, and the second slope that must agree comes 20 s later.
    parameters = replace(IDEAL, R0=2.0, hA=1e-6)
    assert 0.72 / parameters.Cth * 60.0 == pytest.approx(0.2077, abs=1e-4)
    limits = replace(plan_of(rest_step()).limits, voltage_max_V=9.0)
    step = charge(EndSpec("temperature_slope_above", limit_K_per_min), current_A=0.6, voltage_V=8.0)
    ends = (*step.ends[:1], EndSpec("time", 900.0), EndSpec("charge", 50.0))
    ended = first_end(plan_of(replace(step, ends=ends), limits=limits), ideal_cell(parameters))

    assert (ended.end, ended.elapsed_s) == (end, pytest.approx(220.0 if end != "time" else 900.0, abs=0.01))


@pytest.mark.parametrize(("limit_V_per_h", "end"), [(0.270, "voltage_slope_above"), (0.275, "time")])
def test_voltage_slope_above(limit_V_per_h, end):
    # A capacitor at constant current falls by I/C = 0.2727 V/h. Buckets of two readings (6 s, on a 5 s grid: 10 s); means are
    # 60 s apart when the seventh closes at 70 s, and the second slope that must agree comes 10 s later.
    assert pytest.approx(0.2727, abs=1e-4) == 0.3 / C * 3600.0
    step = discharge(EndSpec("voltage_slope_above", limit_V_per_h))
    ends = (*step.ends[:1], EndSpec("time", 900.0), EndSpec("charge", 50.0))
    ended = first_end(plan_of(replace(step, ends=ends)), ideal_cell(charged_V=0.8))

    assert (ended.end, ended.elapsed_s) == (end, pytest.approx(80.0 if end != "time" else 900.0, abs=0.01))


def bucket_means(value_of, every_s: float, per_bucket: int, count: int) -> list[float]:
    """What readings on a grid average to, bucket by bucket, the first reading at zero."""
    return [
        sum(value_of((bucket * per_bucket + place) * every_s) for place in range(per_bucket)) / per_bucket for bucket in range(count)
    ]


@pytest.mark.parametrize("resolution_V", [0.0, 1e-3 / 6**0.5])
def test_voltage_slope_below(resolution_V):
    # At rest the overvoltage of a pair R1, C1 dies as I·R1·exp(−t/τ). 5 mV/h: with nothing to resolve the window is 10 min, with
    # 1 mV steps (u = 1/√6 mV) it is stretched to 3u/(5 mV/h) = 882 s.
    R1, tau_s, limit_V_per_h = 0.4, 900.0, 0.005
    parameters = replace(IDEAL, R1=R1, tau1=tau_s, hA=1e9)
    charging = replace(charge(EndSpec("time", 9000.0)), sample_every_s=EVERY_S)
    resting = Step("2", StepKind.REST, lasts_s=40_000.0, sample_every_s=EVERY_S, ends=(EndSpec("voltage_slope_below", limit_V_per_h),))
    plan = plan_of(charging, resting, resolves=Resolves(voltage_V=resolution_V))
    ended = ends_in_order(plan, ideal_cell(parameters), 2)[1]

    window_s = max(600.0, 3.0 * resolution_V / (limit_V_per_h / 3600.0))
    per_bucket = ceil(window_s / 10.0 / EVERY_S - 1e-9)
    bucket_s = per_bucket * EVERY_S
    means = bucket_means(lambda t: 0.15 * R1 * (1.0 - exp(-9000.0 / tau_s)) * exp(-t / tau_s), EVERY_S, per_bucket, 400)
    back = ceil(window_s / bucket_s - 1e-9)
    slopes = [(means[k] - means[k - back]) / (back * bucket_s) * 3600.0 for k in range(back, 400)]
    first = next(k for k in range(1, len(slopes)) if max(abs(slopes[k]), abs(slopes[k - 1])) <= limit_V_per_h)

    assert ended.end == "voltage_slope_below"
    # The simulator's taper is of first order in its 5 s steps: τ·dt/2τ is a fraction of a bucket.
    assert ended.elapsed_s == pytest.approx((back + first + 1) * bucket_s, abs=bucket_s)


def test_voltage_falls_by():
    # After 0.6 A a charge at 0.05 A: U rises by I·t/C while the overvoltage of R1, C1 dies from 0.6·R1 to 0.05·R1.
    R1, tau_s = 0.4, 600.0
    parameters = replace(IDEAL, R1=R1, tau1=tau_s, hA=1e9)
    strong = charge(EndSpec("time", 3000.0), current_A=0.6, voltage_V=2.6)
    weak = replace(charge(EndSpec("voltage_falls_by", 0.100), current_A=0.05, voltage_V=2.6), number="2")
    ended = ends_in_order(plan_of(strong, weak), ideal_cell(parameters), 2)[1]

    left_V = (0.6 * (1.0 - exp(-3000.0 / tau_s)) - 0.05) * R1
    means = bucket_means(lambda t: 0.05 * t / C + left_V * exp(-t / tau_s), EVERY_S, 6, 100)
    second = next(k for k in range(1, 100) if min(means[0] - means[k], means[0] - means[k - 1]) >= 0.100)

    assert (ended.end, ended.elapsed_s) == ("voltage_falls_by", pytest.approx((second + 1) * 30.0, abs=30.0))


def test_a_voltage_held_at_its_limit_neither_settles_nor_falls():
    # At constant voltage the slope is nought by command: only below the limit does it say something about the cell.
    step = charge(EndSpec("voltage_slope_below", 0.05), voltage_V=1.30)
    ends = (*step.ends[:1], EndSpec("voltage_falls_by", 0.005), EndSpec("current_below", 0.030), *step.ends[1:])
    ended = first_end(plan_of(replace(step, ends=ends)), ideal_cell())

    assert ended.end == "current_below"


def test_every_end_of_the_table_has_a_scenario_here():
    scenarios = {name.removeprefix("test_") for name in globals() if name.startswith("test_")}

    assert {key for key in ENDS if key not in scenarios and f"{key}_ends_at_its_second_whatever_the_sampling" not in scenarios} == set()


def test_at_the_voltage_limit_no_slope_is_known():
    reached_s = (1.30 - U0 - 0.15 * R0) * C / 0.15
    views = []
    for until_s in (reached_s - 60.0, reached_s + 60.0):
        rehearsal = Rehearsal(plan_of(charge(EndSpec("voltage_slope_below", 0.05), voltage_V=1.30)), ideal_cell())
        for _ in rehearsal.run(until_s):
            pass
        views.append(rehearsal.engine.view)

    assert [view.at_voltage_limit for view in views] == [False, True]
    assert views[0].voltage_slopes_V_per_h == (pytest.approx(0.15 / C * 3600.0, rel=1e-3),) * 2
    assert views[1].voltage_slopes_V_per_h == ()
