"""May a run that was broken off go on by itself? One table of what speaks against it, and one of what its step allows. Pure.

By itself a run goes on only when nothing speaks against it. A person may go on with any run but those that nobody may: their
record, frozen files or engine cannot be trusted, they are over, or nobody knows how long they went on gassing. What is not known
(None, NaN) always speaks against.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from chargerd.core.states import OVER, State

GAP_MAX_S = 900.0
"""After a longer gap a cell has rested, cooled and lost charge: what was going on is another experiment."""
BUDGET_SHARE_MAX = 0.95
"""Less than a twentieth of an end left, with the gap counted at its worst: an end that near is a person's to go past."""
CRASHES_MAX = 1
"""A program that broke down twice in one run has a fault that a third start will not mend."""
RESTARTS_IN_10_MIN_MAX = 3
RESTARTS_IN_1_H_MAX = 2
RESTARTS_OF_RUN_MAX = 5
"""This start included. Mains that come and go, or a program that does: each start switches on again with nobody there."""

INTERRUPTED = "the program ended without stopping the run"
TOO_COLD = "too-cold"
BY_ITSELF = frozenset({INTERRUPTED, TOO_COLD})
"""Why a run is PAUSED that nobody paused; every other pause waits for a person."""
FOR_PERSON = "a person decides: "
"""How the reason of a run begins that was left for a person: it stays so until one goes on with it."""


FOR_NOBODY = "this run never goes on: "
"""The same for a run with which nobody may go on; `stop` ends it."""


class Leave(IntEnum):
    """Who may go on with a run; the largest of all that speaks counts."""

    ALLOWED = 0
    PERSON = 1
    NEVER = 2


class StepClass(StrEnum):
    """What was going on, as far as a gap is concerned."""

    CHARGE_BELOW = "a charge below the gassing threshold"
    CHARGE_ABOVE = "a charge at the gassing threshold"
    REST = "a rest"
    DISCHARGE = "a discharge for its capacity"
    PARTS = "a short step of several parts"
    FORMATION = "a round of a formation"
    QUESTION = "a question to a person"


@dataclass(frozen=True, slots=True)
class StepRule:
    """Who may go on after a known gap of at most `GAP_MAX_S`, and after a longer or unknown one, with the reason for that."""

    within: Leave
    beyond: Leave
    why: str


STEP_RULES: dict[StepClass, StepRule] = {
    StepClass.CHARGE_BELOW: StepRule(Leave.ALLOWED, Leave.PERSON, "a person looks at the cell before it is charged on"),
    StepClass.CHARGE_ABOVE: StepRule(Leave.ALLOWED, Leave.PERSON, "a charge that gasses never goes on by itself after that"),
    StepClass.REST: StepRule(Leave.ALLOWED, Leave.ALLOWED, "the rest begins again"),
    StepClass.DISCHARGE: StepRule(Leave.ALLOWED, Leave.PERSON, "its capacity is not tested; charge the cell again first"),
    StepClass.PARTS: StepRule(Leave.ALLOWED, Leave.ALLOWED, "the whole step is done again"),
    StepClass.FORMATION: StepRule(Leave.ALLOWED, Leave.PERSON, "a person looks at the cell before its formation goes on"),
    StepClass.QUESTION: StepRule(Leave.PERSON, Leave.PERSON, "only a person answers"),
}
ENERGISED = frozenset({StepClass.CHARGE_BELOW, StepClass.CHARGE_ABOVE, StepClass.DISCHARGE, StepClass.PARTS, StepClass.FORMATION})


