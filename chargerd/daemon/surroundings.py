"""What is proven around the instruments: this computer's clock, disk and permissions, and the air of the room."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Protocol

from chargerd.config.bench import BenchFile
from chargerd.config.safety_time import AIR_m3_per_h_per_A, OPENINGS_cm2_per_m3_per_h
from chargerd.instruments.contract.steps import ContractError, NotHereError

DISK_LEAST_BYTES = 1_000_000_000
FSYNC_MOST_S = 2.0
"""A row must be safe well before the next reading: a slower disk would hold back what is to be switched on."""


class Person(Protocol):
    """Who stands beside the bench."""

    def tell(self, text: str) -> None:
        """Say something."""

    async def confirm(self, text: str) -> bool:
        """Ask for a yes; anything else is a no."""


def clock(_bench: BenchFile) -> str:
    """The wall clock is set by a time service: records carry it, although nothing here decides by it."""
    if not Path("/run/systemd/timesync/synchronized").exists():
        raise NotHereError("not known to be set by a time service: dates in records may be wrong, nothing else is")
    return "set by a time service"


def disk(bench: BenchFile) -> str:
    """There is room for weeks of rows, and a row reaches the disk in time."""
    folder = bench.data_dir
    folder.mkdir(parents=True, exist_ok=True)
    free = shutil.disk_usage(folder).free
    trial = folder / ".commissioning-trial"
    began_s = time.monotonic()
    with trial.open("wb") as file:
        file.write(b"x" * 4096)
        file.flush()
        os.fsync(file.fileno())
    took_s = time.monotonic() - began_s
    trial.unlink()
    if free < DISK_LEAST_BYTES:
        raise ContractError(f"{free / 1e6:.0f} MB free in {folder}; a year of runs needs {DISK_LEAST_BYTES / 1e9:.0f} GB")
    if took_s > FSYNC_MOST_S:
        raise ContractError(f"a row takes {took_s:.1f} s to reach the disk of {folder}: use another disk")
    return f"{free / 1e9:.1f} GB free, a row is safe after {took_s * 1000:.0f} ms"


def permissions(bench: BenchFile) -> str:
    """Nobody else may write where runs are controlled from."""
    mode = bench.data_dir.stat().st_mode & 0o777
    if mode & 0o002:
        raise ContractError(f"anybody may write {bench.data_dir} (mode {mode:o}), and so stop or start runs: chmod o-w it")
    return f"mode {mode:o}"


async def ventilation(bench: BenchFile, person: Person) -> str:
    """The air that the bench's largest charge current needs, said aloud and confirmed by whoever stands in it."""
    air = bench.ventilation
    largest_A = bench.limits.charge_current_max_A
    needed_m3_per_h = AIR_m3_per_h_per_A * largest_A
    if air.outdoors:
        asked = "Are the cells outdoors or under an open roof, nothing above their vents?"
    else:
        needed_cm2 = OPENINGS_cm2_per_m3_per_h * needed_m3_per_h
        asked = (
            f"{air.room_m3:g} m3 with {air.openings_cm2:g} cm2 of openings; {largest_A:g} A of gas needs "
            f"{needed_m3_per_h:.2g} m3/h, {needed_cm2:.2g} cm2 above and below. Are they open, and no flame, spark or relay "
            "above the cells?"
        )
    if not await person.confirm(asked):
        raise ContractError("not confirmed: hydrogen from these cells must leave the room by itself")
    return f"confirmed; {needed_m3_per_h:.2g} m3/h for {largest_A:g} A"


Check = Callable[[BenchFile, Person], Awaitable[str]]


def _measured(look: Callable[[BenchFile], str]) -> Check:
    async def check(bench: BenchFile, _person: Person) -> str:
        return look(bench)

    return check


SURROUNDINGS: tuple[tuple[str, str, Check], ...] = (
    ("computer", "clock", _measured(clock)),
    ("computer", "disk", _measured(disk)),
    ("computer", "permissions", _measured(permissions)),
    ("room", "ventilation", ventilation),
)
"""Whose, which check, and how: each returns what was seen; raises ContractError, NotHereError or OSError."""
