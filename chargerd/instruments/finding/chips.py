"""GPIO chips of this computer and their lines, through libgpiod's Python bindings where they are installed. Changes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from chargerd.instruments.finding.ports import ROOT, access_trouble, shown


@dataclass(frozen=True, slots=True)
class Chip:
    """One chip: its label is its identity; `lines` are (number, name or "", who uses it or "")."""

    path: str
    label: str
    lines: tuple[tuple[int, str, str], ...]
    trouble: str


def gpio_chips(root: Path = ROOT) -> list[Chip]:
    """Return the chips, by path. Without the bindings each says so."""
    return [_chip(device, "/" + str(device.relative_to(root))) for device in sorted((root / "dev").glob("gpiochip*"))]


def _chip(device: Path, path: str) -> Chip:
    trouble = access_trouble(device, path)
    if trouble:
        return Chip(path, "", (), trouble)
    try:
        gpiod: Any = import_module("gpiod")
    except ImportError:
        return Chip(path, "", (), "its lines cannot be listed without the Python package gpiod: install chargerd[gpio]")
    try:
        with gpiod.Chip(path) as chip:
            info = chip.get_info()
            lines = [chip.get_line_info(number) for number in range(info.num_lines)]
            told = tuple((line.offset, shown(line.name or ""), shown(line.consumer) if line.used else "") for line in lines)
            return Chip(path, shown(info.label), told, "")
    except OSError as fault:
        return Chip(path, "", (), f"cannot be opened: {fault.strerror}")
