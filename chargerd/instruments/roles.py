"""What a channel needs of instruments: source, load, meter, thermometer, each over one connection and one dialect.

Every write is followed by a look into the error queue and a read-back. An output may be switched on only with protection
levels and set-points that were written and read back equal since the link was opened; reopening it ends that proof. Off is
believed only when the state says so *and* the current is about zero. Relays are in relay.py, loads made of resistors in bank.py.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

from chargerd.config.bench import InstrumentSpec
from chargerd.config.inputs import zero_current_A
from chargerd.core.events import Observed
from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.connection import Connection, WrongIdentityError
from chargerd.instruments.dialect import TRIPS, Dialect
from chargerd.instruments.framing.scpi import ErrorEntry
from chargerd.instruments.framing.spoken import Question

ERRORS_MAX = 16
"""Entries drained from an error queue at once; a queue that never empties is a fault of its own."""

OFF_TRIES = 3
"""The command, one retry, and one more because the first may have been lost with a link that had to be reopened."""

WATCHDOG_S = 30.0
"""An instrument's own watchdog: well above the longest silence of a healthy channel (2 s between passes, a reopening)."""

POWER_ON_BIT = 128
"""Bit 7 (PON) of the standard event status register, IEEE 488.2 §11.5.1."""


class ProtectionActedError(InstrumentError):
    """A protection of the instrument itself has acted. Switching on is not tried again: on some models that clears the trip."""


@dataclass(frozen=True, slots=True)
class _Write:
    """One setting: command, its number (None: a fixed word), the question that reads it back, and what must come."""

    command: str
    value: float | None
    question: str


class Instrument:
    """Meter or thermometer, and the base of the others. `role` is what it does here: a meter may read a thermometer's sensor."""

    role = "meter"

    def __init__(self, spec: InstrumentSpec, dialect: Dialect, connection: Connection) -> None:
        self.name = spec.name
        self.spec = spec
        self.dialect = dialect
        self.connection = connection
        self.errors: list[str] = []
        """Entries found in its error queue, until somebody takes them."""

    @property
    def has_restarted(self) -> bool:
        """Latched: it reported a power-on since it was identified at CHECKING. Outputs of one instrument restart together."""
        return self.connection.has_restarted

    async def identify(self) -> str:
        """Open if need be, prove the identity, and forget an old power-on flag. Raises LinkError or InstrumentError."""
        if self.connection.is_usable:
            await self.connection.identify()
        else:
            await self.connection.reopen()
        for name in ("remote", "lock"):
            if name in self.dialect.commands:
                await self.connection.tell(self.dialect.commands[name])
        if "events" in self.dialect.questions:
            await self.connection.ask(self._question("events"), int)
        self.connection.has_restarted = False
        return self.connection.identity

    async def drain_errors(self) -> list[ErrorEntry]:
        """Read the error queue until it is empty. Raises LinkError; InstrumentError when it never empties."""
        entries: list[ErrorEntry] = []
        if "error" not in self.dialect.questions:
            return entries
        while True:
            entry = await self.connection.ask(self._question("error"), ErrorEntry)
            if entry.number == 0:
                return entries
            entries.append(entry)
            self.errors.append(f"{self.name}: {entry.number} {entry.text}")
            if len(entries) >= ERRORS_MAX:
                raise InstrumentError(f"{self.name}: the error queue does not empty; last entry {entry.number} {entry.text}")

    async def check_errors(self) -> None:
        """Refuse an instrument that still holds errors. Its queue is empty afterwards.

        Query errors (-4xx) are what a conversation that broke off leaves behind; they say nothing of the instrument.
        """
        entries = [entry for entry in await self.drain_errors() if not -499 <= entry.number <= -400]
        if entries:
            listed = ", ".join(f"{entry.number} {entry.text}" for entry in entries)
            raise InstrumentError(f"{self.name}: its error queue held {listed}; find out why, then start again")

    async def refuse_errors(self, done: str) -> None:
        """A command error (-1xx) or execution error (-2xx) after a write means that it was not done (SCPI-1999, 21.8)."""
        refused = [entry for entry in await self.drain_errors() if -299 <= entry.number <= -100]
        if refused:
            raise InstrumentError(f"{self.name}: refused {done}: {refused[0].number} {refused[0].text}")

    async def check_power_on(self) -> None:
        """Where the instrument can tell what its output does after a power failure, refuse anything but off."""
        if "power_on" in self.dialect.questions:
            answer = await self.connection.ask(self._question("power_on"), str)
            if answer not in self.dialect.power_on_safe:
                safe = " or ".join(self.dialect.power_on_safe)
                raise InstrumentError(f"{self.name}: after a power failure its output would be {answer}; set it to {safe}")

    @property
    def timeout_s(self) -> float:
        """The longest wait for one answer."""
        return self.connection.timeout_s

    def _question(self, name: str) -> Question:
        return self.dialect.questions[name]

    def _text(self, name: str) -> str:
        return self.dialect.questions[name].text


