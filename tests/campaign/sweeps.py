"""Injected runs by the thousand: every fault at many moments, with something that befalls the cell, two at once."""

from __future__ import annotations

from collections.abc import Iterable
from random import Random

from tests.campaign.explore import Wanted, explore
from tests.campaign.kinds import Raw, variants
from tests.campaign.result import Result
from tests.campaign.script import EXCURSIONS, Script
from tests.campaign.story import EVERY_S, Live

STOPS_AFTER_S, LOOKS_UNTIL_S = 150.0, 200.0
"""A person ends what still goes on; most faults trip within 20 s, a read-back within 60 s."""
QUESTIONS_MAX = 40
"""More than are asked of one instrument in a sample and the switching after it."""
OVERSHOOTS: tuple[Raw, ...] = (
    {"peer": "supply", "kind": "change", "setting": "voltage_set_V", "value": 3.0},
    {"peer": "supply", "kind": "change", "setting": "current_set_A", "value": 2.9},
)
"""The source does what nobody asked for: the excursion that only the instrument itself can make."""
ROWS_MAX = 400


def every_fault(stories: dict[str, int], seed: int, jobs: int) -> Result:
    """Each variant of each fault at every n-th sample of a story; the seed says at which.

    Args:
        stories: n by story.
        seed: see above.
        jobs: forks at a time.
    """
    result = Result()
    for story, n in stories.items():
        chance, kinds = Random(f"{seed} {story}"), variants(story)
        plan: dict[int, list[Raw]] = {}
        for _, raw in kinds:
            for row in range(1 + chance.randrange(n), ROWS_MAX, n):
                plan.setdefault(row, []).append(raw)
        result.take(explore(story, _single(story, plan, seed), seed=seed % 1000 + 1, jobs=jobs))
        result.add(kinds=len(kinds))
    return result


def _single(story: str, plan: dict[int, list[Raw]], seed: int) -> Wanted:
    def wanted(live: Live, row: int) -> Iterable[Script]:
        for number, raw in enumerate(plan.get(row, ())):
            chance = Random(f"{seed} {story} {row} {number}")
            yield _script(story, live, (_placed(raw, live, chance),), (), seed)

    return wanted


def _placed(raw: Raw, live: Live, chance: Random, within_s: float = EVERY_S) -> Raw:
    now_s = live.stage.now_s()
    placed = {**raw, "at_s": round(now_s + chance.uniform(0.05, within_s), 3)}
    if raw.get("times") == 1:
        placed["at_question"] = chance.randint(1, QUESTIONS_MAX)
    return placed


def _script(story: str, live: Live, faults: tuple[Raw, ...], excursions: tuple[Raw, ...], seed: int) -> Script:
    now_s = live.stage.now_s()
    return Script(
        story, arm_s=now_s, faults=faults, excursions=excursions, stop_s=now_s + STOPS_AFTER_S, until_s=now_s + LOOKS_UNTIL_S,
        seed=seed % 1000 + 1,
    )  # fmt: skip


def with_excursions(stories: dict[str, int], seed: int, jobs: int) -> Result:
    """So many runs of a story: something befalls the cell, or its source overshoots, while a fault lasts."""
    result = Result()
    for story, runs in stories.items():
        kinds = [raw for _, raw in variants(story) if raw.get("times", None) != 1]
        result.take(explore(story, _random(story, runs, seed, kinds, pair=False), seed=seed % 1000 + 1, jobs=jobs))
    return result


def pairs(stories: dict[str, int], seed: int, jobs: int) -> Result:
    """So many runs of a story with two faults within a minute."""
    result = Result()
    for story, runs in stories.items():
        kinds = [raw for _, raw in variants(story)]
        result.take(explore(story, _random(story, runs, seed, kinds, pair=True), seed=seed % 1000 + 1, jobs=jobs))
    return result


def _random(story: str, runs: int, seed: int, kinds: list[Raw], *, pair: bool) -> Wanted:
    """Spread over the samples of a story; which faults, and when, by the seed."""

    def wanted(live: Live, row: int) -> Iterable[Script]:
        due = runs * row // STORY_ROWS - runs * (row - 1) // STORY_ROWS
        for number in range(max(due, 0)):
            chance = Random(f"{seed} {story} {pair} {row} {number}")
            faults = [_placed(chance.choice(kinds), live, chance, 20.0)]
            excursions: tuple[Raw, ...] = ()
            if pair:
                faults.append(_placed(chance.choice(kinds), live, chance, 60.0))
            else:
                at_s = round(live.stage.now_s() + chance.uniform(0.0, 30.0), 3)
                what = chance.choice([*EXCURSIONS, *OVERSHOOTS])
                if isinstance(what, str):
                    excursions = ({"kind": what, "at_s": at_s},)
                else:
                    faults.append({**what, "at_s": at_s})
            yield _script(story, live, tuple(faults), excursions, seed)

    return wanted


STORY_ROWS = 320
"""About so many rows has a story: how many runs leave it at each."""


def keep_on(runs: int, seed: int, jobs: int) -> Result:
    """Faults on a bench whose supply also feeds a fan: it must stay on, and nothing may ever be written to it (INV-32)."""
    result = Result()
    kinds = [raw for _, raw in variants("plain") if raw.get("peer") != "supply" or raw["kind"] not in ("reboot", "swap")]
    result.take(explore("fan", _random("fan", runs, seed, kinds, pair=False), seed=seed % 1000 + 1, jobs=jobs))
    return result