@dataclass(frozen=True, slots=True)
class Budget:
    """One end of the step: how much of it is used, the gap counted at its worst, in that end's unit."""

    end: str
    used: float
    most: float


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known before the bench is asked. `None` is not known.

    `frozen_fault`: what is wrong with `run.yaml`, its copies, the off plan or own dialects. `record_fault`: with journal or
    ledger, "" when they are whole. `gap_s` is the length of the gap, `off_after_s` how much of it outputs may have been on.
    `found_on`: an output was on when the computer had started. `crashes` and the restarts count this one.
    """

    state: State
    reason: str
    begun: bool
    step: StepClass
    frozen_fault: str | None = None
    record_fault: str | None = None
    same_engine: bool | None = None
    is_open: bool | None = None
    latched: str | None = None
    bypassed: bool | None = None
    disk_failed: bool | None = None
    unattended: bool | None = None
    gap_s: float | None = None
    off_after_s: float | None = None
    off_proven: bool | None = None
    suspended: bool | None = None
    found_on: bool | None = None
    gases: bool | None = None
    crashes: int | None = None
    restarts_in_10_min: int | None = None
    restarts_in_1_h: int | None = None
    restarts_of_run: int | None = None
    budgets: tuple[Budget, ...] = ()


@dataclass(frozen=True, slots=True)
class BenchFacts:
    """What the bench says before anything is switched on. The band is that of the cell at rest, None where it has no side."""

    missing: tuple[str, ...]
    voltage_V: float | None
    low_V: float | None
    high_V: float | None
    temperature_degC: float | None
    temperature_min_degC: float
    temperature_max_degC: float
    has_thermometer: bool
    power_on_safe: bool | None
    resistance_ohm: float | None = None
    last_resistance_ohm: float | None = None


@dataclass(frozen=True, slots=True)
class Decision:
    """Who may go on with it, and why not everybody. `reasons` is empty exactly when it is allowed."""

    leave: Leave
    reasons: tuple[str, ...] = ()

    def __str__(self) -> str:
        return "; ".join(self.reasons) or "nothing speaks against going on"


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing that speaks against going on: its words when it does, "" when not. `name` is what tests call it."""

    name: str
    leave: Leave
    speaks: Callable[[Facts], str]


def _unless(good: bool, words: str) -> str:
    return "" if good else words


def _is_known(seconds: float | None) -> bool:
    return seconds is not None and seconds >= 0.0


def _paused(facts: Facts) -> str:
    if facts.state is not State.PAUSED or facts.reason in BY_ITSELF or facts.reason.startswith(FOR_NOBODY):
        return ""
    if facts.reason.startswith(FOR_PERSON):
        return f"it was left for a person: {facts.reason.removeprefix(FOR_PERSON)}"
    return f"it was paused ({facts.reason or 'nobody knows why'}), and the program did not do so by itself"


def _gap(facts: Facts) -> str:
    rule = STEP_RULES[facts.step]
    if facts.gap_s is not None and 0.0 <= facts.gap_s <= GAP_MAX_S:
        return _unless(rule.within is Leave.ALLOWED, f"it stood in {facts.step.value}: {rule.why}")
    long = "nobody knows how long" if facts.gap_s is None else f"for {facts.gap_s:.0f} s"
    return _unless(rule.beyond is Leave.ALLOWED, f"it stood in {facts.step.value} {long}: {rule.why}")


def _budget(facts: Facts) -> str:
    if facts.step not in ENERGISED:
        return ""
    spent = [b for b in facts.budgets if not b.used <= BUDGET_SHARE_MAX * b.most]
    return "; ".join(f"hardly anything is left of {b.end}: {b.used:.4g} of {b.most:.4g}, the gap at its worst" for b in spent)


def _at_most(count: int | None, most: int, words: str) -> str:
    return _unless(count is not None and count <= most, words if count is not None else f"nobody knows whether {words}")


