"""What must hold of every run, whatever was wrong with the bench: one function for each invariant, judged by the panels' own record,
the bytes they heard, the cell's own books and the journal. Nothing here asks the program what it thinks happened.

An excuse (`tests/campaign/excuses.py`) is a reason why this bench cannot know; each is listed in the safety case.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

from chargerd.core.deadline import LEASE_EXTRA_S, WATCH_EVERY_S
from chargerd.core.events import Answer, Observed, Resume, Start, StateChanged, StepEnded, StepStarted, Stop, Tripped
from chargerd.core.states import State
from chargerd.daemon.channel import PASS_EVERY_S
from chargerd.sim.panel import Panel
from chargerd.sim.timeline import Terminals
from tests.campaign.excuses import Blind, blind_of, nuisance_is_wrong
from tests.campaign.script import Script
from tests.campaign.story import EVERY_S, Truth
from tests.worlds.invariants import ANNOUNCED_FOR_S, OFF_TAKES_S, intervals, is_announced, unproven_bytes, unproven_ons
from tests.worlds.world_bench import Ran, conducts_at

SCAN_S = 6.0
"""What a reading costs at worst while instruments are silent: a question, its retry and a new link for each of two or three."""
MISSED_MAX = 3
AFTER_BAD_S = 2 * EVERY_S + SCAN_S + OFF_TAKES_S + PASS_EVERY_S
"""From a value beyond its limit until off: the reading that shows it, one that confirms it, a scan, switching off."""
AFTER_SILENCE_S = MISSED_MAX * EVERY_S + LEASE_EXTRA_S + SCAN_S + OFF_TAKES_S + PASS_EVERY_S
"""From the last good reading until off: the lease, a scan that was under way, switching off."""
UNBIDDEN_S = WATCH_EVERY_S + SCAN_S + OFF_TAKES_S + PASS_EVERY_S
"""An output that came on by itself is seen at the next reading, 10 s apart when nothing runs, and put off again."""
OVER = 0.01
"""What a simulated instrument's gain and offset may hide of the truth, as a part, and below: V, A, K."""
OVER_V, OVER_A, OVER_K = 0.02, 0.02, 0.6
NUMBER = re.compile(r"-?[0-9.]+(e-?[0-9]+)?")
AT_ONCE_S = 0.2


class Finding(NamedTuple):
    """One broken promise."""

    invariant: str
    text: str


class Case:
    """A run with what several invariants look at."""

    def __init__(self, ran: Ran, script: Script, truths: dict[float, list[Terminals]]) -> None:
        self.truths = truths
        self.ran = ran
        self.script = script
        self.looks: list[Truth] = ran.looks  # type: ignore[assignment]
        self.blind: Blind = blind_of(script)
        self.outputs: dict[str, Panel] = {name: ran.world.panels[name] for name in ("supply", "load")}
        self.relay: Panel | None = ran.world.panels.get("relay")

    @cached_property
    def rows(self) -> list[dict[str, str]]:
        with (self.ran.folder / "readings.csv").open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    @cached_property
    def events(self) -> list[dict[str, str]]:
        with (self.ran.folder / "events.csv").open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    @cached_property
    def states(self) -> list[tuple[float, float, State]]:
        """From when until when the channel was in which state, by its own events."""
        changes = [(0.0, State.IDLE)]
        changes += [(at_s, State(r.after)) for at_s, r in self.ran.records if isinstance(r, StateChanged)]
        changes.append((self.ran.ended_s, State.IDLE))
        return [(a[0], b[0], a[1]) for a, b in pairwise(changes)]

    @cached_property
    def tripped_s(self) -> float | None:
        return next((at_s for at_s, record in self.ran.records if isinstance(record, Tripped)), None)

    def reaches_cell(self, at_s: float) -> bool:
        """Whether a current could flow to or from the cell at an instant."""
        closed = self.relay is None or conducts_at(self.relay, at_s)
        return closed and any(conducts_at(panel, at_s) for panel in self.outputs.values())

    def announced(self, at_s: float) -> bool:
        """Whether every output that conducts then was said, within the last minute, not to be proven off."""
        on = [name for name, panel in self.outputs.items() if conducts_at(panel, at_s)]
        return all(is_announced(self.ran, name, at_s) or self.relay_announced(at_s) for name in on)

    def relay_announced(self, at_s: float) -> bool:
        said = [
            (when_s, record) for when_s, record in self.ran.records
            if isinstance(record, Observed) and not record.verified and when_s <= at_s <= when_s + ANNOUNCED_FOR_S
        ]  # fmt: skip
        return bool(said)

    def quiet_spell(self, start_s: float, end_s: float) -> float | None:
        """The first instant of a stretch at which something conducts that nobody announced."""
        at_s = start_s
        while at_s < end_s:
            if any(conducts_at(panel, at_s) for panel in self.outputs.values()) and not self.announced(at_s):
                return at_s
            at_s += PASS_EVERY_S
        return None


