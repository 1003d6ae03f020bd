"""`replay RUN`: feed the recorded inputs to the engine again and compare everything it derives with what was written."""

from __future__ import annotations

import argparse

from chargerd.errors import Exit

SHOWN_MAX = 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("run", metavar="RUN", help="the run's folder")


def run(args: argparse.Namespace) -> int:
    """Replay from row 1 and say what differs."""
    from chargerd import ENGINE_VERSION
    from chargerd.cli.files import run_folder
    from chargerd.core.engine import Engine
    from chargerd.daemon.frozen import open_run
    from chargerd.journal.resume import replay

    folder = run_folder(args.run)
    found = open_run(folder)
    done = replay(folder, lambda: Engine(found.plan), engine_version=ENGINE_VERSION)
    for tail in done.torn:
        print(f"left out: {tail}")
    for difference in done.differences[:SHOWN_MAX]:
        print(difference)
    if done.differences_count:
        print(f"{folder.name}: {done.differences_count} differences: this record does not reproduce its decisions")
        return Exit.JOURNAL
    print(f"{folder.name}: {done.readings} readings and {done.events} events reproduce every decision and every sum")
    return Exit.OK
