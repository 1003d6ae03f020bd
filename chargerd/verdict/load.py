"""From a run folder to what the verdict is worked out from. Rows are given as they are read, never held."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TypeVar

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.bench_parts import ResistorSpec
from chargerd.config.cell import CellFile, load_cell
from chargerd.config.inputs import stated_zero
from chargerd.config.profile import load_profile
from chargerd.core.events import Tick
from chargerd.errors import FileFaultsError, JournalError
from chargerd.journal.columns import EVENTS, READINGS, Checkpoint
from chargerd.journal.reader import ReadingRow, Rows, iter_events, iter_readings
from chargerd.journal.runfolder import RUN_FILE, Frozen, read_run
from chargerd.journal.segments import segment_paths
from chargerd.verdict.leads import Leads, LeadsReader
from chargerd.verdict.not_known import not_known
from chargerd.verdict.sample import Noted, Rating, RunFacts, Sample
from chargerd.verdict.uncertainty import UNKNOWN, Accuracies, Accuracy
from chargerd.verdict.zeros import ZeroRecord, zeroed, zeros_of

T = TypeVar("T")
_UNWANTED = frozenset({Checkpoint.kind, Tick.kind})
"""An engine's memory and the passing of time say nothing about a cell, and a long run has many of both."""


class RunSource:
    """A run folder, opened for one verdict. Raises JournalError on damage; a torn tail is left out and told in `torn`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.torn: list[str] = []
        self._head = read_run(folder)
        self._leads: LeadsReader | None = None

    def facts(self) -> RunFacts:
        """Return what the frozen files say. A file this version cannot read costs what it would have told, not the verdict."""
        head = self._head
        faults: list[str] = []
        cell = _frozen(head.cell, "cell", load_cell, faults)
        bench = _frozen(head.bench, "bench", load_bench, faults)
        profile = _frozen(head.profile, "profile", load_profile, faults)
        steps = () if profile is None else profile.steps()
        zeros = self._zeros()
        channel = None if bench is None else bench.channels.get(head.channel)
        if bench is not None and channel is not None:
            self._leads = LeadsReader(bench, head.channel)
        return RunFacts(
            self.folder.name,
            head.cell.name,
            head.profile.name,
            head.bench.name,
            {"program": head.program_version, "engine": head.engine_version},
            {path.name: sha256(path) for path in self._files()},
            None if cell is None else rating_of(cell),
            UNKNOWN if bench is None else accuracies_of(bench, head.channel, zeros),
            {step.number: step.values.need("sample_every") for step in steps if step.values.has("sample_every")},
            tuple(faults),
            () if bench is None else not_known(bench, head.channel, zeros),
            channel is not None and not channel.meter,
        )

    def _files(self) -> list[Path]:
        """Return what a verdict is worked out from."""
        return [self.folder / RUN_FILE, *segment_paths(self.folder / READINGS), *segment_paths(self.folder / EVENTS)]

    def _zeros(self) -> list[ZeroRecord]:
        """Return what has set the run's zeros: each start, and steps that measure them."""
        return [row.record for row in iter_events(self.folder / EVENTS) if isinstance(row.record, ZeroRecord)]

    def noted(self) -> list[Noted]:
        """Return the events that matter to a verdict."""
        rows = iter_events(self.folder / EVENTS)
        found = [Noted(row.seq, row.after_seq, row.elapsed_s, row.record) for row in rows if row.kind not in _UNWANTED]
        self._tell(rows)
        return found

    def samples(self) -> Iterator[Sample]:
        """Give the readings in order; what they say of the leads is known after the last."""
        rows = iter_readings(self.folder / READINGS)
        for row in rows:
            sample = sample_of(row)
            if self._leads is not None:
                self._leads.take(row)
            yield sample
        self._tell(rows)

    def leads(self) -> Leads | None:
        """Return what the readings said of leads and clips; None without a meter at the cell. Raises JournalError."""
        return None if self._leads is None else self._leads.found()

    def _tell(self, rows: Rows[T]) -> None:
        if rows.torn is not None:
            torn = rows.torn
            self.torn.append(f"{torn.path.name}: {torn.bytes} bytes after row {torn.seq} are no whole row and were left out")
        self.torn.extend(rows.skipped)


def sample_of(row: ReadingRow) -> Sample:
    """Return the derived columns of one row as a sample. Raises JournalError when a cell is not what its column says."""
    cells = row.cells
    try:
        return Sample(
            row.seq, row.elapsed_s, cells[3], cells[4], int(cells[5]), cells[6], cells[7],
            float(cells[8]) if cells[8] else None,
            float(cells[9]) if cells[9] else None,
            float(cells[10]) if cells[10] else None,
            float(cells[11]), float(cells[12]), float(cells[13]), float(cells[14]), float(cells[15]),
            float(cells[18]), float(cells[16]),
        )  # fmt: skip
    except ValueError as error:
        raise JournalError(f"{row.path}: row {row.seq}: {error}") from error


def _frozen(file: Frozen, which: str, load: Callable[[Path, bytes], T], faults: list[str]) -> T | None:
    """Read one of the frozen files."""
    try:
        return load(Path(f"{which}.yaml"), file.text.encode())
    except FileFaultsError as error:
        faults.append(f"the frozen {which} file cannot be read by this version ({error.faults[0]}): what it says is not used")
        return None


def rating_of(cell: CellFile) -> Rating:
    """Return the rating on the cell's record, already bounded by what its ingredients can hold."""
    upper_V, lower_V = cell.rated_window_V
    return Rating(cell.rated_Ah, cell.rated_provisional, upper_V, lower_V, cell.rated_current_A)


def accuracies_of(bench: BenchFile, channel: str, zeros: Sequence[ZeroRecord] = ()) -> Accuracies:
    """Return the data-sheet accuracies of the instruments of one channel, as far as the bench file gives them.

    A zero that was measured at every start, and subtracted since, replaces the stated offset by its own uncertainty.
    """
    spec = bench.channels.get(channel)
    if spec is None:
        return UNKNOWN

    def accuracy(instrument: str, quantity: str) -> Accuracy | None:
        given = bench.instruments[instrument].accuracy.get(quantity) if instrument in bench.instruments else None
        return None if given is None else Accuracy(given.gain, given.offset)

    def current(instrument: str) -> Accuracy | None:
        step_A = stated_zero(bench.instruments.get(instrument)).step_A
        return zeroed(accuracy(instrument, "current"), zeros_of(zeros, spec, instrument), step_A)

    voltage, thermometer = accuracy(spec.meter or spec.source, "voltage"), accuracy(spec.thermometer, "temperature")
    temperature_K = None if thermometer is None else thermometer.offset
    if spec.ammeter:
        both = current(spec.ammeter)
        return Accuracies(voltage, both, both, temperature_K, one_current_meter=True)
    bank = bank_of(bench, spec.load)
    discharge = _of_resistors(bank, voltage) if bank else current(spec.load) if spec.load else None
    return Accuracies(voltage, current(spec.source), discharge, temperature_K)


def _of_resistors(bank: Sequence[ResistorSpec], voltage: Accuracy | None) -> Accuracy | None:
    """Return the accuracy of V/R: that of the worst resistor with the voltage's, the offset as if all were connected."""
    if voltage is None:
        return None
    worst = max(part.accuracy for part in bank)
    return Accuracy(math.hypot(worst, voltage.gain), sum(voltage.offset / part.resistance_ohm for part in bank))


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file, hexadecimal. Raises JournalError when it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise JournalError(f"{path}: {error.strerror}") from error
