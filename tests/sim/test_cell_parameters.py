"""Parameters, the inverted open-circuit law, the named cells, copies and the choice of steps."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise
from math import log
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.sim import laws
from chargerd.sim.cell import Cell, CellParameters
from chargerd.sim.fixtures import FIXTURES, PLOVER, STRING_CELLS, make_cell, small_cell, string_cells
from chargerd.sim.parameters import constants_of, positive_charge_C

EXTENSIVE = {"C", "qr", "qn", "zmax", "icorr", "iref", "Cth", "hA", "Cnom", "w0", "evap"}
INVERSE = {"R0", "R1", "R2", "Rleak", "kox", "kRox", "Rsh", "Rcon"}


@given(st.floats(-1.4, 3.9))
def test_the_table_inverts_the_open_circuit_law(potential_V: float) -> None:
    constants = constants_of(PLOVER)
    place = (positive_charge_C(PLOVER, potential_V) - constants.first_C) * constants.points_per_C
    point = int(place)
    low_V, high_V = constants.potential_V[point : point + 2]

    # A chord of 9 C over a curve whose second derivative stays below 1.4e-7 V/C² misses it by h²/8 of that at most.
    assert low_V + (high_V - low_V) * (place - point) == pytest.approx(potential_V, abs=1.6e-6)


def test_the_open_circuit_law_is_a_line_with_a_shoulder() -> None:
    rise_C = positive_charge_C(PLOVER, 3.35) - positive_charge_C(PLOVER, -0.65)

    assert rise_C == pytest.approx(4.0 * 3960.0 + 752.0, abs=1e-6)
    assert positive_charge_C(PLOVER, 1.35) == pytest.approx(3960.0 * 1.35 + 376.0, abs=1e-9)


def test_a_sharp_shoulder_is_inverted_too() -> None:
    table = constants_of(replace(PLOVER, sr=1e-4)).potential_V

    assert all(low_V < high_V for low_V, high_V in pairwise(table))
    assert table[-1] == pytest.approx(4.0, abs=1e-9)


def test_a_scaled_cell_keeps_its_chemistry() -> None:
    whole = replace(PLOVER, evap=0.16, Rcon=1.2)
    half = whole.scaled(0.5)

    for name in (field.name for field in fields(CellParameters)):
        factor = 0.5 if name in EXTENSIVE else 2.0 if name in INVERSE else 1.0

        assert getattr(half, name) == pytest.approx(getattr(whole, name) * factor, rel=1e-15)


@pytest.mark.parametrize("change", [{"C": 0.0}, {"R0": 0.0}, {"kox": -1.0}, {"tau1": float("nan")}, {"Rsh": 0.0}])
def test_impossible_parameters_are_refused(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(change))):
        replace(PLOVER, **change)


def test_a_fresh_cell_shows_no_voltage_and_a_formed_one_its_immersion_potential() -> None:
    fresh, formed = Cell(PLOVER), Cell(PLOVER, fresh=False)

    assert fresh.voltage_V == pytest.approx(0.0, abs=2e-6)
    assert formed.voltage_V == pytest.approx(1.05, abs=2e-6)
    assert formed.ledger_Ah.zinc == pytest.approx(0.6)
    assert fresh.resistance_ohm == pytest.approx(1.92 * 0.375)
    assert formed.resistance_ohm == pytest.approx(0.375, rel=1e-6)


@pytest.mark.parametrize("name", sorted(FIXTURES))
def test_every_named_cell_can_be_charged(name: str) -> None:
    cell = make_cell(name)
    cell.advance(60.0, laws.charge(0.3, 1.8))

    assert cell.charge_in_C > 0.0
    assert FIXTURES[name].meaning


def test_named_cells_differ_from_plover_in_the_one_thing_they_are_named_for() -> None:
    differing = {
        name: {f.name for f in fields(CellParameters) if getattr(fixture.parameters, f.name) != getattr(PLOVER, f.name)}
        for name, fixture in FIXTURES.items()
    }

    assert differing["plover"] == differing["knot"] == set()
    assert differing["dunlin"] == {"Uref"}
    assert differing["sanderling"] == differing["oystercatcher"] == {"Rleak"}
    assert differing["turnstone"] == differing["turnstone-worse"] == differing["turnstone-worst"] == {"Rsh"}
    assert differing["redshank"] == {"Rcon"}
    assert differing["curlew"] == {"evap"}
    assert differing["phalarope-nastier"] - differing["phalarope"] == {"Uref"}
    assert make_cell("knot").ledger_Ah.zinc == pytest.approx(0.03)


def test_the_small_cell_fills_in_seconds() -> None:
    cell = make_cell("dotterel")
    while cell.current_A == 0.0 or cell.voltage_V < 1.799:
        cell.step(0.05, laws.charge(0.5, 1.8))

    assert pytest.approx(3.96) == small_cell().C
    assert 3.0 < cell.elapsed_s < 12.0
    assert cell.temperature_degC < 25.1


def test_string_cells_spread_as_hand_made_cells_do() -> None:
    cells = [cell for seed in range(16) for cell in string_cells(seed).values()]
    spreads = {
        0.05: [cell.parameters.C / PLOVER.C - 1.0 for cell in cells],
        0.10: [cell.parameters.R0 / PLOVER.R0 - 1.0 for cell in cells],
        0.3: [log(cell.parameters.Rleak / PLOVER.Rleak) for cell in cells],
        0.4: [log(cell.parameters.iref / PLOVER.iref) for cell in cells],
        0.075: [cell.ledger_Ah.stored for cell in cells],
    }

    for sigma, values in spreads.items():
        # 112 draws: the standard error of a standard deviation is 7 %.
        assert fmean(value * value for value in values) ** 0.5 == pytest.approx(sigma, rel=0.2)


def test_the_same_seed_gives_the_same_string() -> None:
    one, same, other = (string_cells(seed) for seed in (7, 7, 8))

    assert tuple(one) == STRING_CELLS
    assert [cell.parameters for cell in one.values()] == [cell.parameters for cell in same.values()]
    assert [cell.parameters for cell in one.values()] != [cell.parameters for cell in other.values()]
    assert all(cell.parameters == PLOVER for cell in string_cells(7, spread=0.0).values())


def test_a_copy_goes_its_own_way() -> None:
    cell = make_cell("plover", stored_Ah=0.5)
    twin, idle = cell.copy(), cell.copy()
    for one in (cell, twin):
        one.advance(100.0, laws.constant_current(0.5))

    assert twin.ledger_Ah == cell.ledger_Ah
    assert twin.voltage_V == cell.voltage_V
    assert idle.charge_in_C == 0.0
    assert idle.elapsed_s == 0.0


@pytest.mark.parametrize(
    ("law", "seconds", "dt_s", "steps"),
    [
        (laws.REST, 600.0, None, 60),
        (laws.REST, 5.0, None, 1),
        (laws.REST, 3 * 86400.0, None, 4320),
        (laws.constant_current(0.3), 60.0, None, 60),
        (laws.constant_current(0.3), 2.5, None, 3),
        (laws.constant_current(0.3), 60.0, 20.0, 3),
        (laws.resistance(4.7), 60.0, None, 60),
    ],
)
def test_time_passes_in_steps_that_suit_the_law(law: laws.Law, seconds: float, dt_s: float | None, steps: int) -> None:
    cell, same = (make_cell("plover", stored_Ah=0.5) for _ in range(2))
    cell.advance(seconds, law, dt_s=dt_s)
    for _ in range(steps):
        same.step(seconds / steps, law)

    assert cell.elapsed_s == pytest.approx(seconds, abs=1e-6)
    assert cell.voltage_V == pytest.approx(same.voltage_V, abs=1e-13)
    assert cell.stored_C == pytest.approx(same.stored_C, abs=1e-9)


def test_a_source_at_its_voltage_limit_needs_fewer_steps() -> None:
    law = laws.charge(0.75, 1.8)
    cell, same = (make_cell("plover", stored_Ah=0.9) for _ in range(2))
    for one in (cell, same):
        one.step(1.0, law)
    cell.advance(100.0, law)
    for _ in range(10):
        same.step(10.0, law)

    assert cell.voltage_V == 1.8
    assert cell.stored_C == pytest.approx(same.stored_C, abs=1e-9)


def test_a_cell_driven_far_below_zero_stays_a_number() -> None:
    cell = make_cell("plover")
    cell.advance(8 * 3600.0, laws.constant_current(-2.0), dt_s=10.0)

    assert cell.negative_potential_V == 2.5
    # Beyond the table the double layer goes on alone: 57 600 C of 3960 F and the ohmic drop.
    assert cell.voltage_V == pytest.approx(1.05 - 2.5 - (57600.0 - 752.0) / 3960.0 - 2.0 * 0.42, abs=0.9)


def test_a_cell_charged_without_a_voltage_limit_ends_in_gas() -> None:
    cell = make_cell("plover")
    cell.advance(3600.0, laws.constant_current(20.0), dt_s=60.0)

    assert cell.gas_current_A == pytest.approx(20.0, rel=0.05)
    assert cell.electrode_voltage_V < 2.7
