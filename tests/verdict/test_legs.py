"""How one pass over the samples becomes legs, against an ideal capacitor."""

from __future__ import annotations

import pytest

from chargerd.core.events import Gap, Pause, Stop, Tripped
from chargerd.errors import JournalError
from chargerd.verdict.leg import Leg
from chargerd.verdict.legs import Legs
from tests.verdict.story import Story


def read(story: Story, every_s: dict[str, float] | None = None) -> Legs:
    legs = Legs(story.noted, every_s)
    for sample in story.samples:
        legs.take(sample)
    legs.finish()
    return legs


def full_cycle(every_s: float = 10.0) -> Story:
    story = Story(every_s=every_s)
    story.rest()
    story.charge(5.0)
    story.rest()
    story.discharge(5.0)
    story.rest(step="1.4")
    return story


def test_an_ideal_capacitor_gives_its_charge_and_energy() -> None:
    charge, discharge = read(full_cycle()).legs

    # 4500 F from 0.8 V to 2.0 V: C·ΔV = 1.5 Ah, C·(2.0² − 0.8²)/2 = 2.1 Wh, mean 1.4 V.
    assert charge.charge_Ah == pytest.approx(1.5, rel=1e-9)
    assert discharge.charge_Ah == pytest.approx(1.5, rel=1e-9)
    assert charge.energy_Wh == pytest.approx(2.1, rel=1e-9)
    assert discharge.mean_voltage_V == pytest.approx(1.4, rel=1e-9)
    assert discharge.current_mean_A == pytest.approx(0.3, rel=1e-9)
    assert discharge.duration_s == pytest.approx(5 * 3600.0)


def test_a_leg_carries_its_conditions() -> None:
    discharge = read(full_cycle()).legs[1]

    assert (discharge.open_V, discharge.start_V, discharge.end_V) == pytest.approx((2.0, 2.0, 0.8))
    assert (discharge.ended_by, discharge.end_limit, discharge.complete) == ("voltage_below", 0.8, True)
    assert (discharge.temperature_mean_degC, discharge.temperature_min_degC, discharge.temperature_max_degC) == (25.0, 25.0, 25.0)
    assert discharge.data_fault == ""


def test_legs_and_totals_are_the_same_sum() -> None:
    legs = read(full_cycle())

    assert legs.totals.charge_in_Ah == pytest.approx(legs.legs[0].charge_Ah, rel=1e-12)
    assert legs.totals.energy_out_Wh == pytest.approx(legs.legs[1].energy_Wh, rel=1e-12)
    assert legs.journal_totals().charge_in_Ah == pytest.approx(1.5, rel=1e-9)


def test_without_readings_at_the_switching_the_edges_cancel_and_are_stated() -> None:
    story = full_cycle()
    thinned = [s for i, s in enumerate(story.samples) if i == 0 or s.elapsed_s > story.samples[i - 1].elapsed_s]
    legs = Legs(story.noted)
    for sample in thinned:
        legs.take(sample)
    legs.finish()

    assert legs.legs[0].charge_Ah == pytest.approx(1.5, rel=1e-9)
    assert legs.legs[0].edge_Ah == pytest.approx(0.3 * 10.0 / 3600.0)


def test_an_interruption_belongs_to_its_charge() -> None:
    story = Story()
    story.charge(1.0, end="")
    story.flow("interruption", "1.1", 1, 0.0, 1.0)
    story.charge(1.0)

    (charge,) = read(story).legs
    assert charge.charge_Ah == pytest.approx(0.6, rel=1e-9)
    assert charge.duration_s == pytest.approx(7201.0)
    assert charge.start_V == pytest.approx(0.8)


def test_charge_straight_into_discharge_gives_each_its_own() -> None:
    story = Story()
    story.charge(1.0)
    story.discharge(1.0)
    charge, discharge = read(story).legs

    assert charge.charge_Ah == pytest.approx(0.3, rel=1e-9)
    assert discharge.charge_Ah == pytest.approx(0.3, rel=1e-9)


def test_a_change_of_direction_between_two_samples_is_shared() -> None:
    story = Story()
    story.charge(1.0)
    story.discharge(1.0)
    story.samples = [s for i, s in enumerate(story.samples) if i == 0 or s.elapsed_s > story.samples[i - 1].elapsed_s]
    charge, discharge = read(story).legs

    # The straight line from +0.3 A to −0.3 A over 10 s: a triangle of 0.3 × 5 s / 2 = 0.75 As on either side.
    assert charge.in_As == pytest.approx(0.3 * 3600.0 + 0.75, rel=1e-9)
    assert discharge.out_As == pytest.approx(0.3 * 3590.0 + 0.75, rel=1e-9)


def test_a_pause_is_told_and_its_time_not_counted() -> None:
    story = Story()
    story.charge(1.0, end="")
    story.note(Pause())
    story.flow("off", "1.1", 1, 0.0, 1800.0, state="PAUSED")
    story.charge(1.0)
    (charge,) = read(story).legs

    assert charge.paused is True
    assert charge.duration_s == pytest.approx(7200.0)
    assert charge.charge_Ah == pytest.approx(0.6, rel=1e-9)


def test_a_gap_in_time_is_not_interpolated_but_bounded() -> None:
    story = Story()
    story.discharge(1.0, end="")
    story.elapsed_s += 120.0
    story.discharge(1.0)
    legs = read(story)
    (discharge,) = legs.legs

    assert (discharge.gaps, discharge.gap_s, legs.gaps) == (1, 120.0, 1)
    assert discharge.charge_Ah == pytest.approx(0.6, rel=1e-9)
    assert discharge.current_mean_A == pytest.approx(0.3, rel=1e-9)
    assert discharge.unknown_Ah == pytest.approx(0.3 * 120.0 / 3600.0)
    assert "gaps of 120 s" in discharge.data_fault