class Output(Instrument):
    """An instrument that can energise: what source and load have in common.

    `is_on` is the last state observed: None until one was, or when switching off could not be proven.
    """

    def __init__(self, spec: InstrumentSpec, dialect: Dialect, connection: Connection) -> None:
        super().__init__(spec, dialect, connection)
        self.is_on: bool | None = None
        self.points: tuple[float, ...] = ()
        """Set-points last written and read back."""
        self._limits_proof = self._points_proof = -1

    async def current_A(self) -> float:
        """Read the current now. Raises LinkError, InstrumentError."""
        return await self.connection.ask(self._question("current"), float)

    @property
    def zero_current_A(self) -> float:
        """Largest reading that still counts as no current: twice the offset of its accuracy plus two steps, at least 10 mA."""
        return zero_current_A(self.spec)

    @property
    def has_limits(self) -> bool:
        """True while its protection levels are proven through the present link."""
        return self._limits_proof == self.connection.generation and self.connection.is_usable

    @property
    def is_armed(self) -> bool:
        """True while levels and set-points are proven through the present link: the token without which nothing goes on."""
        return self.has_limits and self._points_proof == self.connection.generation

    async def switch_off(self) -> Observed:
        """Switch off, prove it by state and current, retry. Never raises for what instruments do; never skips trying.

        Set-points proven before are no longer: while it is off, a person at the panel may change them and no limit sees it.
        """
        self.points, self._points_proof = (), -1
        reason = ""
        for _ in range(OFF_TRIES):
            try:
                await self.connection.ensure()
                await self.connection.tell(self.dialect.commands["off"], urgent=True)
                is_on = await self.connection.ask(self._question("output"), bool, urgent=True)
                current_A = await self.connection.ask(self._question("current"), float, urgent=True)
            except WrongIdentityError as fault:
                reason = str(fault)
                break
            except (LinkError, InstrumentError) as fault:
                reason = str(fault)
                continue
            said = f"{self._text('output')} answers {'1' if is_on else '0'}, {current_A * 1000:.1f} mA"
            if not is_on and abs(current_A) <= self.zero_current_A:
                self.is_on = False
                return Observed(self.name, "off", verified=True, text=said)
            reason = f"{self.name} does not go off: {said} (off: at most {self.zero_current_A * 1000:.0f} mA)"
            await asyncio.sleep(self.dialect.settle_s)
        self.is_on = None
        return Observed(self.name, "off", verified=False, text=reason)

    async def prove_off(self) -> None:
        """Read the state and the current now. Raises InstrumentError unless both say off; LinkError."""
        await self.connection.ensure()
        self.is_on = await self.connection.ask(self._question("output"), bool)
        current_A = await self.connection.ask(self._question("current"), float)
        if self.is_on or not abs(current_A) <= self.zero_current_A:
            state = "on" if self.is_on else "off"
            raise InstrumentError(f"{self.name}: must be off first, but it says {state} and {current_A * 1000:.1f} mA")

    async def switch_on(self) -> Observed:
        """Switch on and prove it by the state.

        Raises:
            InstrumentError: not armed, refused, or the state does not follow. LinkError.
        """
        if not self.is_armed:
            raise InstrumentError(
                f"{self.name}: not switched on, its protection levels and set-points were not proven since the link was opened"
            )
        self.is_on = True  # from here on it may be, whatever comes back
        await self.connection.tell(self.dialect.commands["on"])
        await self.refuse_errors("on")
        await asyncio.sleep(self.dialect.settle_s)
        self.is_on = await self.connection.ask(self._question("output"), bool)
        tripped = await self.tripped()
        if tripped:
            raise ProtectionActedError(f"{self.name}: switched on, but its protection acted ({', '.join(tripped)})")
        if not self.is_on:
            raise InstrumentError(f"{self.name}: switched on, but {self._text('output')} answers 0")
        return Observed(self.name, "on", verified=True, text=f"{self._text('output')} answers 1")

    async def tripped(self) -> list[str]:
        """Return which of the instrument's own protections have acted. Raises LinkError."""
        used = {self.dialect.status[trip].register for trip in TRIPS if trip in self.dialect.status}
        registers = {name: await self.connection.ask(self._question(name), int) for name in sorted(used)}
        return [trip.replace("_", "-") for trip in TRIPS if self.dialect.has_status(trip, registers)]

    async def clear_protection(self) -> Observed:
        """Clear a trip of the instrument's own: output off and set-points low first, since clearing restores the old state.

        Raises:
            InstrumentError: it cannot be proven off, or the trip stays. LinkError.
        """
        observed = await self.switch_off()
        if not observed.verified:
            raise InstrumentError(f"{self.name}: its protection is not cleared: {observed.text}")
        await self._write(self._low())
        self.points = ()
        self._points_proof = -1
        await self.connection.tell(self.dialect.commands["clear_protection"])
        await self.refuse_errors("clear_protection")
        after = await self.switch_off()
        tripped = await self.tripped()
        if tripped or not after.verified:
            raise InstrumentError(f"{self.name}: cleared, but {', '.join(tripped) or after.text}")
        return after

    async def _arm_watchdog(self) -> None:
        """Have the instrument switch off by itself when nobody speaks to it any more, where it can."""
        if "watchdog" in self.dialect.commands:
            await self._write([_Write("watchdog", WATCHDOG_S, "watchdog")])

    def _low(self) -> list[_Write]:
        return [_Write("current_set", 0.0, "current_set")]

    def _level(self, name: str, value: float) -> list[_Write]:
        """Return the writes that set a protection level and switch the protection on, as far as the dialect has them."""
        if name not in self.dialect.commands:
            return []
        writes = [_Write(name, value, name)]
        if f"{name}_enable" in self.dialect.commands:
            writes.append(_Write(f"{name}_enable", None, f"{name}_enabled"))
        return writes

    async def _write(self, writes: Sequence[_Write]) -> None:
        """Send settings, look into the error queue, read each one back. Raises InstrumentError when one was not done."""
        for write in writes:
            self._refuse_above_rating(write)
            await self.connection.tell(self.dialect.commands[write.command], write.value)
        await self.refuse_errors(", ".join(self.dialect.commands[write.command].text(write.value) for write in writes))
        for write in writes:
            await self._read_back(write)

    async def _read_back(self, write: _Write) -> None:
        command = self.dialect.commands[write.command]
        question = self._question(write.question)
        text = question.text
        if write.value is None:
            if not await self.connection.ask(question, bool):
                raise InstrumentError(f"{self.name}: {command.text()} sent, but {text} answers 0")
            return
        answer = await self.connection.ask(question, float)
        sent = float(command.sent(write.value))
        kind = {"voltage_set": "voltage", "ovp": "voltage", "watchdog": "time"}.get(write.command, "current")
        step = max(command.step, self.spec.resolution.get(kind, 0.0))
        if not abs(answer - sent) <= step * 1.000001:
            raise InstrumentError(f"{self.name}: {command.text(write.value)} sent, but {text} answers {answer:g}")

    def _refuse_above_rating(self, write: _Write) -> None:
        rating = {"voltage_set": self.spec.voltage_max_V, "current_set": self.spec.current_max_A}.get(write.command)
        if write.value is not None and not (write.value >= 0.0 and (rating is None or write.value <= rating)):
            raise InstrumentError(f"{self.name}: {write.command} of {write.value:g} is outside 0 to its rating; not sent")


