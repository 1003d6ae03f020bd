"""The parts list: what a bench file needs beside its instruments, with ratings computed from its own numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from chargerd.config.bank import power_W
from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec
from chargerd.config.sheet.advice import leads, source_A, source_V
from chargerd.config.sheet.circuit import ohms, tap_ohm
from chargerd.units import brief, words

ROOM = 1.25
"""Contacts for this much more than the largest current (common practice, no source)."""
HEAT_ROOM = 2.0
"""Resistors for twice the heat (common practice, no source): at their full rating they are too hot to touch."""


@dataclass(frozen=True, slots=True)
class Part:
    """One line: how many, what, the least it must be rated for, and a remark (from the file where it says less)."""

    count: int
    what: str
    rating: str
    remark: str = ""


def largest_A(bench: BenchFile) -> float:
    """Return the largest current that may flow for long: the hard limit, or the fuse where that is smaller."""
    return min(bench.wiring.fuse_A, max(bench.limits.charge_current_max_A, bench.limits.discharge_current_max_A))


def parts(bench: BenchFile) -> list[Part]:
    """Return the parts list of a bench."""
    return [
        *_fuses(bench),
        *_relays(bench),
        *_dead_man(bench),
        *_resistors(bench),
        *_measuring(bench),
        *_sensors(bench),
        *_rest(bench),
    ]


def _fuses(bench: BenchFile) -> Iterator[Part]:
    count = len(bench.channels)
    yield Part(
        count,
        "fuse with an insulated in-line holder, one at the + of each cell or string",
        f"{words(bench.wiring.fuse_A, 'current')}, quick-acting, for {words(source_V(bench), 'voltage')} or more DC",
        "and spares of the same value; a larger one changes what `check` computes: write it into the file",
    )


def _relays(bench: BenchFile) -> Iterator[Part]:
    volts = words(source_V(bench), "voltage")
    for name in dict.fromkeys(channel.switch for channel in bench.channels.values() if channel.switch):
        yield _relay(bench.instruments[name], ROOM * largest_A(bench), volts, "isolates the cell")
    for resistor in bench.resistors:
        current_A = bench.limits.voltage_max_V / resistor.resistance_ohm
        yield _relay(bench.instruments[resistor.switch], ROOM * current_A, volts, f"switches resistor {resistor.name}")


def _relay(spec: InstrumentSpec, least_A: float, volts: str, does: str) -> Part:
    contact = spec.contact
    remarks = ["the rating for direct current counts; the one for alternating current is no help"]
    if contact is None or contact.rating_A is None:
        remarks.append("the file does not say its rating")
    elif not contact.rating_A >= least_A * (1 - 1e-9):
        remarks.append(f"THE FILE SAYS {words(contact.rating_A, 'current')}: TOO SMALL")
    if contact is not None and contact.without_power == "closed":
        remarks.append("CLOSED WITHOUT POWER: a dead computer leaves it closed")
    if contact is None or contact.at_boot != "open":
        remarks.append("what it does while the computer starts is not known to be harmless")
    return Part(
        1, f"relay {spec.name}, normally open contact: {does}", f"{brief(least_A, 'current')} and {volts} DC", "; ".join(remarks)
    )


def _dead_man(bench: BenchFile) -> Iterator[Part]:
    dead_man = bench.dead_man
    if dead_man is None:
        return
    # A contact in a source's lead is not behind the fuse: it carries what the source can drive.
    driven_A = max(
        (source_A(bench, channel.source) for channel in bench.channels.values() if channel.source in dead_man.cuts), default=0
    )
    buzzer = " and one normally closed contact" if dead_man.buzzer else ""
    yield Part(
        1,
        f"dead-man relay with {len(dead_man.cuts)} normally open contact(s){buzzer}, and the stage that needs toggling",
        f"{brief(max(ROOM * largest_A(bench), driven_A), 'current')} and {words(source_V(bench), 'voltage')} DC",
        "its drawing: chargerd wiring --dead-man",
    )
    if dead_man.buzzer:
        yield Part(1, "buzzer with a battery of its own", "for the battery's voltage", "loud enough to be heard where people are")


def _resistors(bench: BenchFile) -> Iterator[Part]:
    for resistor in bench.resistors:
        heat_W = power_W(resistor, bench.limits.voltage_max_V)
        remark = f"{brief(heat_W, 'power')} at the hard limit of {words(bench.limits.voltage_max_V, 'voltage')}; on metal, hot"
        if not resistor.power_W >= heat_W:
            remark += f"; THE FILE SAYS {words(resistor.power_W, 'power')}: TOO SMALL"
        yield Part(
            1,
            f"power resistor {resistor.name}",
            f"{ohms(resistor.resistance_ohm)}, {brief(max(HEAT_ROOM * heat_W, 0.5), 'power')} or more",
            remark,
        )


def measuring_resistors(channel: ChannelSpec) -> int:
    """Return how many leads of a channel have a resistor at the cell's end."""
    return (len(channel.taps) + 1 if channel.taps else 0) + (1 if channel.meter else 0)