def never_on_outside_running(case: Case) -> Iterator[str]:
    for name, panel in case.outputs.items():
        causes = {entry.time_s: entry.cause for entry in panel.output_log if entry.on}
        for on_s, off_s in intervals(panel, case.ran.ended_s):
            for began_s, ended_s, state in case.states:
                start_s, end_s = max(on_s, began_s), min(off_s, ended_s)
                if state is State.RUNNING or end_s <= start_s:
                    continue
                if state is State.CHECKING:
                    allowed_s = 10.0 if case.relay is None or not conducts_at(case.relay, start_s) else SCAN_S + OFF_TAKES_S
                elif on_s > began_s and causes.get(on_s) != "command":
                    allowed_s = UNBIDDEN_S
                else:
                    allowed_s = OFF_TAKES_S + SCAN_S
                if end_s - start_s > allowed_s:
                    loose_s = case.quiet_spell(start_s + allowed_s, end_s)
                    if loose_s is not None:
                        yield f"{name} on from {start_s:.1f} to {end_s:.1f} s in {state}, unannounced at {loose_s:.1f} s"


def never_both_on(case: Case) -> Iterator[str]:
    sources, loads = (intervals(panel, case.ran.ended_s) for panel in case.outputs.values())
    for a in sources:
        for b in loads:
            start_s, end_s = max(a[0], b[0]), min(a[1], b[1])
            if end_s - start_s > UNBIDDEN_S and case.quiet_spell(start_s + UNBIDDEN_S, end_s) is not None:
                yield f"source and load on together from {start_s:.1f} to {end_s:.1f} s"


def never_on_unproven(case: Case) -> Iterator[str]:
    yield from unproven_ons(case.ran)
    if case.relay is not None:
        for entry in case.relay.output_log:
            if entry.on and entry.cause == "command" and any(conducts_at(panel, entry.time_s) for panel in case.outputs.values()):
                yield f"the relay closed onto a live output at {entry.time_s:.2f} s"


def never_written_unproven(case: Case) -> Iterator[str]:
    yield from unproven_bytes(case.ran)


def off_when_the_world_is_beyond_limits(case: Case) -> Iterator[str]:
    """The heart of it: true voltage, current or temperature beyond the limit, and something still conducts to the cell."""
    limits = case.ran.frozen.plan.limits
    bounds = {
        "voltage_V": lambda at: at.voltage_V > limits.voltage_max_V * (1 + OVER) + OVER_V,
        "current_A": lambda at: at.current_A > limits.charge_current_max_A * (1 + OVER) + OVER_A
        or -at.current_A > limits.discharge_current_max_A * (1 + OVER) + OVER_A,
        "temperature_degC": lambda at: at.temperature_degC > limits.temperature_max_degC + case.blind.lag_K + OVER_K,
    }
    for quantity, is_beyond in bounds.items():
        if quantity in case.blind.quantities:
            continue
        since_s: float | None = None
        for at in case.looks:
            wrong = is_beyond(at) and case.reaches_cell(at.time_s)
            since_s = (at.time_s if since_s is None else since_s) if wrong else None
            if since_s is not None and at.time_s - since_s > max(AFTER_BAD_S, AFTER_SILENCE_S) and not case.announced(at.time_s):
                yield f"{quantity} {getattr(at, quantity):.3f} beyond its limit since {since_s:.1f} s, still on at {at.time_s:.1f} s"
                break


def leases_lapse(case: Case) -> Iterator[str]:
    """Without a whole reading nothing stays on."""
    good_s, seq = 0.0, -1
    for at in case.looks:
        if at.seq != seq and not at.missing:
            good_s = at.time_s
        seq = at.seq
        late = at.state is State.RUNNING and (at.source_on or at.load_on) and at.time_s - good_s > AFTER_SILENCE_S
        if late and not case.announced(at.time_s):
            yield f"on at {at.time_s:.1f} s, last whole reading at {good_s:.1f} s"
            return


def budgets_never_shrink(case: Case) -> Iterator[str]:
    for before, at in pairwise(case.looks):
        if (before.step, before.started_s) == (at.step, at.started_s) and any(b > a + 1e-12 for b, a in zip(before.sums, at.sums, strict=True)):
            yield f"protection's sums went from {before.sums} to {at.sums} at {at.time_s:.1f} s"
            return


def nothing_ends_on_a_missing_value(case: Case) -> Iterator[str]:
    rows = {row["seq"]: row for row in case.rows}
    for event in case.events:
        if event["kind"] != "step-ended" or re.search(r'"end":"(lasts|time|answered)"', event["detail"]):
            continue
        row = rows.get(event["after_seq"], {})
        missing = [name for name in ("voltage_V", "current_A") if NUMBER.fullmatch(row.get(name, "")) is None]
        if missing:
            yield f"a step ended after row {event['after_seq']}, which has no {' and no '.join(missing)}"


