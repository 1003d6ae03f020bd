"""What both forms of the sheet say in lists: title, instruments, isolation, outputs that stay on or are never touched."""

from __future__ import annotations

from chargerd.config.bench import BenchFile
from chargerd.config.isolation import isolation_notes
from chargerd.config.readers import reader_notes
from chargerd.config.safety_time import covered_by_dead_man
from chargerd.config.sheet.parts import parts


def is_invented(bench: BenchFile) -> bool:
    """Whether the file says that its bench is invented."""
    return "invented" in bench.about.lower()


def title(bench: BenchFile) -> str:
    """Return the sheet's title; it names the very file by the beginning of its SHA-256."""
    return f"Wiring of {bench.name}, from {bench.path.name} ({bench.sha256[:12]})"


def roles(bench: BenchFile, name: str) -> str:
    """Return what that instrument does on which channel."""
    found = []
    for channel in bench.channels.values():
        named = {
            "source": channel.source,
            "load": channel.load,
            "voltage at the cell": channel.meter,
            "current by the shunt": channel.ammeter,
            "voltage at the source": channel.sense,
            "relay of the cell": channel.switch,
            "temperature of the cell": channel.thermometer,
            "temperature of the room": channel.ambient,
        }
        found += [f"{role} ({channel.name})" for role, who in named.items() if who == name]
        found += [f"cell {number} ({channel.name})" for number, who in enumerate(channel.taps, 1) if who == name]
    found += [f"relay of resistor {resistor.name}" for resistor in bench.resistors if resistor.switch == name]
    found += [
        f"cold junction of {spec.name}"
        for spec in bench.instruments.values()
        if spec.sensor and spec.sensor.cold_junction == name
    ]
    return ", ".join(found) or "not used by any channel"


def instrument_rows(bench: BenchFile) -> list[tuple[str, ...]]:
    """Return (name, does, address, output or input, tied to earth) of every instrument."""
    rows: list[tuple[str, ...]] = []
    for spec in bench.instruments.values():
        which = f"output {spec.output}" if spec.output else f"input {spec.input}" if spec.input else ""
        electrical = any(quantity in spec.accuracy for quantity in ("voltage", "current"))
        earth = ("floats" if spec.isolated else "TIED TO EARTH") if electrical else ""
        rows.append((spec.name, roles(bench, spec.name), spec.address, which, earth))
    return rows


def outputs(bench: BenchFile) -> list[str]:
    """Return what must stay on and what must never be touched."""
    rows = [
        f"NEVER TOUCHED by the program: {one}. Mark it so on the instrument; nothing of this sheet is connected to it."
        for one in bench.never_touch
    ]
    rows += [f"STAYS ON when everything else goes off: {one}. Not led through the dead-man relay." for one in bench.keep_on]
    return rows or [
        "The file names no output that stays on (a fan) and none that must never be touched (the computer's own supply)."
    ]


def warnings(bench: BenchFile) -> list[str]:
    """Return what is dangerous or doubtful in this wiring."""
    rows = [
        f"{part.what}: {part.remark}" for part in parts(bench) if "TOO SMALL" in part.remark or "CLOSED WITHOUT" in part.remark
    ]
    for channel in bench.channels.values():
        if not channel.switch:
            rows.append(
                f"{channel.name}: no relay. Switched off, {channel.source} may still drain the cell: unclip a cell you leave."
            )
        if bench.dead_man is None:
            rows.append(f"{channel.name}: no dead-man relay. When the computer dies, outputs stay on.")
        elif not covered_by_dead_man(bench, channel):
            rows.append(f"{channel.name}: the dead-man relay does not end all of its current; see `chargerd check`.")
        elif channel.source in bench.keep_on:
            rows.append(
                f"{channel.name}: {channel.source} is on the keep_on list: its output must be another one than this channel's."
            )
        if channel.taps and bench.wiring.tap_ohm is None:
            rows.append(
                f"{channel.name}: the file says no tap_resistor. A tap lead without one is a short that waits; 1 kohm is advised."
            )
    rows += [f"Earth: {note}." for note in isolation_notes(bench.instruments, bench.channels)]
    return rows + [f"Inputs: {note}." for note in reader_notes(bench.instruments, bench.channels)]
