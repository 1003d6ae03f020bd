"""`report RUN…`: what the record says about the cell; several runs side by side."""

from __future__ import annotations

import argparse

from chargerd.errors import Exit


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("runs", nargs="+", metavar="RUN", help="run folders")


def run(args: argparse.Namespace) -> int:
    """Write verdict.json into each run folder and print the verdicts."""
    from chargerd.cli.files import run_folder
    from chargerd.verdict.compare import side_by_side
    from chargerd.verdict.verdict import write_verdict
    from chargerd.verdict.words import text

    verdicts = [write_verdict(run_folder(name)) for name in args.runs]
    print("\n\n".join(text(verdict) for verdict in verdicts))
    if len(verdicts) > 1:
        print(f"\n{side_by_side(verdicts)}")
    return Exit.OK
