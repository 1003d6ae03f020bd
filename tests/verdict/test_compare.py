"""Cells side by side: reasons from numbers, and none where they do not tell."""

from __future__ import annotations

from pathlib import Path

from chargerd.verdict.compare import reasons, side_by_side
from chargerd.verdict.sample import RunFacts
from chargerd.verdict.verdict import Verdict, judge, write_verdict
from tests.verdict.real_run import PROFILE, write_run
from tests.verdict.story import Story


def made(
    cell: str, *, out_h: float = 4.5, ohm: float = 0.4, fall_mV: float = 0.0, loss_h: float = 0.1, gas_Ah: float = 0.0, steep: float = 1.0
) -> Verdict:
    """Three rounds at 2.00 V: `out_h` hours back at 0.3 A, `fall_mV` lost from 1 min to 10 min after charge.

    The last 2 % of each discharge fall `steep` times as fast as the rest.
    """
    story = Story()
    for number in (1, 2, 3):
        story.charge(out_h + loss_h, number=number, gas_Ah=gas_Ah)
        story.samples[-1] = story.samples[-1]._replace(regulated_by="cv")
        story.resistance(ohm / 1.1)
        story.voltage_V = 2.0
        story.rest(60.0, number=number)
        story.voltage_V -= fall_mV / 1000.0
        story.rest(560.0, number=number)
        story.voltage_V = 0.8 + 0.3 * out_h * 3600.0 / 4500.0
        story.discharge(0.98 * out_h, number=number, end="")
        story.capacitance_F /= steep
        story.discharge(0.02 * out_h, number=number)
        story.capacitance_F *= steep
        story.voltage_V = 0.8
        story.rest(number=number, step="1.4")
    story.over()
    return judge(RunFacts("r", cell), story.samples, story.noted)


PLOVER = made("plover")


def test_equal_cells_do_not_differ() -> None:
    assert reasons([PLOVER, made("stint")]) == ["no difference that these numbers resolve"]


def test_a_loss_that_leaves_the_rest_alone_is_a_leak() -> None:
    (told,) = reasons([PLOVER, made("sanderling", loss_h=1.0)])

    assert told.startswith("sanderling charged to 2.00 V loses 16.0 % more of its charge than plover (26 mA over the cycle);")
    assert "it leaks" in told


def test_a_loss_that_shows_right_after_charge_is_gas() -> None:
    (told,) = reasons([PLOVER, made("dunlin", loss_h=0.3, fall_mV=6.0)])

    assert "falls 6 mV further" in told
    assert "it gasses earlier; charge it to less" in told


def test_a_loss_too_small_to_place_is_not_placed() -> None:
    (told,) = reasons([PLOVER, made("stint", loss_h=0.2)])

    assert "whether it leaks or gasses these numbers do not tell" in told


def test_an_estimate_alone_is_called_one() -> None:
    (told,) = reasons([PLOVER, made("stint", loss_h=0.2, gas_Ah=0.04)])

    assert "the estimate made while charging puts 2.8 % down to gas, and nothing here confirms it" in told


def test_a_loss_within_what_rounds_differ_by_is_no_reason() -> None:
    assert reasons([PLOVER, made("stint", loss_h=0.13)]) == ["no difference that these numbers resolve"]


def test_a_small_cell_with_a_resistance_in_proportion_is_only_small() -> None:
    (told,) = reasons([PLOVER, made("phalarope", out_h=1.5, ohm=1.2, loss_h=0.033)])

    assert told.startswith("phalarope stores 0.450 Ah, 33 % of plover's 1.35 Ah, and its resistance of 1.20 Ω is in proportion")


def test_a_resistance_out_of_proportion_is_told_first() -> None:
    (told,) = reasons([PLOVER, made("redshank", out_h=3.0, ohm=1.6, loss_h=0.066)])

    assert "its resistance takes the voltage before its charge is used; look at contacts and leads first" in told


def test_one_cell_alone_has_nothing_to_differ_from() -> None:
    assert reasons([PLOVER]) == ["no difference that these numbers resolve"]


def test_cells_that_stored_nothing_are_not_compared() -> None:
    story = Story()
    story.charge(1.0)
    table = side_by_side([PLOVER, judge(RunFacts("r", "stint"), story.samples, story.noted)])

    assert "not tested" in table
    assert "no difference that these numbers resolve" in table


def test_the_table_lines_up() -> None:
    lines = side_by_side([PLOVER, made("sanderling", loss_h=1.0)]).splitlines()

    assert lines[0].index("sanderling") == lines[1].index("1.35 Ah", 40)
    assert lines[1].startswith("stored  ")
    assert lines[lines.index("") + 1] == "Why they differ, from these numbers alone:"


def test_a_discharge_that_ends_in_a_cliff_points_to_zinc() -> None:
    (told,) = reasons([PLOVER, made("knot", steep=6.0)])

    assert told == (
        "the last 2 % of knot's discharge are 6 times as steep as the middle, a cliff (plover 1.0): "
        "zinc seems to run out before stored charge does."
    )


def test_a_cliff_that_all_cells_have_is_no_difference() -> None:
    assert reasons([made("knot", steep=6.0), made("stint", steep=6.0)]) == ["no difference that these numbers resolve"]


def test_two_runs_of_one_cell_are_told_apart() -> None:
    (told,) = reasons([PLOVER, made("plover", loss_h=1.0)])

    assert told.startswith("plover run 2 charged to 2.00 V loses 16.0 % more of its charge than plover run 1 ")


def test_the_leaky_cell_is_found_among_simulated_ones(tmp_path: Path) -> None:
    # Simulated formed cells of the boathouse: this proves the reasoning on that model only.
    profile = PROFILE.replace("rounds: 3", "rounds: 2").replace("[1.75 V, 1.80 V, 1.85 V]", "[1.80 V, 1.85 V]")
    verdicts = [write_verdict(write_run(tmp_path, f"{name}-01", name, profile=profile)) for name in ("plover", "sanderling")]
    (told,) = reasons(verdicts)

    assert told.startswith("sanderling-01 charged to 1.85 V loses ")
    assert "it leaks" in told
