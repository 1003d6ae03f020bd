"""`run PROFILE --cell CELL --bench BENCH`: one run in the foreground, under its keeper."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from chargerd.cli import naming
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
    naming.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Begin a run; where a service manager starts this again, go on with the one it began: only a person begins another."""
    from chargerd.cli.main import main
    from chargerd.cli.service import begun_run

    begun = begun_run()
    if begun is None:
        _begin(args)
    return main(["resume", str(begun), "--if-allowed", "--plain"])


def _begin(args: argparse.Namespace) -> NoReturn:
    """Check everything, have the cell named, make the run folder, and become the keeper."""
    from chargerd import ENGINE_VERSION, __version__
    from chargerd.cli.files import load_trio, made
    from chargerd.config.echo import describe
    from chargerd.config.unattended import before_start
    from chargerd.daemon.clock import real_clock
    from chargerd.daemon.worker import refusal
    from chargerd.instruments.abilities import levels_as_sent
    from chargerd.journal.ledger import ChannelLedger
    from chargerd.journal.runfolder import Frozen, RunHead, create_run
    from chargerd.journal.space import need_room

    trio = load_trio(args.profile, args.cell, args.bench, args.channel)
    data = made(trio.bench.data_dir)
    sent = levels_as_sent(trio.bench, trio.channel)
    for line in describe(trio.plan, trio.profile, trio.cell, trio.bench, trio.channel, sent):
        print(line)
    for line in before_start(trio.facts()):
        print(f"  {line}")
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
    is_named = naming.named(trio.cell.name, trio.channel, args.cell_name)
    head = RunHead(
        trio.channel, real_clock().utc(), __version__, ENGINE_VERSION,
        Frozen(trio.cell.name, trio.cell.text), Frozen(trio.bench.name, trio.bench.text),
        Frozen(trio.profile.name, trio.profile.text),
        {name: spec.identity for name, spec in trio.bench.instruments.items()}, tuple(sorted(trio.proven)),
    )  # fmt: skip
    folder = create_run(data, head)
    _freeze_dialects(Path(args.bench), {spec.dialect for spec in trio.bench.instruments.values()}, folder)
    print(flush=True)
    arguments = [str(folder), *(["--plain"] if args.plain else []), *naming.told(args, is_named=is_named)]
    become_keeper(folder, arguments, relay_arguments(trio.bench, trio.channel))


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
    from chargerd.cli.service import link_run

    link_run(folder)
    keeper = Path(__file__).resolve().parent.parent / "daemon" / "keeper.py"
    package_root = str(keeper.parent.parent.parent)
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, (package_root, os.environ.get("PYTHONPATH", ""))))}
    worker = [sys.executable, "-m", f"chargerd.daemon.{module}", *worker_arguments]
    sys.stdout.flush()
    sys.stderr.flush()
    command = [sys.executable, "-P", str(keeper), "--run-dir", str(folder), *keeper_arguments, "--", *worker]
    os.execve(sys.executable, command, environment)  # noqa: S606
