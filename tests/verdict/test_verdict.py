"""A whole verdict from a hand-made run: what it says, what it holds back, what it warns of."""

from __future__ import annotations

import json

import pytest

from chargerd.core.events import Gap, RoundEnded, StateChanged, Tripped
from chargerd.verdict.sample import Rating, RunFacts
from chargerd.verdict.uncertainty import Accuracies, Accuracy
from chargerd.verdict.verdict import Verdict, judge
from chargerd.verdict.words import GAS_CAUTION, text
from tests.verdict.story import Story

METER = Accuracy(0.001, 0.002)
FACTS = RunFacts(
    "20260102T030405Z_plover-01_gentle-formation", "plover-01", "gentle-formation", "boathouse",
    {"program": "0.1.0", "engine": "1"}, {"readings.csv": "ab" * 32}, Rating(1.5, True, 2.10, 0.80, 0.15),
    Accuracies(Accuracy(0.0005, 0.005), METER, METER),
)  # fmt: skip


def judged(story: Story, facts: RunFacts = FACTS, torn: tuple[str, ...] = ()) -> Verdict:
    return judge(facts, story.samples, story.noted, torn)


def formation(state: str = "COMPLETE") -> Story:
    story = Story()
    for number, hours in enumerate((4.5, 4.6, 4.62), start=1):
        story.round(number, hours + 0.1, hours, gas_Ah=0.010 * number)
        story.resistance(0.5 - 0.05 * number)
        story.note(RoundEnded(number, 2.0, 0.3 * (hours + 0.1), 0.3 * hours, hours / (hours + 0.1)))
    story.over(state)
    return story


def test_a_finished_formation_says_all_it_measured() -> None:
    sentences = judged(formation()).sentences

    # From 4500 F: 1.380 Ah with 1.8658 Wh and 1.386 Ah with 1.8772 Wh. Limits: √(1.4² + 9.2²) mAh; √(1.9² + 0.9² + 12.5² + 6.9²) mWh.
    assert sentences["stored"] == (
        "Stored: 1.383 ± 0.009 Ah, 1.871 ± 0.014 Wh from 2.00 V to 0.80 V at 0.300 A and 25 °C (mean 1.35 V); "
        "two successive discharges agree within 0.4 %."
    )
    assert sentences["returned"].startswith("Returned: 97.9 ± 0.9 % of the charge and ")
    assert sentences["returned"].endswith("closed cycle 3, charged to 2.00 V: not resolved.")
    assert "30 mAh or 2.1 % of the last charge, within the 5 % of a routine one; 60 mAh in the whole run" in sentences["gas"]
    assert "0.027 L hydrogen with 0.014 L oxygen and 0.020 g water; closed cycle 3 lost 30 mAh in all" in sentences["gas"]
    assert "d.c. resistance 0.350 Ω at 0.050 s and 0.385 Ω at 1.0 s after opening 0.300 A" in sentences["strength"]
    assert "not tested" in sentences["strength"]
    assert sentences["kept"].startswith("Settled after charge: 2.000 V at 10 s, 2.000 V at 1 min, 2.000 V at 10 min;")
    assert sentences["rating"].startswith("Rating: not comparable; provisional rating 1.50 Ah")


def test_what_was_not_measured_is_not_tested() -> None:
    story = Story()
    story.rest()
    sentences = judged(story).sentences

    assert list(sentences) == ["stored", "returned", "gas", "strength", "kept", "rating"]
    assert all("not tested" in sentence for sentence in sentences.values())


def test_a_run_without_readings_still_gets_a_verdict() -> None:
    verdict = judged(Story())

    assert (verdict.complete, verdict.outcome) == (False, "not finished when this was written")
    assert json.loads(verdict.to_json())["provenance"]["readings_seq"] == [None, 0]


def test_a_charge_without_a_discharge_says_what_is_missing() -> None:
    story = Story()
    story.charge(5.0)
    story.rest()

    assert judged(story).sentences["stored"] == "Stored: not tested (there was no discharge)."


def test_a_tripped_run_gets_a_verdict_for_what_was_measured() -> None:
    story = formation("TRIPPED")
    story.charge(1.0, number=4, end="")
    story.note(Tripped("temperature", 46.0, 45.0, "46.0 °C above 45 °C"))
    verdict = judged(story)

    assert verdict.outcome == "tripped: temperature (46.0 °C above 45 °C)"
    assert verdict.cautions[0].startswith("The run did not come to its end (tripped: temperature")
    assert verdict.capacity is not None
    assert verdict.legs[-1].ended_by == "trip"
    assert verdict.cautions[-1] == GAS_CAUTION


