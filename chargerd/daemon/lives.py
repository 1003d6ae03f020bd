"""The lives of a run: begun, found broken off, closed, gone on with. Record and ledgers are all that is left of one."""

from __future__ import annotations

import contextlib
import hashlib
import sys
from dataclasses import dataclass

from chargerd import ENGINE_VERSION
from chargerd.config.safety_time import keeper_s
from chargerd.core.engine import Engine
from chargerd.core.events import Fault, Gap, LeftPaused, Record, Resume, Start, Stop
from chargerd.core.resting import band_V, budgets, may_gas, step_class
from chargerd.core.resumption import Budget, Decision, Facts, Leave, may_resume
from chargerd.core.states import OVER, State
from chargerd.daemon.clock import Clock
from chargerd.daemon.downtime import Downtime, downtime
from chargerd.daemon.frozen import FrozenRun
from chargerd.errors import JournalError, RefusedError
from chargerd.journal.ledger import CellLedger, ChannelLedger, LedgerRow
from chargerd.journal.recovery import recover
from chargerd.journal.resume import Folded, fold
from chargerd.journal.rowcheck import utc_seconds
from chargerd.journal.runfolder import OFF_PLAN
from chargerd.journal.writer import JournalWriter

BY_ITSELF = "service manager"
"""Who goes on with a run that nobody asked to go on."""


@dataclass(slots=True)
class Life:
    """One life of a run: the engine where it stands, the journal open for more, what to do first."""

    engine: Engine
    journal: JournalWriter
    first: Start | Resume
    base_s: float


@dataclass(frozen=True, slots=True)
class Found:
    """A run whose program had ended without stopping it, as its record has it; nothing has been written yet."""

    run: FrozenRun
    folded: Folded[Engine]

    @property
    def engine(self) -> Engine:
        """The engine where the record ends."""
        return self.folded.engine

    def downtime(self, clock: Clock) -> Downtime:
        """Return what is known now of the time since."""
        found, longest_s = self.folded, longest_on_s(self.run, self.engine)
        return downtime(self.run.folder, self.engine.memory, found.last_elapsed_s, found.last_utc, clock, longest_s)

    def band_V(self, clock: Clock) -> tuple[float | None, float | None]:
        """Return between which voltages the cell may stand now, at rest."""
        engine, down = self.engine, self.downtime(clock)
        return band_V(
            engine.memory, engine.step, engine.plan, engine.voltage_set_V, gap_s=down.duration_s, off_after_s=down.off_after_s
        )


def begin(run: FrozenRun, columns: tuple[str, ...]) -> Life:
    """Begin a new run's files."""
    journal = JournalWriter.create(run.folder, columns, engine_version=ENGINE_VERSION)
    return Life(Engine(run.plan), journal, Start(), 0.0)


def find(run: FrozenRun, clock: Clock, ledger: ChannelLedger) -> Found:
    """Fold the record of a run that ended unexpectedly. Raises JournalError, RefusedError when it is over.

    A torn tail is cut, and a latch or a sum of gas that the crash kept from the ledgers is made good.
    """
    for torn in recover(run.folder):
        sys.stderr.write(f"chargerd: {torn}; these were cut away\n")
    folded = fold(run.folder, lambda: Engine(run.plan), engine_version=ENGINE_VERSION)
    if folded.differences:
        raise JournalError(f"{run.folder}: the record does not reproduce its decisions: {folded.differences[0]}; start a new run")
    engine, name = folded.engine, run.folder.name
    if engine.state in OVER:
        known = any(row.kind == "tripped" and row.facts["run"] == name for row in ledger.rows)
        if engine.state is State.TRIPPED and not known:
            # The crash came between the journal and the ledger: the latch is made good before anything else. Only then:
            # a trip that was latched and cleared since stays cleared.
            ledger.tripped(clock.utc(), name, engine.memory.trip_cause)
        if ledger.open_run() == name:
            remember_gas(run, clock.utc(), engine)
            ledger.ended(clock.utc(), name, engine.state.value)
        raise RefusedError(f"{name}: this run is over ({engine.state.value}); start a new one")
    return Found(run, folded)


