"""`dialect test` on an instrument itself: each step told as it begins and ends, and off at the end whatever happens.

While it lasts an off plan lies on disk, so that `chargerd off` can act when this process is gone; it stays until off is proven.
A signal ends the steps in order, never the switching off. What cannot be proven off is told in the last line, in capitals.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import sys
import threading
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.errors import Exit, JournalError, RefusedError

if TYPE_CHECKING:
    from chargerd.instruments.contract.suite import Check, Finding
    from chargerd.instruments.roles import Instrument

PLANS = "dialect-test"
"""The folder of the off plans, below a bench's data folder, else below this one."""

STOPPERS = {
    signal.SIGINT: "Ctrl-C (SIGINT)",
    signal.SIGQUIT: "the quit key (SIGQUIT)",
    signal.SIGTSTP: "Ctrl-Z (SIGTSTP), which would have left it unattended",
    signal.SIGHUP: "the terminal was closed (SIGHUP)",
    signal.SIGTERM: "another program, or chargerd off (SIGTERM)",
}
"""What ends the steps in order, in words."""

PLAN_OFF = "off by its plan"
"""The last resort: the bytes of the off plan, sent even to who does not say any more who it is, never to another instrument."""


def tell(text: str, end: str = "\n") -> None:
    """Print it now; where nobody can read it any more, go on all the same."""
    try:
        sys.stdout.write(text + end)
        sys.stdout.flush()
    except (OSError, ValueError):
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@dataclass(slots=True)
class Rows:
    """Prints each step as it begins, and what came of it; knows what the output was last asked to be. See `Watch`."""

    instrument: Instrument
    asked: str = ""
    """What was switched on by the last step that switches anything on, empty when none has begun."""
    has_changed: bool = False
    """Something was written, if only off."""
    seen_off: str = ""
    """The last step after which its state said off; empty when the last one left that open."""
    seen_before: str = ""
    """The same, before the step that is made now or was made last."""
    _step: Check | None = field(default=None, init=False)
    _is_open: bool = field(default=False, init=False)

    def begins(self, check: Check) -> None:
        """Name the step; say before it that the output goes on."""
        self.seen_before = self.seen_off
        self._step = check
        self.has_changed |= check.changes
        if check.energises:
            self.seen_off = ""
            self.asked = "0 A" if self.instrument.dialect.role == "load" else check.energises
            self._line(f"  {check.name:<20} {'begins':<9} {self._on()}\n")
        self._line(f"  {check.name:<20} ")
        self._is_open = True

    def ended(self, finding: Finding) -> None:
        """Say what came of it."""
        name = "" if self._is_open else f"  {finding.check:<20} "
        self._is_open = False
        self._line(f"{name}{finding.result:<9} {finding.said}\n")
        if self._step is not None and self._step.changes and self._step.name == finding.check:
            is_on = getattr(self.instrument, "is_on", getattr(self.instrument, "is_closed", None))
            self.seen_off = finding.check if is_on is False else ""

    def say(self, text: str) -> None:
        """Say something between the steps."""
        self._line(f"{text}\n")

    def _on(self) -> str:
        if self.instrument.dialect.role == "switch":
            return "ITS CONTACT CLOSES for a moment"
        return f"ITS OUTPUT GOES ON for a moment, at {self.asked}"

    def _line(self, text: str) -> None:
        if self._is_open and text.startswith("  "):
            text = f"\n{text}"
        self._is_open = False
        tell(text, end="")


@dataclass(slots=True)
class Outcome:
    """What came of it all: the rows, the last line (empty: nothing here can be on), the exit code whatever the rows say."""

    findings: list[Finding]
    last: str = ""
    code: Exit | None = None


def plan_folder(data: Path | None, name: str) -> Path:
    """Return where the off plan of a test lies."""
    return (data or Path()) / PLANS / name


async def prove(instrument: Instrument, folder: Path) -> Outcome:
    """Take every step of the contract; whatever happens, off is tried to the last, and told.

    Raises:
        RefusedError: no off plan can be left; nothing was sent.
    """
    from chargerd.instruments.contract.suite import AT_THE_END, Result, run_contract

    rows = Rows(instrument)
    can_be_on = instrument.dialect.role in AT_THE_END.roles
    if can_be_on:
        _leave_plan(instrument, folder)
    outcome = Outcome([])
    with _stopping() as stops:
        work = asyncio.create_task(run_contract(instrument, watch=rows))
        stops.append(work)
        await asyncio.wait({work})
        if work.cancelled():
            outcome.code = Exit.STOPPED
            rows.say(f"\nStopped by {stops[1]}.")
        elif (fault := work.exception()) is not None:  # one of ours: all the more is everything switched off
            outcome.code = Exit.INTERNAL
            traceback.print_exception(fault)
        else:
            outcome.findings = work.result()
        if can_be_on and not rows.has_changed:
            _forget_plan(folder)
            outcome.last = "Nothing was sent to it that could switch it on: it is as it was before."
        elif can_be_on:
            ending = next((one for one in outcome.findings if one.check == AT_THE_END.name), None)
            await _end_off(instrument, folder, rows, outcome, is_off=ending is not None and ending.result is Result.PASSED)
    return outcome


