"""The worker: one run in its own process, under its keeper. Opens the bench, runs the channel, makes safe on every exit.

`python -m chargerd.daemon.worker RUN_FOLDER [--resume [--by-itself]] [--plain] [--simulated]`; started by the keeper only.
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
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Fault, Pause, Record, Resume, Start, Stop, Tripped
from chargerd.core.observation import Observation
from chargerd.core.resumption import Decision, Leave, may_go_on
from chargerd.core.states import State
from chargerd.daemon.channel import Channel, Pass
from chargerd.daemon.checking import Checking
from chargerd.daemon.clock import Clock, boot_id, real_clock
from chargerd.daemon.control import Control
from chargerd.daemon.dead_man import feed_lock
from chargerd.daemon.frozen import FrozenRun, open_run
from chargerd.daemon.going_on import go_on
from chargerd.daemon.keeper_link import KeeperLink
from chargerd.daemon.lives import (
    BY_ITSELF,
    Found,
    Life,
    begin,
    decide,
    digests,
    end_found_on,
    find,
    leave_for_person,
    remember_gas,
    write_gap,
)
from chargerd.daemon.locks import AddressLocks
from chargerd.daemon.person import AtTerminal
from chargerd.daemon.probing import probe
from chargerd.daemon.starting import NOTHING_TOLD, Told, is_at_terminal, keep_start, starting_of
from chargerd.daemon.watching import Watching, is_energised
from chargerd.errors import (
    ChargerdError,
    Exit,
    FoundOnError,
    InstrumentError,
    JournalError,
    LeftPausedError,
    RefusedError,
    TrippedError,
)
from chargerd.instruments.bench import ChannelBench
from chargerd.journal.disk import Apart
from chargerd.journal.ledger import ChannelLedger
from chargerd.journal.runfolder import OFF_PLAN, write_whole
from chargerd.status.mqtt import Publisher
from chargerd.status.snapshot import Snapshot, Subject
from chargerd.status.terminal import Terminal

WATCH_AFTER_S = 3600.0
"""After a trip or a stop the bench is read and logged for an hour more: gas and heat go on."""
PUBLISHER_CLOSE_S = 3.0
"""A frozen broker must not keep the worker longer than the keeper waits for its end (5 s)."""
ATTENDED = "Attended only until everything is checked: stay within reach."
ENDED: dict[int, str] = {
    Exit.OK: "Complete", Exit.STOPPED: "Stopped early", Exit.TRIPPED: "Tripped: the channel stays off until it is cleared",
}  # fmt: skip
EXITS = {State.COMPLETE: Exit.OK, State.STOPPED: Exit.STOPPED, State.TRIPPED: Exit.TRIPPED, State.IDLE: Exit.REFUSED}


class Worker:
    """Wires one run together."""

    def __init__(
        self, run: FrozenRun, clock: Clock, *, resuming: bool, terminal: Callable[[Snapshot], None], say: Callable[[str], None],
        told: Told = NOTHING_TOLD,
    ) -> None:
        self._run = run
        self._clock = clock
        self._resuming = resuming
        self._by_itself = told.goes_on
        self._warnings: tuple[str, ...] = ()
        self._terminal = terminal
        self._say = say
        self._told = told
        self._stopped = asyncio.Event()
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
            found = self._find(ledger) if self._resuming else None
            stack.enter_context(AddressLocks([*(spec.address for spec in run.instruments()), *feed_lock(run.bench, run.channel)]))
            bench = await self._open(found)
            try:
                if found is not None:
                    life = await self._next_life(found, bench, ledger)
                else:
                    life = begin(run, bench.columns)
                    self._say(f"Record: {run.folder}")
                    self._say(f"Stop with Ctrl-C. If anything seems wrong: chargerd off {run.data}")
                    ledger.started(clock.utc(), run.folder.name, boot_id=clock.boot, boot_s=clock.now_s())
                state = await self._live(life, bench, publisher, control, ledger)
            except JournalError as fault:
                with contextlib.suppress(JournalError):  # the ledger may lie on the same disk
                    ledger.disk_failed(clock.utc(), run.folder.name, str(fault))
                raise
            finally:
                await bench.close()
                await control.close()
                if publisher is not None:
                    await asyncio.to_thread(publisher.close, PUBLISHER_CLOSE_S)
        return EXITS.get(state, Exit.INTERNAL)

    # --- a run that was broken off ---------------------------------------------------------------------------------------

    def _find(self, ledger: ChannelLedger) -> Found:
        """Find it, and decide whether it may go on. Raises LeftPausedError, RefusedError, JournalError."""
        found = find(self._run, self._clock, ledger)
        decision = decide(found, self._clock, ledger)
        if decision.leave is Leave.NEVER or (self._by_itself and decision.leave is not Leave.ALLOWED):
            self._leave(found, decision)
        return found

    def _leave(self, found: Found, decision: Decision) -> NoReturn:
        leave_for_person(found, self._clock, decision)
        raise self._left(decision)

    def _left(self, decision: Decision) -> LeftPausedError | RefusedError:
        name = self._run.folder.name
        if decision.leave is Leave.NEVER:
            end = f"start a new run; this one is ended by: chargerd stop {self._run.folder}"
            return (LeftPausedError if self._by_itself else RefusedError)(f"{name} never goes on: {decision}; {end}")
        end = f"look at it, then: chargerd resume {self._run.folder}"
        return LeftPausedError(f"{name} does not go on by itself: {decision}; {end}")

    async def _open(self, found: Found | None) -> ChannelBench:
        try:
            return await ChannelBench.open(self._run.bench, self._run.channel.name, now=self._clock.now_s)
        except InstrumentError as fault:
            if found is None or not self._by_itself:
                raise
            self._leave(found, Decision(Leave.PERSON, (str(fault),)))

    async def _next_life(self, found: Found, bench: ChannelBench, ledger: ChannelLedger) -> Life:
        """Ask the bench when it is to go on by itself; write the gap and who goes on. Raises LeftPausedError, LinkError."""
        clock, name, engine = self._clock, self._run.folder.name, found.engine
        down = found.downtime(clock)
        if self._by_itself:
            await self._ask_bench(found, bench, ledger)
        by = BY_ITSELF if self._by_itself else "person"
        crashed = down.same_boot is not False
        ledger.restarted(clock.utc(), name, by, crashed=crashed, boot_id=clock.boot, boot_s=clock.now_s())
        journal, elapsed_s = write_gap(found, clock)
        if engine.state is State.IDLE:
            return Life(engine, journal, Start(by="resume"), elapsed_s)
        if self._by_itself:
            self._warnings = (f"It went on by itself at {clock.utc()} after its program had ended: look at it.",)
        return Life(engine, journal, Resume(by=by), elapsed_s)

    async def _ask_bench(self, found: Found, bench: ChannelBench, ledger: ChannelLedger) -> None:
        run, clock = self._run, self._clock
        try:
            decision = may_go_on(await probe(bench, run.channel, run.plan, found.band_V(clock)))
        except FoundOnError as fault:
            await bench.make_safe()
            end_found_on(found, clock, ledger, str(fault))
            raise TrippedError(f"{run.folder.name}: {fault}; how long nobody knows, so the run is over") from fault
        except (InstrumentError, RefusedError) as fault:
            decision = Decision(Leave.PERSON, (str(fault),))
        if decision.leave is not Leave.ALLOWED:
            self._leave(found, decision)

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
        watching = Watching(life.engine, subject, shows, announce, self._warnings)

        def after_pass(done: Pass) -> None:
            self._last = watching.take(done)
            for _, record in done.records:
                if isinstance(record, CheckPassed):
                    keep_start(run, record, checking.granted, done.utc, self._say)
                    ledger.granted(done.utc, run.folder.name, unattended=record.unattended)
                elif isinstance(record, Tripped):
                    facts = {"value": record.value, "limit": record.limit}
                    ledger.tripped(done.utc, run.folder.name, record.cause, **facts, text=record.text)
            self._beat(life.engine, done)

        async def prove() -> None:
            await self._prove(bench, life.engine, ledger)

        person = AtTerminal() if is_at_terminal() else None
        checking = Checking(prove, self._alive, starting_of(run, person, self._stopped, self._told))
        channel = self._channel = Channel(
            life.engine, bench, life.journal, self._clock, checking, after_pass, base_s=life.base_s,
            watch_after_s=WATCH_AFTER_S,
        )  # fmt: skip
        life.journal.write_by(Apart(asyncio.get_running_loop().call_soon_threadsafe))
        await control.start()
        if self._early is not None:
            channel.ask(self._early)
            channel.leave()  # whatever ends a run that early, nobody waits for the hour of watching after it
        assert self._keeper is not None
        try:
            state = await channel.run(life.first)
        finally:
            # Whatever the disk is like: off was proven or not, and no ledger that hangs keeps the keeper from knowing.
            self._keeper.done(run.channel.name, life.engine.state.value, verified_off=channel.all_off)
        utc = self._clock.utc()
        ledger.ended(utc, run.folder.name, state.value)
        remember_gas(run, utc, life.engine)
        if state is State.IDLE:
            raise RefusedError(f"not started: {life.engine.memory.reason}")
        return state

    async def _prove(self, bench: ChannelBench, engine: Engine, ledger: ChannelLedger) -> None:
        """Leave the off plan on disk, its hash in the ledger before it, and have the keeper freeze its limits."""
        run, utc = self._run, self._clock.utc()
        plan = bench.off_plan(
            run=run.folder.name, channel=run.channel.name, worker_pid=os.getpid(), boot_id=boot_id(), written_utc=utc
        )
        ledger.planned(utc, run.folder.name, **digests(run, off_plan_bytes(plan)))
        write_off_plan(run.folder, plan)
        assert self._keeper is not None
        longest_s = max(step.sample_every_s for step in engine.plan.program.steps())
        hard, cells = engine.plan.limits, engine.plan.inputs.cells
        limits = replace(hard, voltage_max_V=hard.voltage_max_V * cells)
        await self._keeper.freeze(
            run.channel.name, limits, age_max_s=engine.plan.missed_max * longest_s + 10.0,
            off_plan=str(run.folder / OFF_PLAN), has_thermometer=bool(engine.plan.inputs.thermometer),
        )  # fmt: skip

    def _alive(self, seen: Observation | None = None) -> None:
        """A beat during CHECKING: nothing reaches the cell, but for the probe that `seen` shows."""
        assert self._keeper is not None
        self._beats += 1
        none = (None, None, None)
        voltage_V, current_A, degC = none if seen is None else (seen.voltage_V, seen.current_A, seen.temperature_degC)
        self._keeper.beat(
            self._run.channel.name, self._beats, energised=seen is not None, age_s=0.0, voltage_V=voltage_V, current_A=current_A,
            temperature_degC=degC,
        )  # fmt: skip

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
        self._stopped.set()
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
            return go_on(self._channel, asked)
        return {"error": "not a request this program makes"}

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


def off_plan_bytes(plan: dict[str, object]) -> bytes:
    """Return what `off-plan.json` holds."""
    return json.dumps(plan, indent=1, ensure_ascii=True).encode() + b"\n"


def write_off_plan(folder: Path, plan: dict[str, object]) -> None:
    """Write `off-plan.json` safely (temporary file, fsync, rename, fsync of the folder)."""
    write_whole(folder, OFF_PLAN, off_plan_bytes(plan))


def main(argv: list[str] | None = None) -> int:
    """Run one worker; return its exit code. One line on stderr for a refusal, never a traceback."""
    parser = argparse.ArgumentParser(prog="chargerd-worker", description="One run under its keeper.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--resume", action="store_true")
    parser.add_argument("--by-itself", action="store_true", help="resume only what may go on with nobody there")
    parser.add_argument("--plain", action="store_true", help="one line per change instead of a live panel")
    parser.add_argument("--simulated", action="store_true")
    parser.add_argument("--named", action="store_true", help="a person has named the cell")
    parser.add_argument("--resistance-changed", action="store_true", help="a person says that it is this cell all the same")
    args = parser.parse_args(argv)
    try:
        run = open_run(args.folder, simulated=args.simulated)
        terminal = Terminal(sys.stdout, environment=os.environ | ({"NO_COLOR": "1"} if args.plain else {}))
        terminal.start()
        try:
            told = Told(args.named, args.resistance_changed, goes_on=args.by_itself)
            return asyncio.run(_work(run, terminal, told, resuming=args.resume))
        finally:
            terminal.close()
    except ChargerdError as fault:
        sys.stderr.write(f"chargerd: {fault}\n")
        return fault.exit_code


async def _work(run: FrozenRun, terminal: Terminal, told: Told, *, resuming: bool) -> int:
    worker = Worker(run, real_clock(), resuming=resuming, terminal=terminal.offer, say=terminal.say, told=told)
    code = await worker.work()
    terminal.say(f"{ENDED.get(code, 'Ended')}. What it says about the cell: chargerd report {run.folder}")
    return code


if __name__ == "__main__":
    sys.exit(main())
