"""The worker: one run in its own process, under its keeper. Opens the bench, runs the channel, makes safe on every exit.

`python -m chargerd.daemon.worker RUN_FOLDER [--resume] [--plain] [--simulated]`; started by the keeper, never by hand.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from chargerd import ENGINE_VERSION
from chargerd.config.safety_time import keeper_s
from chargerd.core.engine import Engine
from chargerd.core.events import Answer, Fault, Gap, Pause, Record, Resume, Start, Stop, Tripped
from chargerd.core.states import OVER, State
from chargerd.daemon.channel import Channel, Pass
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import Clock, boot_id, real_clock
from chargerd.daemon.control import Control
from chargerd.daemon.dead_man import feed_lock
from chargerd.daemon.frozen import FrozenRun, open_run
from chargerd.daemon.keeper_link import KeeperLink
from chargerd.daemon.locks import AddressLocks
from chargerd.daemon.watching import Watching, is_energised
from chargerd.errors import ChargerdError, Exit, JournalError, RefusedError
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.ledger import CellLedger, ChannelLedger
from chargerd.journal.reader import recover
from chargerd.journal.resume import fold
from chargerd.journal.rowcheck import utc_seconds
from chargerd.journal.runfolder import write_whole
from chargerd.journal.writer import JournalWriter
from chargerd.status.mqtt import Publisher
from chargerd.status.snapshot import Snapshot, Subject
from chargerd.status.terminal import Terminal

WATCH_AFTER_S = 3600.0
"""After a trip or a stop the bench is read and logged for an hour more: gas and heat go on."""
PUBLISHER_CLOSE_S = 3.0
"""A frozen broker must not keep the worker longer than the keeper waits for its end (5 s)."""
ANSWER_MAX = 1000
"""Characters of an answer that are kept; a longer one is a slip, and a journal row must stay a row."""
ATTENDED = "This version grants no unattended runs yet: stay within reach and look in often."
ENDED: dict[int, str] = {
    Exit.OK: "Complete", Exit.STOPPED: "Stopped early", Exit.TRIPPED: "Tripped: the channel stays off until it is cleared",
}  # fmt: skip
EXITS = {State.COMPLETE: Exit.OK, State.STOPPED: Exit.STOPPED, State.TRIPPED: Exit.TRIPPED, State.IDLE: Exit.REFUSED}


@dataclass(slots=True)
class Life:
    """One life of a run: the engine where it stands, the journal open for more, what to do first."""

    engine: Engine
    journal: JournalWriter
    first: Start | Resume
    base_s: float


def begin(run: FrozenRun, columns: tuple[str, ...]) -> Life:
    """Begin a new run's files."""
    journal = JournalWriter.create(run.folder, columns, engine_version=ENGINE_VERSION)
    return Life(Engine(run.plan), journal, Start(), 0.0)


