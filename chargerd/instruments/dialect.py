"""A dialect: how one model of instrument spells its questions and commands. Data in `dialects/*.yaml`, read in dialect_file.py.

What a question means and what its reply must be is fixed by its name in `QUESTIONS`; how it is spelt is the framing's business
(SCPI headers, lines of text, Modbus registers, frames of bytes). A file may be based on another and change it. To add a model:
copy a file, put it beside the bench file in a folder `dialects`, change what differs; `chargerd dialect new` asks for it all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from chargerd.instruments.framing.spoken import Command, Question

FOLDER = Path(__file__).parent / "dialects"
ROLES = ("source", "load", "meter", "thermometer", "switch")

QUESTIONS: dict[str, str] = {
    "identity": "identity",
    "error": "error",
    "events": "integer",
    "voltage": "number",
    "current": "number",
    "temperature": "number",
    "resistance": "number",
    "questionable": "integer",
    "operation": "integer",
    "mode": "word",
    "power_on": "word",
    "output": "boolean",
    "voltage_set": "number",
    "current_set": "number",
    "ovp": "number",
    "ovp_enabled": "boolean",
    "ocp": "number",
    "ocp_enabled": "boolean",
    "watchdog": "number",
    "closed": "boolean",
    "mirror": "boolean",
}
"""Name of a question → what its reply is (framing/spoken.py, KINDS)."""

COMMANDS = frozenset(
    {
        "on", "off", "mode", "voltage_set", "current_set", "ovp", "ovp_enable", "ocp", "ocp_enable", "clear_protection",
        "remote", "lock", "watchdog", "close", "open",
    }
)  # fmt: skip
SETS = frozenset({"voltage_set", "current_set", "ovp", "ocp", "watchdog"})
"""Commands that carry a number."""

_COMMON = frozenset({"identity", "error", "events"})
_OUTPUT = frozenset({"voltage", "current", "questionable", "output", "current_set"})
NEEDED_QUESTIONS: dict[str, frozenset[str]] = {
    "source": _COMMON | _OUTPUT | {"voltage_set", "ovp", "ocp"},
    "load": _COMMON | _OUTPUT | {"mode"},
    "meter": _COMMON,
    "thermometer": _COMMON | {"temperature"},
    "switch": _COMMON | {"closed"},
}
NEEDED_ONE_OF: dict[str, tuple[str, ...]] = {
    "meter": ("voltage", "current", "resistance", "temperature"),
}
NEEDED_COMMANDS: dict[str, frozenset[str]] = {
    "source": frozenset({"on", "off", "voltage_set", "current_set", "ovp", "ocp"}),
    "load": frozenset({"on", "off", "mode", "current_set"}),
    "meter": frozenset(),
    "thermometer": frozenset(),
    "switch": frozenset({"close", "open"}),
}
MAY_LACK: dict[str, str] = {
    "error": "it has no error queue: a refused command is found by reading back",
    "events": "it cannot say that it restarted: that is found by its set-points",
    "questionable": "it has no status register: what it regulates is judged by its voltage",
    "ovp": "it has no over-voltage protection of its own",
    "ocp": "it has no over-current protection of its own: the fuse counts",
    "mode": "it knows constant current only",
    "voltage": "it does not measure voltage",
    "closed": "it cannot say whether its contact is closed",
}
"""What a file may declare missing (`lacks: [error, ocp]`), and what follows. Everything else an instrument must have."""
VOLTAGE_LACKED_BY = frozenset({"load"})
"""A source that measures no voltage proves nothing; a load need not, when somebody else does."""

STATUS = frozenset(
    {"constant_current", "constant_voltage", "unregulated", "over_voltage", "over_current", "over_temperature"}
)
TRIPS = ("over_voltage", "over_current", "over_temperature")
REGISTERS = ("questionable", "operation")


@dataclass(frozen=True, slots=True)
class Bit:
    """Where a condition shows: a bit of a register, or (`bit` None) the register being exactly `equals`."""

    register: str
    bit: int | None
    equals: int = 0

    def holds(self, registers: Mapping[str, int]) -> bool:
        """Tell whether the condition holds in these registers."""
        value = registers[self.register]
        return value == self.equals if self.bit is None else bool(value >> self.bit & 1)


@dataclass(frozen=True, slots=True)
class Example:
    """One exchange as the instrument's manual prints it: what is sent, what comes back, what it means (of a set: the value).

    `sent` and `reply` are text, or bytes in hexadecimal where the framing is binary; empty: the manual does not say.
    """

    sent: str
    reply: str = ""
    means: str = ""
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Dialect:
    """A whole dialect.

    `mode`: words a load must answer to be in constant current. `compound`: several questions at once. `needs`: which of
    `output` and `input` the bench file must say. `lacks`: what the instrument does not have (`MAY_LACK`). `examples`: wire
    pairs by the name of a command, or of a question with a question mark; checked by `chargerd dialect test`.
    """

    name: str
    about: str
    role: str
    framing: str
    settle_s: float
    compound: bool
    power_on: str
    power_on_safe: tuple[str, ...]
    verified_on_hardware: str
    questions: Mapping[str, Question]
    commands: Mapping[str, Command]
    status: Mapping[str, Bit] = field(default_factory=dict)
    mode: tuple[str, ...] = ()
    needs: frozenset[str] = frozenset()
    lacks: frozenset[str] = frozenset()
    examples: Mapping[str, Example] = field(default_factory=dict)

    def has_status(self, name: str, registers: Mapping[str, int]) -> bool:
        """Tell whether that condition holds in these registers."""
        bit = self.status.get(name)
        return bit is not None and bit.holds(registers)


def dialect_names(folder: Path = FOLDER) -> tuple[str, ...]:
    """Return the names of the dialects in a folder."""
    return tuple(sorted(path.stem for path in folder.glob("*.yaml")))
