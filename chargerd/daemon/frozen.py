"""A run's frozen files, parsed again: what a worker, a resume, a replay and a report all start from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec, load_bench
from chargerd.config.cell import CellFile, load_cell
from chargerd.config.plan import build_plan
from chargerd.config.profile import ProfileFile, load_profile
from chargerd.core.plan import Plan
from chargerd.instruments.opening import neighbours_of, roles_of
from chargerd.journal.runfolder import RunHead, read_run


@dataclass(frozen=True, slots=True)
class FrozenRun:
    """One run folder: its head, its three files as models, and the plan they make together."""

    folder: Path
    head: RunHead
    cell: CellFile
    bench: BenchFile
    profile: ProfileFile
    channel: ChannelSpec
    plan: Plan
    simulated: bool

    @property
    def data(self) -> Path:
        """The data folder the run lies in: `<data>/runs/<run>`."""
        return self.folder.parent.parent

    def instruments(self) -> Iterator[InstrumentSpec]:
        """Yield the instruments this run uses: its channel's, and the relays of other channels that it must find open."""
        for name in (*roles_of(self.channel, self.bench), *neighbours_of(self.channel, self.bench)):
            yield self.bench.instruments[name]


def open_run(folder: Path, *, simulated: bool = False) -> FrozenRun:
    """Read a run's frozen files. Raises JournalError when they are missing or were changed, ProfileError, BenchError."""
    head = read_run(folder)
    cell = load_cell(folder / "cell.yaml", head.cell.text.encode())
    bench = load_bench(folder / "bench.yaml", head.bench.text.encode())
    profile = load_profile(folder / "profile.yaml", head.profile.text.encode())
    plan = build_plan(profile, cell, bench, head.channel, head.proven)
    return FrozenRun(folder.resolve(), head, cell, bench, profile, bench.channels[head.channel], plan, simulated)
