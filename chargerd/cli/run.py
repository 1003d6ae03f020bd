"""`run PROFILE --cell CELL --bench BENCH`: one run in the foreground, under its keeper."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from chargerd.errors import RefusedError

if TYPE_CHECKING:
    from chargerd.config.bench import BenchFile


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("profile", metavar="PROFILE", help="a profile file, or the name of a shipped one")
    parser.add_argument("--cell", required=True, metavar="CELL", help="the cell's file")
    parser.add_argument("--bench", required=True, metavar="BENCH", help="the bench's file")
    parser.add_argument("--channel", metavar="NAME", help="the bench's channel, when it has several")
    parser.add_argument("--plain", action="store_true", help="one line per change instead of a live panel")


def run(args: argparse.Namespace) -> int:
    """Check everything, make the run folder, and become the keeper."""
    from chargerd import ENGINE_VERSION, __version__
    from chargerd.cli.abilities import abilities_of, levels_as_sent
    from chargerd.cli.files import load_trio, made
    from chargerd.config.echo import describe, describe_missing
    from chargerd.daemon.clock import real_clock
    from chargerd.daemon.records import proven
    from chargerd.daemon.worker import refusal
    from chargerd.journal.ledger import ChannelLedger
    from chargerd.journal.runfolder import Frozen, RunHead, create_run
    from chargerd.journal.space import need_room

    trio = load_trio(args.profile, args.cell, args.bench, args.channel)
    data = made(trio.bench.data_dir)
    sent = levels_as_sent(trio.bench, trio.channel)
    for line in describe(trio.plan, trio.profile, trio.cell, trio.bench, trio.channel, sent):
        print(line)
    for line in describe_missing(trio.bench, trio.channel, abilities_of(trio.bench), proven(trio.bench, trio.channel)):
        print(line)
    with ChannelLedger.open(data, trio.channel) as ledger:
        latched = ledger.latched()
        if latched is not None:
            raise RefusedError(refusal(trio.channel, latched.cause))
        left_open = ledger.open_run()
        if left_open:
            raise RefusedError(
                f"run {left_open} on {trio.channel} was never ended: go on with it (chargerd resume {data / 'runs' / left_open}) "
                f"or end it (chargerd stop {data / 'runs' / left_open})"
            )
    need_room(data, trio.plan.program)
    head = RunHead(
        trio.channel, real_clock().utc(), __version__, ENGINE_VERSION,
        Frozen(trio.cell.name, trio.cell.text), Frozen(trio.bench.name, trio.bench.text),
        Frozen(trio.profile.name, trio.profile.text),
        {name: spec.identity for name, spec in trio.bench.instruments.items()},
    )  # fmt: skip
    folder = create_run(data, head)
    _freeze_dialects(Path(args.bench), {spec.dialect for spec in trio.bench.instruments.values()}, folder)
    print(flush=True)
    become_keeper(folder, [str(folder), *(["--plain"] if args.plain else [])], relay_arguments(trio.bench, trio.channel))


def _freeze_dialects(bench: Path, names: set[str], folder: Path) -> None:
    """Copy the person's own dialect files into the run folder: a run never depends on what is edited later."""
    for name in names:
        own = bench.parent / "dialects" / f"{name}.yaml"
        if own.is_file():
            (folder / "dialects").mkdir(mode=0o750, exist_ok=True)
            (folder / "dialects" / own.name).write_bytes(own.read_bytes())


def relay_arguments(bench: BenchFile, channel: str) -> list[str]:
    """Return what tells the keeper to feed the bench's dead-man relay, nothing where it cuts nothing of this channel."""
    from chargerd.daemon.dead_man import concerns, feed_path

    if bench.dead_man is None or not concerns(bench, bench.channels[channel]):
        return []
    return ["--relay", f"{channel}={feed_path(bench.dead_man.feed)}"]


def become_keeper(folder: Path, worker_arguments: list[str], keeper_arguments: list[str], *, module: str = "worker") -> NoReturn:
    """Replace this process by the keeper, which starts the worker, or another module of the daemon."""
    keeper = Path(__file__).resolve().parent.parent / "daemon" / "keeper.py"
    package_root = str(keeper.parent.parent.parent)
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, (package_root, os.environ.get("PYTHONPATH", ""))))}
    worker = [sys.executable, "-m", f"chargerd.daemon.{module}", *worker_arguments]
    sys.stdout.flush()
    sys.stderr.flush()
    command = [sys.executable, "-P", str(keeper), "--run-dir", str(folder), *keeper_arguments, "--", *worker]
    os.execve(sys.executable, command, environment)  # noqa: S606
