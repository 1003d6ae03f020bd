"""The campaigns by name, how large each is in either tier, and what is aimed at."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.campaign import grammar, longruns, racing, stateful, sweeps
from tests.campaign.explore import run_script
from tests.campaign.result import Result, core_seconds
from tests.campaign.script import read_script
from tests.campaign.shrink import SEEDS

TIERS = ("ci", "release")


@dataclass(frozen=True)
class Campaign:
    """One row: what it does, which invariants it tries, its size by tier, what is aimed at by tier, and what is not done.

    `sizes` are the arguments of `run` before `seed` and `jobs`.
    """

    about: str
    invariants: str
    run: Callable[..., Result]
    sizes: dict[str, dict[str, Any]]
    targets: dict[str, str]
    left: str = ""


def replay_kept(seed: int, jobs: int) -> Result:
    """Every script that ever broke something, from its beginning."""
    del seed, jobs
    began_s, result = core_seconds(), Result()
    for path in sorted(SEEDS.glob("*.json")):
        outcome = run_script(read_script(path))
        result.add(scripts=1, samples=outcome.rows)
        result.found += [f"{path.name}: {found.invariant}: {found.text}" for found in outcome.findings]
    result.core_s = core_seconds() - began_s
    return result


CAMPAIGNS: dict[str, Campaign] = {
    "kept": Campaign(
        "every script that was ever found to break something", "all", replay_kept, {"ci": {}, "release": {}},
        {"ci": "every one", "release": "every one"},
    ),
    "every-fault": Campaign(
        "every kind of fault on every instrument, once and for ever, at every n-th sample of two stories that pass every kind of step", "all but INV-32",
        sweeps.every_fault, {"ci": {"stories": {"relay": 120, "plain": 90}}, "release": {"stories": {"relay": 6, "plain": 4}}},
        {"ci": "every 10th sample: 7,600 runs", "release": "every sample: 76,000 runs"},
        "a run costs seven times what was planned for (measured, see below), so fewer samples are tried in the same time; the seed moves on with each commit",
    ),
    "excursions": Campaign(
        "a fault that lasts, while the cell heats, rises, leaks, its clip burns, or the source overshoots", "all but INV-32, INV-19",
        sweeps.with_excursions, {"ci": {"stories": {"relay": 240, "plain": 240}}, "release": {"stories": {"relay": 5000, "plain": 5000}}},
        {"ci": "4 × 25 faults × 40 moments = 4,000 runs", "release": "4 × 95 × 40 × 2 = 30,400 runs"}, "as above",
    ),
    "pairs": Campaign(
        "two faults within a minute, at random", "all but INV-32", sweeps.pairs,
        {"ci": {"stories": {"relay": 120, "plain": 120}}, "release": {"stories": {"relay": 4000, "plain": 4000}}},
        {"ci": "500 runs", "release": "22,325 runs"}, "as above",
    ),
    "keep-on": Campaign(
        "faults on a supply whose second output feeds a fan", "INV-32", sweeps.keep_on, {"ci": {"runs": 60}, "release": {"runs": 2000}},
        {"ci": "off time of the fan 0", "release": "off time of the fan 0"},
    ),
    "random": Campaign(
        "whole shipped profiles with lost replies, faults that pass, a person who pauses, and at last a fault that lasts", "all but INV-32",
        longruns.mixed, {"ci": {"runs": 12, "each_h": 1.0}, "release": {"runs": 250, "each_h": 4.0}},
        {"ci": "200 × 24 h = 4,800 h", "release": "833 × 24 h = 20,000 h"}, "at 5 s between readings, as the profiles have it, not 10 s; cost as above",
    ),
    "nuisance": Campaign(
        "shipped profiles at 1 % lost replies: fewer than 1 trip in 1,000 h", "INV-25", longruns.nuisance,
        {"ci": {"hours": 24.0, "each_h": 6.0}, "release": {"hours": 1200.0, "each_h": 12.0}},
        {"ci": "a share of the release tier's", "release": "< 1 trip in 1,000 h"}, "replies are lost from half a minute on: CHECKING refuses a start on one lost reply",
    ),
    "soak": Campaign(
        "run after run in one process: memory, descriptors, charge against the cell's own books", "INV-27, INV-20, INV-22", longruns.soak,
        {"ci": {"hours": 12.0, "each_h": 3.0}, "release": {"hours": 600.0, "each_h": 10.0}},
        {"ci": "500 h", "release": "10,000 h, 1 MB and 0 descriptors per 1,000 h, charge to 10⁻⁶"},
        "charge is compared through simulated instruments of 0.1 % + 2 mA, so 10⁻⁶ cannot show; the difference is given",
    ),
    "grammar": Campaign(
        "damaged replies to every question of every shipped dialect", "INV-06", grammar.fuzz, {"ci": {"per_framing": 100_000}, "release": {"per_framing": 1_000_000}},
        {"ci": "10⁵ for each grammar", "release": "10⁶ for each grammar, < 1 ms each"},
    ),
    "stateful": Campaign(
        "the engine told anything in any order (Hypothesis)", "INV-06, INV-07, INV-23", stateful.stateful,
        {"ci": {"examples": 150, "steps": 60}, "release": {"examples": 4000, "steps": 100}}, {"ci": "defaults × 1", "release": "defaults × 80"},
    ),
    "race": Campaign(
        "real processes that race for one instrument", "INV-03", racing.race, {"ci": {"rounds": 10, "racers": 8}, "release": {"rounds": 200, "racers": 64}},
        {"ci": "2 daemons", "release": "64 racing starts, 200 rounds"}, "the lock alone is raced for, not whole daemons",
    ),
    "side-by-side": Campaign(
        "eight channels in one loop, one supply hangs: the other seven write what they would have written", "INV-16", longruns.side_by_side,
        {"ci": {"rounds": 1}, "release": {"rounds": 16}}, {"ci": "1 of 8 hung", "release": "63 of 64 hung, 64 permuted 1,000 ×"},
        "eight channels, one hung; not yet 64",
    ),
}  # fmt: skip

ELSEWHERE = {
    "kill −9 at the n-th write, power cuts, bit flips": "`tests/processes/kill_many.py`, `tests/journal/test_crash.py`, `tests/journal/test_rowcheck.py`",
    "fsync and I/O errors, short writes, sizes of disks": "`tests/journal/test_storage_faults.py`, `tests/journal/test_full_disk.py`, `tests/worlds/test_storage.py`",
    "hang kinds, signals, a closed terminal": "`tests/processes/test_signals.py`, `tests/processes/test_kills.py`",
    "broker": "`tests/status`", "clock scripts": "`tests/worlds/test_clocks.py`", "file corpus": "`tests/config/test_broken_files.py`",
    "one life after the other, resuming": "`tests/worlds/test_lives.py`",
}  # fmt: skip
"""Campaigns of the plan that are not run by this runner, and where what exists of them stands."""


def seed_of_commit() -> int:
    """The base of all chances: another one with each commit, 1 where there is no repository."""
    root = Path(__file__).resolve().parents[2]
    try:
        done = subprocess.run(["git", "rev-parse", "HEAD"], cwd=root, capture_output=True, encoding="ascii", timeout=10.0, check=True)
    except (OSError, subprocess.SubprocessError):
        return 1
    return int(done.stdout[:8], 16)
