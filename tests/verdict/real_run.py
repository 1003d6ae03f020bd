"""A run of the real engine on a simulated cell of the invented boathouse, written by the real journal writer."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from chargerd import ENGINE_VERSION, __version__
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.core.events import Event, Record
from chargerd.core.plan import Plan
from chargerd.core.reading import Reading
from chargerd.journal.rowcheck import utc_text
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import make_cell
from chargerd.sim.rehearsal import Rehearsal

BOATHOUSE = Path(__file__).parents[2] / "examples" / "boathouse"
BEGAN_S = 1_800_000_000.0
PROFILE = """\
profile: two-rungs
about: Invented short formation for a test.
steps:
  - repeat:
      rounds: 3
      climb:
        voltage: [1.75 V, 1.80 V, 1.85 V]
        ceiling: gassing_threshold
      steps:
        - charge:
            current: C/10
            voltage: climb
            interrupt: {every: 1 h, lasts: 1 s}
            sample_every: 30 s
            ends_when: {current_below: C/50, charge: 120 % rated, time: 14 h}
        - rest: {lasts: 10 min, sample_every: 30 s}
        - discharge:
            current: C/5
            sample_every: 30 s
            ends_when: {voltage_below: 0.80 V, charge: 150 % rated, time: 8 h}
        - rest: {lasts: 10 min, sample_every: 30 s}
"""


class Recorded(Rehearsal):
    """A rehearsal whose readings go to the journal as the daemon writes them: the row, then what followed from it."""

    writer: JournalWriter

    def read(self) -> tuple[Event, ...]:
        reading = Reading(self.now_s, self._measure())
        events = self.engine.take(reading, self.now_s)
        self.writer.reading(reading, self.engine.derived, utc_text(BEGAN_S + self.now_s))
        return events


def write_run(data: Path, cell_name: str, fixture: str, *, profile: str = PROFILE, until_s: float = 1e6) -> Path:
    """Write the run folder of that boathouse cell and return it."""
    profile_path = data / "profile.yaml"
    profile_path.write_text(profile, encoding="utf-8")
    cell = BOATHOUSE / "cells" / f"{cell_name}.yaml"
    return write_run_of(data, cell, BOATHOUSE / "bench.yaml", profile_path, make_cell(fixture), until_s=until_s)


def write_run_of(
    data: Path, cell_path: Path, bench_path: Path, profile_path: Path, simulated: Cell,
    *, until_s: float = 1e6, adjust: Callable[[Plan], Plan] = lambda plan: plan,
) -> Path:  # fmt: skip
    """Write the run folder of a simulated cell under any three files and return it. `adjust` may change the engine's plan."""
    cell, bench, written = load_cell(cell_path), load_bench(bench_path), load_profile(profile_path)
    plan = build_plan(written, cell, bench, "slip-1")
    head = RunHead(
        "slip-1", utc_text(BEGAN_S), __version__, ENGINE_VERSION, Frozen(cell.name, cell.text), Frozen(bench.name, bench.text),
        Frozen(written.name, written.text), {name: spec.identity for name, spec in bench.instruments.items()},
    )  # fmt: skip
    folder = create_run(data, head)
    run = Recorded(adjust(plan), simulated)
    writer = run.writer = JournalWriter.create(folder, tuple(run._measure()), engine_version=ENGINE_VERSION)
    try:
        for elapsed_s, record in run.run(until_s):
            _write(writer, record, elapsed_s)
    finally:
        writer.close()
    return folder


def _write(writer: JournalWriter, record: Record, elapsed_s: float) -> None:
    writer.record(record, elapsed_s, utc_text(BEGAN_S + elapsed_s))
