"""`python -m bench [NAME…]`: cost of a sample, a rehearsed day, replay speed, the demonstration. Loopback only."""

from __future__ import annotations

import sys

from bench import demo_time, rehearsal_speed, replay_speed, sample_cost

MEASURES = {
    "sample": sample_cost.measure,
    "rehearsal": rehearsal_speed.measure,
    "replay": replay_speed.measure,
    "demo": demo_time.measure,
}


def main(names: list[str]) -> int:
    unknown = set(names) - set(MEASURES)
    if unknown:
        sys.stderr.write(f"bench: no measurement {', '.join(sorted(unknown))}; there are {', '.join(MEASURES)}\n")
        return 2
    for name in names or MEASURES:
        for line in MEASURES[name]():
            print(f"{name}: {line}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
