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
    from chargerd.core.causes import CAUSES, in_words
    from chargerd.daemon.clock import real_clock
    from chargerd.errors import RefusedError, UsageError
    from chargerd.journal.ledger import ChannelLedger
    from chargerd.journal.rowcheck import utc_seconds

    data = data_folder(args.data, args.bench)
    if not (data / ChannelLedger.folder / f"{args.channel}.csv").is_file():
        raise UsageError(f"no channel {args.channel!r} has ever run in {data}; check the name")
    with ChannelLedger.open(data, args.channel) as ledger:
        trip, utc = ledger.latched(), real_clock().utc()
        wait_s = 0.0 if trip is None or trip.cause not in CAUSES else CAUSES[trip.cause].wait_s
        # A clock that was set back makes it longer, one that was set forward shorter: a person stands here and decides.
        if trip is not None and utc_seconds(utc) - utc_seconds(trip.utc) < wait_s:
            raise RefusedError(
                f"{args.channel}: {in_words(trip.cause)}; its trip of {trip.utc} can be cleared {wait_s / 60:g} min after it: "
                "the inside of a cell cools slower than its skin"
            )
        ledger.cleared(utc, args.reason, getpass.getuser())
    cause = "" if trip is None else f" ({trip.cause})"
    print(f"{args.channel}: cleared{cause}. Nothing was started; the next `chargerd run` may start it.")
    return Exit.OK