def test_an_interrupted_run_is_flagged() -> None:
    story = formation()
    story.charge(1.0, number=4, end="")
    story.note(Gap(duration_s=None, off_after_s=3.0))
    story.elapsed_s += 500.0
    story.charge(1.0, number=4)
    cautions = judged(story).cautions

    assert any(caution.startswith("Interrupted once") for caution in cautions)


def test_gaps_are_flagged_and_bounded() -> None:
    story = Story()
    story.discharge(1.0, end="")
    story.elapsed_s += 120.0
    story.discharge(1.0)
    cautions = judged(story).cautions

    assert any("1 gap of more than three sampling intervals" in c and "at most 10.0 mAh" in c for c in cautions)


def test_counters_that_do_not_fit_the_rows_are_told() -> None:
    story = formation()
    story.samples[-1] = story.samples[-1]._replace(charge_in_Ah=story.samples[-1].charge_in_Ah + 0.05)

    assert any(caution.startswith("The journal's counters (") for caution in judged(story).cautions)
    assert judged(formation()).totals.agree is True


def test_more_out_than_in_is_warned_of() -> None:
    story = Story()
    story.round(1, 4.6, 4.5)
    story.round(2, 4.5, 4.7)
    verdict = judged(story)

    assert any("gave back 104.4 %" in caution for caution in verdict.cautions)
    assert "not tested (above 100.5 %" in verdict.sentences["returned"]


def test_unknown_accuracies_are_said_and_no_limit_is_invented() -> None:
    verdict = judged(formation(), RunFacts("r", "plover-01"))

    assert any("accuracy" in caution for caution in verdict.cautions)
    assert verdict.sentences["stored"].startswith("Stored: 1.38 Ah, 1.87 Wh")
    assert verdict.sentences["returned"].startswith("Returned: 98 % of the charge")


def test_a_torn_tail_is_told() -> None:
    assert "Readings.csv: torn." in judged(formation(), torn=("readings.csv: torn",)).cautions


@pytest.mark.parametrize(("state", "outcome"), [("COMPLETE", "its program came to its end"), ("STOPPED", "stopped early")])
def test_the_outcome_in_words(state: str, outcome: str) -> None:
    assert judged(formation(state)).outcome == outcome


def test_the_file_holds_figures_with_their_conditions_and_origin() -> None:
    content = json.loads(judged(formation()).to_json())
    leg = content["figures"]["legs"][-1]

    assert content["schema"] == 1
    assert leg["window"] == {"charged_to_V": 2.0, "discharged_to_V": 0.8, "current_A": pytest.approx(0.3), "temperature_degC": 25.0}
    assert leg["ended_by"] == "voltage_below"
    assert leg["charge_Ah"] == pytest.approx(1.386)
    assert leg["charge_limit_Ah"] == pytest.approx(0.0093, abs=1e-4)
    assert "curve" not in leg
    assert content["figures"]["rounds"][1]["charge_in_Ah"] == pytest.approx(1.41)
    assert content["figures"]["totals"]["agree"] is True
    assert content["provenance"]["sha256"] == {"readings.csv": "ab" * 32}
    assert content["provenance"]["readings_seq"][0] == 1
    assert content["provenance"]["versions"]["engine"] == "1"


def test_the_text_never_exceeds_forty_lines() -> None:
    story = Story(every_s=600.0)
    for number in range(1, 31):
        story.round(number, 4.6, 4.5 + 0.1 * (number % 3))
    story.note(StateChanged("RUNNING", "STOPPED", ""))
    lines = text(judged(story)).splitlines()

    assert len(lines) <= 40
    assert lines[0] == "Verdict on plover-01: run 20260102T030405Z_plover-01_gentle-formation"
    assert any(line.startswith("  - and ") for line in lines)


def test_the_table_shows_why_a_cycle_is_not_judged() -> None:
    shown = text(judged(formation()))

    assert "open: the charge did not start from a discharged cell" in shown
    assert "\n      3      2.00 V   1.416   1.386    97.9 %    " in shown
