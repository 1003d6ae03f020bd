"""`off`: execute the off plans of all runs found, without the daemon, the bench file or any library of ours."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from chargerd.errors import UsageError

PLAN = "off-plan.json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("places", nargs="*", default=["."], metavar="PLACE", help="data folders, run folders or off plans (here)")


def run(args: argparse.Namespace) -> int:
    """Find the latest off plan of every channel and execute them all."""
    from chargerd.daemon.off import run_off

    plans = latest_plans([Path(place) for place in args.places])
    if not plans:
        raise UsageError(f"no {PLAN} below {', '.join(args.places)}: give the data folder; if in doubt switch off by hand")
    return run_off(plans, out=sys.stdout)


def latest_plans(places: list[Path]) -> list[Path]:
    """Return the newest plan of each set of outputs below these places. One that cannot be read is kept: off says so."""
    newest: dict[str, tuple[str, Path]] = {}
    unreadable: list[Path] = []
    for place in places:
        for path in [place] if place.is_file() else sorted(place.glob(f"**/{PLAN}")):
            try:
                plan = json.loads(path.read_bytes())
                key = " ".join(sorted(str(output["address"]) for output in plan["outputs"]))
                written = str(plan["written_utc"])
            except (OSError, ValueError, KeyError, TypeError):
                unreadable.append(path)
                continue
            if key not in newest or newest[key][0] < written:
                newest[key] = (written, path)
    return [path for _, path in sorted(newest.values())] + unreadable