RULES: tuple[Rule, ...] = (
    Rule("frozen", Leave.NEVER, lambda f: _unless(f.frozen_fault == "", f.frozen_fault or "its frozen files were not looked at")),
    Rule("record", Leave.NEVER, lambda f: _unless(f.record_fault == "", f.record_fault or "its record was not looked at")),
    Rule("engine", Leave.NEVER, lambda f: _unless(f.same_engine is True, "another version of the engine began it")),
    Rule("over", Leave.NEVER, lambda f: _unless(f.state not in OVER, f"it is over ({f.state.value})")),
    Rule(
        "gassed unknown", Leave.NEVER,
        lambda f: _unless(
            f.gases is False or _is_known(f.off_after_s),
            "it may have gassed, and nobody knows how long its output stayed on; its gas can no longer be bounded",
        ),
    ),
    Rule("closed", Leave.NEVER, lambda f: f.reason.removeprefix(FOR_NOBODY) if f.reason.startswith(FOR_NOBODY) else ""),
    Rule("latched", Leave.PERSON, lambda f: _unless(f.latched == "", f"its channel is tripped ({f.latched})")),
    Rule("open", Leave.PERSON, lambda f: _unless(f.is_open is True, "another run was begun on its channel, or it was ended")),
    Rule("begun", Leave.PERSON, lambda f: _unless(f.begun and f.state is not State.IDLE, "it had not begun, nothing was proven")),
    Rule("paused", Leave.PERSON, _paused),
    Rule("unattended", Leave.PERSON, lambda f: _unless(f.unattended is True, "it is attended only: somebody may be there")),
    Rule("gap", Leave.PERSON, _gap),
    Rule("off", Leave.PERSON, lambda f: _unless(f.off_proven is True, "nothing proves its outputs off")),
    Rule(
        "on unknown", Leave.PERSON,
        lambda f: _unless(
            f.step not in ENERGISED or _is_known(f.off_after_s),
            "nobody knows how long its output stayed on: the clock was not set by a time service then and now",
        ),
    ),
    Rule("found on", Leave.PERSON, lambda f: _unless(f.found_on is False, "an output was on when the computer had started")),
    Rule("suspended", Leave.PERSON, lambda f: _unless(f.suspended is False, "the computer slept: nothing supervised the bench")),
    Rule("crashes", Leave.PERSON, lambda f: _at_most(f.crashes, CRASHES_MAX, "its program broke down more than once")),
    Rule(
        "restarts in 10 min", Leave.PERSON,
        lambda f: _at_most(f.restarts_in_10_min, RESTARTS_IN_10_MIN_MAX, "its channel was started too often within 10 min"),
    ),
    Rule(
        "restarts in 1 h", Leave.PERSON,
        lambda f: _at_most(f.restarts_in_1_h, RESTARTS_IN_1_H_MAX, "it went on by itself too often within an hour"),
    ),
    Rule(
        "restarts of run", Leave.PERSON,
        lambda f: _at_most(f.restarts_of_run, RESTARTS_OF_RUN_MAX, "it went on by itself too often"),
    ),
    Rule("bypass", Leave.PERSON, lambda f: _unless(f.bypassed is False, "a check was bypassed")),
    Rule("disk", Leave.PERSON, lambda f: _unless(f.disk_failed is False, "the disk failed while its record was written")),
    Rule("budget", Leave.PERSON, _budget),
)  # fmt: skip
"""Everything that speaks against going on, the gravest first."""


def may_resume(facts: Facts) -> Decision:
    """Decide from all that is known before the bench is asked."""
    spoken = [(rule.leave, words) for rule in RULES if (words := rule.speaks(facts))]
    return Decision(max((leave for leave, _ in spoken), default=Leave.ALLOWED), tuple(words for _, words in spoken))


RESISTANCE_SHARE_MAX = 0.30
"""A resistance that moved by more is another cell, other clips, or a cell that changed while nobody looked."""

BENCH_RULES: tuple[tuple[str, Callable[[BenchFacts], str]], ...] = (
    ("missing", lambda b: _unless(not b.missing, f"no good reading of {', '.join(b.missing)}")),
    (
        "power on",
        lambda b: _unless(b.power_on_safe is True, "what the source does when mains return is not known to be off"),
    ),
    (
        "voltage",
        lambda b: _unless(
            b.voltage_V is not None
            and (b.low_V is None or b.voltage_V >= b.low_V)
            and (b.high_V is None or b.voltage_V <= b.high_V),
            f"the cell stands at {_number(b.voltage_V)} V, not at {_number(b.low_V)} to {_number(b.high_V)} V: is it this cell?",
        ),
    ),
    (
        "temperature",
        lambda b: _unless(
            not b.has_thermometer
            or (b.temperature_degC is not None and b.temperature_min_degC <= b.temperature_degC <= b.temperature_max_degC),
            f"the cell is at {_number(b.temperature_degC)} °C, not {b.temperature_min_degC:g} to {b.temperature_max_degC:g} °C",
        ),
    ),
    (
        "resistance",
        lambda b: _unless(
            b.resistance_ohm is None
            or b.last_resistance_ohm is None
            or abs(b.resistance_ohm - b.last_resistance_ohm) <= RESISTANCE_SHARE_MAX * b.last_resistance_ohm,
            f"its resistance is {_number(b.resistance_ohm)} Ω and was {_number(b.last_resistance_ohm)} Ω",
        ),
    ),
)
"""What the bench itself may say against going on; each leaves the run for a person."""


def _number(value: float | None) -> str:
    return "?" if value is None else f"{value:.3f}"


def may_go_on(bench: BenchFacts) -> Decision:
    """Decide from what the bench says before anything is switched on."""
    reasons = tuple(words for _, speaks in BENCH_RULES if (words := speaks(bench)))
    return Decision(Leave.PERSON if reasons else Leave.ALLOWED, reasons)
