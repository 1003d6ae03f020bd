"""One sample of one instrument: which questions, in which order, and what the replies mean as inputs of a reading.

The order is no accident: neighbours differ in grammar and a yes/no question comes last, a number before it, so that replies
shifted by one (a late or a doubled one) break the grammar within the same sample. Then the whole sample is thrown away,
also what looked right before the break.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from chargerd.core.reading import Measured, Quality
from chargerd.errors import LinkGarbledError
from chargerd.instruments.dialect import REGISTERS, TRIPS
from chargerd.instruments.framing.scpi import ErrorEntry, NoReadingError, OverRangeError
from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import POWER_ON_BIT, Instrument, Load, Output, Source

LEVEL_OF_A_PROTECTION_SWITCHED_OFF = 9999.0
"""Reported as the level of an OVP or OCP that the instrument says is disabled: it protects at no level."""

BEYOND_BELIEF = 2.0
"""A reading above this many times the instrument's rating is no measurement."""

_QUANTITIES: dict[str, str] = {
    "voltage": "voltage_V",
    "current": "current_A",
    "temperature": "temperature_degC",
    "voltage_set": "voltage_set_V",
    "current_set": "current_set_A",
    "ovp": "ovp_V",
    "ocp": "ocp_A",
}
_ROLES_QUICK: dict[str, tuple[str, ...]] = {
    "meter": ("voltage", "current"),
    "thermometer": ("temperature",),
    "source": ("voltage", "questionable", "operation", "current", "output"),
    "load": ("voltage", "questionable", "operation", "mode", "current", "output"),
    "switch": ("mirror", "closed"),
}
_IDLE: dict[str, tuple[str, ...]] = {"source": ("voltage", "output"), "load": ("output",)}
_ROLES_FULL: dict[str, tuple[str, ...]] = {
    "meter": ("error", "events"),
    "thermometer": ("error", "events"),
    "switch": ("error", "events"),
    "source": ("error", "voltage_set", "events", "current_set", "ovp_enabled", "ovp", "ocp_enabled", "ocp", "output"),
    "load": ("error", "events", "current_set", "ocp_enabled", "ocp", "output"),
}
_COLUMNS: dict[str, tuple[str, ...]] = {
    "meter": ("voltage_V", "current_A", "restarted"),
    "thermometer": ("temperature_degC", "restarted"),
    "source": (
        "voltage_V", "current_A", "output", "regulated", "tripped",
        "voltage_set_V", "current_set_A", "ovp_V", "ocp_A", "restarted",
    ),
    "load": ("voltage_V", "current_A", "output", "regulated", "tripped", "current_set_A", "ocp_A", "restarted"),
    "switch": ("closed", "mirror", "restarted"),
}  # fmt: skip


class Reply(NamedTuple):
    """A parsed reply and when it arrived, on the clock of the sampler. `value` None: the instrument has none to give."""

    value: float | int | bool | str | ErrorEntry | None
    at_s: float
    quality: Quality = Quality.GOOD


