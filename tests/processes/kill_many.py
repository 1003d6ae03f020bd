"""The long campaign: `python -m tests.processes.kill_many --count 200`. Prints one line per kill and a summary.

Loopback only; every process it starts ends with it.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from .kills import CHARGE_MAX_Ah, Outcome, campaign, moments


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="leave out the moments before this one")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--parallel", type=int, default=6, help="benches side by side")
    options = parser.parse_args()
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        chosen = moments(options.count, options.seed)[options.first :]
        outcomes = campaign(chosen, Path(folder), options.parallel, tell)
    wrong = [outcome for outcome in outcomes if outcome.wrong]
    print(f"{len(outcomes)} kills in {time.monotonic() - began_s:.0f} s, {len(wrong)} with something wrong")
    print("ended:", dict(Counter(outcome.ended for outcome in outcomes)))
    for victim in ("worker", "keeper", "both"):
        times = sorted(o.off_after_s for o in outcomes if o.moment.victim == victim and o.was_on and o.off_after_s is not None)
        if times:
            print(f"{victim}: off after {times[len(times) // 2]:.2f} s (median), {times[-1]:.2f} s (longest) of {len(times)}")
    errors = [outcome.charge_error_Ah for outcome in outcomes if outcome.charge_error_Ah is not None]
    if errors:
        print(f"charge off by at most {max(errors) * 1000:.3f} mAh, allowed {CHARGE_MAX_Ah * 1000:.3f} mAh")
    print(f"torn tails: {sum(outcome.lost_bytes > 0 for outcome in outcomes)}")
    return 1 if wrong else 0


def tell(outcome: Outcome) -> None:
    """Print one outcome."""
    off = "on" if outcome.off_after_s is None else f"off after {outcome.off_after_s:.2f} of {outcome.bound_s:.2f} s"
    print(f"{outcome.moment}: {outcome.ended}, {off}", *outcome.wrong, sep="\n    ", flush=True)


if __name__ == "__main__":
    sys.exit(main())
