"""When discharges agree, what a closed cycle gives back, and whether a rating holds."""

from __future__ import annotations

import pytest

from chargerd.core.events import Gap
from chargerd.verdict.capacity import (
    Capacity,
    Cycle,
    RatingAnswer,
    Window,
    agreeing,
    capacity,
    compare_rating,
    cycles,
    last_judged,
    spread,
)
from chargerd.verdict.leg import Leg
from chargerd.verdict.legs import Legs
from chargerd.verdict.sample import Rating
from chargerd.verdict.uncertainty import UNKNOWN, Accuracies, Accuracy
from tests.verdict.story import Story


def legs_of(story: Story) -> list[Leg]:
    reader = Legs(story.noted)
    for sample in story.samples:
        reader.take(sample)
    reader.finish()
    return reader.legs


def formation(*rounds: tuple[float, float], set_V: float = 2.0) -> Story:
    story = Story()
    for number, (charge_h, discharge_h) in enumerate(rounds, start=1):
        story.round(number, charge_h, discharge_h, set_V=set_V)
    return story


def cycles_of(story: Story, accuracies: Accuracies = UNKNOWN) -> list[Cycle]:
    return cycles(legs_of(story), accuracies)


# Three successive discharges within 2 % is the static-capacity rule of the US DOE/INL manuals (DOE/ID-11069, 2003; from
# memory); the vectors are own arithmetic: 0.035/0.97 and 0.015/0.98333.
def test_three_discharges_that_still_grow_do_not_agree() -> None:
    assert spread([0.950, 0.975, 0.985]) == pytest.approx(0.0361, abs=5e-5)
    assert agreeing([0.950, 0.975, 0.985], count=3) is None


def test_three_that_have_settled_agree() -> None:
    assert spread([0.975, 0.985, 0.990]) == pytest.approx(0.0153, abs=5e-5)
    assert agreeing([0.975, 0.985, 0.990], count=3) == 0


def test_size_does_not_matter_to_agreement() -> None:
    assert spread([1.5 * 0.950, 1.5 * 0.975, 1.5 * 0.985]) == pytest.approx(spread([0.950, 0.975, 0.985]))


def test_the_last_two_that_agree_are_found() -> None:
    assert agreeing([1.0, 1.01, 1.2, 1.21, 1.3]) == 2
    assert agreeing([1.0]) is None


def test_a_spread_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        spread([])


def test_capacity_is_the_mean_of_two_successive_discharges_that_agree() -> None:
    found = capacity(legs_of(formation((5.0, 4.5), (4.7, 4.6), (4.7, 4.64))), UNKNOWN)

    assert found is not None
    assert (found.repeated, found.legs) == (True, (3, 5))
    assert found.charge_Ah == pytest.approx(0.3 * 4.62, rel=1e-6)
    assert found.range_Ah == pytest.approx((1.38, 1.392), rel=1e-6)
    assert found.spread == pytest.approx(0.04 / 4.62, rel=1e-6)
    assert (found.window.charged_to_V, found.window.discharged_to_V) == (2.0, 0.8)


def test_a_growing_cell_gives_its_last_discharge_and_says_not_repeated() -> None:
    found = capacity(legs_of(formation((5.0, 3.0), (4.0, 3.5), (4.5, 4.0))), UNKNOWN)

    assert found is not None
    assert (found.repeated, found.spread) == (False, None)
    assert found.charge_Ah == pytest.approx(1.2, rel=1e-6)


def test_discharges_from_different_voltages_are_not_taken_together() -> None:
    story = Story()
    story.round(1, 4.0, 4.0, set_V=1.8)
    story.round(2, 4.0, 4.0, set_V=1.85)
    found = capacity(legs_of(story), UNKNOWN)

    assert found is not None
    assert (found.repeated, found.window.charged_to_V) == (False, 1.85)


def test_a_discharge_that_did_not_reach_its_end_is_no_capacity() -> None:
    story = Story()
    story.charge(5.0)
    story.rest()
    story.discharge(4.0, end="time")

    assert capacity(legs_of(story), UNKNOWN) is None


def test_a_charge_that_fell_short_of_its_set_point_gives_a_lower_window() -> None:
    story = Story()
    story.charge(4.0, set_V=2.0, end="time")
    story.rest()
    story.discharge(4.0)
    found = capacity(legs_of(story), UNKNOWN)

    assert found is not None
    assert found.window.charged_to_V == pytest.approx(0.8 + 0.3 * 4.0 * 3600.0 / 4500.0)


