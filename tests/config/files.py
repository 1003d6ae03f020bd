"""Small good files to break, and the mark that says where a fault must be reported."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.cell import CellFile, load_cell
from chargerd.config.plan import build_plan
from chargerd.config.profile import ProfileFile, load_profile
from chargerd.core.plan import Plan
from chargerd.errors import FileFaultsError

ROOT = Path(__file__).resolve().parents[2]
BOATHOUSE = ROOT / "examples" / "boathouse"
PROFILES = sorted((ROOT / "profiles").glob("*.yaml"))
CELLS = sorted((BOATHOUSE / "cells").glob("*.yaml"))

PROFILE = """\
profile: first-try
about: A round or two.
steps:
  - repeat:
      rounds: 10
      climb:
        voltage: [1.75 V, 1.80 V, 1.85 V, 1.95 V]
        ceiling: gassing_threshold
        step_back_when:
          coulombic_efficiency_below: 95 %
      ends_when:
        capacity_within: 2 %
      steps:
        - charge:
            current: C/10
            voltage: climb
            interrupt: {every: 5 min, lasts: 1 s}
            sample_every: 5 s
            ends_when:
              current_below: C/50
              charge: 120 % rated
              time: 14 h
        - rest: {lasts: 10 min}
        - discharge:
            current: C/5
            ends_when:
              voltage_below: 0.80 V
              charge: 150 % rated
              time: 8 h
  - charge:
      current: 300 mA
      voltage: top_charging_voltage
      ends_when:
        charge: 2 Ah
        time: 5 h
"""

CELL = """\
cell: plover-01
made: 2025-10-03
vented: yes
ingredients:
  activated_carbon: 26.4 g
  zinc_sulfate_heptahydrate: 22.0 g
mass: 112 g
rated:
  capacity: 1.5 Ah
  window: [2.10 V, 0.80 V]
limits:
  voltage_max: 2.75 V
  charge_current: 2.5 A
  discharge_current: 2.5 A
  temperature_max: 45 °C
gassing:
  threshold: unmeasured
costs:
  carbon: 1.20 EUR
notes:
  - Two layers of paper.
"""

BENCH = """\
bench: boathouse
data: boathouse-data
instruments:
  supply:
    address: tcp://127.0.0.1:5025
    dialect: scpi-supply
    identity: "Boathouse,Source 3A,S-0001,1.0"
    ratings: {voltage: 30 V, current: 3 A}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}
    resolution: {voltage: 1 mV, current: 1 mA}
  load:
    address: tcp://127.0.0.1:5026
    dialect: scpi-load
    identity: "Boathouse,Load 60W,L-0001,1.0"
    ratings: {voltage: 60 V, current: 5 A}
    accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}
    resolution: {voltage: 1 mV, current: 1 mA}
    minimum_voltage: 0.1 V
  probe:
    address: tcp://127.0.0.1:5027
    dialect: scpi-thermometer
    identity: "Boathouse,Thermometer,T-0001,1.0"
    accuracy: {temperature: 0.5 K}
    resolution: {temperature: 0.1 K}
channels:
  slip-1:
    source: supply
    load: load
    voltage: supply
    temperature: probe
limits:
  voltage: 3.0 V
  charge_current: 2.5 A
  discharge_current: 2.5 A
  temperature: 50 °C
wiring: {lead: 0.05 ohm, fuse: 1 A}
ventilation: {outdoors: yes}
mqtt: {host: 127.0.0.1, prefix: boathouse}
never_touch: []
keep_on: []
"""

TEXTS = {"profile": PROFILE, "cell": CELL, "bench": BENCH}
NAMES = {"profile": "first-try.yaml", "cell": "plover-01.yaml", "bench": "bench.yaml"}

MARK = "@@"
"""Stands in a broken text where the fault must be reported; taken out before the file is written."""


@dataclass(frozen=True)
class Edit:
    """One change to a good file. An empty `old` appends."""

    kind: str
    old: str
    new: str

    def applied(self, text: str) -> str:
        """Return the broken text, still with its mark."""
        if not self.old:
            return text + self.new
        assert text.count(self.old) == 1, (self.old, text.count(self.old))
        return text.replace(self.old, self.new)


def unmarked(text: str) -> tuple[str, list[tuple[int, int]]]:
    """Return the text without its marks, and the places they stood at as (line, column)."""
    places = []
    while MARK in text:
        before, after = text.split(MARK, 1)
        places.append((before.count("\n") + 1, len(before.rsplit("\n", 1)[-1]) + 1))
        text = before + after
    return text, places


def write_files(folder: Path, *edits: Edit) -> tuple[dict[str, Path], list[str]]:
    """Write the three files with those edits; return their paths and the places marked, as `name:line:column`."""
    paths, marks = {}, []
    for kind, good in TEXTS.items():
        text = good
        for edit in edits:
            if edit.kind == kind:
                text = edit.applied(text)
        text, places = unmarked(text)
        paths[kind] = folder / NAMES[kind]
        paths[kind].write_bytes(text.encode("utf-8"))
        marks += [f"{NAMES[kind]}:{line}:{column}" for line, column in places]
    return paths, marks


def load(kind: str, path: Path) -> ProfileFile | CellFile | BenchFile:
    """Load a file of that kind."""
    if kind == "profile":
        return load_profile(path)
    return load_cell(path) if kind == "cell" else load_bench(path)


def plan(folder: Path, *edits: Edit, channel: str = "slip-1") -> Plan:
    """Write, load and plan."""
    paths, _ = write_files(folder, *edits)
    return build_plan(load_profile(paths["profile"]), load_cell(paths["cell"]), load_bench(paths["bench"]), channel)


def faults_of(error: FileFaultsError, folder: Path) -> list[str]:
    """Return the faults with file names in place of whole paths."""
    return [fault.replace(f"{folder}/", "") for fault in error.faults]