def a_trip_is_for_good(case: Case) -> Iterator[str]:
    if case.tripped_s is None:
        return
    left = [record.after for at_s, record in case.ran.records if isinstance(record, StateChanged) and record.before == "TRIPPED"]
    if left:
        yield f"TRIPPED was left for {left}"
    for name, panel in case.outputs.items():
        for entry in panel.output_log:
            if entry.on and entry.cause == "command" and entry.time_s > case.tripped_s:
                yield f"{name} switched on at {entry.time_s:.1f} s, after the trip at {case.tripped_s:.1f} s"


def worst_case_charge_is_never_below_the_truth(case: Case) -> Iterator[str]:
    if "current_A" in case.blind.quantities:
        return
    key, began = None, None
    for before, at in pairwise(case.looks):
        if (at.step, at.started_s) != key:
            key, began = (at.step, at.started_s), at
            continue
        assert began is not None
        if at.seq == before.seq or at.state is not State.RUNNING or before.state is not State.RUNNING:
            continue
        true_Ah = (at.in_C - began.in_C + at.out_C - began.out_C) / 3600.0
        counted_Ah = at.sums[1] - began.sums[1]
        slack_Ah = OVER * true_Ah + (0.006 * (at.time_s - began.time_s) + abs(at.current_A) * (at.time_s - at.counted_s) + 0.35) / 3600.0
        if at.counted_s > 0.0 and counted_Ah < true_Ah - slack_Ah:
            yield f"step {at.step}: {1e3 * counted_Ah:.3f} mAh counted at {at.time_s:.1f} s, {1e3 * true_Ah:.3f} mAh flowed"
            return


SET = re.compile(r"(VOLT|CURR|VOLT:PROT|CURR:PROT) ([0-9.]+)")


def set_points_are_within_limits(case: Case) -> Iterator[str]:
    plan = case.ran.frozen.plan
    most = {
        "supply": {"VOLT": plan.limits.voltage_max_V, "CURR": plan.limits.charge_current_max_A, "VOLT:PROT": plan.ovp_V, "CURR:PROT": plan.ocp_A},
        "load": {"CURR": plan.limits.discharge_current_max_A},
    }  # fmt: skip
    for name, limits in most.items():
        for exchange in case.ran.heard[name]:
            match = SET.fullmatch(exchange.received)
            limit = limits.get(match[1]) if match else None
            if match and limit is not None and not float(match[2]) <= limit + 1e-3:
                yield f"{name} told {exchange.received} at {exchange.time_s:.1f} s, the limit is {limit}"


def what_a_person_switched_off_stays_off(case: Case) -> Iterator[str]:
    said_s = [at_s for at_s, record in case.ran.records if isinstance(record, (Resume, Answer))]
    for name, panel in case.outputs.items():
        off_s: float | None = None
        for entry in panel.output_log:
            if not entry.on and entry.cause == "panel":
                off_s = entry.time_s
            elif entry.on and entry.cause == "command" and off_s is not None:
                if not any(off_s <= at_s <= entry.time_s for at_s in said_s):
                    yield f"{name} switched off at its panel at {off_s:.1f} s and on again by wire at {entry.time_s:.1f} s"
                off_s = None


LEADS_ohm = 0.6
"""Leads and clips, where there is no meter at the cell."""
NEAR = {"voltage_V": 0.03, "current_A": 0.02, "temperature_degC": 1.0}


def what_is_recorded_was_measured(case: Case) -> Iterator[str]:
    """A row's voltage, current and temperature are the cell's at that instant: no answer stands under another question."""
    by_instant: dict[float, list[dict[str, str]]] = {}
    for row in case.rows:
        by_instant.setdefault(float(row["elapsed_s"]), []).append(row)
    pairs = [
        pair for at_s, rows in by_instant.items()
        for pair in zip(reversed(rows), reversed(case.truths.get(at_s, [])), strict=False)
    ]  # fmt: skip
    for row, at in pairs:
        is_closed = case.relay is None or conducts_at(case.relay, float(row["elapsed_s"]))
        for name, near in NEAR.items():
            if name in case.blind.readings or not is_closed or NUMBER.fullmatch(row.get(name, "")) is None:
                continue
            told, true = float(row[name]), getattr(at, name)
            lost = LEADS_ohm * abs(at.current_A) if name == "voltage_V" else 0.0
            if not abs(told - true) <= near + lost + OVER * abs(true):
                yield f"row {row['seq']} at {row['elapsed_s']} s says {name} {told}, true is {true:.4f}"
                return