class Sampler:
    """Asks one instrument for a sample and turns the replies into inputs.

    `columns` are the keys it can deliver. `now_s` is the clock of the channel.
    """

    def __init__(self, instrument: Instrument, now_s: Callable[[], float]) -> None:
        self.instrument = instrument
        self._now_s = now_s
        role = instrument.role
        has = instrument.dialect.questions
        self._quick = tuple(name for name in _ROLES_QUICK[role] if name in has)
        if role == "meter" and "voltage" in has:
            self._quick = ("voltage",)  # one function each: a meter that is to change it at every sample wears and lags
        self._idle = tuple(name for name in _IDLE.get(role, _ROLES_QUICK[role]) if name in has)
        more = tuple(name for name in _ROLES_FULL[role] if name in has)
        self._full = tuple(name for name in self._quick if name not in more) + more
        left_out = {quantity for name, quantity in _QUANTITIES.items() if name not in has}
        left_out -= {"temperature_degC"} if role == "thermometer" else set()  # a sensor's may be made of ohms or volts
        self._shunt_ohm = instrument.spec.shunt_ohm if role == "meter" else None
        if self._shunt_ohm is not None:
            left_out = (left_out | {"voltage_V"}) - {"current_A"}
        left_out |= {"mirror"} if "mirror" not in has else set()
        left_out |= {"restarted"} if "events" not in has else set()
        status = instrument.dialect.status  # what it cannot say is missing, not 0
        if not any(trip in status for trip in TRIPS):
            left_out |= {"tripped"}
        if role != "load" and not any(one in status for one in ("constant_current", "constant_voltage", "unregulated")):
            left_out |= {"regulated"}
        self._keys = {quantity: f"{instrument.name}_{quantity}" for quantity in _COLUMNS[role] if quantity not in left_out}
        self.columns = tuple(self._keys.values())
        self._shows = {"questionable", "operation", "mode"} & set(has)
        self._last_good_s: dict[str, float] = {}
        self._read_generation = -1
        self._questions = has
        self._messages = {name: question.message for name, question in has.items()}
        self.replies: dict[str, Reply] = {}
        self.asked: tuple[str, ...] = ()

    def begin(self, *, full: bool, active: bool) -> None:
        """Begin a sample. After a reopening everything is read back, whatever was asked for."""
        reopened = self._read_generation != self.instrument.connection.generation
        self.asked = self._full if full or reopened else self._quick if active else self._idle
        self.replies = {}

    async def ask(self) -> None:
        """Ask the whole sample.

        Raises:
            LinkError: the link failed (and is closed); nothing of this sample is kept.
            InstrumentError: its error queue does not empty.
        """
        connection = self.instrument.connection
        if self.instrument.dialect.compound and len(self.asked) > 1:
            texts = await connection.ask_together([self._questions[name].text for name in self.asked])
            raw = [(text.encode("ascii"), 0.0) for text in texts]
        else:
            raw = await connection.ask_all([self._messages[name] for name in self.asked])
        now_s = self._now_s()
        replies: dict[str, Reply] = {}
        for name, (reply, ago_s) in zip(self.asked, raw, strict=True):
            try:
                replies[name] = Reply(_plain(self._questions[name].parse(reply)), now_s - ago_s)
            except NoReadingError:
                replies[name] = Reply(None, now_s - ago_s, Quality.ABSENT)
            except OverRangeError:
                replies[name] = Reply(None, now_s - ago_s, Quality.IMPLAUSIBLE)
            except LinkGarbledError as fault:
                asked = self._questions[name].text
                raise await connection.spoil(LinkGarbledError(f"{asked} was answered by {reply[:40]!r}: {fault}")) from fault
        self.replies = replies
        if self.asked is self._full:
            self._read_generation = connection.generation
        await self._take_states()

    async def _take_states(self) -> None:
        """Let the instrument know what was seen of it: its output, a power-on, an error in its queue."""
        instrument = self.instrument
        output = self.replies.get("output")
        if output is not None and isinstance(instrument, Output):
            instrument.is_on = bool(output.value)
        closed = self.replies.get("closed")
        if closed is not None and isinstance(instrument, Switch):
            instrument.is_closed = bool(closed.value)
        events = self.replies.get("events")
        if events is not None and isinstance(events.value, int) and events.value & POWER_ON_BIT:
            instrument.connection.has_restarted = True
        error = self.replies.get("error")
        if error is not None and isinstance(error.value, ErrorEntry) and error.value.number != 0:
            instrument.errors.append(f"{instrument.name}: {error.value.number} {error.value.text}")
            self.replies["error"] = Reply(None, error.at_s)
            await instrument.drain_errors()

    # --- what the replies mean -----------------------------------------------------------------------------------------

    def measured(self, _known: Mapping[str, Measured] | None = None) -> dict[str, Measured]:
        """Return every input asked in this sample, with its age now; one without a reply is absent."""
        now_s = self._now_s()
        inputs: dict[str, Measured] = {}
        for name in self.asked:
            quantity = _QUANTITIES.get(name)
            if quantity is not None:
                measured = self._number(name, now_s)
                if name == "voltage" and self._shunt_ohm is not None:
                    quantity, measured = "current_A", _through(self._shunt_ohm, measured)
                if quantity in self._keys:
                    inputs[self._keys[quantity]] = measured
        if isinstance(self.instrument, Output) and "output" in self.asked:
            inputs[self._keys["output"]] = self._flag("output", self._state("output"), now_s)
            for quantity, judge in (("regulated", self._regulated), ("tripped", self._tripped)):
                if quantity in self._keys and self._shows & set(self.asked):
                    inputs[self._keys[quantity]] = self._flag(quantity, judge(), now_s)
        if isinstance(self.instrument, Switch):
            # A relay that cannot say its state is as it was told: that much is known, and no more.
            told = self.instrument.told
            closed = self._state("closed") if "closed" in self.asked else None if told is None else float(told)
            inputs[self._keys["closed"]] = self._flag("closed", closed, now_s)
            if "mirror" in self.asked:
                inputs[self._keys["mirror"]] = self._flag("mirror", self._state("mirror"), now_s)
        if "events" in self.asked or self.instrument.has_restarted:
            known = 1.0 if self.instrument.has_restarted else (0.0 if "events" in self.replies else None)
            inputs[self._keys["restarted"]] = self._flag("restarted", known, now_s)
        return inputs

    def _number(self, name: str, now_s: float) -> Measured:
        reply = self.replies.get(name)
        if reply is None:
            return Measured(None, self._age(name, now_s), Quality.ABSENT)
        value = reply.value
        if not isinstance(value, float):
            return Measured(None, self._age(name, now_s), reply.quality)
        if not self._is_believable(name, value):
            return Measured(None, self._age(name, now_s), Quality.IMPLAUSIBLE)
        if name in ("ovp", "ocp") and self._state(f"{name}_enabled") == 0.0:
            value = LEVEL_OF_A_PROTECTION_SWITCHED_OFF
        self._last_good_s[name] = reply.at_s
        return Measured(value, _age_s(reply.at_s, now_s))

    def _flag(self, name: str, value: float | None, now_s: float) -> Measured:
        if value is None:
            return Measured(None, self._age(name, now_s), Quality.ABSENT)
        # What was derived from several replies is as old as the oldest thing it may rest on: the sample's first reply.
        at_s = min(reply.at_s for reply in self.replies.values()) if self.replies else now_s
        self._last_good_s[name] = at_s
        return Measured(value, _age_s(at_s, now_s))

    def _age(self, name: str, now_s: float) -> float:
        """Age of a value that is missing: how long ago it was last good, 0 when it never was."""
        return _age_s(self._last_good_s.get(name, now_s), now_s)

    def _is_believable(self, name: str, value: float) -> bool:
        spec = self.instrument.spec
        rating = {"voltage": spec.voltage_max_V, "current": spec.current_max_A}.get(name)
        return rating is None or abs(value) <= BEYOND_BELIEF * rating

    def _state(self, name: str) -> float | None:
        reply = self.replies.get(name)
        return None if reply is None or not isinstance(reply.value, bool) else float(reply.value)

    def _registers(self) -> Mapping[str, int] | None:
        registers: dict[str, int] = {}
        for name in REGISTERS:
            if name in self.asked:
                reply = self.replies.get(name)
                if reply is None or not isinstance(reply.value, int):
                    return None
                registers[name] = reply.value
        return registers

    def _tripped(self) -> float | None:
        registers = self._registers()
        if registers is None:
            return None
        dialect = self.instrument.dialect
        return float(any(dialect.has_status(name, registers) for name in TRIPS))

    def _regulated(self) -> float | None:
        """0 off, 1 constant current, 2 constant voltage, 3 unregulated (both bits, the bit for it, or a foreign mode)."""
        registers = self._registers()
        if registers is None:
            return None
        dialect = self.instrument.dialect
        if dialect.has_status("unregulated", registers):
            return 3.0
        if isinstance(self.instrument, Load):
            return self._load_regulated()
        assert isinstance(self.instrument, Source)
        is_cc, is_cv = (dialect.has_status(name, registers) for name in ("constant_current", "constant_voltage"))
        if "constant_voltage" not in dialect.status:  # it tells constant current only: else it holds its voltage, if it is on
            return 1.0 if is_cc else 2.0 if self._state("output") else 0.0
        return 3.0 if is_cc and is_cv else 1.0 if is_cc else 2.0 if is_cv else 0.0

    def _load_regulated(self) -> float | None:
        mode, output = self.replies.get("mode"), self._state("output")
        if "mode" not in self._questions:
            return output
        if mode is None or output is None:
            return None
        if mode.value not in self.instrument.dialect.mode:
            return 3.0
        return output


def _through(shunt_ohm: float, across: Measured) -> Measured:
    """Ohm's law, rounded to the seven digits that a converted quantity keeps before the engine sees it."""
    return across if across.value is None else across._replace(value=float(f"{across.value / shunt_ohm:.7g}"))


def _age_s(at_s: float, now_s: float) -> float:
    """Age in whole milliseconds, as the journal holds it."""
    return max(0.0, round(now_s - at_s, 3))


def _plain(value: object) -> float | int | bool | str | ErrorEntry:
    assert isinstance(value, (float, int, str, ErrorEntry))
    return value
