"""Pulses, probes and zero currents are no legs: they measure no capacity, and do not pass for rest, charge or discharge."""

from __future__ import annotations

import pytest

from chargerd.core.events import StepEnded, StepStarted
from chargerd.verdict.capacity import capacity
from chargerd.verdict.legs import Legs
from chargerd.verdict.uncertainty import UNKNOWN
from tests.verdict.story import Story


def read(story: Story) -> Legs:
    legs = Legs(story.noted, None)
    for sample in story.samples:
        legs.take(sample)
    legs.finish()
    return legs


def story_with(activity: str, current_A: float, lasts_s: float) -> Story:
    story = Story(every_s=1.0)
    story.charge(0.2)
    story.rest(120.0)
    story.flow(activity, "1.21", 1, current_A, lasts_s)
    story.rest(120.0, step="1.25")
    story.discharge(0.2)
    return story


@pytest.mark.parametrize("activity", ["pulse", "probe", "zero-current"])
def test_they_are_no_leg(activity: str) -> None:
    legs = read(story_with(activity, -0.3, 10.0)).legs

    assert [leg.kind for leg in legs] == ["charge", "discharge"]
    assert legs[0].charge_Ah == pytest.approx(0.06)
    assert legs[1].charge_Ah == pytest.approx(0.06)


@pytest.mark.parametrize("activity", ["pulse", "probe"])
def test_what_they_move_counts_in_the_totals_and_spoils_a_leg_when_it_is_much(activity: str) -> None:
    little, much = read(story_with(activity, -0.3, 1.0)), read(story_with(activity, -0.3, 60.0))

    assert little.totals.charge_out_Ah == pytest.approx(0.06 + 0.3 / 3600.0, rel=1e-6)
    assert little.legs[1].data_fault == ""
    assert much.legs[1].data_fault == "pulses before it moved 5.0 mAh"
    assert capacity(much.legs, UNKNOWN) is None


def test_an_instruments_zero_moves_no_charge() -> None:
    legs = read(story_with("zero-current", 0.025, 30.0))

    assert legs.totals.charge_in_Ah == pytest.approx(0.06)
    assert legs.totals.charge_out_Ah == pytest.approx(0.06)
    assert legs.legs[1].data_fault == ""


def test_a_rest_ends_where_a_pulse_begins_and_none_begins_after_it() -> None:
    rests = read(story_with("pulse", -0.3, 10.0)).rests

    assert [(rest.after, rest.lasted_s) for rest in rests] == [("charge", pytest.approx(120.0))]


def test_a_discharge_at_constant_power_is_a_leg_like_any_other() -> None:
    # 0.3 W out of 4500 F from 2.0 V: C·(V0² − V1²)/2 joules; its charge C·(V0 − V1), whatever the current did meanwhile.
    story = Story(every_s=1.0, voltage_V=2.0)
    story.note(StepStarted("1", 0, "discharge", None, 0.5))
    story.sample("discharge", "1", 0, -0.3 / story.voltage_V)
    while story.voltage_V > 1.6:
        energy_J = 0.5 * story.capacitance_F * story.voltage_V**2 - 0.3
        story.voltage_V = (2.0 * energy_J / story.capacitance_F) ** 0.5
        story.elapsed_s += 1.0
        story.sample("discharge", "1", 0, -0.3 / story.voltage_V)
    story.note(StepEnded("1", 0, "voltage_below", story.voltage_V, 1.6))
    (leg,) = read(story).legs

    assert leg.complete
    assert leg.energy_Wh == pytest.approx(0.3 * story.elapsed_s / 3600.0, rel=1e-6)
    assert leg.charge_Ah == pytest.approx(4500.0 * (2.0 - story.voltage_V) / 3600.0, rel=1e-5)
    assert leg.mean_voltage_V == pytest.approx(1.8, rel=1e-3)
