"""The simulated cell against closed solutions, with every term off that is not under test.

Circuit theory and calculus need no source: series RC circuits, the exponential of a leak, the logarithm of a Tafel decay.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil, exp, inf, log

import pytest
from scipy.special import lambertw

from chargerd.sim import laws
from chargerd.sim.cell import Cell, CellParameters
from chargerd.sim.leads import Leads, Wiring

IDEAL = CellParameters(
    qr=0.0, R1=0.0, R2=0.0, iref=0.0, icorr=0.0, ce_zn=1.0, Rleak=inf, Rsh=inf, AR=0.0, AC=0.0, kcyc=0.0, kox=0.0,
    kRox=0.0, EaR=0.0, Eag=0.0, Eal=0.0, dUdT=0.0, dUg=0.0, zmax=1e30, w0=1e30,
)  # fmt: skip
"""A capacitor of 3960 F behind 0.375 ohm. Its negative is covered with zinc and stays at zero."""
U0 = IDEAL.Uimm
TAU = IDEAL.R0 * IDEAL.C
B = IDEAL.bdec / log(10.0)
GASSING = replace(IDEAL, iref=15e-3, hA=1e9)


def ideal(parameters: CellParameters = IDEAL, *, stored_V: float = 0.0, ambient_degC: float = 25.0) -> Cell:
    """A cell with more zinc than it could lose, charged by some volts."""
    stored_Ah = stored_V * parameters.C / 3600.0
    return Cell(parameters, zinc_Ah=1e6, stored_Ah=stored_Ah, ambient_degC=ambient_degC)


def steps(cell: Cell, law: laws.Law, seconds: float, dt_s: float) -> Cell:
    for _ in range(round(seconds / dt_s)):
        cell.step(dt_s, law)
    return cell


@pytest.mark.parametrize("dt_s", [0.1, 1.0, 10.0, 60.0])
def test_constant_current_is_a_ramp_on_an_ohmic_step(dt_s: float) -> None:
    cell = steps(ideal(), laws.constant_current(0.75), 600.0, dt_s)

    assert cell.voltage_V == pytest.approx(U0 + 0.75 * 600.0 / IDEAL.C + 0.75 * IDEAL.R0, abs=3e-13)


@pytest.mark.parametrize("dt_s", [1.0, 10.0, 60.0])
def test_constant_voltage_follows_the_implicit_rule_exactly(dt_s: float) -> None:
    law = laws.charge(10.0, 1.80)
    cell = ideal()
    cell.apply(law)
    first_A = cell.current_A
    steps(cell, law, 1800.0, dt_s)

    assert first_A == pytest.approx((1.80 - U0) / IDEAL.R0, rel=1e-12)
    assert cell.current_A == pytest.approx(first_A * (1.0 + dt_s / TAU) ** (-1800.0 / dt_s), rel=1e-12)
    assert cell.voltage_V == pytest.approx(1.80, abs=1e-14)


def test_constant_voltage_meets_the_exponential_to_first_order() -> None:
    law = laws.charge(10.0, 1.80)
    exact_A = (1.80 - U0) / IDEAL.R0 * exp(-1800.0 / TAU)
    errors = [steps(ideal(), law, 1800.0, dt_s).current_A / exact_A - 1.0 for dt_s in (1.0, 0.5)]

    assert errors[0] == pytest.approx(1800.0 * 1.0 / (2.0 * TAU**2), rel=0.01)
    assert errors[0] / errors[1] == pytest.approx(2.0, rel=0.002)


def test_the_taper_takes_rc_times_the_logarithm_of_the_current_ratio() -> None:
    law = laws.charge(10.0, 1.80)
    cell = ideal()
    cell.apply(law)
    last_A = cell.current_A / 20.0
    while cell.current_A > last_A:
        cell.step(1.0, law)

    assert cell.elapsed_s == ceil(log(20.0) / log(1.0 + 1.0 / TAU))
    assert log(20.0) / log(1.0 + 1.0 / TAU) == pytest.approx(TAU * log(20.0), rel=4e-4)


@pytest.mark.parametrize("dt_s", [0.1, 1.0, 10.0, 60.0])
def test_rc_pairs_rise_exactly_at_any_step(dt_s: float) -> None:
    parameters = replace(IDEAL, C=1e15, R1=0.05, R2=0.0625)
    cell = steps(ideal(parameters), laws.constant_current(0.75), 600.0, dt_s)
    pairs_V = sum(r * 0.75 * (1.0 - exp(-600.0 / tau)) for r, tau in ((0.05, 3.0), (0.0625, 900.0)))

    assert cell.electrode_voltage_V - U0 == pytest.approx(pairs_V, abs=1e-12)
    assert sum(cell.pair_voltages_V) == pytest.approx(pairs_V, abs=1e-13)


@pytest.mark.parametrize(("dt_s", "error_V"), [(1.0, 1.4e-5), (10.0, 1.4e-4), (60.0, 8.5e-4)])
def test_open_circuit_gas_decays_with_the_logarithm_of_time(dt_s: float, error_V: float) -> None:
    start_V, seconds = 2.27, 3600.0
    cell = steps(ideal(GASSING, stored_V=start_V - U0), laws.REST, seconds, dt_s)
    fade_s = IDEAL.C * B / (15e-3 * exp((start_V - 2.10) / B))
    error = cell.voltage_V - (start_V - B * log(1.0 + seconds / fade_s))
    # Leading error of the implicit Euler rule for dE/dt = -i(E)/C, by Taylor's series.
    leading_V = 0.5 * dt_s * B / (seconds + fade_s) * log(1.0 + seconds / fade_s)

    assert error == pytest.approx(leading_V, rel=0.003 * dt_s)
    assert abs(error) < error_V


def test_a_leak_discharges_exponentially() -> None:
    cell = steps(ideal(replace(IDEAL, Rleak=90.0), stored_V=0.95), laws.REST, 86400.0, 10.0)

    assert cell.voltage_V == pytest.approx(2.0 * exp(-86400.0 / (90.0 * IDEAL.C)), abs=8e-5)


def test_a_short_discharges_exponentially() -> None:
    cell = steps(ideal(replace(IDEAL, Rsh=60.0), stored_V=0.95), laws.REST, 86400.0, 10.0)

    assert cell.voltage_V == pytest.approx(2.0 * exp(-86400.0 / (60.0 * IDEAL.C)), abs=8e-5)


@pytest.mark.parametrize("limit_V", [2.2, 2.35, 2.65])
def test_overcharge_at_constant_voltage_settles_at_lamberts_w(limit_V: float) -> None:
    # (V - E)/R0 = iref exp((E - Uref)/b), solved for E: Corless et al., Adv. Comput. Math. 5 (1996) 329, define W.
    cell = steps(ideal(GASSING, stored_V=1.0), laws.charge(10.0, limit_V), 1e6, 1e4)
    w = lambertw(IDEAL.R0 * 15e-3 / B * exp((limit_V - 2.10) / B)).real

    assert cell.electrode_voltage_V == pytest.approx(limit_V - B * w, abs=2e-12)
    assert cell.current_A == pytest.approx(B * w / IDEAL.R0, abs=1e-11)


@pytest.mark.parametrize("current_A", [0.015, 0.15, 1.5])
def test_overcharge_at_constant_current_settles_on_the_tafel_line(current_A: float) -> None:
    cell = steps(ideal(GASSING, stored_V=1.0), laws.constant_current(current_A), 1e7, 1e4)

    assert cell.electrode_voltage_V == pytest.approx(2.10 + B * log(current_A / 15e-3), abs=1e-12)
    assert cell.gas_current_A == pytest.approx(current_A, rel=1e-11)


@pytest.mark.parametrize("dt_s", [0.1, 1.0, 10.0, 60.0])
def test_constant_heat_warms_exactly_at_any_step(dt_s: float) -> None:
    cell = steps(ideal(ambient_degC=20.0), laws.constant_current(2.0), 600.0, dt_s)
    heat_W = IDEAL.R0 * 2.0**2

    assert cell.temperature_degC - 20.0 == pytest.approx(heat_W / 0.30 * (1.0 - exp(-600.0 * 0.30 / 208.0)), abs=1e-12)


def test_a_resistor_discharges_exponentially() -> None:
    law = laws.resistance(10.0)
    cell = ideal()
    worst_V = 0.0
    for second in range(1, 7201):
        cell.step(1.0, law)
        exact_V = U0 * exp(-second / ((10.0 + IDEAL.R0) * IDEAL.C)) * 10.0 / (10.0 + IDEAL.R0)
        worst_V = max(worst_V, abs(cell.voltage_V - exact_V))

    assert worst_V < 5e-6


@pytest.mark.parametrize("power_W", [-0.5, 0.5])
def test_constant_power_moves_the_energy_of_a_capacitor(power_W: float) -> None:
    parameters = replace(IDEAL, R0=1e-9)
    cell = steps(ideal(parameters, stored_V=0.75), laws.power(power_W), 3600.0, 1.0)
    exact_V = (1.80**2 + 2.0 * power_W * 3600.0 / IDEAL.C) ** 0.5

    assert cell.voltage_V == pytest.approx(exact_V, abs=1.7e-5)


def test_power_beyond_what_the_cell_can_give_takes_its_most() -> None:
    cell = ideal(stored_V=0.75)
    cell.apply(laws.power(-100.0))

    assert cell.voltage_V == pytest.approx(0.90, rel=1e-12)
    assert cell.current_A == pytest.approx(-0.90 / IDEAL.R0, rel=1e-12)


def test_the_voltage_for_a_fixed_gas_current_falls_linearly_with_temperature() -> None:
    # Arrhenius and Tafel together: dE/dT = dUg - b0 Eag / (R T0²), -5.637 mV/K here.
    gassing = replace(GASSING, Eag=53e3, dUg=-1.9e-3)
    at = {
        degC: steps(ideal(gassing, stored_V=1.0, ambient_degC=degC), laws.constant_current(15e-3), 1e8, 1e5)
        for degC in (5.0, 25.0, 45.0)
    }
    slope_V_per_K = -1.9e-3 - B * 53e3 / (8.314 * 298.15**2)

    assert slope_V_per_K == pytest.approx(-5.637e-3, abs=5e-7)
    assert at[45.0].electrode_voltage_V - 2.10 == pytest.approx(20.0 * slope_V_per_K, abs=1e-10)
    assert at[5.0].electrode_voltage_V - 2.10 == pytest.approx(-20.0 * slope_V_per_K, abs=1e-10)


def test_a_decade_of_gas_is_the_tafel_slope() -> None:
    low, high = (
        steps(ideal(GASSING, stored_V=1.0), laws.constant_current(current_A), 1e7, 1e4).electrode_voltage_V
        for current_A in (0.02, 0.2)
    )

    assert high - low == pytest.approx(0.120, abs=1e-11)


def test_charge_and_discharge_of_an_ideal_cell_mirror_each_other() -> None:
    up = steps(ideal(), laws.constant_current(0.5), 900.0, 1.0)
    down = steps(ideal(), laws.constant_current(-0.5), 900.0, 1.0)

    assert up.voltage_V - U0 == pytest.approx(U0 - down.voltage_V, abs=1e-12)


def test_reversed_leads_show_minus_the_voltage_and_drive_minus_the_current() -> None:
    leads = Leads(ideal(), Wiring(is_reversed=True))
    right = ideal()
    for _ in range(60):
        leads.step(1.0, laws.constant_current(0.5))
        right.step(1.0, laws.constant_current(-0.5))

    assert leads.current_A == 0.5
    assert leads.voltage_V == pytest.approx(-right.voltage_V, abs=1e-14)


@pytest.mark.parametrize("parameters", [replace(IDEAL, C=1e15), replace(IDEAL, R1=0.05, R2=0.0625)], ids=["ohm", "pairs"])
def test_ten_short_steps_are_one_long_step(parameters: CellParameters) -> None:
    short = steps(ideal(parameters), laws.constant_current(1.0), 1.0, 0.1)
    long = steps(ideal(parameters), laws.constant_current(1.0), 1.0, 1.0)

    assert short.voltage_V == pytest.approx(long.voltage_V, abs=1e-14)


def test_ten_short_steps_warm_as_one_long_step() -> None:
    short = steps(ideal(), laws.constant_current(2.0), 10.0, 0.1)
    long = steps(ideal(), laws.constant_current(2.0), 10.0, 10.0)

    assert short.temperature_degC == pytest.approx(long.temperature_degC, abs=1e-12)


def test_nothing_connected_to_an_ideal_cell_changes_nothing() -> None:
    cell = steps(ideal(stored_V=0.5), laws.REST, 86400.0, 60.0)
    ledger = cell.ledger_Ah

    assert cell.voltage_V == pytest.approx(1.55, abs=1e-12)
    assert (ledger.oxygen, ledger.hydrogen, ledger.leak, ledger.short) == (0.0, 0.0, 0.0, 0.0)
    assert (ledger.charge_in, ledger.charge_out) == (0.0, 0.0)
    assert cell.mass_loss_g == 0.0
    assert cell.temperature_degC == pytest.approx(25.0, abs=1e-12)


def test_a_fresh_cell_at_rest_makes_no_charge() -> None:
    cell = Cell(replace(CellParameters(), Rsh=inf))
    cell.advance(86400.0, laws.REST)

    assert cell.zinc_C == 0.0
    assert cell.hydrogen_C == 0.0
    assert cell.stored_C == pytest.approx(-cell.leak_C, abs=1e-9)


def test_a_bare_resistor_shows_current_times_resistance() -> None:
    cell = Cell(replace(IDEAL, C=1e15, Un0=1.05, qn=1e15))

    assert cell.voltage_V == pytest.approx(0.0, abs=1e-14)
    for current_A in (-2.0, 0.1, 2.0):
        cell.step(1.0, laws.constant_current(current_A))

        assert cell.voltage_V == pytest.approx(current_A * IDEAL.R0, abs=1e-12)


def test_opening_the_circuit_drops_the_ohmic_part_at_once() -> None:
    cell = steps(ideal(stored_V=0.5), laws.constant_current(0.75), 60.0, 1.0)
    under_current_V = cell.voltage_V
    cell.apply(laws.REST)

    assert cell.current_A == 0.0
    assert cell.elapsed_s == 60.0
    assert under_current_V - cell.voltage_V == pytest.approx(0.75 * IDEAL.R0, abs=1e-12)


def test_an_interruption_of_a_warm_cell_shows_its_resistance() -> None:
    cell = steps(Cell(CellParameters(), fresh=False, stored_Ah=0.5), laws.constant_current(0.75), 600.0, 1.0)
    under_current_V = cell.voltage_V
    cell.apply(laws.REST)

    assert (under_current_V - cell.voltage_V) / 0.75 == pytest.approx(cell.resistance_ohm, rel=1e-4)


def test_a_supply_can_only_charge_and_a_load_can_only_discharge() -> None:
    cell = Cell(CellParameters(), fresh=False, stored_Ah=0.8)
    cell.apply(laws.charge(1.0, 1.0))
    assert cell.current_A == 0.0

    cell.apply(laws.discharge(1.0, working_voltage_min_V=2.5))
    assert cell.current_A == 0.0

    cell.apply(laws.discharge(1.0, working_voltage_min_V=1.4))
    assert -1.0 < cell.current_A < 0.0
    assert cell.voltage_V == pytest.approx(1.4, abs=1e-12)


def test_a_supply_with_a_load_across_it_lets_the_cell_carry_the_difference() -> None:
    cell = Cell(CellParameters(), fresh=False, stored_Ah=0.5)
    cell.apply(laws.charge(1.0, 3.0, drain_A=0.4))
    assert cell.current_A == pytest.approx(0.6, abs=1e-12)

    cell.apply(laws.charge(1.0, 0.5, drain_A=0.4))
    assert cell.current_A == pytest.approx(-0.4, abs=1e-12)

    cell.apply(laws.charge(1.0, 1.62, lead_ohm=0.2, drain_A=0.4))
    assert cell.voltage_V + 0.2 * (cell.current_A + 0.4) == pytest.approx(1.62, abs=1e-12)


def test_time_does_not_run_backwards() -> None:
    with pytest.raises(ValueError, match="backwards"):
        Cell(IDEAL).step(-1.0, laws.REST)


@pytest.mark.parametrize("zinc_C", range(0, 40, 2))
@pytest.mark.parametrize("law", [laws.resistance(0.5), laws.discharge(2.0, working_voltage_min_V=0.4)])
def test_a_long_step_across_the_end_of_the_zinc_is_solved(law: laws.Law, zinc_C: int) -> None:
    # The negative goes from covered to bare within the step, where Newton's method alone would jump to and fro.
    cell = Cell(replace(IDEAL, hA=1e9), zinc_Ah=zinc_C / 3600.0)
    cell.step(60.0, law)
    rebuilt_V = cell.positive_potential_V - cell.negative_potential_V

    assert cell.electrode_voltage_V == pytest.approx(rebuilt_V, abs=1e-9)
    assert cell.current_A == pytest.approx(law.current_A(cell.electrode_voltage_V, IDEAL.R0), abs=1e-9)


def test_a_cell_gassed_to_ruin_keeps_some_capacity() -> None:
    cell = ideal(replace(GASSING, kox=1.25), stored_V=1.0)
    for _ in range(20):
        cell.step(3600.0, laws.constant_current(2.0))

    assert 0.0 < cell.voltage_V < 2.65 + 2.0 * IDEAL.R0
    assert cell.gas_current_A == pytest.approx(2.0, rel=1e-6)