def write_gap(found: Found, clock: Clock) -> tuple[JournalWriter, float]:
    """Write the gap; return the journal, open for more, and the elapsed time of the run.

    Its charge is counted for the longest an output can have stayed on, its length is written when it is known.
    """
    run, folded = found.run, found.folded
    journal = JournalWriter.reopen(run.folder, engine_version=ENGINE_VERSION)
    journal.restore(folded.owed)
    down = found.downtime(clock)
    duration_s = None if down.duration_s is None else round(down.duration_s, 3)
    elapsed_s = round(folded.last_elapsed_s + (down.off_after_s if duration_s is None else duration_s), 3)
    tell(found.engine, journal, Gap(duration_s, down.off_after_s), elapsed_s, clock.utc())
    return journal, elapsed_s


def recover_life(run: FrozenRun, clock: Clock, ledger: ChannelLedger) -> tuple[Engine, JournalWriter, float]:
    """Find a run that ended unexpectedly and write its gap. Raises JournalError, RefusedError when the run is over."""
    found = find(run, clock, ledger)
    return found.engine, *write_gap(found, clock)


def longest_on_s(run: FrozenRun, engine: Engine) -> float:
    """Return the longest time in s from the last row to off verified, after a kill and nobody else interfering.

    The kill came just before the next reading, then the keeper was patient, killed and executed the off plan.
    """
    return engine.step.sample_every_s + keeper_s(run.bench, run.channel)


def tell(engine: Engine, journal: JournalWriter, record: Record, elapsed_s: float, utc: str) -> None:
    """Write an input, give it to the engine, write what follows."""
    journal.record(record, elapsed_s, utc)
    for event in engine.command(record, elapsed_s):
        journal.record(event, elapsed_s, utc)


def close_dead_run(run: FrozenRun, clock: Clock, reason: str) -> str:
    """End the record of a run whose program has died, its outputs being off; return its state.

    Raises JournalError, RefusedError.
    """
    with ChannelLedger.open(run.data, run.channel.name) as ledger:
        engine, journal, elapsed_s = recover_life(run, clock, ledger)
        try:
            tell(engine, journal, Stop(by="person", reason=reason), elapsed_s, clock.utc())
        finally:
            journal.close()
        remember_gas(run, clock.utc(), engine)
        ledger.ended(clock.utc(), run.folder.name, engine.state.value)
        return engine.state.value


def remember_gas(run: FrozenRun, utc: str, engine: Engine) -> None:
    """Write the run's gas into the cell's ledger: its lifetime sum counts every run, however it ended."""
    with CellLedger.open(run.data, run.cell.name) as ledger:
        ledger.gas(utc, run.folder.name, engine.memory.gas_total_Ah)


# --- may it go on by itself? ---------------------------------------------------------------------------------------------


def decide(found: Found, clock: Clock, ledger: ChannelLedger) -> Decision:
    """Decide from record, ledger, clocks and the last proof of off; the bench is asked later."""
    return may_resume(facts(found, clock, ledger))


def facts(found: Found, clock: Clock, ledger: ChannelLedger) -> Facts:
    """Gather all that is known before the bench is asked."""
    run, engine, down, name = found.run, found.engine, found.downtime(clock), found.run.folder.name
    m, step, plan = engine.memory, engine.step, engine.plan
    seconds = down.off_after_s if down.is_bounded else float("inf")
    gases = m.state == State.RUNNING and may_gas(m, step, plan, engine.voltage_set_V, seconds)
    latched = ledger.latched()
    rows = [row for row in ledger.rows if row.facts.get("run") == name]
    mine = [row for row in rows if row.kind == "restarted" and row.facts["by"] == BY_ITSELF]
    starts = [row for row in ledger.rows if row.kind in ("started", "restarted")]
    gap_s = down.duration_s
    if gap_s is not None and m.state == State.PAUSED and m.paused_at_s is not None:
        gap_s += found.folded.last_elapsed_s - m.paused_at_s  # it stood still before that already
    return Facts(
        engine.state, m.reason, m.begun, step_class(m, step, plan, gases=gases),
        frozen_fault=frozen_fault(run, ledger) if m.begun else "",
        record_fault="",  # `find` has raised otherwise, as it has for another engine
        same_engine=True,
        is_open=ledger.open_run() == name,
        latched="" if latched is None else latched.cause,
        bypassed=any(row.kind == "bypassed" for row in rows),
        disk_failed=any(row.kind == "disk-failed" for row in rows),
        unattended=not run.profile.attended and [row.facts["unattended"] for row in rows if row.kind == "granted"][-1:] == [True],
        gap_s=gap_s,
        off_after_s=down.off_after_s if down.is_bounded else None,
        off_proven=down.proven,
        suspended=down.suspended,
        found_on=down.found_on,
        gases=gases,
        crashes=(down.same_boot is not False)
        + sum(row.facts.get("crashed") is not False for row in rows if row.kind == "restarted"),
        restarts_in_10_min=1 + sum(_age_s(row, clock) < 600.0 for row in starts),
        restarts_in_1_h=1 + sum(_age_s(row, clock) < 3600.0 for row in mine),
        restarts_of_run=1 + len(mine),
        budgets=_budgets(found, down),
    )  # fmt: skip


