"""What stands on a terminal, line by line. Layout and words are this program's own."""

from datetime import timedelta, timezone

import pytest
from status_samples import OFF_OUTPUT, sample

from chargerd.core.limits import Trip
from chargerd.status.display import Changes, aged, by_urgency, cell_lines, change_lines, local_time, numbers, progress
from chargerd.status.snapshot import Ages, Output
from chargerd.status.words import AIR, HANDS

HOT = Trip("over-temperature", 47.24, 45.0)
ZONE = timezone(timedelta(hours=2))


def test_a_charging_cell_stands_in_a_few_lines() -> None:
    assert [line.text for line in cell_lines(sample())] == [
        "plover-01 on north (simulated)",
        "Charging at the 1.85 V limit, 0.043 A and falling; ends below 0.030 A, in about 40 min",
        "step 1.1, round 3 of at most 10, 75 min since the start",
        "1.85 V, 0.043 A, 23.4 °C",
        "in 0.410 Ah (0.730 Wh), out 0.200 Ah (0.310 Wh), gas 0.003 Ah in 60 s of gassing",
        "The output is on, confirmed by state and set-points of the supply.",
    ]


def test_a_trip_says_first_what_to_do_then_the_output_then_the_cause() -> None:
    lines = cell_lines(sample(state="TRIPPED", activity="off", trip=HOT, output=OFF_OUTPUT))

    assert [line.text for line in lines[1:4]] == [
        f"Safe, look in the morning. The run is over. {AIR}",
        "The output is off, confirmed by state and current of supply and load.",
        "Tripped: the cell is hotter than its limit (value 47.2 °C, limit 45.0 °C)",
    ]
    assert not any(line.urgent for line in lines)


def test_an_unproven_off_is_urgent_and_says_what_to_do() -> None:
    lines = cell_lines(sample(state="TRIPPED", trip=HOT, output=Output(on=True, verified=False)))

    assert [line.text for line in lines if line.urgent] == [f"Go now. {HANDS}", "The output may be on."]


def test_numbers_that_are_not_fresh_carry_their_age() -> None:
    text = numbers(sample(ages=Ages(0.5, 7.0, None), voltage_V=1.2, current_A=None, temperature_degC=None))

    assert text == "1.20 V, current not known (7 s old), temperature not known"


def test_progress_says_how_long_it_will_be_only_when_that_is_known() -> None:
    assert progress(sample(step="", round=0)) == "75 min since the start"
    assert progress(sample(rounds=None, program_left_s=7300.0)).endswith("round 3, 75 min since the start, about 2 h to go")


@pytest.mark.parametrize(("age_s", "since"), [(15.0, None), (15.1, "2025-05-04T02:14:05.123Z")])
def test_older_than_valid_is_unknown_since(age_s: float, since: str | None) -> None:
    assert aged(sample(valid_for_s=15.0), age_s).unknown_since == since


def test_whoever_needs_a_person_soonest_stands_first() -> None:
    calm, warned = sample(channel="a"), sample(channel="b", warnings=("x",))
    urgent = sample(channel="c", state="TRIPPED", output=Output())
    calm_too = sample(channel="d")

    assert [s.subject.channel for s in by_urgency([calm, warned, urgent, calm_too])] == ["c", "b", "a", "d"]


def test_a_warning_stands_once() -> None:
    texts = [line.text for line in cell_lines(sample(warnings=("No alert arrives.", "Thermometer is old.")))]

    assert [text for text in texts if "alert" in text] == ["Safe, look in the morning. No alert arrives."]
    assert "Thermometer is old." in texts


def test_a_line_carries_local_time_and_name() -> None:
    expected = (
        "2025-05-04 04:14:05  plover-01 on north (simulated): "
        "Charging at the 1.85 V limit, 0.043 A and falling; ends below 0.030 A, in about 40 min; "
        "step 1.1, round 3 of at most 10, 75 min since the start; 1.85 V, 0.043 A, 23.4 °C"
    )

    assert change_lines(sample(), ZONE) == [expected]


def test_a_trip_prints_three_lines_in_order() -> None:
    lines = change_lines(sample(state="TRIPPED", trip=HOT, output=OFF_OUTPUT, cell=""), ZONE)

    assert [line.split(": ", 1)[1].split(" ", 1)[0] for line in lines] == ["Safe,", "The", "Tripped:"]
    assert lines[0].startswith("2025-05-04 04:14:05  north (simulated): ")


def test_utc_is_shown_as_local_time() -> None:
    assert local_time("2025-05-04T22:14:05.123Z", ZONE) == "2025-05-05 00:14:05"


def test_only_changes_are_news_and_now_and_then_one() -> None:
    changes = Changes(600.0)
    told = [
        changes.is_news(sample(elapsed_s=elapsed_s, **other))
        for elapsed_s, other in [
            (0.0, {}), (5.0, {}), (10.0, {"voltage_V": 1.9}), (15.0, {"step": "1.2"}), (20.0, {"step": "1.2"}),
            (25.0, {"step": "1.2", "state": "PAUSED"}), (30.0, {"step": "1.2", "state": "PAUSED", "warnings": ("x",)}),
            (629.9, {"step": "1.2", "state": "PAUSED", "warnings": ("x",)}),
            (630.0, {"step": "1.2", "state": "PAUSED", "warnings": ("x",)}),
            (631.0, {"step": "1.2", "state": "PAUSED", "warnings": ("x",), "channel": "south"}),
            (0.0, {"step": "1.2", "state": "PAUSED", "warnings": ("x",)}),
        ]
    ]  # fmt: skip

    assert told == [True, False, False, True, False, True, True, False, True, True, True]


def test_a_hostile_name_cannot_drive_the_terminal() -> None:
    lines = cell_lines(sample(cell="\x1b[2Jowl", warnings=("a\x07b",), reason="\x1b]0;x\x07", state="PAUSED"))

    assert all(line.text.isprintable() for line in lines)
