"""The status and event payloads: canonical, free of NaN, and valid against the schemas that describe them."""

import json
import math
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from status_samples import DEMAND, DERIVED, OFF_OUTPUT, SUBJECT, sample

from chargerd.core.events import RECORDS, Observed, StepEnded, Tripped
from chargerd.core.limits import Trip
from chargerd.core.states import State
from chargerd.status.outlook import NO_OUTLOOK
from chargerd.status.snapshot import EVENT_SCHEMA, ONLINE_SCHEMA, STATUS_SCHEMA, Output, canonical_json, make_event, make_snapshot

STATUS = jsonschema.Draft202012Validator(STATUS_SCHEMA)
EVENT = jsonschema.Draft202012Validator(EVENT_SCHEMA)


def strictly(text: str) -> Any:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    return json.loads(text, parse_constant=refuse)


def test_both_schemas_are_schemas() -> None:
    for schema in (STATUS_SCHEMA, EVENT_SCHEMA, ONLINE_SCHEMA):
        jsonschema.Draft202012Validator.check_schema(schema)

        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("state", list(State))
@pytest.mark.parametrize("output", [Output(), OFF_OUTPUT, Output(on=True, verified=False)])
def test_every_state_makes_a_valid_payload(state: State, output: Output) -> None:
    trip = Trip("over-temperature", 47.2, 45.0) if state is State.TRIPPED else None
    payload = strictly(sample(state=state.value, output=output, trip=trip).to_json())

    STATUS.validate(payload)

    assert state.value == payload["state"]


def test_the_schema_refuses_a_payload_with_a_key_missing() -> None:
    payload = strictly(sample().to_json())
    del payload["valid_for_s"]

    assert not STATUS.is_valid(payload)


def test_a_snapshot_before_the_first_reading_is_valid() -> None:
    empty = DERIVED._replace(state="IDLE", step="", regulated_by="", voltage_V=None, current_A=None, temperature_degC=None)
    snapshot = make_snapshot(SUBJECT, empty, None, seq=0, utc="2025-05-04T02:00:00Z", elapsed_s=0.0, valid_for_s=15.0)
    payload = strictly(snapshot.to_json())

    STATUS.validate(payload)

    assert payload["voltage_V"] == {"value": None, "age_s": None}
    assert NO_OUTLOOK is snapshot.outlook


def test_the_payload_carries_what_the_loop_knew() -> None:
    payload = strictly(sample().to_json())

    assert payload["voltage_V"] == {"value": 1.851, "age_s": 0.1}
    assert payload["next_end"] == {"end": "current_below", "value": 0.043, "limit": 0.03, "remaining_s": 2400.0}
    assert payload["time_left_s"] == {"step": 2400.0, "voltage_limit": None, "program": None}
    assert {"voltage_V": DEMAND.voltage_set_V, "current_A": DEMAND.current_set_A} == payload["set_point"]
    assert payload["gassing"] == {"time_s": 60.0, "terminal_time_s": 75.0, "charge_Ah": 0.0034}
    assert payload["simulated"] is True


def test_json_is_canonical_keys_sorted_and_no_spaces_between() -> None:
    assert canonical_json({"b": "°", "a": (1, math.nan)}) == '{"a":[1,null],"b":"°"}'


@given(st.dictionaries(st.text(), st.floats() | st.lists(st.floats()) | st.none() | st.text()))
def test_no_number_makes_invalid_json(value: dict[str, Any]) -> None:
    assert set(value) == set(strictly(canonical_json(value)))


@given(voltage_V=st.none() | st.floats(), current_A=st.none() | st.floats(), gas_charge_Ah=st.floats())
def test_any_reading_makes_a_valid_payload(voltage_V: float | None, current_A: float | None, gas_charge_Ah: float) -> None:
    snapshot = sample(voltage_V=voltage_V, current_A=current_A, gas_charge_Ah=gas_charge_Ah)
    payload = strictly(snapshot.to_json())

    STATUS.validate(payload)

    assert payload["voltage_V"]["value"] is None or math.isfinite(payload["voltage_V"]["value"])


@pytest.mark.parametrize("kind", sorted(RECORDS))
def test_every_record_of_the_journal_makes_a_valid_event(kind: str) -> None:
    event = strictly(canonical_json(make_event(SUBJECT, RECORDS[kind](), seq=12, utc="2025-05-04T02:14:05Z")))

    EVENT.validate(event)

    assert kind == event["kind"]
    assert event["id"].endswith("/north/12")


def test_an_event_sent_twice_has_one_id_and_two_events_have_two() -> None:
    trip, off = Tripped("over-voltage", 2.76, 2.75), Observed("supply", "off", verified=True)
    ids = [make_event(SUBJECT, record, seq=seq, utc="2025-05-04T02:14:05Z")["id"]
           for record, seq in ((trip, 4), (trip, 4), (off, 5))]

    assert ids[0] == ids[1] != ids[2]


def test_a_step_that_ended_is_told_in_words() -> None:
    record = StepEnded("1.1", 3, "current_below", 0.0295, 0.03, 7260.0, 0.412)
    event = make_event(SUBJECT, record, seq=1, utc="2025-05-04T02:14:05Z")

    assert event["sentence"] == "Step 1.1 ended below 0.030 A, after 2 h 1 min and 0.412 Ah"