def test_a_capacity_knows_its_uncertainty() -> None:
    accuracies = Accuracies(Accuracy(0.0005, 0.005), Accuracy(0.001, 0.001), Accuracy(0.001, 0.001))
    found = capacity(legs_of(formation((5.0, 5.0), (5.0, 5.0))), accuracies)

    assert found is not None
    # √((0.001 × 1.5)² + (1 mA × 5 h)²) = 5.2 mAh.
    assert found.limit_Ah == pytest.approx(5.22e-3, rel=1e-3)
    assert found.energy_limit_Wh is not None


def test_the_first_cycle_is_open_and_has_no_efficiency() -> None:
    first, second = cycles_of(formation((5.0, 4.5), (4.7, 4.6)))

    assert (first.closed, first.coulombic_efficiency) == (False, None)
    assert "did not start from a discharged cell" in first.why_not
    assert (second.closed, second.judged) == (True, True)
    assert second.coulombic_efficiency == pytest.approx(4.6 / 4.7, rel=1e-6)
    assert second.loss_Ah == pytest.approx(0.3 * 0.1, rel=1e-6)


def test_a_first_cycle_that_is_closed_is_still_not_judged() -> None:
    story = Story(voltage_V=2.0)
    story.discharge(5.0, number=0, step="1")
    story.round(1, 4.7, 4.6)
    (first,) = cycles_of(story)

    assert (first.closed, first.judged) == (True, False)
    assert first.coulombic_efficiency == pytest.approx(4.6 / 4.7, rel=1e-6)
    assert first.why_not == "the first cycle is not judged"


def test_efficiencies_of_an_ideal_capacitor_are_one() -> None:
    second = cycles_of(formation((5.0, 5.0), (5.0, 5.0)))[1]

    assert second.coulombic_efficiency == pytest.approx(1.0, rel=1e-9)
    assert second.energy_efficiency == pytest.approx(1.0, rel=1e-9)


def test_an_offset_of_the_meter_takes_three_per_cent_off_the_efficiency() -> None:
    # 0.3 A for 5 h in, 0.3 A for 4.75 h out, offset +5 mA: 1.40125/1.52500 = 0.91885 in place of 0.95000 (own arithmetic).
    story = Story(offset_A=0.005)
    story.round(1, 5.0, 4.75)
    story.round(2, 5.0, 4.75)
    second = cycles_of(story)[1]

    assert second.charge_in_Ah == pytest.approx(1.52500, rel=1e-6)
    assert second.charge_out_Ah == pytest.approx(1.40125, rel=1e-6)
    assert second.coulombic_efficiency == pytest.approx(0.91885, abs=5e-6)


def test_with_one_meter_the_stated_limit_is_what_its_offset_did() -> None:
    story = Story(offset_A=0.005)
    story.round(1, 5.0, 4.75)
    story.round(2, 5.0, 4.75)
    meter = Accuracy(0.0005, 0.005)
    second = cycles_of(story, Accuracies(None, meter, meter, one_current_meter=True))[1]

    assert second.coulombic_limit == pytest.approx(0.95 - 0.9188525, abs=1e-6)


def test_a_gain_of_one_meter_cancels_in_the_efficiency() -> None:
    meter = Accuracy(0.05, 0.0)
    second = cycles_of(formation((5.0, 4.75), (5.0, 4.75)), Accuracies(None, meter, meter, one_current_meter=True))[1]

    assert second.coulombic_limit == pytest.approx(0.0, abs=1e-9)


def test_gains_of_two_meters_do_not() -> None:
    meter = Accuracy(0.005, 0.0)
    second = cycles_of(formation((5.0, 5.0), (5.0, 5.0)), Accuracies(None, meter, meter))[1]

    assert second.coulombic_limit == pytest.approx(0.00707, abs=1e-5)


def test_above_a_hundred_and_a_half_per_cent_is_not_judged() -> None:
    story = formation((5.0, 4.5), (4.5, 4.52), (4.5, 4.53))
    second, third = cycles_of(story)[1:]

    assert second.judged is True
    assert third.judged is False
    assert "not an efficiency" in third.why_not
    assert third.coulombic_efficiency == pytest.approx(4.53 / 4.5, rel=1e-6)


