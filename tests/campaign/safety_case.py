"""Writes `tests/safety-case.md`: hazard → constraint → invariant → test → last result, and what was not reached and why."""

from __future__ import annotations

import ast
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.campaign.excuses import EXCUSES
from tests.campaign.judge import INVARIANTS
from tests.campaign.kinds import LEFT_OUT
from tests.campaign.registry import CAMPAIGNS, ELSEWHERE, TIERS
from tests.faults.table import ROWS

TESTS = Path(__file__).resolve().parents[1]
CASE = TESTS / "safety-case.md"
RESULTS = Path(__file__).with_name("results.json")

Kept = dict[str, dict[str, dict[str, Any]]]


@dataclass(frozen=True)
class Hazard:
    """A state of the whole that can hurt, what must therefore hold, which invariants say so, and tests beside the campaigns'."""

    words: str
    constraint: str
    invariants: tuple[str, ...]
    tests: tuple[str, ...]


LIMITS = "tests/worlds/test_limits_on_the_wire.py"
HAZARDS = (
    Hazard("the cell's voltage is above its hard limit", "the source is off in time after any valid voltage above it", ("INV-05", "INV-11"),
           (f"{LIMITS}::test_the_cause_is_first_out_and_the_outputs_are_off_in_time", "tests/core/test_limits.py::test_any_one_valid_voltage_may_trip")),
    Hazard("the current is above its hard limit, or flows the wrong way", "the same for current, its sign checked", ("INV-05", "INV-08", "INV-11"),
           (f"{LIMITS}::test_the_cause_is_first_out_and_the_outputs_are_off_in_time", "tests/core/test_unknown_current.py::test_an_output_that_went_on_and_was_not_read_since_may_carry_all_it_was_set_to")),
    Hazard("cell, clip or lead is too hot", "the same for temperature, its rise and slope, and for heat in contacts", ("INV-05",),
           (f"{LIMITS}::test_the_cause_is_first_out_and_the_outputs_are_off_in_time",)),
    Hazard("hydrogen gathers near the cell", "gassing charge and time are bounded and never counted below the truth", ("INV-06b", "INV-08"),
           ("tests/core/test_engine.py::test_a_gap_while_gassing_is_charged_as_gassing",)),
    Hazard("electrolyte leaves the cell, or plates run dry", "signs of it stop the channel: none can be connected yet", (), ()),
    Hazard("source and load feed each other, or something off is fed back into", "at most one is on; the cell is isolated when idle", ("INV-02", "INV-03"),
           ("tests/worlds/test_switching_campaign.py::test_one_fault_of_any_kind_never_closes_onto_current_and_never_leaves_the_cell_on",)),
    Hazard("an output is on and nobody supervises it", "supervision is proven again and again, or the output falls", ("INV-01", "INV-06a", "INV-07", "INV-33"),
           ("tests/processes/test_kills.py", "tests/processes/test_signals.py", "tests/daemon/test_keeper_watch.py")),
    Hazard("commands reach another instrument, or another cell", "identity is proven after every opening, before the first write", ("INV-03", "INV-04", "INV-32"),
           ("tests/processes/test_swapped_ports.py", "tests/instruments/test_untouchable.py::test_a_message_that_could_switch_an_output_left_alone_is_refused")),
    Hazard("what is recorded is not what was measured", "a value belongs to its question and its time; gaps are seen", ("INV-06c", "INV-19", "INV-22", "INV-23", "INV-31"),
           ("tests/worlds/test_determinism.py::test_the_same_seed_gives_the_same_bytes",)),
    Hazard("a watcher sees an old or false 'all well'", "a status says by itself until when it holds", (),
           ("tests/status/test_display.py::test_older_than_valid_is_unknown_since",)),
)  # fmt: skip


