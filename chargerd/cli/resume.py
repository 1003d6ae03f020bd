"""`resume RUN`: go on with a paused run, or with one whose program ended unexpectedly.

A person asks for it; a service manager may ask with `--if-allowed` or `--all`, and then only what the rules of
`core/resumption.py` allow goes on.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from chargerd.cli import naming
from chargerd.errors import Exit, RefusedError, UsageError

EPILOG = """\
for a service manager (no person there):
  chargerd resume RUN --if-allowed            one run
  chargerd resume --all DATA                  every run that was broken off, of all channels
  chargerd resume --all DATA --channel NAME   the one of that channel
Outputs are switched off first. What may not go on by itself stays paused with the reasons printed: exit code 10, and 3, 5, 7
or 8 where its record, a trip, another program or an output not proven off stands against it. Start again only after 4, 70, 90.
0: nothing was left to go on with, or the run came to its end.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EPILOG
    parser.add_argument("run", metavar="RUN", nargs="?", help="the run's folder")
    parser.add_argument("--answer", default="", metavar="TEXT", help="the answer to the question the run waits with")
    parser.add_argument("--if-allowed", action="store_true", help="nobody is there: go on only if the rules allow it")
    parser.add_argument("--all", metavar="DATA", help="as --if-allowed, with every run of this data folder that was broken off")
    parser.add_argument("--channel", metavar="NAME", help="with --all: of this channel only")
    parser.add_argument("--plain", action="store_true", help="one line per change instead of a live panel")
    naming.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Ask the running program to go on, or start it again on the run's own frozen files."""
    from chargerd.cli.files import run_folder

    if (args.run is None) == (args.all is None):
        raise UsageError("which run? give its folder, or --all DATA for every run that was broken off")
    if args.all is not None:
        from chargerd.cli.resume_all import resume_all

        if args.answer:
            raise UsageError("--all answers no question; give the run's folder")
        return resume_all(Path(args.all), args.channel)
    if args.channel is not None:
        raise UsageError("--channel goes with --all; a run has its own channel")
    folder = run_folder(args.run).resolve()
    if args.if_allowed:
        from chargerd.cli.resume_all import resume_if_allowed

        if args.answer:
            raise UsageError("--if-allowed answers no question; leave it out")
        resume_if_allowed(folder, plain=args.plain)
    return _by_person(folder, args)


def _by_person(folder: Path, args: argparse.Namespace) -> int:
    from chargerd.cli.listing import refuse_if_over, summary_of
    from chargerd.cli.run import become_keeper, relay_arguments
    from chargerd.daemon.control import ask
    from chargerd.daemon.frozen import open_run
    from chargerd.daemon.worker import refusal
    from chargerd.journal.ledger import ChannelLedger
    from chargerd.journal.space import need_room

    said = args.answer
    try:
        answer = ask(folder, ask="resume", by="person", said=said)
    except RefusedError:
        if said:
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
        is_named = naming.named(found.cell.name, found.channel.name, args.cell_name)
        print(f"Going on with {folder.name}: outputs off first, then checking, then from where it stood.", flush=True)
        relay = relay_arguments(found.bench, found.channel.name)
        arguments = [str(folder), "--resume", *(["--plain"] if args.plain else []), *naming.told(args, is_named=is_named)]
        become_keeper(folder, arguments, relay)
    if "error" in answer:
        raise RefusedError(str(answer["error"]))
    print(answer["answer"])
    return Exit.OK
