"""Modbus slaves before panels: register lists as data, units on one bus, and answers to functions 01 to 06, 0F and 10.

A behaviour file with `speaks: modbus-rtu` or `modbus-tcp` holds, besides `behaviour`, `about` and `panel`:

- `units`: `each` when every panel is a unit of its own (1, 2, 3 … on one bus), `one` when all panels are unit 1
- `identity`: numbers of the registers that tell the model
- `registers`: number as printed -> entry. 0xxxx are coils, 1xxxx discrete inputs, 3xxxx input registers, 4xxxx holding
  registers, each counted from 1, as printed lists have it. An entry is one of `holds` (a number), `setting` (of the panel;
  `shown`: the flag that is answered instead), `read` (a quantity), `flag`, `codes` (a number by the condition that holds,
  `NONE` for none), `do` (an action of the panel when 1 is written); with `step` (what 1 is worth), `signed: yes`, `long: yes`
  (two registers, the high one first), `enables` (a switch that writing turns on), `panels: each` (one for each, counting on)
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite
from typing import TYPE_CHECKING, Any

from chargerd.sim.behaviour import read_behaviour
from chargerd.sim.listener import Ears, Listener, Pieces
from chargerd.sim.modbus_wire import Rtu, Tcp, Wire
from chargerd.sim.panel import Condition, ConflictError, OutOfRangeError, Panel

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

WIRES: Mapping[str, Wire] = {"modbus-rtu": Rtu(), "modbus-tcp": Tcp()}

COILS, DISCRETE, INPUT, HOLDING = "0", "1", "3", "4"
READS = {1: COILS, 2: DISCRETE, 3: HOLDING, 4: INPUT}
LENGTHS = {1: 5, 2: 5, 3: 5, 4: 5, 5: 5, 6: 5, 15: 7, 16: 8}
"""Function -> bytes that the PDU of its request has at least; those below 7 have exactly as many."""

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
NOBODY = 65535
"""What a register answers that has no number to give."""


class SlaveError(Exception):
    """Answered by an exception; `code` is its number."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a register list. `kind` and `key` as in the file; `panel`: which one of its unit, from 0."""

    kind: str
    key: Any
    step: float = 1.0
    is_signed: bool = False
    is_long: bool = False
    shown: str = ""
    enables: str = ""
    panel: int = 0
    codes: Mapping[str, int] = field(default_factory=dict)


Registers = dict[tuple[str, int], tuple[Entry, int]]
"""(table, address from 0) -> its entry and which of its words, the high one being 0."""


@dataclass
class Unit:
    """One slave on a bus: its register list, its panels and the registers that tell its model."""

    registers: Registers
    panels: Sequence[Panel]
    identity: Sequence[tuple[str, int]]

    def read(self, table: str, address: int, told: Sequence[int], now_s: float) -> int:
        """The word at an address; `told` replaces the model registers.

        Raises:
            SlaveError: there is none.
        """
        if (table, address) in self.identity:
            return told[self.identity.index((table, address))] & 0xFFFF
        entry, word = self._at(table, address)
        value = self._value(entry, self.panels[entry.panel], now_s)
        return value >> (16 if entry.is_long and word == 0 else 0) & 0xFFFF

    def _value(self, entry: Entry, panel: Panel, now_s: float) -> int:
        panel.node.look(now_s)
        if entry.kind == "holds":
            return int(entry.key)
        if entry.kind == "codes":
            lamps = panel.lamps()
            lit = (code for name, code in entry.codes.items() if name != "NONE" and lamps & getattr(Condition, name))
            return next(lit, entry.codes["NONE"])
        if entry.kind == "do":
            return 0
        value = panel.read(entry.key, now_s) if entry.kind == "read" else panel.shown(entry.shown or entry.key)
        number = float(value)
        if not isfinite(number) or abs(number / entry.step) > 0x7FFF_FFFF:
            return NOBODY
        # A register without a sign cannot say "a little below zero": the device says 0 then, and never 65535.
        return round(number / entry.step) if entry.is_signed else max(round(number / entry.step), 0)

    def write(self, table: str, address: int, words: Sequence[int], now_s: float) -> None:
        """Write words from an address on: all of them, or none when one is refused by its number.

        Raises:
            SlaveError: no such address, read only, out of range, or refused by the panel.
        """
        entries = [self._at(table, address + place) for place in range(len(words))]
        if any(entry.kind not in ("setting", "do") for entry, _ in entries):
            raise SlaveError(ILLEGAL_ADDRESS)
        place = 0
        while place < len(words):
            entry, _ = entries[place]
            number = words[place]
            if entry.is_long:
                if place + 1 == len(words):
                    raise SlaveError(ILLEGAL_VALUE)
                place += 1
                number = number << 16 | words[place]
            self._set(entry, number, now_s)
            place += 1

    def _set(self, entry: Entry, number: int, now_s: float) -> None:
        panel = self.panels[entry.panel]
        bits = 32 if entry.is_long else 16
        if entry.is_signed and number >> (bits - 1):
            number -= 1 << bits
        try:
            if entry.kind == "do":
                if number != 1:
                    raise SlaveError(ILLEGAL_VALUE)
                getattr(panel, entry.key)(now_s)
                return
            if isinstance(panel.settings[entry.key].default, bool) and number not in (0, 1):
                raise SlaveError(ILLEGAL_VALUE)
            panel.set(entry.key, number * entry.step, now_s)
            if entry.enables:
                panel.set(entry.enables, True, now_s)
        except OutOfRangeError:
            raise SlaveError(ILLEGAL_VALUE) from None
        except ConflictError:
            raise SlaveError(DEVICE_FAILURE) from None

    def _at(self, table: str, address: int) -> tuple[Entry, int]:
        found = self.registers.get((table, address))
        if found is None:
            raise SlaveError(ILLEGAL_ADDRESS)
        return found


