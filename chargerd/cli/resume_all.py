"""What a service manager asks for with nobody there: outputs off first, then on with what the rules allow, under keepers."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import NoReturn

from chargerd.cli.run import become_keeper, relay_arguments
from chargerd.daemon.clock import boot_time_s
from chargerd.daemon.control import ask
from chargerd.daemon.frozen import open_run
from chargerd.daemon.off import run_off
from chargerd.errors import ChargerdError, Exit, JournalError, NotVerifiedOffError, RefusedError, UsageError
from chargerd.journal.ledger import ChannelLedger
from chargerd.journal.runfolder import OFF_PLAN

DYING_S = 2.0
"""A killed process gives back its locks when its last thread has ended; a busy computer takes its time."""


def resume_if_allowed(folder: Path, *, plain: bool) -> NoReturn:
    """Switch the run's outputs off, then become its keeper; the worker decides.

    Raises RefusedError when a program runs it or its channel, NotVerifiedOffError, JournalError.
    """
    switch_off_first([folder])
    found = open_run(folder)  # raises when a frozen file is missing or was changed
    print(f"{folder.name}: goes on if the rules allow it.", flush=True)
    arguments = [str(folder), "--resume", "--by-itself", *(["--plain"] if plain else [])]
    become_keeper(folder, arguments, relay_arguments(found.bench, found.channel.name))


def resume_all(data: Path, channel: str | None) -> int:
    """Do so with every run of a data folder that was broken off; return the largest exit code of all."""
    folders = broken_off(data, channel)
    if not folders:
        print(f"nothing to go on with in {data}")
        return Exit.OK
    if len(folders) == 1:
        resume_if_allowed(folders[0], plain=True)
    switch_off_first(folders)
    return _side_by_side(folders)


def broken_off(data: Path, channel: str | None) -> list[Path]:
    """Return the runs that were begun, have not ended and that no program runs. Raises UsageError, JournalError."""
    if not data.is_dir():
        raise UsageError(f"no folder {str(data)!r}; check the name")
    found, damaged = [], []
    for path in sorted((data / "channels").glob(f"{channel or '*'}.csv")):
        try:
            with patient_ledger(data, path.stem) as ledger:
                name = ledger.open_run()
        except RefusedError:
            print(f"{path.stem}: a program works on this channel now; it is left alone")
            continue
        except JournalError as fault:
            damaged.append(str(fault))  # the other channels need not suffer for it
            continue
        if name:
            found.append((data / "runs" / name).resolve())
    for words in damaged:
        sys.stderr.write(f"chargerd resume: {words}\n")
    if damaged and not found:
        raise JournalError("; ".join(damaged))
    return found


def patient_ledger(data: Path, channel: str) -> ChannelLedger:
    """Open a channel's ledger; the last threads of a worker that was just killed may hold it for a moment.

    Raises RefusedError when somebody holds it longer, JournalError.
    """
    until_s = boot_time_s() + DYING_S
    while True:
        try:
            return ChannelLedger.open(data, channel)
        except RefusedError:
            if boot_time_s() >= until_s:
                raise
        time.sleep(DYING_S / 20)


def switch_off_first(folders: list[Path]) -> None:
    """Execute the off plans of these runs together. Raises NotVerifiedOffError, RefusedError when one is being run."""
    plans = []
    for folder in folders:
        _refuse_if_running(folder)
        if (folder / OFF_PLAN).is_file():
            plans.append(folder / OFF_PLAN)
    if plans and run_off(plans, out=sys.stdout) != Exit.OK:
        raise NotVerifiedOffError("an output is not proven off; nothing goes on: switch it off by hand")


def _refuse_if_running(folder: Path) -> None:
    """An off plan of a run that is over would switch off its successor, and that of a living one the living."""
    try:
        ask(folder, ask="status")
    except RefusedError:
        pass
    else:
        raise RefusedError(f"{folder.name}: a program is running it now; nothing was done")
    channel = _channel_of(folder)
    if channel is None:
        return
    with patient_ledger(folder.parent.parent, channel) as ledger:
        if ledger.open_run() != folder.name:
            raise RefusedError(f"{folder.name}: another run was begun on {channel}, or it was ended; nothing was done")


def _channel_of(folder: Path) -> str | None:
    """Return the channel that the off plan names: it may be whole where `run.yaml` is not."""
    try:
        return str(json.loads((folder / OFF_PLAN).read_bytes())["channel"])
    except (OSError, ValueError, KeyError, TypeError):
        pass
    try:
        return open_run(folder).channel.name
    except ChargerdError:
        return None


def _side_by_side(folders: list[Path]) -> int:
    """One process for each; a stop of this one is passed on."""
    command = [sys.executable, "-m", "chargerd", "resume", "--if-allowed", "--plain"]
    children: list[subprocess.Popen[bytes]] = []
    asked: list[int] = []

    def pass_on(name: int, _frame: object) -> None:
        asked.append(name)
        for child in children:
            child.send_signal(name)

    for name in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(name, pass_on)
    # lazily, one after the other: a stop that comes meanwhile begins no more of them
    children.extend(subprocess.Popen([*command, str(one)], stdin=subprocess.DEVNULL) for one in folders if not asked)  # noqa: S603
    return max((child.wait() for child in children), default=int(Exit.STOPPED))
