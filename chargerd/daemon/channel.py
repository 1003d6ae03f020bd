"""The loop of one channel: read → take → reduce at once → write the row → only then raise → verify → tell the watchers → beat.

Holds no decision of its own: the engine decides, the bench acts, the journal remembers. Its one broad except turns a bug of
ours into a trip of this channel.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from chargerd.core.demand import Demand, Energise, off_demand
from chargerd.core.engine import Engine
from chargerd.core.events import Answer, CheckFailed, Fault, Observed, Pause, Record, Resume, Start, Stop, Tick, Tripped
from chargerd.core.reading import Reading
from chargerd.core.states import OVER, State
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import Clock
from chargerd.daemon.clock_watch import ClockWatch
from chargerd.errors import ChargerdError, FoundOnError, InstrumentError, JournalError, LinkError
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.writer import JournalWriter

PASS_EVERY_S = 2.0
"""The channel is passed at least this often, reading due or not: the keeper expects a beat after each pass."""
FULL_EVERY_S = 60.0
"""Set-points, protection levels and power-on flags are read back this often, and at every switching."""
CHECKPOINT_ROWS = 1000
RETRY_OFF_S = 10.0
"""An output that could not be proven off is tried again this often, for ever, and said each time."""
DISK_PATIENCE_S = 0.25
"""What is to be switched on waits so long for its row to be on the disk, then for the next reading after it is."""
CHECK_PATIENCE_S = 30.0
"""CHECKING, with everything off, waits so long for the command it follows to be safe."""
SWITCH_TURNS = 4
"""More switchings than this in one pass would be an engine that cannot make up its mind: our bug."""


@dataclass(slots=True)
class Pass:
    """What watchers are told after a pass."""

    seq: int
    elapsed_s: float
    utc: str
    demand: Demand
    records: list[tuple[int, Record]] = field(default_factory=list)
    """Every record of this pass with its row number; its row may still wait for the disk."""
    warnings: tuple[str, ...] = ()
    """What a person should see to."""


Watcher = Callable[[Pass], None]


class Channel:
    """One run on one channel.

    `base_s` is the run-relative time at which this life of the run begins. `watch_after_s` is how long the bench is read and
    logged after a trip or stop, with everything off. `pass_every_s` may be longer only where no keeper listens.
    """

    def __init__(
        self, engine: Engine, bench: ChannelBench, journal: JournalWriter, clock: Clock, checking: Checking,
        watcher: Watcher, *, base_s: float = 0.0, watch_after_s: float = 0.0, pass_every_s: float = PASS_EVERY_S,
    ) -> None:  # fmt: skip
        self.engine = engine
        self.bench = bench
        self.journal = journal
        self.clock = clock
        self._checking = checking
        self._watcher = watcher
        self._offset_s = base_s - clock.now_s()
        self._watch_after_s = watch_after_s
        self._pass_every_s = pass_every_s
        self._asked: list[Record] = []
        self._records: list[tuple[int, Record]] = []
        self._full_due_s = 0.0
        self._next_reading_s = 0.0
        self._retry_off_s: float | None = None
        self._rows_since_checkpoint = 0
        self._over_since_s: float | None = None
        self._leave = False
        self._clocks = ClockWatch(clock)
        self._raise_waits = False
        self._disk_idle = asyncio.Event()
        journal.attend(clock.disk_s, self._on_disk_idle)
        self.seq = 0
        self.all_off = True
        """Whether the last thing observed of every output is that it is verified off."""

    # --- asked from outside --------------------------------------------------------------------------------------------

    def ask(self, record: Record) -> None:
        """Queue a command of a person or a signal (Stop, Pause, Resume), or a Fault; the next pass begins now and takes it."""
        self._asked.append(record)
        self.clock.wake()

    def leave(self) -> None:
        """Stop watching after the end of the run."""
        self._leave = True
        self.clock.wake()

    @property
    def off_doubted(self) -> bool:
        """Whether an output that was to go off has not been proven off yet."""
        return self._retry_off_s is not None

    @property
    def unwritten_s(self) -> float:
        """How long the oldest row has waited that a power cut would still take."""
        return self.journal.unwritten_s()

    def _on_disk_idle(self) -> None:
        """Nothing waits for the disk any more: what was not switched on because of it is due now, on a fresh reading."""
        self._disk_idle.set()
        if self._raise_waits:
            self._raise_waits = False
            self._next_reading_s = 0.0
            self.clock.wake()

    def elapsed_s(self) -> float:
        """Return run-relative time in whole milliseconds."""
        return round(self.clock.now_s() + self._offset_s, 3)

    # --- the run -------------------------------------------------------------------------------------------------------

    async def run(self, first: Start | Resume) -> State:
        """Run to the end and return the final state. Outputs are off and verified, or said not to be, when this returns."""
        try:
            await self._run(first)
        except asyncio.CancelledError:
            await self._make_safe(Stop(by="program", reason="cancelled"))
            raise
        except (LinkError, InstrumentError) as fault:
            await self._make_safe(Fault("link-lost", str(fault)))
        except JournalError as fault:
            # A ledger cannot be kept: nothing may go on that nobody can account for later.
            await self._switch_all_off_unrecorded()
            raise JournalError(f"{fault}; outputs were switched off") from fault
        except Exception as fault:  # noqa: BLE001 - the channel's task boundary: whatever it is, off first
            await self._make_safe(Fault("program-fault", f"{type(fault).__name__}: {fault}"))
        finally:
            self.journal.close()
        return self.engine.state

    async def _run(self, first: Start | Resume) -> None:
        self._command(first)
        self._command(self._clocks.note(self.elapsed_s()))
        await self._check()
        while not self._is_done():
            await self._pass()
            if not self._is_done():
                await self.clock.wait_until(self._wake_at_s())

    async def _check(self) -> None:
        """CHECKING: everything that must be proven before anything may be on. A failure is a reason, not a fault."""
        try:
            await self._recorded()
            if self.engine.state is not State.CHECKING:
                return  # stopped meanwhile
            passed = await self._checking.run(self.bench, self.engine.plan)
        except ChargerdError as reason:
            if any(isinstance(record, Stop | Fault) for record in self._asked):
                self._observe(await self.bench.make_safe())  # who ends the run is the reason, and the next pass takes it
                return
            if isinstance(reason, FoundOnError) and self.engine.memory.begun:
                # It may have charged or drained the cell all the time nobody watched: no counter knows, so the run is over.
                await self._make_safe(Fault("source-found-on", str(reason)))
                return
            self._command(CheckFailed(str(reason)))
            self._observe(await self.bench.make_safe())
            self._tell(self.engine.demand())
            return
        self._command(passed)

    async def _pass(self) -> None:
        for noted in self._clocks.look(self.elapsed_s()):
            if isinstance(noted, Fault):
                await self._carry_out(noted)
            else:
                self._command(noted)
        while self._asked:
            await self._carry_out(self._asked.pop(0))
        if self._retry_off_s is not None and self.elapsed_s() >= self._retry_off_s:
            await self._retry_off()
        if self.elapsed_s() >= self._next_reading_s:
            await self._reading()
        else:
            await self._tick()
        await self._reduce()
        await self._mind_disk()
        self._tell(self.engine.demand())

    async def _mind_disk(self) -> None:
        """Have rows made safe when that is due, tell what happened to the disk, and end the run when it cannot be recorded."""
        self.journal.sync_if_due()
        why = self.journal.must_stop()
        if why and self.engine.state not in OVER:
            await self._make_safe(Stop(by="program", reason=why))
        for news in self.journal.take_news():
            self._write(news, self.elapsed_s(), self.clock.utc())

    async def _recorded(self) -> None:
        """Wait until the command CHECKING follows from is safe. Raises JournalError. Beats go on: nothing reaches the cell."""
        until_s = self.clock.now_s() + CHECK_PATIENCE_S
        while not await self._disk_done(self._pass_every_s):
            await self._mind_disk()
            self._tell(self.engine.demand())
            if self.engine.state is not State.CHECKING:
                return
            if not self.clock.now_s() < until_s:
                raise JournalError(f"the disk does not take the record: {self.journal.trouble or 'it does not answer'}")

    async def _disk_done(self, within_s: float) -> bool:
        """Wait until nothing waits for the disk, so long at most; tell whether that is so."""
        if self.journal.waits:
            self._disk_idle.clear()
            try:
                async with asyncio.timeout(within_s):
                    await self._disk_idle.wait()
            except TimeoutError:
                pass
        return not self.journal.waits

    async def _reading(self) -> None:
        """Read and act; after each switching read again at once, so that both sides of it are on record."""
        for _ in range(SWITCH_TURNS):
            full = self.elapsed_s() >= self._full_due_s
            inputs = await self.bench.read(full=full)
            now_s = self.elapsed_s()
            if full:
                self._full_due_s = now_s + FULL_EVERY_S
            reading = Reading(now_s, inputs)
            utc = self.clock.utc()
            events = self.engine.take(reading, now_s)
            observed = await self._let_fall(events)
            self.seq = self.journal.reading(reading, self.engine.derived, utc)
            self._rows_since_checkpoint += 1
            for event in events:
                self._write(event, now_s, utc)
            self._observe(observed)
            switched = bool(observed) or await self._raise()
            if not switched:
                break
            self._full_due_s = 0.0
        # On the same grid as `elapsed_s`: one rounding error above it would be due for ever and never taken.
        self._next_reading_s = round(self.engine.deadline_s(), 3)
        if self._rows_since_checkpoint >= CHECKPOINT_ROWS:
            self._rows_since_checkpoint = 0
            self.journal.checkpoint(self.elapsed_s(), self.clock.utc(), self.engine.memory_json())

    async def _let_fall(self, events: tuple[Record, ...]) -> list[Observed]:
        """Reductions at once. After a trip every output is switched off and proven, whatever was believed of it before."""
        if any(isinstance(event, Tripped) for event in events):
            return await self.bench.make_safe()
        demand = self.engine.demand()
        observed = await self.bench.apply_reduction(demand)
        if not observed and demand.energise is Energise.NONE and not self.all_off and not self.off_doubted:
            # It says that it is off, switched by a person's hand: off is proven all the same, by its current too.
            return await self.bench.make_safe()
        return observed

    async def _raise(self) -> bool:
        """Switch on or raise what the engine demands; its row is written. Returns whether anything was switched."""
        demand = self.engine.demand()
        energises = demand.energise is not Energise.NONE
        if not (energises or demand.connected):
            return False
        if self.engine.memory.missing:
            # Nothing is raised on half a reading. What is on already stays on until its lease lapses or readings come back.
            return False
        if self._raise_waits or not await self._disk_done(DISK_PATIENCE_S):
            self._raise_waits = True
            return False
        if energises and not self.elapsed_s() <= demand.valid_until_s:
            return False
        observed = await self.bench.apply_raise(demand)
        self._observe(observed)
        return bool(observed)

    async def _reduce(self) -> None:
        """Off never waits: whatever the engine no longer demands goes off, also between readings."""
        demand = self.engine.demand()
        if demand.energise is not Energise.NONE:
            if self.elapsed_s() <= demand.valid_until_s:
                return
            demand = off_demand(demand.activity, demand.sample_every_s)
        observed = await self.bench.apply_reduction(demand)
        if observed:
            self._observe(observed)
            self._next_reading_s = 0.0

    # --- commands and records ------------------------------------------------------------------------------------------

    async def _carry_out(self, record: Record) -> None:
        if isinstance(record, Fault) and self.engine.state not in OVER:
            await self._make_safe(record)
            self._next_reading_s = 0.0
        elif isinstance(record, Resume | Answer) and self._goes_on(record):
            self._command(record)
            await self._check()
            self._next_reading_s = 0.0
        elif (isinstance(record, Pause) and self.engine.state is State.RUNNING) or (
            isinstance(record, Stop) and self.engine.state not in OVER
        ):
            now_s = self.elapsed_s()
            events = self.engine.command(record, now_s)
            observed = await self.bench.apply_reduction(self.engine.demand())
            utc = self.clock.utc()
            for written in (record, *events):
                self._write(written, now_s, utc)
            self._observe(observed)
            self._next_reading_s = 0.0

    def _goes_on(self, record: Record) -> bool:
        """Only a pause is resumed; while a question waits, only an answer leads on."""
        asks = self.engine.memory.asked_s is not None
        return self.engine.state is State.PAUSED and asks == isinstance(record, Answer)

    async def _tick(self) -> None:
        now_s = self.elapsed_s()
        events = self.engine.tick(now_s)
        if events:
            observed = await self._let_fall(events)
            utc = self.clock.utc()
            for record in (Tick(), *events):
                self._write(record, now_s, utc)
            self._observe(observed)

    def _command(self, record: Record) -> None:
        now_s, utc = self.elapsed_s(), self.clock.utc()
        self._write(record, now_s, utc)
        for event in self.engine.command(record, now_s):
            self._write(event, now_s, utc)

    def _observe(self, observed: list[Observed]) -> None:
        for record in observed:
            self._command(record)
            if record.what in ("open", "closed"):
                continue  # the cell's relay: whether outputs are off does not depend on it
            if record.what == "off" and not record.verified:
                self._retry_off_s = round(self.elapsed_s() + RETRY_OFF_S, 3)
            self.all_off = record.what == "off" and record.verified and self._retry_off_s is None

    def _write(self, record: Record, elapsed_s: float, utc: str) -> None:
        self._records.append((self.journal.record(record, elapsed_s, utc), record))

    def _tell(self, demand: Demand) -> None:
        records, self._records = self._records, []
        trouble = self.journal.trouble
        self._watcher(Pass(self.seq, self.elapsed_s(), self.clock.utc(), demand, records, (trouble,) if trouble else ()))

    # --- off -----------------------------------------------------------------------------------------------------------

    async def _retry_off(self) -> None:
        self._retry_off_s = None
        self._observe(await self.bench.make_safe(doubted=True))

    async def _make_safe(self, why: Record) -> None:
        """Everything off first, then the record of why."""
        observed = await self.bench.make_safe()
        if self.engine.state not in OVER or isinstance(why, Fault):
            self._command(why)
        self._observe(observed)
        self._tell(self.engine.demand())

    async def _switch_all_off_unrecorded(self) -> None:
        observed = await self.bench.make_safe()
        self.all_off = bool(observed) and all(record.verified for record in observed if record.what == "off")

    # --- waiting -------------------------------------------------------------------------------------------------------

    def _wake_at_s(self) -> float:
        """Return when the next pass is due, on the clock."""
        due_s = min(self._next_reading_s, self.elapsed_s() + self._pass_every_s)
        if self._retry_off_s is not None:
            due_s = min(due_s, self._retry_off_s)
        return due_s - self._offset_s

    def _is_done(self) -> bool:
        state = self.engine.state
        if state is State.IDLE:
            return True
        if state not in OVER or self._retry_off_s is not None:
            return False
        if self._over_since_s is None:
            self._over_since_s = self.elapsed_s()
        watched_s = 0.0 if state is State.COMPLETE else self._watch_after_s
        return self._leave or self.journal.is_lost or self.elapsed_s() - self._over_since_s >= watched_s
