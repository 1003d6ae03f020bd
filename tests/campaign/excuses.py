"""What a bench cannot know, by the fault that takes the knowledge away. Each reason is printed in the safety case."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.campaign.script import Script

LIES = ("unit", "freeze", "scale", "offset", "reading", "fahrenheit", "stale")
NO_CHECK = ("garble", "flip", "truncate", "replace", "spell")
"""SCPI replies carry no check: a changed digit is a number like any other."""
ONE_MESSAGE = ("hang", "mute", "drop", "garble", "truncate", "late", "slow", "shift", "duplicate", "echo", "flood", "drip", "not_a_number", "infinite", "spell", "replace")


@dataclass
class Blind:
    """Of which quantities protection cannot know the truth (`quantities`), which may be recorded wrongly (`readings`)."""

    quantities: set[str] = field(default_factory=set)
    readings: set[str] = field(default_factory=set)
    lag_K: float = 0.0


def blind_of(script: Script) -> Blind:
    blind = Blind()
    for raw in script.faults:
        where = raw.get("peer") or raw.get("panel")
        if raw["kind"] in LIES or raw["kind"] in NO_CHECK:
            blind.readings |= {"probe": {"temperature_degC"}, "meter": {"voltage_V"}}.get(where, {"voltage_V", "current_A"})
    return blind


def nuisance_is_wrong(script: Script) -> bool:
    """Whether nothing but one message was lost or wrong."""
    if script.excursions or script.acts or len(script.faults) != 1:
        return False
    (raw,) = script.faults
    return raw["kind"] in ONE_MESSAGE and raw.get("times", 1) == 1 and "for_s" not in raw
