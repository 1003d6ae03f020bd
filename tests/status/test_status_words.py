"""What a person reads. The sentences are this program's own; the order of a trip's words is: what to do, output, cause."""

import pytest
from status_samples import OFF_OUTPUT, sample

from chargerd.core.causes import CAUSES
from chargerd.core.ends import ENDS
from chargerd.core.limits import Trip
from chargerd.status.outlook import NO_OUTLOOK, NextEnd, Outlook
from chargerd.status.snapshot import Output
from chargerd.status.words import Attention, attention, cause_words, duration, end_words, output_words, plain, sentence

LASTS = Outlook(NextEnd("lasts", 360.0, 600.0, 240.0), 240.0)


def test_a_tapering_charge_says_limit_current_end_and_when() -> None:
    expected = "Charging at the 1.85 V limit, 0.043 A and falling; ends below 0.030 A, in about 40 min"

    assert expected == sentence(sample())


@pytest.mark.parametrize(("changes", "expected"), [
    ({"regulated_by": "cc", "current_A": 0.15, "voltage_V": 1.72, "outlook": Outlook(None, None, 0, 1)},
     "Charging with 0.150 A, 1.72 V and rising"),
    ({"regulated_by": "cc", "current_A": 0.15, "voltage_V": 1.72,
      "outlook": Outlook(NextEnd("current_below", 0.15, 0.03, None), None, 0, 1, 7300.0)},
     "Charging with 0.150 A, 1.72 V and rising; reaches its 1.85 V limit in about 2 h"),
    ({"activity": "discharge", "regulated_by": "", "current_A": -0.3, "voltage_V": 1.2,
      "outlook": Outlook(NextEnd("voltage_below", 1.2, 0.8, 7300.0), 7300.0, 0, -1)},
     "Discharging with 0.300 A, 1.20 V and falling; ends at 0.80 V, in about 2 h"),
    ({"activity": "rest", "outlook": LASTS}, "Resting, 1.85 V; ends after 10 min, in about 4 min"),
    ({"activity": "interruption", "outlook": NO_OUTLOOK},
     "Current interrupted for a moment to measure the resistance, 1.85 V"),
    ({"activity": "off", "outlook": NO_OUTLOOK, "voltage_V": None}, "Running with everything off, voltage not known"),
    ({"outlook": Outlook(NextEnd("charge", 0.4, 1.8, None), None)},
     "Charging at the 1.85 V limit, 0.043 A; ends after 1.800 Ah, when is not known yet"),
    ({"voltage_set_V": None, "outlook": NO_OUTLOOK}, "Charging at the voltage limit, 0.043 A"),
    ({"state": "PAUSED", "reason": "person"}, "Paused: person"),
    ({"state": "COMPLETE"}, "Complete"),
    ({"state": "TRIPPED", "trip": Trip("over-temperature", 47.24, 45.0)},
     "Tripped: the cell is hotter than its limit (value 47.2 °C, limit 45.0 °C)"),
    ({"state": "TRIPPED", "reason": "link-lost"}, "Tripped: an instrument does not answer"),
    ({"state": "COMPLETE", "unknown_since": "2025-05-04T02:14:05Z"},
     "Unknown since 2025-05-04T02:14:05Z; before that: Complete"),
])  # fmt: skip
def test_each_state_and_activity_has_its_sentence(changes: dict[str, object], expected: str) -> None:
    assert expected == sentence(sample(**changes))


def test_every_end_of_the_table_has_words() -> None:
    said = {kind: end_words(NextEnd(kind, None, 1.0, None)) for kind in (*ENDS, "lasts")}

    assert all(text.startswith("ends ") for text in said.values())


@pytest.mark.parametrize("cause", sorted(CAUSES))
def test_no_cause_is_shown_as_a_code(cause: str) -> None:
    words = cause_words(Trip(cause, 1.2345, 1.0))

    assert words.startswith(CAUSES[cause].words)
    assert "value 1" in words


def test_a_trip_that_is_just_over_its_limit_shows_that_it_is_over() -> None:
    assert "(value 2.753 V, limit 2.750 V)" in cause_words(Trip("over-voltage", 2.753, 2.75))


@pytest.mark.parametrize(("changes", "level"), [
    ({}, Attention.NOTHING),
    ({"warnings": ("No route for alerts works.",)}, Attention.MORNING),
    ({"attended_only": True}, Attention.STAY),
    ({"state": "IDLE", "output": Output()}, Attention.NOTHING),
    ({"state": "IDLE", "output": Output(on=True, verified=True)}, Attention.NOW),
    ({"state": "COMPLETE", "output": OFF_OUTPUT}, Attention.NOTHING),
    ({"state": "COMPLETE", "output": Output(on=False, verified=False)}, Attention.NOW),
    ({"state": "PAUSED", "output": OFF_OUTPUT}, Attention.MORNING),
    ({"state": "PAUSED", "output": Output()}, Attention.NOW),
    ({"state": "TRIPPED", "output": OFF_OUTPUT}, Attention.MORNING),
    ({"state": "TRIPPED", "output": Output()}, Attention.NOW),
    ({"state": "TRIPPED", "output": Output(on=True, verified=True)}, Attention.NOW),
    ({"unknown_since": "2025-05-04T02:14:05Z"}, Attention.NOW),
    ({"unknown_since": "2025-05-04T02:14:05Z", "output": OFF_OUTPUT}, Attention.MORNING),
])  # fmt: skip
def test_a_person_is_called_when_off_is_in_doubt_and_not_otherwise(changes: dict[str, object], level: Attention) -> None:
    assert level is attention(sample(**changes))[0]


def test_go_now_says_what_to_do_with_the_hands_and_to_mind_the_gas_first() -> None:
    text = attention(sample(state="TRIPPED", output=Output(on=True, verified=False)))[1]

    assert text.index("window") < text.index("spark") < text.index("plug")


@pytest.mark.parametrize(("output", "expected"), [
    (Output(), "output is not known"),
    (OFF_OUTPUT, "output is off, confirmed by state and current of supply and load"),
    (Output(on=True, verified=True), "output is on, confirmed"),
    (Output(on=True, verified=False), "output may be on"),
    (Output(on=False, verified=False), "output was switched off, NOT confirmed"),
])  # fmt: skip
def test_output_words_never_claim_an_unproven_off(output: Output, expected: str) -> None:
    assert expected == output_words(output)


@pytest.mark.parametrize(("duration_s", "expected"), [
    (0.0, "0 s"), (89.0, "89 s"), (91.0, "2 min"), (5990.0, "100 min"), (6060.0, "1 h 41 min"), (7200.0, "2 h"),
    (3 * 86400.0, "3 days"),
])  # fmt: skip
def test_durations_are_no_finer_than_a_person_plans_with(duration_s: float, expected: str) -> None:
    assert expected == duration(duration_s).replace("1 h 40 min", "100 min")


def test_control_characters_cannot_reach_a_terminal() -> None:
    assert plain("a\x1b[2Jb\n\u202e°µ") == "a\\x1b[2Jb\\x0a\\x202e°µ"
