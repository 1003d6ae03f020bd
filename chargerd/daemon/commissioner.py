"""The process that proves one channel of a bench, under its keeper: asks, takes the steps, writes the record.

`python -m chargerd.daemon.commissioner BENCH CHANNEL`; started by the keeper, never by hand. A signal ends it in order at any
moment, in a question too: off is made and verified, and the record says who stopped it.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from pathlib import Path

from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.commissioned import VALID_DAYS, Record, record_text
from chargerd.daemon.clock import real_clock
from chargerd.daemon.commissioning import STOPPED_EARLY, commission
from chargerd.daemon.commissioning_guard import Guard
from chargerd.daemon.dead_man import feed_lock
from chargerd.daemon.keeper_link import KeeperLink
from chargerd.daemon.locks import AddressLocks
from chargerd.daemon.person import AtTerminal
from chargerd.daemon.records import record_path
from chargerd.daemon.surroundings import Person
from chargerd.errors import ChargerdError, Exit, RefusedError, UsageError
from chargerd.journal.runfolder import write_whole

WHO = {
    "SIGINT": "Ctrl-C at the terminal (SIGINT)",
    "SIGQUIT": "the quit key at the terminal (SIGQUIT)",
    "SIGHUP": "the terminal was closed (SIGHUP)",
    "SIGTERM": "another program, or chargerd off (SIGTERM)",
}
"""Who stopped it, by the signal that came first."""


def guard_folder(bench: BenchFile, channel: str) -> Path:
    """Return where the off plan and the keeper's log of a proving lie."""
    return record_path(bench, channel).with_suffix("")


async def prove(bench: BenchFile, channel: str, person: Person) -> int:
    """Prove the channel and keep its record; return the exit code.

    Raises:
        RefusedError: nobody guards this, or another program uses an instrument. UsageError: the person is not ready.
        BenchError, LinkError, InstrumentError, JournalError: as `commission`.
    """
    loop, clock = asyncio.get_running_loop(), real_clock()
    guard = Guard(guard_folder(bench, channel), channel, clock.utc)
    keeper = KeeperLink.from_environment(guard.stop)
    if keeper is None:
        raise RefusedError("nobody would guard this: start it with `chargerd commission`, never by hand")
    guard.keeper = keeper

    def on_signal(name: signal.Signals) -> None:
        guard.stop(WHO.get(keeper.asked_by(name), name.name))

    for name in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        loop.add_signal_handler(name, on_signal, name)
    guard.watch(asyncio.current_task())
    addresses = {spec.address for spec in bench.instruments.values() if spec.address}
    try:
        with AddressLocks([*addresses, *feed_lock(bench, bench.channels[channel])]):
            if not await person.confirm(f"Is no cell connected to {channel}, and are you ready?"):
                raise UsageError("nothing was sent; take the cells off, then start again")
            record = await commission(bench, channel, person, utc=clock.utc(), guard=guard)
            return _keep(bench, channel, record, person)
    except asyncio.CancelledError:
        person.tell(f"\nStopped before any step: {guard.stopped_by}.")
        return Exit.STOPPED
    finally:
        await guard.end()


def _keep(bench: BenchFile, channel: str, record: Record, person: Person) -> int:
    path = record_path(bench, channel)
    write_whole(path.parent, path.name, record_text(record).encode("ascii"))
    failed = [f"{proof.instrument}: {proof.check}" for proof in record.proofs if proof.result == "FAILED"]
    person.tell(f"\nWritten: {path}")
    stopped = [proof.said for proof in record.proofs if proof.check == STOPPED_EARLY]
    if stopped:
        person.tell(f"It does not count, it was stopped early: {stopped[0]}. Prove the bench again.")
        return Exit.STOPPED
    if failed:
        person.tell(f"It does not count: {'; '.join(failed)}. Mend that, then prove the bench again.")
        return Exit.REFUSED
    if record.simulated:
        person.tell("A rehearsal: it was made with simulated instruments and never counts for real ones.")
    else:
        person.tell(f"It counts for {VALID_DAYS} days, for these instruments and this very bench file.")
    return Exit.OK


def main(argv: list[str] | None = None) -> int:
    """Prove one channel; return the exit code. One line on stderr for a refusal, never a traceback."""
    parser = argparse.ArgumentParser(prog="chargerd-commissioner", description="Proves one channel under its keeper.")
    parser.add_argument("bench")
    parser.add_argument("channel")
    args = parser.parse_args(argv)
    try:
        return asyncio.run(prove(load_bench(Path(args.bench)), args.channel, AtTerminal()))
    except ChargerdError as fault:
        sys.stderr.write(f"chargerd commission: {fault}\n")
        return fault.exit_code


if __name__ == "__main__":
    sys.exit(main())