def test_a_later_cycle_that_gave_back_too_much_puts_earlier_ones_in_doubt() -> None:
    assert last_judged(cycles_of(formation((5.0, 4.5), (4.5, 4.4), (4.4, 4.6)))) is None


def test_the_last_judged_cycle_is_taken() -> None:
    found = last_judged(cycles_of(formation((5.0, 4.5), (4.5, 4.4), (4.5, 4.45))))

    assert found is not None
    assert found.number == 3


def test_discharges_to_different_ends_leave_the_cycle_open() -> None:
    story = Story()
    story.round(1, 5.0, 4.5)
    story.charge(5.0, number=2)
    story.rest(number=2)
    story.discharge(4.0, number=2, limit_V=1.0)
    second = cycles_of(story)[1]

    assert second.closed is False
    assert "ended at different voltages" in second.why_not


def test_a_tripped_charge_leaves_its_cycle_open() -> None:
    story = Story()
    story.round(1, 5.0, 4.5)
    story.charge(5.0, number=2, end="")
    story.rest(number=2)
    story.discharge(4.5, number=2)

    assert "did not reach an end" in cycles_of(story)[1].why_not


def test_an_interrupted_cycle_is_not_judged() -> None:
    story = Story()
    story.round(1, 5.0, 4.5)
    story.charge(2.0, number=2, end="")
    story.note(Gap(duration_s=60.0))
    story.elapsed_s += 60.0
    story.charge(2.5, number=2)
    story.rest(number=2)
    story.discharge(4.4, number=2)
    second = cycles_of(story)[1]

    assert (second.closed, second.judged) == (True, False)
    assert "interrupted" in second.why_not


RATING = Rating(1.5, provisional=False, voltage_max_V=2.10, voltage_min_V=0.80, current_A=0.15)


def measured(charge_Ah: float, *, upper_V: float = 2.10, current_A: float = 0.15, limit_Ah: float | None = 0.01) -> Capacity:
    window = Window(upper_V, 0.80, current_A, 25.0)
    return Capacity(charge_Ah, limit_Ah, 2.0, None, 1.35, window, True, 0.01, (charge_Ah, charge_Ah), (1, 3))


@pytest.mark.parametrize(
    ("charge_Ah", "answer"),
    [(1.5, RatingAnswer.AGREES), (1.465, RatingAnswer.AGREES), (1.45, RatingAnswer.BELOW), (1.55, RatingAnswer.ABOVE)],
)
def test_a_rating_in_its_own_window(charge_Ah: float, answer: RatingAnswer) -> None:
    compared = compare_rating(measured(charge_Ah), RATING)

    assert (compared.answer, compared.reasons) == (answer, ())


def test_a_different_window_is_not_comparable_but_in_proportion() -> None:
    compared = compare_rating(measured(1.17, upper_V=1.85), RATING)

    assert (compared.answer, compared.reasons) == (RatingAnswer.NOT_COMPARABLE, ("different window",))
    assert compared.in_window_Ah == pytest.approx(1.5 * 1.05 / 1.30)
    assert compared.far_below is False


def test_a_different_current_is_not_comparable() -> None:
    assert compare_rating(measured(1.44, current_A=0.3), RATING).reasons == ("different current",)


def test_a_provisional_rating_is_not_comparable_yet_far_below_is_said() -> None:
    typed = Rating(1.5, provisional=True, voltage_max_V=2.10, voltage_min_V=0.80, current_A=0.15)
    compared = compare_rating(measured(0.34), typed)

    assert compared.answer is RatingAnswer.NOT_COMPARABLE
    assert compared.reasons == ("the rating is provisional: typed, never measured",)
    assert compared.far_below is True


def test_without_rating_or_capacity_nothing_was_tested() -> None:
    assert compare_rating(None, RATING).answer is RatingAnswer.NOT_TESTED
    assert compare_rating(measured(1.4), None).answer is RatingAnswer.NOT_TESTED


def test_a_record_without_a_window_is_not_comparable() -> None:
    compared = compare_rating(measured(1.4), Rating(1.5, provisional=False))

    assert compared.reasons == ("different window", "different current")
    assert compared.in_window_Ah is None
