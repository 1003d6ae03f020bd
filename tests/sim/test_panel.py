"""What panels have in common: settings, readings, noise, reboot and their own record."""

from __future__ import annotations

from statistics import fmean, pstdev

import pytest

from chargerd.sim.fixtures import make_cell
from chargerd.sim.node import Node
from chargerd.sim.panel import Accuracy, ConflictError, OutOfRangeError, gaussian
from chargerd.sim.supply import Supply


def supply(**options: object) -> Supply:
    made = Supply("supply", Node(make_cell("plover", stored_Ah=0.5)), **options)  # type: ignore[arg-type]
    made.set("voltage_set_V", 2.05, 0.0)
    made.set("current_set_A", 1.0, 0.0)
    return made


def test_settings_keep_to_their_range_and_step() -> None:
    panel = supply()
    panel.set("voltage_set_V", 1.23449, 0.0)

    assert panel.voltage_set_V == 1.234
    with pytest.raises(OutOfRangeError):
        panel.set("voltage_set_V", 30.01, 0.0)
    with pytest.raises(OutOfRangeError):
        panel.set("power_on_output", "MAYBE", 0.0)
    with pytest.raises(KeyError):
        panel.set("voltage_sett_V", 1.0, 0.0)
    assert panel.voltage_set_V == 1.234


def test_a_tripped_output_cannot_be_switched_on() -> None:
    panel = supply()
    panel.trip("ocp", 0.0)

    with pytest.raises(ConflictError):
        panel.set("output", value=True, now_s=0.0)


def test_over_current_trips_above_its_level_or_as_soon_as_the_supply_limits() -> None:
    lenient, strict = supply(), supply(trips_when_limiting=True)
    for panel in (lenient, strict):
        panel.set("ocp_enabled", value=True, now_s=0.0)
        panel.set("output", value=True, now_s=1.0)

    assert (lenient.conducts, strict.conducts) == (True, False)

    lenient.set("ocp_level_A", 0.9, 2.0)

    assert lenient.output_log[-1].cause == "ocp"


def test_noise_is_gaussian_and_fixed_by_seed_and_instant() -> None:
    values = [gaussian(7, index) for index in range(20_000)]

    assert fmean(values) == pytest.approx(0.0, abs=4 / 20_000**0.5)  # four standard errors
    assert pstdev(values) == pytest.approx(1.0, abs=4 * (0.5 / 20_000) ** 0.5)
    assert values[:50] == [gaussian(7, index) for index in range(50)]
    assert values[:50] != [gaussian(8, index) for index in range(50)]


def test_a_reading_carries_gain_offset_noise_and_resolution() -> None:
    panel = supply(seed=3)
    panel.set("output", value=True, now_s=0.0)
    panel.accuracy["current_A"] = Accuracy(gain=1.01, offset=0.005, resolution=0.001)

    assert panel.read("current_A", 1.0) == 1.015

    panel.accuracy["current_A"] = Accuracy(noise=0.002)
    readings = [panel.read("current_A", 1.0 + 0.02 * k) for k in range(400)]

    assert pstdev(readings) == pytest.approx(0.002, rel=0.15)  # four standard errors of 400 samples
    assert panel.read("current_A", 1.0) == readings[0]


@pytest.mark.parametrize(("power_on", "output", "voltage_V"), [("OFF", False, 0.0), ("LAST", True, 2.05), ("ON", True, 2.05)])
def test_power_on_state_decides_what_a_reboot_leaves(power_on: str, output: bool, voltage_V: float) -> None:
    panel = supply()
    panel.set("power_on_output", power_on, 0.0)
    panel.set("output", value=True, now_s=0.0)
    panel.set("ovp_level_V", 5.0, 0.0)
    panel.reboot(10.0)

    assert (panel.output, panel.voltage_set_V, panel.ovp_level_V, panel.boots) == (output, voltage_V, 33.0, 1)
    assert panel.power_on_output == power_on


def test_an_output_that_was_off_stays_off_after_a_reboot_that_keeps_the_last_state() -> None:
    panel = supply()
    panel.set("power_on_output", "LAST", 0.0)
    panel.reboot(10.0)

    assert panel.energised() == []


def test_every_interval_in_which_it_conducted_is_on_record_with_its_causes() -> None:
    panel = supply()
    panel.set("output", value=True, now_s=1.0)
    panel.touch("output", value=False, now_s=2.0)
    panel.set("output", value=True, now_s=3.0)
    panel.trip("ovp", 4.0)
    panel.clear_protection(5.0)
    panel.reset(6.0)

    assert panel.energised() == [(1.0, 2.0), (3.0, 4.0), (5.0, 6.0)]
    assert [entry.cause for entry in panel.output_log] == ["made", "command", "panel", "command", "ovp", "clear", "reset"]


def test_a_stuck_output_shows_off_and_still_drives_the_cell() -> None:
    panel = supply()
    panel.set("output", value=True, now_s=0.0)
    panel.stick_on(1.0)
    panel.set("output", value=False, now_s=2.0)

    assert (panel.output_shown, panel.conducts) == (False, True)
    assert panel.truth("current_A", 3.0) == pytest.approx(1.0)
    assert panel.energised() == [(0.0, None)]
