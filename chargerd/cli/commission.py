"""`commission BENCH`: prove a bench step by step, with no cell on it, and sign the record that `check` and `run` ask for."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, NoReturn

from chargerd.errors import Exit, UsageError

if TYPE_CHECKING:
    from chargerd.config.bench import BenchFile

CAUTIONS = """\
Every cell OFF this channel and away: this proves the instruments, not a cell. At most 2 V and 0.2 A are asked of them.
Stay here until the end; Ctrl-C switches everything off. Leads, clips and relays away from any cell that has ever gassed.
Hydrogen lingers near cells and burns; goggles and gloves to carry them away; leads and resistors may get hot.
Local codes and licensed practice come first for mains wiring and anything fixed to a building.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("bench", metavar="BENCH", help="the bench's file")
    parser.add_argument("--channel", metavar="NAME", help="the bench's channel, when it has several")
    parser.add_argument("--show", action="store_true", help="show the record there is and whether it counts; prove nothing")


def run(args: argparse.Namespace) -> int:
    """Check the bench file and become the keeper of the process that proves one channel."""
    from chargerd.cli.files import existing, only_channel
    from chargerd.config.bench import load_bench

    bench = load_bench(existing(args.bench, "bench"))
    channel = args.channel or only_channel(bench)
    if channel not in bench.channels:
        raise UsageError(f"{args.bench}: there is no channel {channel!r}; write one of: {', '.join(bench.channels)}")
    if not args.show:
        _prove(args.bench, bench, channel)
    return _show(bench, channel)


def _prove(path: str, bench: BenchFile, channel: str) -> NoReturn:
    from chargerd.cli.files import made
    from chargerd.cli.run import become_keeper
    from chargerd.daemon.commissioner import guard_folder

    made(bench.data_dir)
    folder = guard_folder(bench, channel)
    folder.mkdir(mode=0o750, parents=True, exist_ok=True)
    print(f"{CAUTIONS}If anything seems wrong: chargerd off {bench.data_dir}\n", flush=True)
    become_keeper(folder, [path, channel], [], module="commissioner")


def _show(bench: BenchFile, channel: str) -> int:
    from chargerd.daemon.records import load_record, standing

    record = load_record(bench, channel)
    if record is None:
        print(f"{channel}: never commissioned. With no cell connected: chargerd commission {bench.path}")
        return Exit.REFUSED
    for proof in record.proofs:
        print(f"  {proof.instrument:<12} {proof.check:<28} {proof.result:<9} {proof.said}")
    reasons = standing(record, bench, channel)
    verdict = "it does not count: " + "; ".join(reasons) if reasons else "it counts"
    print(f"{channel}: commissioned {record.utc}; {verdict}")
    return Exit.REFUSED if reasons else Exit.OK
