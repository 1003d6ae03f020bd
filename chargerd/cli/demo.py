"""`demo`: the whole job on a simulated bench, in about a minute."""

from __future__ import annotations

import argparse
import multiprocessing
import queue
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chargerd.errors import Exit, InternalError, UsageError

if TYPE_CHECKING:
    from chargerd.cli.demo_cell import Finished, Job
    from chargerd.status.terminal import Terminal

CELLS = ("plover", "dunlin", "sanderling")
PATIENCE_S = 600.0
FAULT = "a fault inside the supply drops both of its protections and turns up its voltage and current"
RUNAWAY_AFTER_S = 4500.0
INTRODUCTION = f"""\
The boathouse bench: INVENTED cells and SIMULATED instruments on this computer; nothing here says anything about a real cell.
Three cells get their first charges by the shipped gentle formation, over real TCP and SCPI, with the code a real bench uses.
Only the clock jumps: about three days and a capacity check, in about a minute. One run goes wrong on purpose:
{FAULT}.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("--folder", default="demo-runs", metavar="FOLDER", help="where the run folders go (demo-runs)")


def run(args: argparse.Namespace) -> int:
    """Form three cells, check their capacity, trip one run on purpose, and say what it all means."""
    folder = _fresh(Path(args.folder))
    print(INTRODUCTION, flush=True)
    began_s = time.monotonic()
    finished = _run_all(folder)
    _say_ends(finished)
    _say_verdicts(finished)
    _say_books(finished, folder, time.monotonic() - began_s)
    return Exit.OK


def _fresh(folder: Path) -> Path:
    """Return a folder of its own for this demonstration: nothing of an earlier one is touched."""
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file; give another --folder")
    number = 1
    while (folder / f"demo-{number:03}").exists():
        number += 1
    made = folder / f"demo-{number:03}"
    made.mkdir(parents=True)
    return made


def _jobs(cell: str) -> tuple[Job, ...]:
    from chargerd.cli.demo_cell import Job

    if cell != "sanderling":
        return (Job("gentle-formation"), Job("capacity-check"))
    # Its formation ends early, which leaves time for the run that goes wrong. The protections are lifted first.
    turned_up = {"ovp_enabled": False, "ocp_enabled": False, "voltage_set_V": 5.0, "current_set_A": 3.0}
    faults = tuple(
        ("supply", {"kind": "change", "after_s": RUNAWAY_AFTER_S, "setting": setting, "value": value})
        for setting, value in turned_up.items()
    )
    return (Job("gentle-formation"), Job("capacity-check", faults))


def _run_all(folder: Path) -> list[Finished]:
    """Run every cell in its own process and show their progress; return the finished runs."""
    from chargerd.cli.demo_cell import Done, Finished, work
    from chargerd.status.snapshot import Snapshot
    from chargerd.status.terminal import Terminal

    spawn = multiprocessing.get_context("spawn")
    tell: Any = spawn.Queue()
    workers = [
        spawn.Process(target=work, args=(cell, slip, str(folder), _jobs(cell), tell), daemon=True)
        for slip, cell in enumerate(CELLS, 1)
    ]
    for worker in workers:
        worker.start()
    terminal = Terminal(sys.stdout, title="boathouse (simulated)", every_s=86400.0)
    terminal.start()
    finished: list[Finished] = []
    left = set(CELLS)
    try:
        while left:
            item = _next(tell, workers)
            if isinstance(item, Snapshot):
                terminal.offer(item)
            elif isinstance(item, Finished):
                finished.append(item)
                _say_finished(item, terminal)
            elif isinstance(item, Done):
                if item.fault:
                    raise InternalError(f"{item.cell}: {item.fault}")
                left.discard(item.cell)
    finally:
        terminal.close()
        for worker in workers:
            worker.terminate()
    return finished


def _next(tell: Any, workers: list[Any]) -> object:
    """Return the next thing told. Raises InternalError when a process died without a word or nothing comes for long."""
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        try:
            return tell.get(timeout=1.0)
        except queue.Empty:
            if any(worker.exitcode not in (None, 0) for worker in workers):
                raise InternalError("a process of the demonstration died") from None
    raise InternalError(f"nothing happened for {PATIENCE_S:.0f} s")


def _say_finished(done: Finished, terminal: Terminal) -> None:
    how = f"tripped: {done.trip}" if done.trip else done.state.lower()
    terminal.say(f"{done.cell}: {done.profile} {how} after {done.hours:.1f} h of the cell's time")


def _say_ends(finished: list[Finished]) -> None:
    for done in finished:
        if done.trip and done.off_after_s is not None:
            print(
                f"\n{done.cell}: {FAULT}. The run tripped ({done.trip}); by the supply's own record its output went off\n"
                f"{done.off_after_s:.1f} s later. The channel stays off until a person clears it with a reason."
            )


def _say_verdicts(finished: list[Finished]) -> None:
    from chargerd.verdict.compare import side_by_side
    from chargerd.verdict.verdict import write_verdict

    for profile, title in (("gentle-formation", "After formation"), ("capacity-check", "After the capacity check")):
        sound = [done for done in finished if done.profile == profile and not done.trip]
        sound.sort(key=lambda done: CELLS.index(done.cell.removesuffix("-01")))
        verdicts = [write_verdict(Path(done.folder)) for done in sound]
        print(f"\n{title} (simulated cells):\n{side_by_side(verdicts)}")


def _say_books(finished: list[Finished], folder: Path, took_s: float) -> None:
    print("\nOn a real bench these would take:")
    for done in finished:
        if not done.trip:
            print(f"  {done.cell:<14} {done.profile:<17} {done.hours:6.1f} h   {done.folder}")
    rows, questions = sum(done.rows for done in finished), sum(done.questions for done in finished)
    print(
        f"\n{rows} rows recorded; the instruments answered {questions} questions ({questions / max(rows, 1):.1f} a row). "
        f"It took {took_s:.0f} s here.\n"
        f"Look into one: chargerd report RUN, chargerd replay RUN. All of it lies in {folder}."
    )