def _budgets(found: Found, down: Downtime) -> tuple[Budget, ...]:
    """What is left of the step's ends when the gap is counted at its worst: tried on a copy of the engine."""
    copy = Engine(found.run.plan)
    copy.load_memory(found.engine.memory_json())
    copy.command(Gap(down.duration_s, down.off_after_s), found.folded.last_elapsed_s + down.off_after_s)
    return budgets(copy.memory, copy.step)


def _age_s(row: LedgerRow, clock: Clock) -> float:
    """How long ago a row was written, s; 0 when nobody knows, for then it counts."""
    if row.facts.get("boot_id") == clock.boot != "":
        return clock.now_s() - float(row.facts["boot_s"])
    return max(utc_seconds(clock.utc()) - utc_seconds(row.utc), 0.0) if clock.is_synchronised() else 0.0


def digests(run: FrozenRun, off_plan: bytes | None = None) -> dict[str, str]:
    """Return the SHA-256 of the off plan (None: the one on disk, "" when there is none) and of the run's own dialect files."""
    if off_plan is None:
        with contextlib.suppress(OSError):
            off_plan = (run.folder / OFF_PLAN).read_bytes()
    dialects = hashlib.sha256()
    for path in sorted((run.folder / "dialects").glob("*.yaml")):
        content = path.read_bytes()
        dialects.update(f"{path.name} {len(content)} ".encode() + content)
    plan_sha256 = "" if off_plan is None else hashlib.sha256(off_plan).hexdigest()
    return {"off_plan_sha256": plan_sha256, "dialects_sha256": dialects.hexdigest()}


def frozen_fault(run: FrozenRun, ledger: ChannelLedger) -> str:
    """Return what was lost or changed of the files a life has frozen beside `run.yaml`, "" when nothing was.

    The hash of an off plan is in the ledger before the plan is on disk: a crash between the two leaves the one before.
    """
    planned = [row.facts for row in ledger.rows if row.kind == "planned" and row.facts["run"] == run.folder.name][-2:]
    if not planned:
        return "nothing says what its off plan was"
    now = digests(run)
    names = {"off_plan_sha256": "its off plan is missing or was changed", "dialects_sha256": "its dialect files were changed"}
    return "; ".join(words for key, words in names.items() if now[key] not in [facts[key] for facts in planned])


def leave_for_person(found: Found, clock: Clock, decision: Decision) -> None:
    """Write gap and reasons: the run stays PAUSED until a person goes on with it, whatever is tried before."""
    journal, elapsed_s = write_gap(found, clock)
    try:
        leave_paused(found.engine, journal, decision, elapsed_s, clock.utc())
    finally:
        journal.close()


def end_found_on(found: Found, clock: Clock, ledger: ChannelLedger, text: str) -> None:
    """End a run that found an output on: it may have charged or drained the cell all the time, and no counter knows."""
    run, utc = found.run, clock.utc()
    journal, elapsed_s = write_gap(found, clock)
    try:
        tell(found.engine, journal, Fault("source-found-on", text), elapsed_s, utc)
    finally:
        journal.close()
    ledger.tripped(utc, run.folder.name, "source-found-on", text=text)
    remember_gas(run, utc, found.engine)
    ledger.ended(utc, run.folder.name, found.engine.state.value)


def leave_paused(engine: Engine, journal: JournalWriter, decision: Decision, elapsed_s: float, utc: str) -> None:
    """Write why a paused run does not go on."""
    tell(engine, journal, LeftPaused(str(decision), decision.leave is Leave.NEVER), elapsed_s, utc)
