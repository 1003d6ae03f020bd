"""`status RUN`: what a run is doing now, or how it ended."""

from __future__ import annotations

import argparse
import json

from chargerd.errors import Exit, RefusedError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("run", metavar="RUN", help="the run's folder")
    parser.add_argument("--json", action="store_true", help="the status message itself")


def run(args: argparse.Namespace) -> int:
    """Ask the running program; when none runs, read the end of the record."""
    from chargerd.cli.files import run_folder
    from chargerd.cli.listing import summary_of
    from chargerd.cli.runs import abandoned
    from chargerd.daemon.control import ask

    folder = run_folder(args.run).resolve()
    try:
        answer = ask(folder, ask="status")
    except RefusedError:
        summary = summary_of(folder)
        print(f"{folder.name}: {summary.words()}{abandoned(folder, summary.state)}")
        return Exit.OK
    if "error" in answer:
        raise RefusedError(str(answer["error"]))
    status = json.loads(answer["status"])
    print(json.dumps(status, indent=1) if args.json else f"{folder.name}: {status['sentence']}")
    return Exit.OK
