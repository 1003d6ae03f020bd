"""Front panels of simulated instruments: settings, ranges, protections and readings, without any protocol.

A panel is what a person standing before the instrument would see and touch. Listeners (`wire`) and the fault table
(`faults`) act on it through `set`, `get`, `read` and the named actions. It keeps its own record of when it really
delivered or drew current: tests judge by that record, not by what the program under test believes.

Names that behaviour files use, so that panels and protocols can be written apart:

- supply: settings `voltage_set_V` `current_set_A` `output` `ovp_level_V` …; read `voltage_V` `current_A` `power_W`
- load: settings `current_set_A` `mode` `input` …; read the same three
- meter and one input of a scanner: read `voltage_V` `resistance_ohm` (of the sensor or resistor at that input) `emf_V`
  (of the thermocouple there) `temperature_degC` `current_A` (of a shunt); setting `function` (VOLT, TEMP, RES)
- thermometer: read `temperature_degC` `resistance_ohm` `emf_V`; one panel for each sensor of a line or folder
- relay, one panel for each contact: setting `closed` (its SWITCH, bool); flag `closed_shown` (what its own state answers)
  and `mirror_closed` (the second contact that is moved by the first)
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, floor, log, pi, sqrt
from typing import TYPE_CHECKING, ClassVar
from zlib import crc32

if TYPE_CHECKING:
    from collections.abc import Mapping

    from chargerd.sim.timeline import Site, Terminals

Value = float | bool | str

CONVERSION_S = 0.02
"""One conversion of the panels' meters (a mains period): asked twice within it, a meter answers the same."""


class OutOfRangeError(ValueError):
    """A setting beyond what the panel takes."""


class ConflictError(ValueError):
    """A setting the panel refuses in its present state."""


class Condition:
    """What a panel's status lamps show: plain bits, for they are set in every step."""

    CC = 1
    CV = 2
    OVP = 4
    OCP = 8
    OVER_TEMPERATURE = 16
    UNREGULATED = 32


@dataclass(frozen=True, slots=True)
class Setting:
    """One thing that can be set: its value after a reset and, for numbers, its range and step."""

    default: Value
    minimum: float = 0.0
    maximum: float = 0.0
    resolution: float = 0.0
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Accuracy:
    """How a reading comes from the truth: `gain`, `offset`, gaussian `noise`, rounding to `resolution`."""

    gain: float = 1.0
    offset: float = 0.0
    noise: float = 0.0
    resolution: float = 0.0


@dataclass(slots=True)
class Lie:
    """How a faulty reading differs from an honest one. `frozen` once read stays; `value` replaces."""

    scale: float = 1.0
    offset: float = 0.0
    value: float | None = None
    is_frozen: bool = False
    frozen: float | None = None


@dataclass(frozen=True, slots=True)
class Switched:
    """One entry of a panel's own record: from `time_s` on it conducted or did not, because of `cause`."""

    time_s: float
    on: bool
    cause: str


def gaussian(seed: int, index: int) -> float:
    """A standard normal number fixed by `seed` and `index`: the same whoever asks first (Box and Muller, 1958)."""
    mask = (1 << 64) - 1
    uniforms = []
    for part in (1, 2):
        # The finaliser of splitmix64 (Steele, Lea and Flood, 2014).
        mixed = (seed * 0x9E3779B97F4A7C15 + (2 * index + part) * 0xD1B54A32D192ED03) & mask
        mixed = ((mixed ^ (mixed >> 30)) * 0xBF58476D1CE4E5B9) & mask
        mixed = ((mixed ^ (mixed >> 27)) * 0x94D049BB133111EB) & mask
        uniforms.append(((mixed ^ (mixed >> 31)) + 0.5) / 2.0**64)
    return sqrt(-2.0 * log(uniforms[0])) * cos(2.0 * pi * uniforms[1])


