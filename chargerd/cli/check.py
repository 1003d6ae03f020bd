"""`check FILE…`: files alone, and together where a profile, a cell and a bench are given."""

from __future__ import annotations

import argparse
from pathlib import Path

from chargerd.errors import Exit, FileFaultsError, ProfileError, UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="profile, cell and bench files, in any order")
    parser.add_argument("--channel", help="the bench's channel, when it has several")


def _named(name: str) -> str:
    """Return the file a person means: a path, or the name of a shipped profile, as with `run`. Raises UsageError."""
    from chargerd.cli.files import profile_path

    if Path(name).is_file():
        return name
    if "." not in name and "/" not in name:
        return str(profile_path(name))
    raise UsageError(f"no file {name!r}; check the name")


def run(args: argparse.Namespace) -> int:
    """Check, print what each file says in words, and return the exit code."""
    from chargerd.cli.files import load_trio
    from chargerd.config.bench import BenchFile
    from chargerd.config.echo import describe, describe_bench
    from chargerd.config.kinds import kind_of, load_any
    from chargerd.config.unattended import before_start
    from chargerd.daemon.records import proven
    from chargerd.instruments.abilities import abilities_of, levels_as_sent

    kinds: dict[str, list[str]] = {"profile": [], "cell": [], "bench": []}
    faults: list[str] = []
    for name in map(_named, args.files):
        try:
            kind = kind_of(Path(name))
            kinds[kind].append(name)
            loaded = load_any(Path(name))
        except FileFaultsError as fault:
            faults.extend(fault.faults)
        else:
            print(f"{name}: a sound {kind} file")
            if isinstance(loaded, BenchFile):
                records = {channel: proven(loaded, channel) for channel in loaded.channels}
                for line in describe_bench(loaded, abilities_of(loaded), records):
                    print(f"  {line}")
    if faults:
        raise ProfileError(tuple(faults))
    for profile in kinds["profile"]:
        for cell in kinds["cell"]:
            for bench in kinds["bench"]:
                trio = load_trio(profile, cell, bench, args.channel)
                print(f"\n{profile} on {cell} at {bench}:")
                sent = levels_as_sent(trio.bench, trio.channel)
                for line in describe(trio.plan, trio.profile, trio.cell, trio.bench, trio.channel, sent):
                    print(f"  {line}")
                for line in before_start(trio.facts()):
                    print(f"  {line}")
    return Exit.OK
