"""`resume RUN`: go on with a paused run, or with one whose program ended unexpectedly. Only ever by this verb."""

from __future__ import annotations

import argparse

from chargerd.errors import Exit, RefusedError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("run", metavar="RUN", help="the run's folder")
    parser.add_argument("--answer", default="", metavar="TEXT", help="the answer to the question the run waits with")
    parser.add_argument("--plain", action="store_true", help="one line per change instead of a live panel")


def run(args: argparse.Namespace) -> int:
    """Ask the running program to go on, or start it again on the run's own frozen files."""
    from chargerd.cli.files import run_folder
    from chargerd.cli.listing import refuse_if_over, summary_of
    from chargerd.cli.run import become_keeper, relay_arguments
    from chargerd.daemon.control import ask
    from chargerd.daemon.frozen import open_run
    from chargerd.daemon.worker import refusal
    from chargerd.journal.ledger import ChannelLedger
    from chargerd.journal.space import need_room

    folder = run_folder(args.run).resolve()
    try:
        answer = ask(folder, ask="resume", by="person", said=args.answer)
    except RefusedError:
        if args.answer:
            raise RefusedError(
                f"{folder.name}: no program is running this run now, so nobody asks; resume it without --answer, then answer"
            ) from None
        found = open_run(folder)  # raises when a frozen file is missing or was changed
        with ChannelLedger.open(found.data, found.channel.name) as ledger:
            latched = ledger.latched()
            if latched is not None:
                raise RefusedError(refusal(found.channel.name, latched.cause)) from None
        refuse_if_over(found)
        need_room(found.folder, found.plan.program, written_bytes=summary_of(folder).size_bytes)
        print(f"Going on with {folder.name}: outputs off first, then checking, then from where it stood.", flush=True)
        relay = relay_arguments(found.bench, found.channel.name)
        become_keeper(folder, [str(folder), "--resume", *(["--plain"] if args.plain else [])], relay)
    if "error" in answer:
        raise RefusedError(str(answer["error"]))
    print(answer["answer"])
    return Exit.OK