def read_results() -> Kept:
    """What the tiers showed last; an empty one before the first time."""
    return json.loads(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {}


def row(*cells: str) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def table(*head: str) -> list[str]:
    return [row(*head), row(*["---"] * len(head))]


def result_of(name: str, tier: str, kept: Kept) -> str:
    """One campaign's last result in a tier, in words."""
    last = kept.get(tier, {}).get(name)
    if last is None:
        return "not run to its end yet"
    counts = ", ".join(f"{value:,.6g} {key.replace('_', ' ')}" for key, value in last["counts"].items())
    return f"{'**' + str(last['found']) + ' found**' if last['found'] else 'nothing found'}: {counts}; {last['core_s']:g} core s, {last['date']}, seed {last['seed']}"


def render(kept: Kept) -> str:
    """The whole document."""
    parts = [HEAD, *_hazards(), *_invariants(kept), *_campaigns(kept), *_faults(), *_unknown()]
    return "\n".join(parts) + "\n"


HEAD = """\
# Safety case

Written by `python -m tests.campaign --write`, not by hand; a test holds it equal to the tables it comes from. It claims no certification and no
safety integrity level: it says which hazards were thought of, what must therefore hold, which tests try to break that, and what they showed last.
Everything here is simulated. No real instrument, relay, sensor or cell was part of it, and nothing here replaces ventilation, a fuse, local codes
or a person who knows what he does.
"""


def _hazards() -> list[str]:
    lines = ["## Hazards", "", *table("hazard", "what must hold", "invariants", "tests beside the campaigns")]
    for hazard in HAZARDS:
        tests = "; ".join(f"`{test}`" for test in hazard.tests) or "none yet"
        lines.append(row(hazard.words, hazard.constraint, ", ".join(hazard.invariants) or "none", tests))
    return [*lines, ""]


def _invariants(kept: Kept) -> list[str]:
    lines = ["## Invariants", "", "Judged of every injected run by the panels' own record, the bytes they heard, the cell's own books and the journal.", ""]
    lines += table("invariant", "says", "can fail: shown by", "campaigns, last CI tier")
    for name, (words, _) in INVARIANTS.items():
        number = name[:6]
        tried = [one for one, campaign in CAMPAIGNS.items() if number in campaign.invariants or campaign.invariants.startswith("all")]
        found = sum(kept.get("ci", {}).get(one, {}).get("found", 0) for one in tried)
        lines.append(row(name, words, f"`tests/campaign/test_invariants_can_fail.py::test_a_planted_break_is_found[{name}]`",
                         f"{', '.join(tried)}: {found} found"))  # fmt: skip
    return [*lines, ""]


def _campaigns(kept: Kept) -> list[str]:
    lines = ["## Campaigns: what was reached, beside what is aimed at", ""]
    for tier, words in zip(TIERS, ("CI, on two cores, about 3 minutes", "release (`make campaign`), at most 60 minutes on two cores"), strict=True):
        lines += [f"### {words}", "", *table("campaign", "what", "aimed at", "last result", "why less")]
        lines += [row(name, one.about, one.targets[tier], result_of(name, tier, kept), one.left) for name, one in CAMPAIGNS.items()]
        spent = sum(last["core_s"] for last in kept.get(tier, {}).values())
        lines += ["", f"Together {spent:,.0f} core seconds.", ""]
    lines += ["Measured, against a planned 10,000 samples per second and core:", ""]
    lines += [f"- {what}: {said}" for what, said in SPEED.items()]
    lines += ["", "Not run by this runner:", ""]
    lines += [f"- {what}: {where}" for what, where in ELSEWHERE.items()]
    return [*lines, ""]


SPEED = {
    "a long run on the plain bench, everything in it": "1,100 to 1,400 samples/s and core (0.7 to 0.9 ms each: about 45 % of it the simulated instruments' "
    "replies and the cell, 25 % driver and link, 30 % engine, channel and journal), on a machine shared with others",
    "a run behind a relay, a circuit being solved": "about 800 samples/s and core",
    "an injected run": "about 0.09 core s: a fork and a folder's copy, 20 to 60 samples, judging (of which the replay is half)",
    "made cheaper": "a fork copies world, program and links at once (a deep copy cannot copy a running program); journals lie in memory; results are no "
    "longer put into words when a loop ends, which was 15 % of a short run",
}


def _faults() -> list[str]:
    lines = ["## Faults and the tests that go red without their guard", "", "`tests/faults/test_knock_outs.py` takes each guard out.", ""]
    lines += table("id", "fault", "severity", "reaction", "tests, or why there is none")
    for fault in ROWS:
        tests = sorted({test for knock in fault.knocks for test in knock.tests})
        lines.append(row(fault.id, fault.fault, str(fault.severity), fault.reaction, "; ".join(f"`{test}`" for test in tests) or fault.left))
    return [*lines, ""]


def _unknown() -> list[str]:
    lines = ["## What a bench cannot know", "", "Each is a fault for which an invariant is not judged by the quantity it hides.", ""]
    lines += table("faults", "what cannot be judged", "why")
    lines += [row(", ".join(excuse.kinds), excuse.what, excuse.reason) for excuse in EXCUSES]
    lines += ["", "Kinds of fault that the campaign's benches cannot have:", ""]
    lines += [f"- {kind}: {why}" for kind, why in LEFT_OUT.items()]
    return lines


NAMED = re.compile(r"`(tests/[\w/.-]+(?:::[^`]+)?)`")


def tests_named(text: str) -> set[str]:
    """Every test, or module or folder of tests, that a text names."""
    return {match[1] for match in NAMED.finditer(text)}


def exists(name: str, root: Path) -> bool:
    """Whether a test is there: its file, and the function in it. What stands in brackets is a case of it."""
    path, _, function = name.partition("::")
    file = root / path
    if not function:
        return file.exists()
    if not file.is_file():
        return False
    wanted = function.split("[")[0]
    return any(isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name == wanted for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))))
