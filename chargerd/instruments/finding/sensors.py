"""Thermometers that the kernel shows as files: one-wire and hardware monitor, each with what it says now."""

from __future__ import annotations

import queue
import threading
from dataclasses import dataclass
from pathlib import Path

from chargerd.instruments.finding.ports import ROOT, read_text, shown

READ_S = 2.0
"""A one-wire reading takes 0.75 s, and one that hangs would take for ever."""


@dataclass(frozen=True, slots=True)
class FileSensor:
    """One thermometer: its folder as a bench file has it, its dialect, which input of the folder (or ""), what it says."""

    address: str
    dialect: str
    input: str
    identity: str
    label: str
    reading: str


def file_sensors(root: Path = ROOT) -> list[FileSensor]:
    """Return the thermometers, one-wire first."""
    found = []
    for folder in sorted((root / "sys/bus/w1/devices").glob("*-*")):
        if (folder / "temperature").is_file() or (folder / "w1_slave").is_file():
            reading = _reading(folder / "temperature")
            found.append(
                FileSensor(_address(folder, root), "one-wire-thermometer", "", shown(read_text(folder / "name")), "", reading)
            )
    for folder in sorted((root / "sys/class/hwmon").glob("hwmon*")):
        name = shown(read_text(folder / "name"))
        for file in sorted(folder.glob("temp*_input")):
            number = file.name.removeprefix("temp").removesuffix("_input")
            label = shown(read_text(folder / f"temp{number}_label"))
            found.append(FileSensor(_address(folder, root), "hwmon-thermometer", number, name, label, _reading(file)))
    return found


def _address(folder: Path, root: Path) -> str:
    return f"file:///{folder.relative_to(root)}"


def _reading(file: Path) -> str:
    """Return what a file of thousandths of a degree says, in words."""
    answer: queue.Queue[str | OSError] = queue.Queue()

    def read() -> None:
        try:
            answer.put(file.read_text(encoding="ascii", errors="replace").strip())
        except OSError as fault:
            answer.put(fault)

    threading.Thread(target=read, daemon=True).start()
    try:
        text = answer.get(timeout=READ_S)
    except queue.Empty:
        return f"no answer within {READ_S:g} s"
    if isinstance(text, FileNotFoundError) and file.name == "temperature":
        return "no file temperature: an older kernel, see the dialect's file"
    if isinstance(text, OSError):
        return f"cannot be read: {text.strerror}"
    if text.lstrip("-").isdecimal():
        return f"{int(text) / 1000:.2f} °C"
    return f"says {shown(text)!r}"
