"""`python -m tests.campaign`: run campaigns, shrink what they find, keep it, and write the safety case."""

from __future__ import annotations

import argparse
import json
import sys
import time
from datetime import UTC, datetime

from tests.campaign import safety_case
from tests.campaign.registry import CAMPAIGNS, TIERS, seed_of_commit
from tests.campaign.shrink import report

SHRUNK_MAX = 5
"""More than so many findings of one campaign are counted, not shrunk."""


def run_one(name: str, tier: str, seed: int, jobs: int) -> dict[str, object]:
    """Run a campaign and say what came of it; what it found is shrunk and kept."""
    campaign, began_s = CAMPAIGNS[name], time.monotonic()
    result = campaign.run(**campaign.sizes[tier], seed=seed, jobs=jobs)
    found = len(result.found) + len(result.failing)
    for text in result.found:
        print(f"{name}: FOUND {text}")
    for outcome in result.failing[:SHRUNK_MAX]:
        report(outcome)
    row = {
        "date": datetime.now(UTC).strftime("%Y-%m-%d"), "seed": seed, "found": found, "core_s": round(result.core_s, 1),
        "wall_s": round(time.monotonic() - began_s, 1), "counts": {key: round(value, 2) for key, value in result.counts.items()},
    }  # fmt: skip
    said = ", ".join(f"{value:,.6g} {key}" for key, value in result.counts.items())
    print(f"{name}: {'nothing found' if not found else f'{found} FOUND'}; {said}; {row['core_s']} core s, {row['wall_s']} s", flush=True)
    return row


def main(words: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaign", description=__doc__)
    parser.add_argument("--tier", choices=TIERS, default="ci", help="how much of it")
    parser.add_argument("--seed", type=int, default=None, help="of all chances; else taken from the commit's id")
    parser.add_argument("--only", choices=tuple(CAMPAIGNS), action="append", help="this one; may be said several times")
    parser.add_argument("--jobs", type=int, default=2, help="processes at a time")
    parser.add_argument("--write", action="store_true", help="write tests/safety-case.md with these results")
    said = parser.parse_args(words)
    seed = seed_of_commit() if said.seed is None else said.seed
    print(f"tier {said.tier}, seed {seed}", flush=True)
    rows = {name: run_one(name, said.tier, seed, said.jobs) for name in said.only or CAMPAIGNS}
    if said.write:
        kept = safety_case.read_results()
        kept.setdefault(said.tier, {}).update(rows)
        safety_case.RESULTS.write_text(json.dumps(kept, indent=1, sort_keys=True, ensure_ascii=False) + "\n", encoding="utf-8")
        safety_case.CASE.write_text(safety_case.render(kept), encoding="utf-8")
    return 1 if any(row["found"] for row in rows.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
