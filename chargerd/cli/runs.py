"""`runs`: the runs of a data folder and what they take on disk."""

from __future__ import annotations

import argparse

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
        print(f"{path}: {summary_of(path).words()}")
    return Exit.OK