class Source(Output):
    """A power supply's one output."""

    role = "source"

    async def voltage_V(self) -> float:
        """Read the voltage at its terminals now. Raises LinkError, InstrumentError."""
        return await self.connection.ask(self._question("voltage"), float)

    async def write_limits(self, *, ovp_V: float | None, ocp_A: float | None) -> None:
        """Write and prove what protection of its own it has. Raises LinkError or InstrumentError."""
        await self.connection.ensure()
        levels = {"ovp": ovp_V, "ocp": ocp_A}
        await self._write(
            [write for name, level in levels.items() if level is not None for write in self._level(name, level)]
        )
        await self._arm_watchdog()
        self._limits_proof = self.connection.generation

    async def write_points(self, *, voltage_V: float, current_A: float) -> None:
        """Write and prove both set-points. Raises LinkError or InstrumentError."""
        await self.connection.ensure()
        self.points, self._points_proof = (), -1
        await self._write(
            [_Write("voltage_set", voltage_V, "voltage_set"), _Write("current_set", current_A, "current_set")]
        )
        self.points, self._points_proof = (voltage_V, current_A), self.connection.generation

    def _low(self) -> list[_Write]:
        return [_Write("voltage_set", 0.0, "voltage_set"), *super()._low()]


class Load(Output):
    """An electronic load in constant current."""

    role = "load"

    async def write_limits(self, *, ocp_A: float | None) -> None:
        """Set and prove the mode, and over-current protection where the load has it. Raises LinkError or InstrumentError."""
        await self.connection.ensure()
        await self.set_mode()
        if ocp_A is not None:
            await self._write(self._level("ocp", ocp_A))
        await self._arm_watchdog()
        self._limits_proof = self.connection.generation

    async def write_points(self, *, current_A: float) -> None:
        """Write and prove the current. Raises LinkError or InstrumentError."""
        await self.connection.ensure()
        self.points, self._points_proof = (), -1
        await self._write([_Write("current_set", current_A, "current_set")])
        self.points, self._points_proof = (current_A,), self.connection.generation

    async def set_mode(self) -> None:
        """Put the load into constant current and read it back. Only called with its input off.

        Raises:
            InstrumentError: the input is on, or the mode does not follow. LinkError.
        """
        if "mode" not in self.dialect.questions or await self.connection.ask(self._question("mode"), str) in self.dialect.mode:
            return
        if await self.connection.ask(self._question("output"), bool):
            self.is_on = True
            raise InstrumentError(f"{self.name}: its input is on in another mode than constant current")
        await self.connection.tell(self.dialect.commands["mode"])
        await self.refuse_errors("mode")
        mode = await self.connection.ask(self._question("mode"), str)
        if mode not in self.dialect.mode:
            raise InstrumentError(f"{self.name}: stays in mode {mode}, not constant current")


class Meter(Instrument):
    """A voltmeter at the cell or on the leads, or an ammeter: one that answers amperes, or a voltmeter across a shunt."""

    async def current_A(self) -> float:
        """Read the current now. Raises LinkError, InstrumentError."""
        shunt_ohm = self.spec.shunt_ohm
        if shunt_ohm is None:
            return await self.connection.ask(self._question("current"), float)
        return await self.connection.ask(self._question("voltage"), float) / shunt_ohm


class Thermometer(Instrument):
    """A thermometer, in degrees Celsius, or a meter that reads a thermometer's sensor."""

    role = "thermometer"
