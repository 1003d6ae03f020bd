"""What watchers see of one channel at one instant: the one `Snapshot` that feeds MQTT, page, terminal and alerts.

The channel loop only fills in references (`make_snapshot`, a few microseconds); sentences and JSON are made by whoever
shows them, in their own thread. Nothing here decides anything.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from typing import Any, NamedTuple

from chargerd.core.demand import Demand
from chargerd.core.derived import Derived
from chargerd.core.events import Record
from chargerd.core.limits import Trip
from chargerd.core.states import State
from chargerd.status import words
from chargerd.status.outlook import NO_OUTLOOK, Outlook

VERSION = 1
"""Version of both payloads. A new key raises nothing; a key that changes its meaning or goes away raises it."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What does not change during a run. `attended_because` says what to add to the bench to leave the run alone."""

    bench: str
    channel: str
    cell: str = ""
    profile: str = ""
    run: str = ""
    attended_only: bool = False
    attended_because: str = ""
    simulated: bool = False


class Ages(NamedTuple):
    """Age in seconds of each of the three numbers at the instant of the snapshot; None: never measured."""

    voltage_s: float | None = None
    current_s: float | None = None
    temperature_s: float | None = None


class Output(NamedTuple):
    """The outputs as last observed: `on` None = not known; `verified` by reading back, `by` what (in words)."""

    on: bool | None = None
    verified: bool = False
    by: str = ""


