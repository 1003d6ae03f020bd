"""`clear CHANNEL --reason`: a tripped channel may be started again. Clearing starts nothing."""

from __future__ import annotations

import argparse
import getpass

from chargerd.errors import Exit


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("channel", metavar="CHANNEL", help="the tripped channel")
    parser.add_argument("--bench", metavar="BENCH", help="the bench's file (tells where the data folder is)")
    parser.add_argument("--data", metavar="FOLDER", help="the data folder")
    parser.add_argument("--reason", required=True, help="what was found and what was done about it")


def run(args: argparse.Namespace) -> int:
    """Write the clearing into the channel's ledger."""
    from chargerd.cli.files import data_folder
    from chargerd.daemon.clock import real_clock
    from chargerd.errors import UsageError
    from chargerd.journal.ledger import ChannelLedger

    data = data_folder(args.data, args.bench)
    if not (data / ChannelLedger.folder / f"{args.channel}.csv").is_file():
        raise UsageError(f"no channel {args.channel!r} has ever run in {data}; check the name")
    with ChannelLedger.open(data, args.channel) as ledger:
        trip = ledger.latched()
        ledger.cleared(real_clock().utc(), args.reason, getpass.getuser())
    cause = "" if trip is None else f" ({trip.cause})"
    print(f"{args.channel}: cleared{cause}. Nothing was started; the next `chargerd run` may start it.")
    return Exit.OK