class ModbusListener(Listener):
    """A bus: units by number. Requests to others are heard by nobody here; to 0 by all, without an answer."""

    def __init__(self, wire: Wire, units: Mapping[int, Unit], identity: str) -> None:
        self.wire = wire
        self.units = dict(units)
        self.panels = tuple(panel for unit in units.values() for panel in unit.panels)
        self.identity = identity
        self.request = b""
        """The frame that is being answered."""

    def join(self, number: int, other: ModbusListener) -> None:
        """Take the unit 1 of another bus onto this one, under that number; it keeps its own model."""
        unit = other.units[1]
        for place, model in zip(unit.identity, _model(other.identity, len(unit.identity)), strict=True):
            unit.registers[place] = (Entry("holds", model), 0)
        unit.identity = ()
        self.units[number] = unit
        self.panels += other.panels

    def ears(self) -> Ears:
        """See `Listener.ears`."""
        return self.wire.ears()

    def shown(self, message: bytes) -> str:
        """See `Listener.shown`: `unit 1 read 40011 2`, `unit 1 write 40013 1`, numbers as printed in register lists."""
        number, pdu = self.wire.opened(message)
        function, address, last = pdu[0], _word(pdu, 1), _word(pdu, 3)
        if function in READS:
            return f"unit {number} read {_printed(READS[function], address)} {last}"
        if function in (5, 6):
            return f"unit {number} write {_printed(COILS if function == 5 else HOLDING, address)} {last}"
        if function in (15, 16):
            written = " ".join(str(word) for word in _written(pdu))
            return f"unit {number} write {_printed(COILS if function == 15 else HOLDING, address)} {written}"
        return f"unit {number} function {function}"

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """See `Listener.answer`."""
        self.request = message
        number, pdu = self.wire.opened(message)
        asked = self.units.values() if number == 0 else [self.units[number]] if number in self.units else []
        answers = []
        for unit in asked:
            try:
                answers.append(self._carry_out(unit, pdu, now_s))
            except SlaveError as refused:
                answers.append(bytes((pdu[0] | 0x80, refused.code)))
        return [(0.0, self.wire.framed(message, number, answers[0]))] if answers and number else []

    def _carry_out(self, unit: Unit, pdu: bytes, now_s: float) -> bytes:
        function, address, count = pdu[0], _word(pdu, 1), _word(pdu, 3)
        if function in LENGTHS and not LENGTHS[function] <= len(pdu) <= (5 if function < 7 else 252):
            raise SlaveError(ILLEGAL_VALUE)
        if function in READS:
            table = READS[function]
            if not 1 <= count <= (2000 if table in (COILS, DISCRETE) else 125):
                raise SlaveError(ILLEGAL_VALUE)
            told = _model(self.identity, len(unit.identity))
            words = [unit.read(table, address + place, told, now_s) for place in range(count)]
            content = _packed(words) if table in (COILS, DISCRETE) else b"".join(word.to_bytes(2, "big") for word in words)
            return bytes((function, len(content))) + content
        if function == 5:
            if count not in (0, 0xFF00):
                raise SlaveError(ILLEGAL_VALUE)
            unit.write(COILS, address, [int(count != 0)], now_s)
            return pdu
        if function == 6:
            unit.write(HOLDING, address, [count], now_s)
            return pdu
        if function in (15, 16):
            expected = (count + 7) // 8 if function == 15 else 2 * count
            if not 1 <= count <= (1968 if function == 15 else 123) or pdu[5] != expected or len(pdu) != 6 + expected:
                raise SlaveError(ILLEGAL_VALUE)
            unit.write(COILS if function == 15 else HOLDING, address, _written(pdu), now_s)
            return pdu[:5]
        raise SlaveError(ILLEGAL_FUNCTION)