def one_start_one_end_one_cause(case: Case) -> Iterator[str]:
    records = [record for _, record in case.ran.records]
    if sum(isinstance(record, Start) for record in records) != 1:
        yield "not exactly one start"
    if sum(isinstance(record, Tripped) for record in records) > 1:
        yield f"more than one first cause: {[record.cause for record in records if isinstance(record, Tripped)]}"
    if case.ran.state is State.TRIPPED and not any(isinstance(record, Tripped) for record in records):
        yield "tripped without a cause"


def steps_end_once(case: Case) -> Iterator[str]:
    """A step that began ends by one end, or the run does; a group of parts (pulses) may begin again after a pause."""
    running: str | None = None
    for _, record in case.ran.records:
        if isinstance(record, StepStarted):
            if running is not None and record.step.split(".")[0] != running.split(".")[0]:
                yield f"step {record.step} began while step {running} had not ended"
            running = record.step
        elif isinstance(record, StepEnded):
            if running != record.step:
                yield f"step {record.step} ended while {running} was under way"
            running = None


def the_journal_tells_the_same_story(case: Case) -> Iterator[str]:
    replayed = case.ran.replayed()
    if replayed.differences or replayed.owed or replayed.torn:
        yield f"replay: {replayed.differences[:1]}, owed {replayed.owed[:1]}, torn {replayed.torn}"


def nothing_is_left_on(case: Case) -> Iterator[str]:
    end_s = case.ran.ended_s
    on = [name for name, panel in case.outputs.items() if conducts_at(panel, end_s)]
    if on and case.ran.is_over and case.reaches_cell(end_s):
        yield f"{on} on after the run was over at {end_s:.1f} s ({case.ran.state})"
    stopped_s = next((at_s for at_s, record in case.ran.records if isinstance(record, Stop)), None)
    if on and stopped_s is not None and not case.announced(end_s) and end_s - stopped_s > UNBIDDEN_S:
        yield f"{on} on at {end_s:.1f} s, stopped at {stopped_s:.1f} s, and nobody said that off failed"


def what_passes_ends_no_run(case: Case) -> Iterator[str]:
    if case.tripped_s is not None and nuisance_is_wrong(case.script):
        yield f"{case.ran.cause} for one lost or wrong message"


def the_fan_stays_on(case: Case) -> Iterator[str]:
    fan = case.ran.world.panels.get("fan")
    if fan is not None and (fan.off_s(0.0, case.ran.ended_s) > 0.0 or fan.commands):
        yield f"the fan was off for {fan.off_s(0.0, case.ran.ended_s):.1f} s, and was commanded {fan.commands} times"


INVARIANTS: dict[str, tuple[str, Callable[[Case], Iterator[str]]]] = {
    "INV-01": ("nothing is on outside RUNNING, or its off is tried and announced", never_on_outside_running),
    "INV-02": ("source and load are never on together", never_both_on),
    "INV-03": ("nothing is switched on before identity, levels and set-points are read back; no relay closes onto a live output", never_on_unproven),
    "INV-04": ("no byte reaches an instrument before it has said who it is", never_written_unproven),
    "INV-05": ("when the cell is truly beyond a limit, it is off in time, or every way off was tried and announced", off_when_the_world_is_beyond_limits),
    "INV-06a": ("without a whole reading nothing stays on", leases_lapse),
    "INV-06b": ("protection's sums never shrink within a step", budgets_never_shrink),
    "INV-06c": ("no step ends on a value that is missing", nothing_ends_on_a_missing_value),
    "INV-07": ("a trip is never left, and nothing is switched on after it", a_trip_is_for_good),
    "INV-08": ("the charge that protection counts is never below the true one", worst_case_charge_is_never_below_the_truth),
    "INV-11": ("every set-point and level written is within the run's limits", set_points_are_within_limits),
    "INV-14": ("what a person switched off at its panel stays off", what_a_person_switched_off_stays_off),
    "INV-19": ("what is recorded is what was measured, under its own name", what_is_recorded_was_measured),
    "INV-22": ("replaying the journal derives every decision again", the_journal_tells_the_same_story),
    "INV-23": ("one start, at most one first cause", one_start_one_end_one_cause),
    "INV-25": ("one lost or wrong message ends no run", what_passes_ends_no_run),
    "INV-31": ("a step that began ends once", steps_end_once),
    "INV-32": ("an output that must stay on is never switched, nor written to", the_fan_stays_on),
    "INV-33": ("when a run is over, or stopped, nothing is left on unannounced", nothing_is_left_on),
}
"""By their numbers in the safety case: in words, and what looks."""


def judge(ran: Ran, script: Script, truths: dict[float, list[Terminals]]) -> list[Finding]:
    case = Case(ran, script, truths)
    judged = {name: look for name, (_, look) in INVARIANTS.items() if name not in case.blind.invariants}
    return [Finding(name, text) for name, look in judged.items() for text in look(case)]
