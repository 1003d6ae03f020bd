"""The rules by which a run may go on by itself, row by row: each alone stands against it, and what is not known always does."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from chargerd.core.resumption import (
    BENCH_RULES,
    BY_ITSELF,
    ENERGISED,
    FOR_NOBODY,
    FOR_PERSON,
    GAP_MAX_S,
    INTERRUPTED,
    RULES,
    STEP_RULES,
    TOO_COLD,
    BenchFacts,
    Budget,
    Facts,
    Leave,
    StepClass,
    may_go_on,
    may_resume,
)
from chargerd.core.states import State

NAN = float("nan")
GOOD = Facts(
    State.RUNNING, "", begun=True, step=StepClass.CHARGE_BELOW, frozen_fault="", record_fault="", same_engine=True, is_open=True,
    latched="", bypassed=False, disk_failed=False, unattended=True, gap_s=30.0, off_after_s=20.0, off_proven=True, suspended=False,
    found_on=False, gases=False, crashes=1, restarts_in_10_min=1, restarts_in_1_h=1, restarts_of_run=1,
    budgets=(Budget("charge", 0.5, 1.8),),
)  # fmt: skip
"""Nothing speaks against going on."""

SPEAKS: dict[str, tuple[Leave, list[dict[str, object]]]] = {
    "frozen": (Leave.NEVER, [{"frozen_fault": "its off plan is missing or was changed"}, {"frozen_fault": None}]),
    "record": (Leave.NEVER, [{"record_fault": "events.csv: row 7 is damaged"}, {"record_fault": None}]),
    "engine": (Leave.NEVER, [{"same_engine": False}, {"same_engine": None}]),
    "over": (Leave.NEVER, [{"state": State.COMPLETE}, {"state": State.STOPPED}, {"state": State.TRIPPED}]),
    "gassed unknown": (
        Leave.NEVER,
        [
            {"gases": True, "off_after_s": None, "step": StepClass.CHARGE_ABOVE},
            {"gases": None, "off_after_s": None, "step": StepClass.CHARGE_ABOVE},
            {"gases": True, "off_after_s": NAN, "step": StepClass.CHARGE_ABOVE},
        ],
    ),
    "closed": (Leave.NEVER, [{"state": State.PAUSED, "reason": FOR_NOBODY + "it may have gassed"}]),
    "latched": (Leave.PERSON, [{"latched": "over-voltage"}, {"latched": None}]),
    "open": (Leave.PERSON, [{"is_open": False}, {"is_open": None}]),
    "begun": (Leave.PERSON, [{"begun": False}, {"state": State.IDLE}]),
    "paused": (
        Leave.PERSON,
        [
            {"state": State.PAUSED, "reason": reason}
            for reason in ("person", "", "switched off at its panel", "leads off", FOR_PERSON + "the computer slept")
        ],
    ),
    "unattended": (Leave.PERSON, [{"unattended": False}, {"unattended": None}]),
    "gap": (Leave.PERSON, [{"gap_s": None}, {"gap_s": GAP_MAX_S + 0.1}, {"gap_s": -1.0}, {"gap_s": NAN}]),
    "off": (Leave.PERSON, [{"off_proven": False}, {"off_proven": None}]),
    "on unknown": (Leave.PERSON, [{"off_after_s": None}, {"off_after_s": NAN}, {"off_after_s": -1.0}]),
    "found on": (Leave.PERSON, [{"found_on": True}, {"found_on": None}]),
    "suspended": (Leave.PERSON, [{"suspended": True}, {"suspended": None}]),
    "crashes": (Leave.PERSON, [{"crashes": 2}, {"crashes": None}]),
    "restarts in 10 min": (Leave.PERSON, [{"restarts_in_10_min": 4}, {"restarts_in_10_min": None}]),
    "restarts in 1 h": (Leave.PERSON, [{"restarts_in_1_h": 3}, {"restarts_in_1_h": None}]),
    "restarts of run": (Leave.PERSON, [{"restarts_of_run": 6}, {"restarts_of_run": None}]),
    "bypass": (Leave.PERSON, [{"bypassed": True}, {"bypassed": None}]),
    "disk": (Leave.PERSON, [{"disk_failed": True}, {"disk_failed": None}]),
    "budget": (
        Leave.PERSON,
        [{"budgets": (Budget("charge", 0.5, 1.8), Budget("gassing_time", used, 1200.0))} for used in (1141.0, 1300.0, NAN)],
    ),
}
"""Rule → who may then go on, and what makes it speak."""

CASES = [(name, leave, change) for name, (leave, changes) in SPEAKS.items() for change in changes]


def test_with_nothing_against_it_a_run_goes_on():
    decision = may_resume(GOOD)

    assert (decision.leave, decision.reasons) == (Leave.ALLOWED, ())


def test_every_rule_is_tried_and_names_its_leave():
    assert {rule.name: rule.leave for rule in RULES} == {name: leave for name, (leave, _) in SPEAKS.items()}
    assert len(RULES) == len(SPEAKS)


@pytest.mark.parametrize(("name", "leave", "change"), CASES, ids=[f"{name}-{number}" for number, (name, *_) in enumerate(CASES)])
def test_each_rule_alone_leaves_the_run_with_its_reason_in_words(name, leave, change):
    facts = replace(GOOD, **change)
    (rule,) = [rule for rule in RULES if rule.name == name]
    decision = may_resume(facts)

    words = rule.speaks(facts)
    assert len(words) > 10
    assert words in decision.reasons
    assert decision.leave >= leave
    # The rule itself: without it nothing would stand against this, but for rules that speak of the same thing.
    alone = [other.name for other in RULES if other.speaks(facts)]
    assert set(alone) <= {name, *ALSO.get(name, set())}


ALSO = {
    "gassed unknown": {"on unknown"},
    "over": {"paused"},
}
"""Rules that speak of the same fact."""


def test_the_gravest_reason_decides_and_all_are_told():
    decision = may_resume(replace(GOOD, latched="over-voltage", same_engine=False, suspended=True))

    assert decision.leave is Leave.NEVER
    assert len(decision.reasons) == 3
    assert str(decision) == "; ".join(decision.reasons)


def test_what_nobody_has_looked_at_is_never_allowed():
    """Every fact that may be unknown is unknown by default; each of them alone forbids, or forbids with others."""
    unknown = Facts(State.RUNNING, "", begun=True, step=StepClass.CHARGE_BELOW)
    optional = {field.name for field in fields(Facts) if field.default is None}
    silent = {name for name in optional if may_resume(replace(GOOD, **{name: None})).leave is Leave.ALLOWED}

    assert may_resume(unknown).leave is Leave.NEVER
    assert silent == {"gases"}  # it matters only where nothing bounds how long the output stayed on


@pytest.mark.parametrize("reason", sorted(BY_ITSELF))
def test_a_pause_of_the_programs_own_may_end_by_itself(reason):
    assert {INTERRUPTED, TOO_COLD} == BY_ITSELF
    assert may_resume(replace(GOOD, state=State.PAUSED, reason=reason)).leave is Leave.ALLOWED


GAPS = {
    # What §4.2 of the safety specification says of each class: within the longest gap, and beyond it or unknown.
    StepClass.CHARGE_BELOW: (Leave.ALLOWED, Leave.PERSON),
    StepClass.CHARGE_ABOVE: (Leave.ALLOWED, Leave.PERSON),
    StepClass.REST: (Leave.ALLOWED, Leave.ALLOWED),
    StepClass.DISCHARGE: (Leave.ALLOWED, Leave.PERSON),
    StepClass.PARTS: (Leave.ALLOWED, Leave.ALLOWED),
    StepClass.FORMATION: (Leave.ALLOWED, Leave.PERSON),
    StepClass.QUESTION: (Leave.PERSON, Leave.PERSON),
}


@pytest.mark.parametrize("step", list(StepClass))
def test_each_class_of_step_within_and_beyond_the_longest_gap(step):
    within, beyond = GAPS[step]
    assert set(STEP_RULES) == set(StepClass)

    assert may_resume(replace(GOOD, step=step, gap_s=GAP_MAX_S)).leave is within
    assert may_resume(replace(GOOD, step=step, gap_s=GAP_MAX_S + 0.1)).leave is beyond
    assert may_resume(replace(GOOD, step=step, gap_s=None)).leave is beyond


def test_a_charge_that_gassed_for_nobody_knows_how_long_is_closed_for_everybody():
    facts = replace(GOOD, step=StepClass.CHARGE_ABOVE, gases=True, gap_s=None)

    assert may_resume(facts).leave is Leave.PERSON
    assert may_resume(replace(facts, off_after_s=None)).leave is Leave.NEVER


def test_a_rest_needs_no_budget_and_no_known_time_on():
    assert StepClass.REST not in ENERGISED
    facts = replace(GOOD, step=StepClass.REST, gap_s=None, off_after_s=None, budgets=(Budget("time", 1.0, 1.0),))

    assert may_resume(facts).leave is Leave.ALLOWED


@pytest.mark.parametrize(("used", "leave"), [(0.95, Leave.ALLOWED), (0.9501, Leave.PERSON)])
def test_less_than_a_twentieth_of_an_end_is_a_persons_to_go_past(used, leave):
    assert may_resume(replace(GOOD, budgets=(Budget("gas_charge", used, 1.0),))).leave is leave


# --- the bench ----------------------------------------------------------------------------------------------------------------------

QUIET = BenchFacts((), 1.70, 1.60, 1.80, 25.0, 5.0, 45.0, has_thermometer=True, power_on_safe=True)

BENCH_SPEAKS: dict[str, list[dict[str, object]]] = {
    "missing": [{"missing": ("probe_temperature_degC",)}],
    "power on": [{"power_on_safe": False}, {"power_on_safe": None}],
    "voltage": [{"voltage_V": value} for value in (1.599, 1.801, None, NAN)] + [{"low_V": NAN}, {"high_V": NAN}],
    "temperature": [{"temperature_degC": value} for value in (4.9, 45.1, None, NAN)],
    "resistance": [
        {"resistance_ohm": 0.66, "last_resistance_ohm": 0.50},
        {"resistance_ohm": 0.34, "last_resistance_ohm": 0.50},
        {"resistance_ohm": NAN, "last_resistance_ohm": 0.50},
    ],
}


def test_every_rule_of_the_bench_is_tried():
    assert [name for name, _ in BENCH_RULES] == list(BENCH_SPEAKS)


@pytest.mark.parametrize(
    ("name", "change"), [(name, change) for name, changes in BENCH_SPEAKS.items() for change in changes], ids=str
)
def test_each_thing_the_bench_says_alone_leaves_the_run_for_a_person(name, change):
    decision = may_go_on(replace(QUIET, **change))

    assert decision.leave is Leave.PERSON
    assert [other for other, speaks in BENCH_RULES if speaks(replace(QUIET, **change))] == [name]


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"voltage_V": 1.60},
        {"voltage_V": 1.80},
        {"low_V": None},
        {"high_V": None},
        {"has_thermometer": False, "temperature_degC": None},
        {"resistance_ohm": 0.64, "last_resistance_ohm": 0.50},
        {"resistance_ohm": 0.64},
    ],
)
def test_a_bench_as_it_was_lets_the_run_go_on(change):
    assert may_go_on(replace(QUIET, **change)).leave is Leave.ALLOWED
