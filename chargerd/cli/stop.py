"""`stop RUN`: end a run early, in order; also one whose program has already died."""

from __future__ import annotations

import argparse
import contextlib
import sys
from pathlib import Path

from chargerd.errors import Exit, JournalError, RefusedError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("run", metavar="RUN", help="the run's folder")
    parser.add_argument("--reason", default="", help="why, for the record")


def run(args: argparse.Namespace) -> int:
    """Ask the running program to stop, or close the record of one that died."""
    from chargerd.cli.files import run_folder
    from chargerd.daemon.control import ask

    folder = run_folder(args.run).resolve()
    try:
        answer = ask(folder, ask="stop", by="person", reason=args.reason)
    except RefusedError:
        return _close_dead(folder, args.reason)
    if "error" in answer:
        raise RefusedError(str(answer["error"]))
    print(answer["answer"])
    return Exit.OK


def _close_dead(folder: Path, reason: str) -> int:
    """Nothing runs it: its outputs are switched off by its off plan, then its record and ledger are closed."""
    from chargerd.cli.listing import refuse_if_over
    from chargerd.daemon.clock import real_clock
    from chargerd.daemon.frozen import open_run
    from chargerd.daemon.lives import close_dead_run
    from chargerd.daemon.off import run_off

    found = open_run(folder)
    with contextlib.suppress(JournalError):  # damage is told when the outputs are off
        refuse_if_over(found)
    plan = folder / "off-plan.json"
    if plan.is_file() and run_off([plan], out=sys.stdout) != Exit.OK:
        return Exit.NOT_VERIFIED_OFF
    state = close_dead_run(found, real_clock(), reason or "stopped after its program had ended")
    print(f"{folder.name}: closed; its state is {state}")
    return Exit.OK
