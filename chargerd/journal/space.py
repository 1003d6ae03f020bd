"""How much a run will write at most, and whether its data folder can take it: asked before anything is switched on."""

from __future__ import annotations

import math
import os
from pathlib import Path

from chargerd.core.program import Program, Repeat, Step
from chargerd.errors import RefusedError
from chargerd.journal.ballast import BALLAST_BYTES

ROW_BYTES = 500
"""A row of 60 columns has 260 to 370 bytes (counted); events and the engine's memory come on top."""
INTERRUPTION_ROWS = 6
"""An interruption is read at its beginning and its end, each before and after a switching, and two events tell of it."""
STEP_ROWS = 60
"""What a step costs besides its time: switchings, confirmations, events, one checkpoint's memory."""
SPARE = 3.0
"""The disk has other users, and a run that is stopped for want of room has been for nothing."""
FILES_LEAST = 64
"""A run makes about ten files, and writes each anew under another name first."""


def expected_bytes(program: Program) -> int:
    """Return what a run of this program writes when no step ends before its time."""
    rows = 0.0
    for item in program.items:
        if isinstance(item, Repeat):
            rows += item.rounds * sum(_rows(step) for step in item.steps)
        else:
            rows += _rows(item)
    return math.ceil(rows * ROW_BYTES)


def _rows(step: Step) -> float:
    lasts_s = step.end("time") or step.lasts_s
    rows = STEP_ROWS + lasts_s / step.sample_every_s
    if step.interrupt is not None:
        rows += INTERRUPTION_ROWS * lasts_s / step.interrupt.every_s
    return rows


def need_room(folder: Path, program: Program, *, written_bytes: int = 0) -> None:
    """Refuse a folder that cannot be written or has less than three times the room the rest of a run may need.

    `written_bytes` is what there is of it already. Raises RefusedError.
    """
    try:
        disk = os.statvfs(folder)
    except OSError as error:
        raise RefusedError(f"{folder}: {error.strerror}; the run cannot be recorded") from None
    if disk.f_flag & os.ST_RDONLY:
        raise RefusedError(f"{folder}: its disk is mounted read-only; the run cannot be recorded")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise RefusedError(f"{folder}: no permission to write there; the run cannot be recorded")
    expected = max(expected_bytes(program) - written_bytes, 0) + BALLAST_BYTES
    free = disk.f_bavail * disk.f_frsize
    if not free >= SPARE * expected:
        raise RefusedError(
            f"{folder}: {free / 1e6:.1f} MB free; this run may write {expected / 1e6:.1f} MB and asks for "
            f"{SPARE:g} times that: make room, or write another folder after `data:` in the bench file"
        )
    # A file system that makes its file entries as it needs them counts none.
    if disk.f_files and not disk.f_favail >= FILES_LEAST:
        raise RefusedError(
            f"{folder}: room for {disk.f_favail} more files, however small; a run needs {FILES_LEAST}: remove some files there"
        )