def _word(content: bytes, at: int) -> int:
    return int.from_bytes(content[at : at + 2], "big")


def _printed(table: str, address: int) -> str:
    return f"{table}{address + 1:04d}"


def _packed(bits: Sequence[int]) -> bytes:
    """Coils in bytes, the first in the lowest bit."""
    return bytes(sum(bit << place for place, bit in enumerate(bits[at : at + 8])) for at in range(0, len(bits), 8))


def _written(pdu: bytes) -> list[int]:
    """The coils or registers that a multiple write carries."""
    if pdu[0] == 16:
        return [_word(pdu, at) for at in range(6, len(pdu) - 1, 2)]
    return [pdu[6 + place // 8] >> place % 8 & 1 for place in range(min(_word(pdu, 3), 8 * (len(pdu) - 6)))]


def _model(identity: str, count: int) -> list[int]:
    """An identity as model registers; one that is no list of so many numbers gives numbers that no list has."""
    parts = identity.split(",")
    told = [int(part) for part in parts if part.isdecimal()]
    return told if len(told) == len(parts) == count else [NOBODY] * count


def modbus_listener(behaviour: str, panels: Sequence[Panel], identity: str | None) -> ModbusListener:
    """The bus that a behaviour file describes. Raises ValueError, KeyError for a file that does not make sense."""
    raw = read_behaviour(behaviour)
    each = raw["units"] == "each"
    numbers = [(text[0], int(text[1:]) - 1) for text in raw["identity"]]
    groups = [[panel] for panel in panels] if each else [list(panels)]
    registers = [_registers(raw["registers"], len(group)) for group in groups]
    units = {
        number: Unit(table, group, numbers) for number, (table, group) in enumerate(zip(registers, groups, strict=True), start=1)
    }
    model = ",".join(str(registers[0][number][0].key) for number in numbers)
    return ModbusListener(WIRES[raw["speaks"]], units, model if identity is None else identity)


def _registers(lines: Mapping[str, Mapping[str, Any]], panels: int) -> Registers:
    table: Registers = {}
    for printed, line in lines.items():
        for panel in range(panels if line.get("panels") == "each" else 1):
            entry = _entry(line, panel)
            for word in range(2 if entry.is_long else 1):
                place = (printed[0], int(printed[1:]) - 1 + panel + word)
                if place in table:
                    raise ValueError(f"{printed}: the register before reaches into it")
                table[place] = (entry, word)
    return table


def _entry(line: Mapping[str, Any], panel: int) -> Entry:
    kinds = [kind for kind in ("holds", "setting", "read", "flag", "codes", "do") if kind in line]
    if len(kinds) != 1:
        raise ValueError(f"{line}: needs exactly one kind")
    return Entry(
        kinds[0],
        line[kinds[0]],
        step=float(line.get("step", "1")),
        is_signed=line.get("signed") == "yes",
        is_long=line.get("long") == "yes",
        shown=line.get("shown", ""),
        enables=line.get("enables", ""),
        panel=panel,
        codes={name: int(code) for name, code in line["codes"].items()} if kinds[0] == "codes" else {},
    )