class Panel:
    """What all panels share. Subclasses annotate their settings as attributes, so a mistyped one cannot be set."""

    SWITCH: ClassVar[str] = ""
    """Name of the setting that makes this panel conduct; empty for meters."""

    def __init__(self, name: str, node: Site, settings: Mapping[str, Setting], *, seed: int = 0) -> None:
        self.name = name
        self.node = node
        self.settings = dict(settings)
        self.accuracy: dict[str, Accuracy] = {}
        self.lies: dict[str, Lie] = {}
        self.ignores: set[str] = set()
        """Settings (or `set`, `on`, `off`) that are taken without complaint and not carried out."""
        self.stale: dict[str, Value] = {}
        """Settings that are answered as they once were."""
        self.lit = 0
        """Bits of Condition that show without reason."""
        self.is_stuck_on = False
        self.is_attached = True
        self.is_remote = False
        self.is_locked = False
        self.boots = 0
        self.commands = 0
        """How often anything was set here by wire, carried out or not: an output never to be touched keeps 0."""
        self.output_log: list[Switched] = [Switched(0.0, on=False, cause="made")]
        self.seen = 0
        self.keeps_switch_at_reset = False
        self._seed = seed
        self._restore_defaults()

    def _restore_defaults(self) -> None:
        for key, setting in self.settings.items():
            setattr(self, key, setting.default)

    # -- settings -----------------------------------------------------------------------------------------------

    def get(self, key: str) -> Value:
        """A setting as the panel shows it."""
        value: Value = getattr(self, key)
        return value

    def shown(self, key: str) -> Value:
        """A setting or flag as the wire answers it: `get`, but for what a fault keeps as it was."""
        return self.stale[key] if key in self.stale else self.get(key)

    def lamps(self) -> int:
        """The conditions as the wire answers them: `conditions`, and what a fault lights without reason."""
        return self.conditions() | self.lit

    def set(self, key: str, value: Value, now_s: float, cause: str = "command") -> None:
        """Change a setting at `now_s`.

        Raises:
            OutOfRangeError: number or word outside the range; nothing changes.
            ConflictError: the panel refuses this now.
        """
        setting = self.settings[key]
        self.commands += cause == "command"
        if isinstance(setting.default, bool):
            value = bool(value)
        elif isinstance(setting.default, str):
            if value not in setting.words:
                raise OutOfRangeError(f"{key}: {value!r} is none of {setting.words}")
        else:
            value = self._in_range(key, setting, float(value))
        self.node.advance_to(now_s)
        self._refuse(key, value)
        if cause == "command" and self._is_ignored(key, value):
            return
        if key != self.SWITCH and getattr(self, key) == value:
            return
        self.node.arrive(now_s)
        setattr(self, key, value)
        self.changed(cause, now_s)

    def _in_range(self, key: str, setting: Setting, value: float) -> float:
        slack = 1e-9 + 0.5 * setting.resolution
        if not setting.minimum - slack <= value <= setting.maximum + slack:
            raise OutOfRangeError(f"{key}: {value} is outside {setting.minimum} to {setting.maximum}")
        if setting.resolution > 0.0:
            value = round(round(value / setting.resolution) * setting.resolution, 12)
        return min(max(value, setting.minimum), setting.maximum)

    def _is_ignored(self, key: str, value: Value) -> bool:
        if key == self.SWITCH:
            return ("on" if value else "off") in self.ignores
        return "set" in self.ignores or key in self.ignores

    def _refuse(self, key: str, value: Value) -> None:
        """Raise ConflictError when the state forbids this setting."""

    def touch(self, key: str, value: Value, now_s: float) -> None:
        """A person at the panel sets something; a locked panel does not react."""
        if not self.is_locked:
            self.set(key, value, now_s, cause="panel")

    def reset(self, now_s: float) -> None:
        """`*RST`: every setting to its default, in some models but for the switch."""
        self.commands += 1
        self.node.arrive(now_s)
        kept = self.get(self.SWITCH) if self.SWITCH and self.keeps_switch_at_reset else None
        self._restore_defaults()
        if kept is not None:
            setattr(self, self.SWITCH, kept)
        self.changed("reset", now_s)

    def reboot(self, now_s: float) -> None:
        """Lose power and come back with default settings; listeners notice by `boots`."""
        self.node.arrive(now_s)
        self._restore_defaults()
        self.is_remote = self.is_locked = False
        self.boots += 1
        self.changed("reboot", now_s)

    def stick_on(self, now_s: float) -> None:
        """From now on switching off has no effect on the terminals, whatever the panel shows."""
        self.node.arrive(now_s)
        self.is_stuck_on = self.conducts
        self.changed("fault", now_s)

    def detach(self, now_s: float) -> None:
        """The temperature sensor, if there is one, falls off the cell and reads the room from now on."""
        self.node.arrive(now_s)
        self.is_attached = False

    def changed(self, cause: str, now_s: float) -> None:
        """Tell the node and the record after something was changed at `now_s`."""
        self.record(cause, now_s)
        self.node.changed()

    # -- the record ---------------------------------------------------------------------------------------------

    @property
    def conducts(self) -> bool:
        """Whether the panel really drives or loads its terminals."""
        return False

    def record(self, cause: str, now_s: float) -> None:
        """Enter into the panel's own record if it began or ceased to conduct."""
        if self.conducts != self.output_log[-1].on:
            self.output_log.append(Switched(now_s, on=self.conducts, cause=cause))

    def energised(self) -> list[tuple[float, float | None]]:
        """Intervals in which the panel really conducted; the last ends with None if it still does."""
        starts = [entry.time_s for entry in self.output_log if entry.on]
        ends: list[float | None] = [entry.time_s for entry in self.output_log[1:] if not entry.on]
        if len(ends) < len(starts):
            ends.append(None)
        return list(zip(starts, ends, strict=True))

    def off_s(self, since_s: float, until_s: float) -> float:
        """For how long of an interval it did not conduct: what a fan that must stay on was off."""
        on_s = 0.0
        for start_s, end_s in self.energised():
            on_s += max(min(until_s if end_s is None else end_s, until_s) - max(start_s, since_s), 0.0)
        return until_s - since_s - on_s

    # -- readings -----------------------------------------------------------------------------------------------

    def read(self, quantity: str, now_s: float) -> float:
        """One conversion as the display shows it; NaN and infinities where a fault says so."""
        lie = self.lies.get(quantity)
        if lie is not None and lie.frozen is not None:
            return lie.frozen
        accuracy = self.accuracy.get(quantity, Accuracy())
        reading = self.truth(quantity, now_s) * accuracy.gain + accuracy.offset
        if accuracy.noise > 0.0:
            index = floor(now_s / CONVERSION_S + 1e-6)
            reading += accuracy.noise * gaussian(self._seed + crc32(quantity.encode()), index)
        if lie is not None:
            reading = reading * lie.scale + lie.offset if lie.value is None else lie.value
        if accuracy.resolution > 0.0 and abs(reading) < 1e30:
            reading = round(round(reading / accuracy.resolution) * accuracy.resolution, 12)
        if lie is not None and lie.is_frozen:
            lie.frozen = reading
        return reading

    def truth(self, quantity: str, now_s: float) -> float:
        """The true value of a quantity at this panel's terminals.

        Raises:
            KeyError: for a quantity this panel does not measure.
        """
        at = self.node.look(now_s)
        return {"voltage_V": at.voltage_V, "temperature_degC": at.temperature_degC}[quantity]

    # -- what the node asks -------------------------------------------------------------------------------------

    def conditions(self) -> int:
        """What the status lamps show now, bits of Condition."""
        return 0

    def take_seen(self) -> int:
        """Every condition that held since the last call, bits of Condition."""
        seen, self.seen = self.seen, self.conditions()
        return seen | self.seen

    def protection_cause(self, terminals: Terminals) -> str | None:
        """Why this panel's own protection must act, or None. Asked only while it conducts."""
        del terminals
        return None

    def trip(self, cause: str, at_s: float) -> None:
        """Latch a protection."""

    def note(self, terminals: Terminals, dt_s: float) -> None:
        """Take what held at the terminals for the last `dt_s` seconds. Called only while it conducts."""