async def _end_off(instrument: Instrument, folder: Path, rows: Rows, outcome: Outcome, *, is_off: bool) -> None:
    """Switch off if that is not proven yet, at last by the plan; write the last line."""
    from chargerd.instruments.contract.suite import AT_THE_END, Finding, Result, one_check

    if not is_off and not any(one.check == AT_THE_END.name for one in outcome.findings):
        ending = await one_check(instrument, AT_THE_END, rows)
        outcome.findings.append(ending)
        is_off = ending.result is Result.PASSED
    if not is_off:
        rows.say(f"  {PLAN_OFF:<20} begins    whether or not it says who it is")
        await instrument.connection.close()
        is_off, said = await asyncio.to_thread(_by_plan, folder)
        outcome.findings.append(Finding(instrument.name, PLAN_OFF, Result.PASSED if is_off else Result.FAILED, said))
        rows.ended(outcome.findings[-1])
    what = "CONTACT" if instrument.dialect.role == "switch" else "OUTPUT"
    if is_off:
        _forget_plan(folder)
        outcome.last = _safe(instrument, what, outcome.findings[-1].said)
        return
    outcome.code = Exit.NOT_VERIFIED_OFF
    on = "CLOSED" if what == "CONTACT" else "ON"
    at = f" at {rows.asked}" if rows.asked and on == "ON" else "" if rows.asked else ", as somebody set it before"
    seen = f" (off when last seen, after {rows.seen_before!r})" if rows.seen_before else ""
    outcome.last = (
        f"ITS {what} MAY STILL BE {on}{at}{seen}: use its own switch, or pull its plug, NOW. "
        f"Once it answers again: chargerd off {folder}"
    )


def _safe(instrument: Instrument, what: str, said: str) -> str:
    if what == "OUTPUT":
        return f"ITS OUTPUT IS OFF, verified: {said}."
    if instrument.dialect.questions.keys() & {"closed", "mirror"}:
        return f"ITS CONTACT IS OPEN, verified: {said}."
    return "ITS CONTACT WAS TOLD TO OPEN AND CANNOT SAY WHETHER IT DID: listen to it, or look."


@contextlib.contextmanager
def _stopping() -> Iterator[list[object]]:
    """While it lasts a signal cancels the task put into the list, once, and leaves behind it who that was."""
    loop = asyncio.get_running_loop()
    stops: list[object] = []

    def stop(by: str) -> None:
        if len(stops) == 1:
            task = stops[0]
            assert isinstance(task, asyncio.Task)
            stops.append(by)
            task.cancel()

    handlers = {name: signal.getsignal(name) for name in STOPPERS}
    for name, by in STOPPERS.items():
        loop.add_signal_handler(name, stop, by)
    try:
        yield stops
    finally:
        for name, handler in handlers.items():
            loop.remove_signal_handler(name)
            signal.signal(name, handler)


def _leave_plan(instrument: Instrument, folder: Path) -> None:
    """Write the off plan. Raises RefusedError: nothing is switched on that `chargerd off` could not switch off."""
    from chargerd.daemon.clock import boot_id, real_clock
    from chargerd.daemon.worker import write_off_plan
    from chargerd.instruments.offplan import off_plan

    plan = off_plan(
        [instrument], run="dialect test", channel=instrument.name, worker_pid=os.getpid(), boot_id=boot_id(),
        written_utc=real_clock().utc(),
    )  # fmt: skip
    try:
        folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        write_off_plan(folder, plan)
    except (OSError, JournalError) as fault:
        raise RefusedError(
            f"no off plan can be left in {folder} ({fault}); nothing was sent: start it in a folder of your own"
        ) from None


def _forget_plan(folder: Path) -> None:
    """Take the plan away, and the folders if nothing else is in them."""
    from chargerd.journal.runfolder import OFF_PLAN

    with contextlib.suppress(OSError):
        (folder / OFF_PLAN).unlink()
        folder.rmdir()
        folder.parent.rmdir()


def _by_plan(folder: Path) -> tuple[bool, str]:
    """Execute the plan as `off` does, without ending its holder, which is this process."""
    from chargerd.daemon import off, off_wire
    from chargerd.journal.runfolder import OFF_PLAN

    try:
        plan = off.read_plan(folder / OFF_PLAN)
    except off.PlanError as fault:
        return False, str(fault)
    off.run_plan(plan, {off_wire.port_of(one.address): threading.Lock() for one in plan.outputs})
    return plan.outputs[0].result
