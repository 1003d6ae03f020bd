"""A run of the real engine on a simulated cell of the invented boathouse, written by the real journal writer."""

from __future__ import annotations

from pathlib import Path

from chargerd import ENGINE_VERSION, __version__
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.core.events import Event, Record
from chargerd.core.reading import Reading
from chargerd.journal.rowcheck import utc_text
from chargerd.journal.runfolder import Frozen, RunHead, create_run
from chargerd.journal.writer import JournalWriter
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
    cell = load_cell(BOATHOUSE / "cells" / f"{cell_name}.yaml")
    bench = load_bench(BOATHOUSE / "bench.yaml")
    written = load_profile(profile_path)
    plan = build_plan(written, cell, bench, "slip-1")
    head = RunHead(
        "slip-1", utc_text(BEGAN_S), __version__, ENGINE_VERSION, Frozen(cell.name, cell.text), Frozen(bench.name, bench.text),
        Frozen(written.name, written.text), {name: spec.identity for name, spec in bench.instruments.items()},
    )  # fmt: skip
    folder = create_run(data, head)
    run = Recorded(plan, make_cell(fixture))
    writer = run.writer = JournalWriter.create(folder, tuple(run._measure()), engine_version=ENGINE_VERSION)
    try:
        for elapsed_s, record in run.run(until_s):
            _write(writer, record, elapsed_s)
    finally:
        writer.close()
    return folder


def _write(writer: JournalWriter, record: Record, elapsed_s: float) -> None:
    writer.record(record, elapsed_s, utc_text(BEGAN_S + elapsed_s))