UNKNOWN_OUTPUT = Output()
NO_AGES = Ages()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One channel at one instant. Older than `valid_for_s`, it proves nothing: show *unknown since* `utc`.

    `rounds` is how many rounds the repeat may take at most (None outside a repeat). `unknown_since` is set by whoever
    passes on a snapshot that was not renewed in time.
    """

    subject: Subject
    derived: Derived
    seq: int
    utc: str
    elapsed_s: float
    valid_for_s: float
    reason: str = ""
    ages: Ages = NO_AGES
    rounds: int | None = None
    voltage_set_V: float | None = None
    current_set_A: float | None = None
    outlook: Outlook = NO_OUTLOOK
    program_left_s: float | None = None
    output: Output = UNKNOWN_OUTPUT
    trip: Trip | None = None
    warnings: tuple[str, ...] = ()
    unknown_since: str | None = None

    def to_json(self) -> str:
        """Return the status payload: canonical JSON valid against `STATUS_SCHEMA`. A number that is not finite is null."""
        return canonical_json(_payload(self))


def make_snapshot(
    subject: Subject,
    derived: Derived,
    demand: Demand | None,
    *,
    seq: int,
    utc: str,
    elapsed_s: float,
    valid_for_s: float,
    reason: str = "",
    ages: Ages = NO_AGES,
    rounds: int | None = None,
    outlook: Outlook = NO_OUTLOOK,
    program_left_s: float | None = None,
    output: Output = UNKNOWN_OUTPUT,
    trip: Trip | None = None,
    warnings: tuple[str, ...] = (),
) -> Snapshot:
    """Gather what the channel loop holds after one pass. Copies nothing and formats nothing.

    `seq` and `utc` (RFC 3339) are those of the readings row. `valid_for_s` should be three times the time between two
    snapshots: one may be late without a false alarm, two may not.
    """
    return Snapshot(
        subject, derived, seq, utc, elapsed_s, valid_for_s, reason, ages, rounds,
        None if demand is None else demand.voltage_set_V, None if demand is None else demand.current_set_A,
        outlook, program_left_s, output, trip, warnings,
    )  # fmt: skip


def make_event(subject: Subject, record: Record, *, seq: int, utc: str) -> dict[str, Any]:
    """Return the event payload of one journal record, valid against `EVENT_SCHEMA` once it is JSON.

    `seq` is the events row. `id` is the same each time the event is sent, so a receiver can drop what it has seen.
    """
    return {
        "version": VERSION,
        "id": f"{subject.run}/{subject.channel}/{seq}",
        "utc": utc,
        "bench": subject.bench,
        "channel": subject.channel,
        "cell": subject.cell,
        "run": subject.run,
        "simulated": subject.simulated,
        "kind": record.kind,
        "detail": asdict(record),
        "sentence": words.event_sentence(record),
    }


def canonical_json(value: Any) -> str:
    """Return JSON with sorted keys, no spaces and no NaN. Raises TypeError for what JSON has no form for."""
    return json.dumps(_finite(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _finite(value: Any) -> Any:
    # A number nobody can use is unknown, not a reason to say nothing at all.
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value


def _age(age_s: float | None) -> float | None:
    return None if age_s is None else round(age_s, 3)


def _payload(snapshot: Snapshot) -> dict[str, Any]:
    subject, derived, ages = snapshot.subject, snapshot.derived, snapshot.ages
    level, to_do = words.attention(snapshot)
    return {
        "version": VERSION,
        "bench": subject.bench,
        "channel": subject.channel,
        "cell": subject.cell,
        "profile": subject.profile,
        "run": subject.run,
        "attended_only": subject.attended_only,
        "simulated": subject.simulated,
        "seq": snapshot.seq,
        "utc": snapshot.utc,
        "elapsed_s": snapshot.elapsed_s,
        "valid_for_s": snapshot.valid_for_s,
        "unknown_since": snapshot.unknown_since,
        "state": derived.state,
        "reason": snapshot.reason,
        "sentence": words.sentence(snapshot),
        "attention": {"level": level.value, "text": to_do},
        "step": derived.step,
        "round": derived.round,
        "rounds": snapshot.rounds,
        "activity": derived.activity,
        "regulated_by": derived.regulated_by,
        "voltage_V": {"value": derived.voltage_V, "age_s": _age(ages.voltage_s)},
        "current_A": {"value": derived.current_A, "age_s": _age(ages.current_s)},
        "temperature_degC": {"value": derived.temperature_degC, "age_s": _age(ages.temperature_s)},
        "set_point": {"voltage_V": snapshot.voltage_set_V, "current_A": snapshot.current_set_A},
        "totals": {
            "charge_in_Ah": derived.charge_in_Ah,
            "charge_out_Ah": derived.charge_out_Ah,
            "energy_in_Wh": derived.energy_in_Wh,
            "energy_out_Wh": derived.energy_out_Wh,
        },
        "gassing": {
            "time_s": derived.gassing_s,
            "terminal_time_s": derived.gassing_terminal_s,
            "charge_Ah": derived.gas_charge_Ah,
        },
        "resistance_ohm": derived.resistance_ohm,
        "next_end": None if snapshot.outlook.next_end is None else snapshot.outlook.next_end._asdict(),
        "time_left_s": {
            "step": snapshot.outlook.step_left_s,
            "voltage_limit": snapshot.outlook.to_limit_s,
            "program": snapshot.program_left_s,
        },
        "output": snapshot.output._asdict(),
        "trip": None if snapshot.trip is None else snapshot.trip._asdict(),
        "warnings": list(snapshot.warnings),
    }


# --- JSON Schema (draft 2020-12) of what is sent ---------------------------------------------------------------------------


def _object(**properties: Any) -> dict[str, Any]:
    return {"type": "object", "properties": properties, "required": sorted(properties), "additionalProperties": False}


def _or_null(kind: str) -> dict[str, Any]:
    return {"type": [kind, "null"]}


_TEXT = {"type": "string"}
_YES_NO = {"type": "boolean"}
_NUMBER = {"type": "number"}
_MAYBE = _or_null("number")
_COUNT = {"type": "integer", "minimum": 0}
_UTC = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$"}
_WITH_AGE = _object(value=_MAYBE, age_s=_MAYBE)
_DIALECT = "https://json-schema.org/draft/2020-12/schema"

STATUS_SCHEMA: dict[str, Any] = {
    "$schema": _DIALECT,
    "title": "status of one channel",
    **_object(
        version={"const": VERSION}, bench=_TEXT, channel=_TEXT, cell=_TEXT, profile=_TEXT, run=_TEXT, attended_only=_YES_NO,
        simulated=_YES_NO, seq=_COUNT, utc=_UTC, elapsed_s=_NUMBER, valid_for_s={"type": "number", "exclusiveMinimum": 0},
        unknown_since={"anyOf": [_UTC, {"type": "null"}]}, reason=_TEXT, sentence=_TEXT,
        state={"enum": [state.value for state in State]},
        attention=_object(level={"enum": [level.value for level in words.Attention]}, text=_TEXT),
        step=_TEXT, round=_COUNT, rounds=_or_null("integer"), activity=_TEXT,
        regulated_by={"enum": ["off", "cc", "cv", "unregulated", ""]},
        voltage_V=_WITH_AGE, current_A=_WITH_AGE, temperature_degC=_WITH_AGE,
        set_point=_object(voltage_V=_MAYBE, current_A=_MAYBE),
        totals=_object(charge_in_Ah=_MAYBE, charge_out_Ah=_MAYBE, energy_in_Wh=_MAYBE, energy_out_Wh=_MAYBE),
        gassing=_object(time_s=_MAYBE, terminal_time_s=_MAYBE, charge_Ah=_MAYBE),
        resistance_ohm=_MAYBE,
        next_end={"anyOf": [{"type": "null"}, _object(
            end=_TEXT, value=_MAYBE, limit=_MAYBE, remaining_s=_MAYBE)]},
        time_left_s=_object(step=_MAYBE, voltage_limit=_MAYBE, program=_MAYBE),
        output=_object(on=_or_null("boolean"), verified=_YES_NO, by=_TEXT),
        trip={"anyOf": [{"type": "null"}, _object(
            cause=_TEXT, value=_MAYBE, limit=_MAYBE, text=_TEXT)]},
        warnings={"type": "array", "items": _TEXT},
    ),
}  # fmt: skip

EVENT_SCHEMA: dict[str, Any] = {
    "$schema": _DIALECT,
    "title": "one event of one channel; it may be received more than once, with the same id",
    **_object(
        version={"const": VERSION}, id=_TEXT, utc=_UTC, bench=_TEXT, channel=_TEXT, cell=_TEXT, run=_TEXT, simulated=_YES_NO,
        kind=_TEXT, sentence=_TEXT,
        detail={"type": "object", "additionalProperties": {"type": ["string", "number", "boolean", "null"]}},
    ),
}  # fmt: skip

ONLINE_SCHEMA: dict[str, Any] = {
    "$schema": _DIALECT,
    "title": "whether somebody is watching this bench at all",
    "type": "object",
    "properties": {
        "version": {"const": VERSION},
        "online": _YES_NO,
        "reason": {"enum": ["", "lost", "stopped"]},
        "utc": _UTC,
        "valid_for_s": _NUMBER,
        "lost_events": _COUNT,
    },
    "required": ["online", "reason", "version"],
    "additionalProperties": False,
}
