"""Set-points that stay when the computer dies: what they may do until the next visit, by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.config.bench import Ventilation
from chargerd.config.hygiene import Held, Untended, allowed_in, held_by, thermal_K_per_W
from chargerd.core.plan import Gassing
from tests.config.files import Edit, plan

DAY_S = 86_400.0
OUTDOORS = Ventilation(outdoors=True)
BOX = Ventilation(outdoors=False, room_m3=0.010)
"""Ten litres and closed."""
GASSING = Gassing(threshold_V=1.85, coefficient_V_per_K=-0.004, measured=False, current_25_A=0.015, decade_V=0.120)
PLOVER = Untended(DAY_S, 1.5, 2.10, 112.0, 45.0, GASSING, OUTDOORS)
BOUND_Ah = 1.25 * 1.2 * 1.5


def charge(voltage_V: float, current_A: float, bound_Ah: float = BOUND_Ah) -> Held:
    return Held(1, voltage_V, current_A, bound_Ah)


def test_a_gentle_charge_frozen_for_a_day_is_harmless_and_a_hard_one_is_not() -> None:
    """The figures of the specification: 1.85 V and 0.15 A pass, 2.65 V and 2.0 A do not."""
    assert PLOVER.why_not(charge(1.85, 0.15)) == ""
    assert "it may heat the cell to" in PLOVER.why_not(charge(2.65, 2.0))


def test_the_heat_of_a_frozen_set_point_by_hand() -> None:
    # 112 g / 1.2 g/cm3 = 93.3 cm3, a cube of 4.536 cm: 6 × 20.57 cm2 = 0.012344 m2; 8 W/(m2 K) × that = 98.75 mW/K.
    assert thermal_K_per_W(112.0) == pytest.approx(1 / 0.09875, rel=1e-3)
    # 1.85 V × 0.15 A = 0.2775 W, 2.81 K above a room of 30 °C; 2.65 V × 2.0 A = 5.3 W, 53.7 K.
    assert PLOVER.temperature_degC(1.85, 0.15) == pytest.approx(32.81, abs=0.01)
    assert PLOVER.temperature_degC(2.65, 2.0) == pytest.approx(83.67, abs=0.05)


def test_the_charge_of_a_frozen_set_point_by_hand() -> None:
    # At 32.81 °C the threshold is 1.85 V - 7.81 K × 4 mV/K = 1.8188 V; 31.2 mV above it the law gives
    # 15 mA × 10^(31.2/120) = 27.3 mA, in 24 h 0.655 Ah. With the 1.5 Ah that it holds: 2.155 Ah, below 1.25 × 1.8 Ah = 2.25 Ah.
    assert PLOVER.charge_Ah(charge(1.85, 0.15)) == pytest.approx(2.155, abs=0.003)
    assert PLOVER.why_not(charge(1.85, 0.15, bound_Ah=2.14)).endswith("more than the step's bound of 2.14 Ah")


@pytest.mark.parametrize(("hours", "passes"), [(24.0, False), (1.4, True)])
def test_in_a_closed_box_the_gas_of_a_set_point_decides(hours: float, passes: bool) -> None:
    # 10 L to 1 %: 0.1 L / (0.456 L/Ah × 0.15 A) = 1.46 h.
    boxed = replace(PLOVER, visit_s=hours * 3600.0, air=BOX)

    assert (boxed.why_not(charge(1.85, 0.15)) == "") is passes
    if not passes:
        assert "1 % hydrogen" in boxed.why_not(charge(1.85, 0.15))


def test_a_frozen_discharge_takes_what_the_cell_holds_and_no_more() -> None:
    assert PLOVER.charge_Ah(Held(-1, 2.0, 0.3, 2.25)) == 1.5
    assert PLOVER.why_not(Held(-1, 2.0, 0.3, 1.875)) == ""
    assert "more than the step's bound" in PLOVER.why_not(Held(-1, 2.0, 0.3, 0.5))


@pytest.mark.parametrize(
    "held", [charge(math.nan, 0.15), charge(1.85, math.nan), charge(1.85, math.inf), charge(1.85, 0.15, math.nan)]
)
def test_what_is_no_number_is_not_harmless(held: Held) -> None:
    assert PLOVER.why_not(held) != ""


def test_each_rung_of_a_climb_is_judged(tmp_path: Path) -> None:
    held = [(step.number, one.voltage_V, one.current_A) for step, one in held_by(plan(tmp_path)) if one.direction > 0]

    assert held == [("1.1", 1.75, 0.15), ("1.1", 1.80, 0.15), ("1.1", 1.85, 0.15), ("2", 1.85, 0.3)]


@pytest.mark.parametrize(
    ("direction", "voltage_V", "current_A", "what"),
    [(1, 2.76, 0.1, "2.76 V is above the hard limit 2.75 V"), (1, 1.85, 2.6, "2.6 A is above the hard limit 2.5 A"),
     (-1, None, 2.6, "2.6 A is above the hard limit 2.5 A"), (1, math.nan, 0.1, "nan V"), (1, 1.85, math.nan, "nan A"),
     (1, -0.1, 0.1, "-0.1 V"), (1, 1.85, -0.1, "-0.1 A")],
)  # fmt: skip
def test_nothing_above_the_hard_limits_may_be_written(
    tmp_path: Path, direction: int, voltage_V: float | None, current_A: float, what: str
) -> None:
    allowed = allowed_in(plan(tmp_path))

    assert what in allowed.why_not(direction, voltage_V, current_A)
    assert allowed.why_not(1, 2.75, 2.5) == allowed.why_not(-1, None, 2.5) == ""


def test_left_alone_only_what_is_harmless_may_be_written_to_what_nothing_switches_off(tmp_path: Path) -> None:
    made = plan(tmp_path, Edit("profile", "current: 300 mA", "current: 200 mA"))
    both, load_alone = (allowed_in(made, PLOVER, frozenset(some)) for some in ({1, -1}, {-1}))

    assert both.why_not(1, 1.85, 0.15) == ""
    assert "it may heat the cell" in both.why_not(1, 2.65, 2.0)
    assert load_alone.why_not(1, 2.65, 2.0) == ""
    assert "it may heat the cell" in load_alone.why_not(-1, None, 2.0)
