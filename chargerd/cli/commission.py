"""`commission BENCH`: prove a bench step by step, with no cell on it, and sign the record that `check` and `run` ask for."""

from __future__ import annotations

import argparse
import asyncio
import signal
from typing import TYPE_CHECKING

from chargerd.errors import Exit, UsageError

if TYPE_CHECKING:
    from chargerd.config.bench import BenchFile
    from chargerd.config.commissioned import Record

CAUTIONS = """\
Every cell OFF this channel and away: this proves the instruments, not a cell. At most 2 V and 0.2 A are asked of them.
Stay here until the end; Ctrl-C switches everything off. Leads, clips and relays away from any cell that has ever gassed.
Hydrogen lingers near cells and burns; goggles and gloves to carry them away; leads and resistors may get hot.
Local codes and licensed practice come first for mains wiring and anything fixed to a building.
"""


class AtTerminal:
    """The person at this terminal."""

    def tell(self, text: str) -> None:
        """Print it."""
        print(text, flush=True)

    def confirm(self, text: str) -> bool:
        """Ask for a typed yes."""
        try:
            return input(f"\n  {text} [yes/no] ").strip().lower() in ("y", "yes")
        except EOFError:
            return False


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("bench", metavar="BENCH", help="the bench's file")
    parser.add_argument("--channel", metavar="NAME", help="the bench's channel, when it has several")
    parser.add_argument("--show", action="store_true", help="show the record there is and whether it counts; prove nothing")


def run(args: argparse.Namespace) -> int:
    """Prove one channel and write its record."""
    from chargerd.cli.files import existing, only_channel
    from chargerd.config.bench import load_bench
    from chargerd.daemon.clock import real_clock
    from chargerd.daemon.dead_man import feed_lock
    from chargerd.daemon.locks import AddressLocks

    bench = load_bench(existing(args.bench, "bench"))
    channel = args.channel or only_channel(bench)
    if channel not in bench.channels:
        raise UsageError(f"{args.bench}: there is no channel {channel!r}; write one of: {', '.join(bench.channels)}")
    if args.show:
        return _show(bench, channel)
    print(CAUTIONS)
    person = AtTerminal()
    if not person.confirm(f"Is no cell connected to {channel}, and are you ready?"):
        raise UsageError("nothing was sent; take the cells off, then start again")
    addresses = {spec.address for spec in bench.instruments.values() if spec.address}
    with AddressLocks([*addresses, *feed_lock(bench, bench.channels[channel])]):
        record = asyncio.run(_prove(bench, channel, person, real_clock().utc()))
    return _keep(bench, channel, record)


async def _prove(bench: BenchFile, channel: str, person: AtTerminal, utc: str) -> Record:
    """Prove the channel; a signal ends it in order, outputs off."""
    from chargerd.daemon.commissioning import commission

    task = asyncio.current_task()
    assert task is not None
    for name in (signal.SIGTERM, signal.SIGHUP):
        # Only the first: a closing terminal hangs up twice, and the second must not end the switching off.
        asyncio.get_running_loop().add_signal_handler(name, lambda: task.cancelling() or task.cancel())
    return await commission(bench, channel, person, utc=utc)


def _keep(bench: BenchFile, channel: str, record: Record) -> int:
    from chargerd.config.commissioned import VALID_DAYS, record_text
    from chargerd.daemon.records import record_path
    from chargerd.journal.runfolder import write_whole

    path = record_path(bench, channel)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path.parent, path.name, record_text(record).encode("ascii"))
    failed = [f"{proof.instrument}: {proof.check}" for proof in record.proofs if proof.result == "FAILED"]
    print(f"\nWritten: {path}")
    if failed:
        print(f"It does not count: {'; '.join(failed)}. Mend that, then prove the bench again.")
        return Exit.REFUSED
    print(f"It counts for {VALID_DAYS} days, for these instruments and this very bench file.")
    if record.simulated:
        print("It was made with simulated instruments and never counts for real ones.")
    return Exit.OK


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