def _measuring(bench: BenchFile) -> Iterator[Part]:
    count = sum(measuring_resistors(channel) for channel in bench.channels.values())
    if count:
        ohm, volts_V = tap_ohm(bench), bench.limits.voltage_max_V
        source = "" if bench.wiring.tap_ohm is not None else "; advised, the file says no tap_resistor"
        yield Part(
            count,
            "resistor at the cell's end of a measuring lead",
            f"{ohms(ohm)}, {brief(max(HEAT_ROOM * volts_V**2 / ohm, 0.25), 'power')} or more",
            f"a lead shorted to the other end of {words(volts_V, 'voltage')} then carries "
            f"{brief(volts_V / ohm, 'current')} and "
            f"makes {brief(volts_V**2 / ohm, 'power')}{source}",
        )
    for channel in bench.channels.values():
        if channel.ammeter:
            ohm = bench.instruments[channel.ammeter].shunt_ohm or 0.0
            most_A = largest_A(bench)
            yield Part(
                1,
                f"shunt of {channel.name}, four terminals",
                f"{words(ohm, 'resistance')}, {brief(max(HEAT_ROOM * most_A**2 * ohm, 0.25), 'power')} or more",
                f"drops {brief(most_A * ohm, 'voltage')} at {brief(most_A, 'current')}",
            )


def _sensors(bench: BenchFile) -> Iterator[Part]:
    used = [name for channel in bench.channels.values() for name in (channel.thermometer, channel.ambient) if name]
    cold = [spec.sensor.cold_junction for spec in bench.instruments.values() if spec.sensor and spec.sensor.cold_junction]
    for name in dict.fromkeys([*used, *cold]):
        spec = bench.instruments[name]
        kind = "as its reader wants it" if spec.sensor is None else f"{spec.sensor.kind}"
        wires = f", {spec.sensor.wires} wires" if spec.sensor is not None and spec.sensor.kind.startswith("pt") else ""
        yield Part(
            1, f"temperature sensor for {name}", kind + wires, "tape that holds when warm; insulated from metal of the cell"
        )


def _rest(bench: BenchFile) -> Iterator[Part]:
    cells = sum(max(1, len(channel.taps)) for channel in bench.channels.values())
    ends = 2 * len(bench.channels)
    clips = ends + sum(2 * (len(channel.taps) - 1) for channel in bench.channels.values() if len(channel.taps) > 1)
    own = sum(2 * bool(channel.meter) + (len(channel.taps) + 1 if channel.taps else 0) for channel in bench.channels.values())
    yield Part(
        clips,
        "clip or screw terminal at a cell, for power",
        f"{words(largest_A(bench), 'current')}; {bench.wiring.clip_mass_g:g} g of metal, as the file says",
        "no iron in the electrolyte's reach",
    )
    if own:
        yield Part(own, "small clip or terminal at a cell, for measuring", "of its own, not on top of the power clip")
    circuits = len({channel.source for channel in bench.channels.values()})
    yield Part(2 * circuits, "terminal block (rail)", f"{leads(bench).cross_section_mm2:g} mm² and larger", "covered")
    yield Part(1, "tray that does not burn", f"room for {cells} cell(s) and all their liquid")
    yield Part(1, "goggles, gloves, water at hand, smoke alarm", "for whoever touches a cell")
