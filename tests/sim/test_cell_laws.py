"""Sources and loads as one equation each, apart from any cell. Ohm's law and the quadratic need no source."""

from __future__ import annotations

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.sim import laws
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import PLOVER

VOLTS = st.floats(-3.0, 4.0)
SOURCES = st.sampled_from([
    laws.REST,
    laws.constant_current(0.5),
    laws.charge(1.0, 2.1, lead_ohm=0.1, drain_A=0.2),
    laws.discharge(0.7, working_voltage_min_V=1.2),
    laws.resistance(4.7),
])  # fmt: skip


@given(SOURCES, VOLTS, VOLTS)
def test_no_source_gives_more_into_a_higher_voltage(law: laws.Law, one_V: float, other_V: float) -> None:
    low_V, high_V = sorted((one_V, other_V))

    assert law.current_A(low_V, 0.4) >= law.current_A(high_V, 0.4)


@given(SOURCES, VOLTS)
def test_a_mirrored_source_does_the_opposite_to_the_opposite_voltage(law: laws.Law, voltage_V: float) -> None:
    assert law.mirrored().current_A(-voltage_V, 0.4) == -law.current_A(voltage_V, 0.4)
    assert law.mirrored().mirrored() == law


def test_power_has_no_mirror_image() -> None:
    with pytest.raises(ValueError, match="mirror"):
        laws.power(1.0).mirrored()


@pytest.mark.parametrize("power_W", [-0.5, -0.1, 0.0, 0.3, 5.0])
def test_constant_power_is_constant_power(power_W: float) -> None:
    current_A = laws.power(power_W).current_A(1.6, 0.4)

    assert current_A * (1.6 + 0.4 * current_A) == pytest.approx(power_W, abs=1e-14)


def test_an_empty_cell_gives_no_power() -> None:
    assert laws.power(-1.0).current_A(0.0, 0.4) == 0.0


def test_the_supply_holds_its_own_terminals() -> None:
    law = laws.charge(1.0, 2.0, lead_ohm=0.1, drain_A=0.3)
    current_A = law.current_A(1.8, 0.4)

    assert 1.8 + 0.4 * current_A + 0.1 * (current_A + 0.3) == pytest.approx(2.0, abs=1e-14)
    assert law.current_A(0.0, 0.4) == 0.7
    assert law.current_A(5.0, 0.4) == -0.3


def test_only_rest_and_constant_current_are_fixed() -> None:
    assert laws.REST.is_fixed_current
    assert laws.constant_current(0.1).is_fixed_current
    assert not laws.charge(1.0, 2.0).is_fixed_current
    assert not laws.power(0.0).is_fixed_current
    assert laws.resistance(1.0) == laws.Law(-inf, inf, 0.0, 1.0)


@pytest.mark.parametrize("dt_s", [0.0, 1.0, 60.0])
@pytest.mark.parametrize(
    "law",
    [laws.charge(0.75, 1.9, lead_ohm=0.05), laws.discharge(0.3, working_voltage_min_V=1.0), laws.resistance(4.7), laws.REST],
)
def test_after_a_step_voltage_and_current_obey_the_law_together(law: laws.Law, dt_s: float) -> None:
    cell = Cell(PLOVER, fresh=False, stored_Ah=0.6)
    for _ in range(30):
        cell.step(dt_s, law)
    ohmic_ohm = (cell.voltage_V - cell.electrode_voltage_V) / cell.current_A if cell.current_A else 0.4

    assert cell.current_A == pytest.approx(law.current_A(cell.electrode_voltage_V, ohmic_ohm), abs=1e-12)


def test_constant_power_reaches_the_cell() -> None:
    cell = Cell(PLOVER, fresh=False, stored_Ah=0.6)
    cell.advance(60.0, laws.power(-0.4), dt_s=0.1)

    assert cell.voltage_V * cell.current_A == pytest.approx(-0.4, rel=1e-4)
    assert cell.energy_out_J == pytest.approx(24.0, rel=1e-4)
