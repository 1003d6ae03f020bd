"""`runs`: the runs of a data folder and what they take on disk."""

from __future__ import annotations

import argparse
from pathlib import Path

from chargerd.errors import Exit


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("--bench", metavar="BENCH", help="the bench's file (tells where the data folder is)")
    parser.add_argument("--data", metavar="FOLDER", help="the data folder")


def run(args: argparse.Namespace) -> int:
    """Print one line per run."""
    from chargerd.cli.files import data_folder
    from chargerd.cli.listing import summary_of

    folder = data_folder(args.data, args.bench) / "runs"
    found = sorted(path.parent for path in folder.glob("*/run.yaml"))
    if not found:
        print(f"no runs in {folder}")
    for path in found:
        summary = summary_of(path)
        print(f"{path}: {summary.words()}{abandoned(path, summary.state)}")
    return Exit.OK


def abandoned(folder: Path, state: str) -> str:
    """Return a warning when a record says that its run goes on and no program runs it, else ""."""
    from chargerd.daemon.control import ask
    from chargerd.errors import LinkError, RefusedError

    if state not in ("CHECKING", "RUNNING", "PAUSED"):
        return ""
    try:
        ask(folder, ask="status")
    except RefusedError:
        return "; NOTHING RUNS IT NOW, an output may still be on: chargerd off, then chargerd resume or stop"
    except LinkError:
        return "; its program does not answer: chargerd off"
    return ""