def test_a_small_gap_widens_the_limit_and_is_no_fault() -> None:
    story = Story()
    story.discharge(2.0, end="")
    story.elapsed_s += 32.0
    story.discharge(2.0)
    (discharge,) = read(story).legs

    assert (discharge.gaps, discharge.data_fault) == (1, "")


def test_two_missing_readings_are_no_gap() -> None:
    story = full_cycle()
    del story.samples[500:502]
    legs = read(story, {"1.1": 10.0})

    assert legs.gaps == 0
    assert legs.legs[0].charge_Ah == pytest.approx(1.5, rel=1e-9)


def test_readings_without_current_are_bridged_and_counted() -> None:
    story = full_cycle()
    story.samples[500] = story.samples[500]._replace(current_A=None)
    story.samples[501] = story.samples[501]._replace(voltage_V=None)
    (charge, _) = read(story).legs

    assert charge.missing == 2
    assert charge.charge_Ah == pytest.approx(1.5, rel=1e-9)


def test_a_leg_mostly_without_readings_is_a_data_fault() -> None:
    story = Story()
    story.charge(1.0)
    story.samples = [s._replace(current_A=None) if s.seq % 2 else s for s in story.samples]

    assert "lacked voltage or current" in read(story).legs[0].data_fault


def test_a_life_between_two_lives_of_the_program_interrupts_its_leg() -> None:
    story = Story()
    story.discharge(1.0, end="")
    story.note(Gap(duration_s=900.0, off_after_s=6.0))
    story.elapsed_s += 900.0
    story.flow("off", "1.3", 1, 0.0, 60.0, state="PAUSED")
    story.discharge(1.0)
    (discharge,) = read(story).legs

    assert discharge.interrupted is True
    assert discharge.unknown_Ah == pytest.approx(0.3 * 6.0 / 3600.0)
    assert discharge.charge_Ah == pytest.approx(0.6, rel=1e-9)
    assert "interrupted" in discharge.data_fault


def test_time_between_two_lives_is_no_time_of_the_leg() -> None:
    story = Story()
    story.discharge(1.0, end="")
    story.note(Gap(duration_s=900.0))
    story.elapsed_s += 900.0
    story.discharge(1.0)
    (discharge,) = read(story).legs

    assert discharge.duration_s == pytest.approx(7200.0)
    assert discharge.current_mean_A == pytest.approx(0.3, rel=1e-9)


def test_a_trip_ends_the_leg_it_fell_into() -> None:
    story = Story()
    story.charge(1.0, end="")
    story.note(Tripped("temperature", 46.0, 45.0, "too hot"))
    story.flow("off", "1.1", 1, 0.0, 60.0, state="TRIPPED")
    (charge,) = read(story).legs

    assert (charge.ended_by, charge.end_limit, charge.complete) == ("trip", 45.0, False)
    assert charge.charge_Ah == pytest.approx(0.3, rel=1e-9)


def test_a_trip_at_rest_does_not_undo_the_end_reached_before() -> None:
    story = full_cycle()
    story.note(Tripped("temperature", 46.0, 45.0, ""))

    assert read(story).legs[1].ended_by == "voltage_below"


def test_a_stop_and_a_run_still_going_on() -> None:
    story = Story()
    story.charge(1.0, end="")

    assert read(story).legs[0].ended_by == "not ended"
    story.note(Stop())
    assert read(story).legs[0].ended_by == "stop"


def test_rests_follow_charge_and_discharge() -> None:
    after_charge, after_discharge = read(full_cycle()).rests

    assert (after_charge.after, after_charge.under_current_V, after_charge.voltage_V[600.0]) == pytest.approx(("charge", 2.0, 2.0))
    assert (after_discharge.after, after_discharge.lasted_s) == ("discharge", 600.0)


@pytest.mark.parametrize(("elapsed_s", "seq"), [(0.0, 8), (70.0, 7)])
def test_going_backwards_is_damage(elapsed_s: float, seq: int) -> None:
    story = full_cycle()
    story.samples[7] = story.samples[7]._replace(elapsed_s=elapsed_s, seq=seq)

    with pytest.raises(JournalError, match="backwards"):
        read(story)


def cliff_of(end_V: float) -> Leg:
    leg = Leg("discharge", "1.3", 1, 1, 0.0, ended_by="voltage_below", out_As=3600.0)
    for place in range(981):
        leg.curve.take(place / 1000.0, 2.0 - place / 1000.0)
    for place in range(21):
        leg.curve.take(0.98 + place / 1000.0, 1.02 - (1.02 - end_V) * place / 20.0)
    leg.curve.points.append((1.0, end_V))
    return leg


def test_a_straight_discharge_has_no_cliff() -> None:
    assert cliff_of(1.0).cliff == pytest.approx(1.0, rel=0.05)


def test_a_discharge_that_breaks_down_at_its_end_has_one() -> None:
    assert cliff_of(0.8).cliff == pytest.approx(11.0, rel=0.05)


def test_a_curve_never_holds_more_points_than_it_may() -> None:
    leg = cliff_of(1.0)
    for place in range(20000):
        leg.curve.take(1.0 + place / 1000.0, 1.0)

    assert len(leg.curve.points) < 800
