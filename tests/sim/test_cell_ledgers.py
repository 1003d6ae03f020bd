"""The simulated cell's books: no charge and no energy may appear or vanish, at any step length."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log1p

import pytest
from scipy.constants import physical_constants

from chargerd.sim import laws
from chargerd.sim.cell import HYDROGEN_HEAT_V, OXYGEN_HEAT_V, Cell, CellParameters, HYDROGEN_g_per_Ah, OXYGEN_g_per_Ah
from chargerd.sim.fixtures import FIXTURES, PLOVER

STORY = (
    (3600.0, laws.charge(2.0, 2.65)),
    (900.0, laws.REST),
    (3600.0, laws.constant_current(-0.3)),
    (900.0, laws.resistance(4.7)),
)
AGELESS = replace(PLOVER, AR=0.0, AC=0.0, kcyc=0.0, kox=0.0, kRox=0.0, EaR=0.0, dUdT=0.0, w0=1e15)
FARADAY = physical_constants["Faraday constant"][0]


@pytest.mark.parametrize("dt_s", [0.1, 1.0, 10.0, 60.0])
@pytest.mark.parametrize("name", ["plover", "turnstone-worse"])
def test_both_electrodes_account_for_every_coulomb(name: str, dt_s: float) -> None:
    cell = Cell(FIXTURES[name].parameters)
    through_C = 0.0
    for seconds, law in STORY:
        for _ in range(round(seconds / dt_s)):
            cell.step(dt_s, law)
            through_C += cell.current_A * dt_s

    assert through_C == pytest.approx(cell.charge_in_C - cell.charge_out_C, abs=1e-8)
    assert through_C == pytest.approx(cell.stored_C + cell.oxygen_C + cell.leak_C + cell.short_C, abs=1e-8)
    assert through_C == pytest.approx(cell.zinc_C + cell.hydrogen_C + cell.short_C, abs=1e-8)
    assert cell.oxygen_C > 1.0
    assert cell.elapsed_s == pytest.approx(9000.0, abs=1e-6)


@dataclass
class Energies:
    """Sums in J over a story: what came in at the terminals, by step means, and where it went."""

    into_J: float = 0.0
    heat_J: float = 0.0
    gas_J: float = 0.0
    leak_J: float = 0.0
    short_J: float = 0.0
    stored_J: float = 0.0
    zinc_J: float = 0.0

    @property
    def accounted_J(self) -> float:
        return self.heat_J + self.gas_J + self.leak_J + self.short_J + self.stored_J + self.zinc_J


def told(parameters: CellParameters, dt_s: float) -> tuple[Cell, Energies]:
    """Run the story, adding up each step with its mean voltages: pairs and negative by their exact integrals."""
    cell, sums = Cell(parameters, fresh=False), Energies()
    p = parameters
    for seconds, law in STORY:
        for _ in range(round(seconds / dt_s)):
            r0, *pairs_ohm = cell.resistances_ohm
            before, stored_C, zinc_C = cell.pair_voltages_V, cell.stored_C, cell.zinc_C
            negative_V, positive_V = cell.negative_potential_V, cell.positive_potential_V
            cell.step(dt_s, law)
            into_A = cell.current_A - cell.gas_current_A - cell.short_current_A
            pairs_V = 0.0
            for r, tau, start_V in zip(pairs_ohm, (p.tau1, p.tau2), before, strict=True):
                pairs_V += r * into_A + (start_V - r * into_A) * tau / dt_s * (1.0 - exp(-dt_s / tau))
            end_V = cell.electrode_voltage_V + cell.negative_potential_V - sum(cell.pair_voltages_V)
            mean_V = 0.5 * (positive_V + end_V)
            plated_C = cell.zinc_C - zinc_C
            negative_J = p.qn * (negative_V - cell.negative_potential_V)
            zinc_V = negative_J / plated_C if abs(plated_C) > 1e-6 else negative_V
            electrode_V = mean_V - zinc_V + pairs_V
            sums.into_J += (electrode_V + r0 * cell.current_A) * cell.current_A * dt_s
            sums.heat_J += (r0 * cell.current_A**2 + pairs_V * into_A) * dt_s
            sums.gas_J += electrode_V * cell.gas_current_A * dt_s
            sums.leak_J += mean_V * cell.leak_current_A * dt_s
            sums.short_J += electrode_V * cell.short_current_A * dt_s
            sums.stored_J += mean_V * (cell.stored_C - stored_C) - negative_J
            sums.zinc_J += zinc_V * (cell.gas_current_A - cell.hydrogen_current_A) * dt_s
    return cell, sums


@pytest.mark.parametrize("dt_s", [0.1, 1.0, 10.0, 60.0])
def test_energy_in_is_heat_gas_leak_short_and_what_is_stored(dt_s: float) -> None:
    _, sums = told(replace(PLOVER, Rsh=60.0, zmax=2000.0), dt_s)

    assert sums.into_J > 5000.0
    assert sums.into_J == pytest.approx(sums.accounted_J, abs=1e-7)


def work_of_positive_J(potential_V: float) -> float:
    """Integral of U dQ for the double layer and for the logistic shoulder."""
    x = (potential_V - PLOVER.Ur) / PLOVER.sr
    return 0.5 * PLOVER.C * potential_V**2 + PLOVER.qr * (potential_V / (1.0 + exp(-x)) - PLOVER.sr * log1p(exp(x)))


@pytest.mark.parametrize("dt_s", [1.0, 10.0])
def test_what_is_stored_depends_on_the_state_alone(dt_s: float) -> None:
    cell, sums = told(AGELESS, dt_s)
    start = Cell(AGELESS, fresh=False)
    stored_J = work_of_positive_J(cell.positive_potential_V) - work_of_positive_J(start.positive_potential_V)
    stored_J -= AGELESS.qn * (start.negative_potential_V - cell.negative_potential_V)

    # Of 5295 J; what is left are the corners of the table.
    assert sums.stored_J == pytest.approx(stored_J, abs=0.003)


@pytest.mark.parametrize("law", [laws.constant_current(-0.3), laws.charge(0.75, 2.1), laws.REST, laws.resistance(4.7)])
@pytest.mark.parametrize("short_ohm", [1.2, 1e12])
def test_the_voltage_a_step_finds_is_the_voltage_of_the_state_it_leaves(law: laws.Law, short_ohm: float) -> None:
    # Few coulombs of zinc, so that the negative moves; no heat, because the state would be read at its new temperature.
    cell = Cell(replace(AGELESS, Rsh=short_ohm, hA=1e9), zinc_Ah=0.008)
    for _ in range(12):
        cell.step(2.0, law)
        rebuilt_V = cell.positive_potential_V - cell.negative_potential_V + sum(cell.pair_voltages_V)

        # A step of 1.5 C across a corner of the table meets another slope, 1.3 uV/C away.
        assert cell.electrode_voltage_V == pytest.approx(rebuilt_V, abs=2e-6)


def test_energy_from_sampled_voltages_is_of_first_order() -> None:
    errors = []
    for dt_s in (0.5, 1.0, 5.0, 10.0):
        cell, sums = told(PLOVER, dt_s)
        errors.append((cell.energy_in_J - cell.energy_out_J) / sums.into_J - 1.0)

    assert errors[1] / errors[0] == pytest.approx(2.0, rel=0.01)
    assert errors[3] / errors[2] == pytest.approx(2.0, rel=0.02)
    assert 0.0 < errors[1] < 1.7e-4
    assert 0.0 < errors[3] < 1.5e-3


def test_gas_weighs_what_faraday_says() -> None:
    # Atomic weights 15.999 and 1.008 (IUPAC 2021 abridged); four and two electrons for a molecule.
    assert OXYGEN_g_per_Ah == pytest.approx(2.0 * 15.999 * 3600.0 / (4.0 * FARADAY), abs=5e-5)
    assert HYDROGEN_g_per_Ah == pytest.approx(2.0 * 1.008 * 3600.0 / (2.0 * FARADAY), abs=5e-5)


def test_the_two_heats_of_gas_differ_by_the_thermoneutral_voltage_of_water() -> None:
    # Enthalpy of formation of liquid water -285.83 kJ/mol (CODATA key values, 1989).
    assert pytest.approx(285.83e3 / (2.0 * FARADAY), abs=1e-3) == OXYGEN_HEAT_V - HYDROGEN_HEAT_V


def test_the_mass_lost_is_gas_and_what_dried_out() -> None:
    cell = Cell(FIXTURES["curlew"].parameters)
    cell.advance(7200.0, laws.charge(2.0, 2.65))
    ledger = cell.ledger_Ah

    assert cell.mass_loss_g == pytest.approx(0.2985 * ledger.oxygen + 0.0376 * ledger.hydrogen + 2.0 * 0.16, abs=1e-9)
    assert cell.water_g == pytest.approx(37.6 - cell.mass_loss_g, abs=1e-12)


def test_the_ledger_in_ah_is_the_ledger_in_coulombs() -> None:
    cell = Cell(FIXTURES["turnstone"].parameters, fresh=False)
    cell.advance(3600.0, laws.charge(0.75, 2.1))
    cell.advance(600.0, laws.constant_current(-0.3))
    coulombs = (
        cell.stored_C, cell.zinc_C, cell.oxygen_C, cell.hydrogen_C, cell.leak_C, cell.short_C, cell.charge_in_C, cell.charge_out_C,
    )  # fmt: skip

    assert cell.ledger_Ah == pytest.approx([charge_C / 3600.0 for charge_C in coulombs])
    assert cell.ledger_Ah.charge_out == pytest.approx(0.05, rel=1e-9)