def recover_life(run: FrozenRun, clock: Clock, ledger: ChannelLedger) -> tuple[Engine, JournalWriter, float]:
    """Recover a run that ended unexpectedly: fold its record, write the gap; return where it stands and its elapsed time.

    The gap is written as unknown and its charge counted for the longest an output can have stayed on. Raises JournalError,
    RefusedError when the run is over.
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
            _remember_gas(run, clock.utc(), engine)
            ledger.ended(clock.utc(), name, engine.state.value)
        raise RefusedError(f"{name}: this run is over ({engine.state.value}); start a new one")
    journal = JournalWriter.reopen(run.folder, engine_version=ENGINE_VERSION)
    journal.restore(folded.owed)
    off_after_s = round(max(longest_on_s(run, engine), unproven_s(run.folder, folded.last_utc, clock.utc())), 3)
    elapsed_s = round(folded.last_elapsed_s + off_after_s, 3)
    _command(engine, journal, Gap(duration_s=None, off_after_s=off_after_s), elapsed_s, clock.utc())
    return engine, journal, elapsed_s


def longest_on_s(run: FrozenRun, engine: Engine) -> float:
    """Return the longest time in s from the last row to off verified, after a kill and nobody else interfering.

    The kill came just before the next reading, then the keeper was patient, killed and executed the off plan.
    """
    return engine.step.sample_every_s + keeper_s(run.bench, run.channel)


def unproven_s(folder: Path, last_utc: str, now_utc: str) -> float:
    """Return the wall time from the last row to the first proof of off after it, or to now when there is none.

    The proof is `off-result.json` of an executed off plan. Wall time is used for the worst case alone: a clock that was set
    back gives less than `longest_on_s`, which then stands.
    """
    last_s, proven_s = utc_seconds(last_utc), utc_seconds(now_utc)
    try:
        result = json.loads((folder / "off-result.json").read_bytes())
        off_s = utc_seconds(result["written_utc"])
        if off_s + 1.0 >= last_s and all(output["verified"] is True for output in result["outputs"]):
            proven_s = off_s + 1.0  # it is written in whole seconds
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return proven_s - last_s


def _command(engine: Engine, journal: JournalWriter, record: Record, elapsed_s: float, utc: str) -> None:
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
            _command(engine, journal, Stop(by="person", reason=reason), elapsed_s, clock.utc())
        finally:
            journal.close()
        _remember_gas(run, clock.utc(), engine)
        ledger.ended(clock.utc(), run.folder.name, engine.state.value)
        return engine.state.value


def _remember_gas(run: FrozenRun, utc: str, engine: Engine) -> None:
    """Write the run's gas into the cell's ledger: its lifetime sum counts every run, however it ended."""
    with CellLedger.open(run.data, run.cell.name) as ledger:
        ledger.gas(utc, run.folder.name, engine.memory.gas_total_Ah)


class Worker:
    """Wires one run together."""

    def __init__(self, run: FrozenRun, clock: Clock, *, resuming: bool, terminal: Callable[[Snapshot], None]) -> None:
        self._run = run
        self._clock = clock
        self._resuming = resuming
        self._terminal = terminal
        self._channel: Channel | None = None
        self._keeper: KeeperLink | None = None
        self._early: Record | None = None
        self._beats = 0
        self._tripped: Tripped | None = None
        self._last: Snapshot | None = None

    async def work(self) -> int:
        """Run to the end; return the exit code."""
        run, clock = self._run, self._clock
        loop = asyncio.get_running_loop()
        for name in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            loop.add_signal_handler(name, self._on_signal, name)
        self._keeper = KeeperLink.from_environment(self._on_keeper_lost)
        if self._keeper is None:
            raise RefusedError("nobody would guard this run: start it with `chargerd run` or `chargerd resume`, never by hand")
        publisher = self._publisher()
        control = Control(run.folder, self._answer)
        with ChannelLedger.open(run.data, run.channel.name) as ledger, contextlib.ExitStack() as stack:
            latched = ledger.latched()
            if latched is not None:
                raise RefusedError(refusal(run.channel.name, latched.cause))
            stack.enter_context(AddressLocks([*(spec.address for spec in run.instruments()), *feed_lock(run.bench, run.channel)]))
            bench = await ChannelBench.open(run.bench, run.channel.name, now=clock.now_s)
            try:
                if self._resuming:
                    engine, journal, elapsed_s = recover_life(run, clock, ledger)
                    never_began = engine.state is State.IDLE
                    life = Life(engine, journal, Start(by="resume") if never_began else Resume(), elapsed_s)
                    ledger.restarted(clock.utc(), run.folder.name, "person")
                else:
                    life = begin(run, bench.columns)
                    ledger.started(clock.utc(), run.folder.name)
                state = await self._live(life, bench, publisher, control, ledger)
            finally:
                await bench.close()
                await control.close()
                if publisher is not None:
                    await asyncio.to_thread(publisher.close, PUBLISHER_CLOSE_S)
        return EXITS.get(state, Exit.INTERNAL)

    async def _live(
        self, life: Life, bench: ChannelBench, publisher: Publisher | None, control: Control, ledger: ChannelLedger
    ) -> State:
        run = self._run
        subject = Subject(
            run.bench.name, run.channel.name, run.cell.name, run.profile.name, run.folder.name,
            attended_only=True, attended_because=ATTENDED, simulated=run.simulated,
        )  # fmt: skip
        shows: tuple[Callable[[Snapshot], None], ...] = (self._terminal,)
        announce: tuple[Callable[[dict[str, Any]], None], ...] = ()
        if publisher is not None:
            shows, announce = (*shows, publisher.offer), (publisher.event,)
        watching = Watching(life.engine, subject, shows, announce)

        def after_pass(done: Pass) -> None:
            self._last = watching.take(done)
            for _, record in done.records:
                if isinstance(record, Tripped):
                    facts = {"value": record.value, "limit": record.limit}
                    ledger.tripped(done.utc, run.folder.name, record.cause, **facts, text=record.text)
            self._beat(life.engine, done)

        async def prove() -> None:
            await self._prove(bench, life.engine)

        channel = self._channel = Channel(
            life.engine, bench, life.journal, self._clock, Checking(prove, self._alive), after_pass, base_s=life.base_s,
            watch_after_s=WATCH_AFTER_S,
        )  # fmt: skip
        await control.start()
        if self._early is not None:
            channel.ask(self._early)
            channel.leave()  # whatever ends a run that early, nobody waits for the hour of watching after it
        state = await channel.run(life.first)
        utc = self._clock.utc()
        ledger.ended(utc, run.folder.name, state.value)
        _remember_gas(run, utc, life.engine)
        assert self._keeper is not None
        self._keeper.done(run.channel.name, state.value, verified_off=channel.all_off)
        if state is State.IDLE:
            raise RefusedError(f"not started: {life.engine.memory.reason}")
        return state

    async def _prove(self, bench: ChannelBench, engine: Engine) -> None:
        """Leave the off plan on disk and have the keeper freeze its limits."""
        run, utc = self._run, self._clock.utc()
        plan = bench.off_plan(
            run=run.folder.name, channel=run.channel.name, worker_pid=os.getpid(), boot_id=boot_id(), written_utc=utc
        )
        write_off_plan(run.folder, plan)
        assert self._keeper is not None
        longest_s = max(step.sample_every_s for step in engine.plan.program.steps())
        hard, cells = engine.plan.limits, engine.plan.inputs.cells
        limits = replace(hard, voltage_max_V=hard.voltage_max_V * cells)
        await self._keeper.freeze(
            run.channel.name, limits, age_max_s=engine.plan.missed_max * longest_s + 10.0,
            off_plan=str(run.folder / "off-plan.json"), has_thermometer=bool(engine.plan.inputs.thermometer),
        )  # fmt: skip

    def _alive(self) -> None:
        """A beat during CHECKING, while nothing reaches the cell: its relay is open, or its outputs are off."""
        assert self._keeper is not None
        self._beats += 1
        self._keeper.beat(
            self._run.channel.name, self._beats, energised=False, age_s=0.0, voltage_V=None, current_A=None, temperature_degC=None
        )

    def _beat(self, engine: Engine, done: Pass) -> None:
        assert self._keeper is not None
        self._beats += 1
        derived, last_s = engine.derived, engine.memory.last_reading_s
        self._keeper.beat(
            self._run.channel.name, self._beats, energised=is_energised(engine),
            age_s=0.0 if last_s is None else max(done.elapsed_s - last_s, 0.0),
            voltage_V=derived.voltage_V, current_A=derived.current_A, temperature_degC=derived.temperature_degC,
            off_doubted=self._channel is not None and self._channel.off_doubted,
            unwritten_s=0.0 if self._channel is None else self._channel.unwritten_s,
        )  # fmt: skip

    # --- from outside ----------------------------------------------------------------------------------------------------

    def _on_signal(self, name: signal.Signals) -> None:
        self._ask(Stop(by="signal", reason=name.name if self._keeper is None else self._keeper.asked_by(name)))
        if self._channel is not None:
            self._channel.leave()

    def _on_keeper_lost(self, why: str) -> None:
        self._ask(Fault("keeper-lost", why))
        if self._channel is not None:
            self._channel.leave()

    def _ask(self, record: Record) -> None:
        if self._channel is None:
            self._early = record
        else:
            self._channel.ask(record)

    def _answer(self, asked: dict[str, Any]) -> dict[str, Any]:
        what = asked.get("ask")
        if what == "stop":
            self._ask(Stop(by=asked.get("by", "person"), reason=asked.get("reason", "")))
            if self._channel is not None:
                self._channel.leave()
            return {"answer": "stopping"}
        if self._channel is None or self._last is None:
            return {"error": "the run is just being opened; ask again"}
        if what == "status":
            return {"status": self._last.to_json()}
        if what == "pause":
            self._channel.ask(Pause(by=asked.get("by", "person")))
            return {"answer": "pausing"}
        if what == "resume":
            if self._channel.engine.state is not State.PAUSED:
                return {"error": f"the run is {self._channel.engine.state.value}, not paused"}
            return self._go_on(self._channel, asked)
        return {"error": "not a request this program makes"}

    @staticmethod
    def _go_on(channel: Channel, asked: dict[str, Any]) -> dict[str, Any]:
        """Resume a pause, or answer the question that waits: never the one for the other."""
        by, said = asked.get("by", "person"), asked.get("said", "")
        if channel.engine.memory.asked_s is not None:
            if not said:
                question = channel.engine.step.question
                return {"error": f'it asks: {question}; answer with `chargerd resume RUN --answer "…"`'}
            channel.ask(Answer(by=by, text=said[:ANSWER_MAX]))
        elif said:
            return {"error": "nothing is asked now; resume without --answer"}
        else:
            channel.ask(Resume(by=by))
        return {"answer": "checking the bench, then going on"}

    def _publisher(self) -> Publisher | None:
        spec = self._run.bench.mqtt
        if spec is None:
            return None
        publisher = Publisher(spec.host, spec.port, prefix=spec.prefix, bench=self._run.bench.name)
        publisher.start()
        return publisher


def refusal(channel: str, cause: str) -> str:
    """Return what to do about a latched trip."""
    return (
        f"channel {channel} is tripped ({cause}) and stays off; find out why, then: "
        f'chargerd clear {channel} --bench BENCH --reason "what was found and done"'
    )


def write_off_plan(folder: Path, plan: dict[str, object]) -> None:
    """Write `off-plan.json` safely (temporary file, fsync, rename, fsync of the folder)."""
    write_whole(folder, "off-plan.json", json.dumps(plan, indent=1, ensure_ascii=True).encode() + b"\n")


def main(argv: list[str] | None = None) -> int:
    """Run one worker; return its exit code. One line on stderr for a refusal, never a traceback."""
    parser = argparse.ArgumentParser(prog="chargerd-worker", description="One run under its keeper.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--resume", action="store_true")
    parser.add_argument("--plain", action="store_true", help="one line per change instead of a live panel")
    parser.add_argument("--simulated", action="store_true")
    args = parser.parse_args(argv)
    try:
        run = open_run(args.folder, simulated=args.simulated)
        terminal = Terminal(sys.stdout, environment=os.environ | ({"NO_COLOR": "1"} if args.plain else {}))
        terminal.start()
        try:
            return asyncio.run(_work(run, terminal, resuming=args.resume))
        finally:
            terminal.close()
    except ChargerdError as fault:
        sys.stderr.write(f"chargerd: {fault}\n")
        return fault.exit_code


async def _work(run: FrozenRun, terminal: Terminal, *, resuming: bool) -> int:
    code = await Worker(run, real_clock(), resuming=resuming, terminal=terminal.offer).work()
    terminal.say(f"{ENDED.get(code, 'Ended')}. What it says about the cell: chargerd report {run.folder}")
    return code


if __name__ == "__main__":
    sys.exit(main())
