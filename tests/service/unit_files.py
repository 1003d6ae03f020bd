"""Reads `systemd/` by itself: unit files as sections, keys and values; what a service manager makes of a command line."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SYSTEMD = ROOT / "systemd"
PROGRAM = "/opt/chargerd/bin/chargerd"
RUN, RESUME, OFF, AWAKE = "chargerd-run@.service", "chargerd-resume@.service", "chargerd-off.service", "awake-while-charging.service"
CONFINED = "chargerd-.service.d/50-confined.conf"
Unit = dict[str, dict[str, list[str]]]


def read_unit(name: str) -> Unit:
    """Section → key → its values in order. Refuses what no unit file of ours contains: continued lines, keys without a section."""
    unit: Unit = {}
    section = ""
    for line in (SYSTEMD / name).read_text(encoding="utf-8").splitlines():
        assert not line.endswith("\\"), line
        if not line or line.startswith("#"):
            continue
        if line.startswith("["):
            section = line.strip("[]")
            unit.setdefault(section, {})
            continue
        key, sign, value = line.partition("=")
        assert sign, line
        unit[section].setdefault(key, []).append(value)
    return unit


def one(unit: Unit, section: str, key: str) -> str:
    """The only value of a key."""
    (value,) = unit[section][key]
    return value


def seconds(unit: Unit, key: str) -> float:
    """A time of [Service], which our files write in whole seconds."""
    return float(one(unit, "Service", key))


def words(command: str, *, instance: str, unit: str, run_time: Path, environment: dict[str, str]) -> list[str]:
    """A command line as systemd would execute it: specifiers, then variables, and this checkout in place of the program.

    In a command for a shell the program is one word of its text, so there it becomes a quoted command.
    """
    name = unit.replace("@.", f"@{instance}.").removesuffix(".service")
    for specifier, value in (("%i", instance), ("%N", name), ("%t", str(run_time))):
        command = command.replace(specifier, value)
    for key, value in environment.items():
        command = command.replace(f"${{{key}}}", value)
    split = shlex.split(command)
    ours = [sys.executable, "-m", "chargerd"]
    if split[0] == PROGRAM:
        return ours + split[1:]
    return [word.replace(PROGRAM, shlex.join(ours)) for word in split]
