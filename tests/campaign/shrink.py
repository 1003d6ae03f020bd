"""A failing script made small: fewer faults, for one message, earlier; then printed as a test and kept as a file for ever."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from tests.campaign.explore import Outcome, run_script
from tests.campaign.script import Raw, Script

SEEDS = Path(__file__).resolve().parents[1] / "seeds"
TRIES_MAX = 80
"""Each is a whole short run: a minute or so at most."""
FIRST_S = 15.0
"""The earliest a fault is moved to: the story's first charge begins about then."""


def simpler(script: Script) -> Iterator[Script]:
    """Every script that is one step simpler, the largest steps first."""
    for what in ("faults", "excursions", "acts"):
        for index in range(len(getattr(script, what))):
            if script.size > 1:
                yield script.without(what, index)
    if script.loss:
        yield replace(script, loss=0.0)
    for index, raw in enumerate(script.faults):
        for simple in simpler_fault(raw):
            yield script.with_one("faults", index, simple)
    if script.seed != 1:
        yield replace(script, seed=1)
    yield from earlier(script)


def simpler_fault(raw: Raw) -> Iterator[Raw]:
    if raw.get("times", 1) is None:
        yield {**{key: value for key, value in raw.items() if key != "for_s"}, "times": 1}
    if "for_s" in raw:
        yield {**raw, "for_s": round(raw["for_s"] / 2.0, 1)}
    if raw.get("at_question", 1) > 1:
        yield {**raw, "at_question": raw["at_question"] // 2}
        yield {**raw, "at_question": raw["at_question"] - 1}
    if round(raw.get("at_s", 0.0)) != raw.get("at_s", 0.0):
        yield {**raw, "at_s": float(round(raw["at_s"]))}


def earlier(script: Script) -> Iterator[Script]:
    """The same, half as far into the story, or a tenth of it sooner."""
    for share in (0.5, 0.9):
        moved_s = (script.arm_s - FIRST_S) * (1.0 - share)
        if moved_s >= 1.0:
            yield shifted(script, -round(moved_s, 1))


def shifted(script: Script, by_s: float) -> Script:
    def moved(items: tuple[Raw, ...]) -> tuple[Raw, ...]:
        return tuple({**raw, "at_s": round(raw["at_s"] + by_s, 3)} if "at_s" in raw else raw for raw in items)

    return replace(
        script, arm_s=max(script.arm_s + by_s, 0.0), faults=moved(script.faults), excursions=moved(script.excursions), acts=moved(script.acts),
        stop_s=None if script.stop_s is None else script.stop_s + by_s, until_s=script.until_s + by_s,
    )  # fmt: skip


def shrink(script: Script, fails: Callable[[Script], bool], tries: int = TRIES_MAX) -> Script:
    """The smallest script that still fails, found by taking the first simpler one that does, again and again."""
    left = tries
    while left > 0:
        for candidate in simpler(script):
            left -= 1
            if fails(candidate):
                script = candidate
                break
            if left <= 0:
                return script
        else:
            return script
    return script


def breaks(invariant: str, run: Callable[[Script], Outcome] = run_script) -> Callable[[Script], bool]:
    """Whether a script breaks that invariant; one that cannot even be run does not."""

    def fails(script: Script) -> bool:
        try:
            return any(found.invariant == invariant for found in run(script).findings)
        except (KeyError, TypeError, ValueError, AssertionError):
            return False

    return fails


def as_test(script: Script, invariant: str) -> str:
    """The script as a test to be pasted into a module of tests."""
    name = invariant.lower().replace("-", "_")
    return (
        f"def test_the_campaign_found_{name}() -> None:\n    outcome = run_script(script_of(json.loads('''\n{script.to_json()}''')))\n"
        "    assert outcome.findings == []\n"
    )  # fmt: skip


def keep(script: Script, invariant: str, text: str, folder: Path = SEEDS) -> Path:
    """Store it where the CI tier replays it for ever; the name follows from what it says."""
    folder.mkdir(exist_ok=True)
    path = folder / f"{invariant.lower()}-{zlib.crc32(script.to_json().encode()):08x}.json"
    raw = {"found": {"invariant": invariant, "text": text.splitlines()[-1][:300] if text else ""}, "script": json.loads(script.to_json())}
    path.write_text(json.dumps(raw, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    return path


def report(outcome: Outcome, *, folder: Path = SEEDS, say: Callable[[str], None] = print) -> Path:
    """Shrink what one run showed, say it as a test, keep it."""
    found = outcome.findings[0]
    fails = breaks(found.invariant)
    again = fails(outcome.script)
    small = shrink(outcome.script, fails) if again else outcome.script
    say(f"{found.invariant}: {found.text}")
    say("" if again else "(seen in a fork; the same run from its beginning does not show it)")
    say(as_test(small, found.invariant))
    path = keep(small, found.invariant, found.text, folder)
    say(f"kept as {path}")
    return path
