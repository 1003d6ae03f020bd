"""Whether relays, resistors, shunts and slow sensors can do what a profile asks of them; fit.py compares everything else."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from chargerd.config.bank import Bank, bank_of, power_W
from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec
from chargerd.config.fit import Fit, short
from chargerd.config.profile import ProfileStep
from chargerd.config.safety_time import SafetyTime, cell_heat_s, covered_by_dead_man, off_plan_s, reaction
from chargerd.core.limits import Limits
from chargerd.core.program import Step, StepKind
from chargerd.units import brief, words

CONTACT_ROOM = 1.25
"""A contact is rated for this much more than what flows (common practice, no source), as the fuse is."""
OFF_PLAN_MAX_S = 60.0
"""The keeper ends an off plan that takes longer (`daemon/keeper.py`)."""


def check_parts(fit: Fit, written: ProfileStep, step: Step, limits: Limits, top_V: float) -> None:
    """Note what the channel's relay, bank of resistors and shunt cannot bear or do in this energising step."""
    if step.direction < 0 and not fit.channel.load:
        return
    bank = bank_of(fit.bench, fit.channel.load)
    _check_contact(fit, written, step)
    _check_shunt(fit, written, step, limits)
    if step.direction < 0:
        if bank:
            _check_bank(fit, written, step, Bank(bank), limits, top_V)
        else:
            _check_load_leads(fit, written, step)


def _check_contact(fit: Fit, written: ProfileStep, step: Step) -> None:
    if not fit.channel.switch:
        return
    spec = fit.bench.instruments[fit.channel.switch]
    assert spec.contact is not None, "a switch without a contact was refused before"
    rating_A = spec.contact.rating_A
    # A rating that is not written is told by readiness.py; it is no reason to refuse.
    if rating_A is not None and not CONTACT_ROOM * step.current_A <= rating_A * (1 + 1e-9):
        fit.faults.add(
            written.values.at("current"),
            f"{written.values.name_of('current')}: {words(step.current_A, 'current')} is too much for the contact of "
            f"{spec.name} ({words(rating_A, 'current')}, {short(spec.place)})",
            f"write less, or take a relay for {brief(CONTACT_ROOM * step.current_A, 'current')} of direct current or more",
        )


def _check_shunt(fit: Fit, written: ProfileStep, step: Step, limits: Limits) -> None:
    if not fit.channel.ammeter:
        return
    spec = fit.bench.instruments[fit.channel.ammeter]
    assert spec.shunt_ohm is not None, "an ammeter without a shunt was refused before"
    drop_V = step.current_A * spec.shunt_ohm
    at, name = written.values.at("current"), written.values.name_of("current")
    if spec.voltage_max_V is not None and not drop_V <= spec.voltage_max_V:
        fit.faults.add(
            at,
            f"{name}: {words(step.current_A, 'current')} makes {brief(drop_V, 'voltage')} across the shunt, more than "
            f"{spec.name} reads ({words(spec.voltage_max_V, 'voltage')}, {short(spec.place)})",
            "take a smaller shunt",
        )
    rating_V = fit.source().voltage_max_V
    top_V = limits.voltage_max_V if step.voltage_V is None else step.voltage_V
    if step.direction > 0 and rating_V is not None and not top_V + drop_V <= rating_V:
        fit.faults.add(
            at,
            f"{name}: {brief(top_V, 'voltage')} and the shunt's {brief(drop_V, 'voltage')} are more than "
            f"{fit.channel.source} can give ({words(rating_V, 'voltage')}, {short(fit.source().place)})",
            "take a smaller shunt or a larger supply",
        )


def _check_load_leads(fit: Fit, written: ProfileStep, step: Step) -> None:
    """A load sees the cell's voltage less what leads and shunt drop: near the end that may be too little for it."""
    load, end_V = fit.bench.instruments[fit.channel.load], step.end("voltage_below")
    if end_V is None or end_V < load.minimum_voltage_V or written.ends is None:
        return
    shunt_ohm = fit.bench.instruments[fit.channel.ammeter].shunt_ohm or 0.0 if fit.channel.ammeter else 0.0
    drop_V = step.current_A * (shunt_ohm + fit.bench.wiring.lead_ohm)
    if not end_V - drop_V >= load.minimum_voltage_V:
        least_V = load.minimum_voltage_V + drop_V
        fit.faults.add(
            written.ends.at("voltage_below"),
            f"voltage_below: {words(end_V, 'voltage')} at the cell leaves {brief(end_V - drop_V, 'voltage')} at "
            f"{load.name} after leads and shunt; it holds its current down to {words(load.minimum_voltage_V, 'voltage')} "
            f"({short(load.place)})",
            f"write at least {brief(least_V, 'voltage')}, or shorten the leads",
        )


def _check_bank(fit: Fit, written: ProfileStep, step: Step, bank: Bank, limits: Limits, top_V: float) -> None:
    at, name = written.values.at("current"), written.values.name_of("current")
    smallest_A, largest_A = bank.smallest_A(top_V), bank.largest_A(top_V)
    if not smallest_A <= step.current_A * (1 + 1e-9):
        fit.faults.add(
            at,
            f"{name}: {words(step.current_A, 'current')} is less than {fit.channel.load} can draw from "
            f"{words(top_V, 'voltage')} "
            f"({brief(smallest_A, 'current')} through its largest resistor)",
            f"write at least {brief(smallest_A, 'current')}, or add a resistor of "
            f"{brief(top_V / step.current_A, 'resistance')} or more",
        )
    elif not largest_A >= 0.5 * step.current_A:
        # Half: slower is harmless for the cell, but what is then measured is no longer the test that was written.
        fit.faults.add(
            at,
            f"{name}: {words(step.current_A, 'current')} is more than twice what {fit.channel.load} can draw even from "
            f"{words(top_V, 'voltage')} ({brief(largest_A, 'current')} with every relay closed)",
            f"write {brief(largest_A, 'current')} or less, or add resistors",
        )
    for resistor in bank.resistors:
        heat_W = power_W(resistor, limits.voltage_max_V)
        if not heat_W <= resistor.power_W:
            fit.faults.add(
                resistor.place,
                f"resistors.{resistor.name}: {words(limits.voltage_max_V, 'voltage')}, the cell's hard limit, makes "
                f"{brief(heat_W, 'power')} in it, more than its {words(resistor.power_W, 'power')}",
                f"take one for {brief(2 * heat_W, 'power')}, twice that, so that it stays touchable",
            )
        contact = fit.bench.instruments[resistor.switch].contact
        most_A = CONTACT_ROOM * limits.voltage_max_V / resistor.resistance_ohm
        if contact is not None and contact.rating_A is not None and not most_A <= contact.rating_A * (1 + 1e-9):
            fit.faults.add(
                resistor.place,
                f"resistors.{resistor.name}: the contact of {resistor.switch} is for {words(contact.rating_A, 'current')}; "
                f"{brief(most_A / CONTACT_ROOM, 'current')} may flow",
                f"take a relay for {brief(most_A, 'current')} of direct current or more",
            )


def protecting(bench: BenchFile, channel: ChannelSpec) -> Iterator[InstrumentSpec]:
    """Return the instruments whose readings protect the cell, thermometers last."""
    names = (channel.meter, channel.ammeter, *channel.taps, channel.thermometer)
    return (bench.instruments[name] for name in dict.fromkeys(names) if name)


def check_speed(
    fit: Fit, written: ProfileStep, step: Step, time: SafetyTime, missed_max: int, limits: Limits, current_A: float
) -> None:
    """Note sensors and scanners that are too slow for this step's sampling, or for what its current can heat.

    A value of a slow sensor may be as old as its period; older than the missed readings allow, it would be missing for ever. The
    thermometer guards against a hot cell only, so its half of the safety time is the cell's; all others guard against the first.
    """
    values, act = written.values, reaction(fit.bench, fit.channel)
    for spec in protecting(fit.bench, fit.channel):
        every_s = spec.every_s or 0.0
        if every_s > missed_max * step.sample_every_s:
            fit.faults.add(
                values.at("sample_every"),
                f"{values.name_of('sample_every')}: {spec.name} has a new value every {words(every_s, 'time')} "
                f"({short(spec.place)}); with readings every {words(step.sample_every_s, 'time')} it would be missing",
                f"write {words(float(-(-every_s // missed_max)), 'time')} or more, or take a faster one",
            )
            continue
        heats_s = time.seconds
        if spec.name == fit.channel.thermometer:
            heats_s = cell_heat_s(current_A, limits.voltage_max_V, fit.cell.mass_g)
        took_s = act.worst_s(max(step.sample_every_s, every_s), missed_max)
        if every_s > step.sample_every_s and not took_s <= heats_s / 2:
            fit.faults.add(
                values.at("current"),
                f"{values.name_of('current')}: {spec.name} has a new value every {words(every_s, 'time')} "
                f"({short(spec.place)}), "
                f"so switching off may take {brief(took_s, 'time')}; half of the time until it is hot is "
                f"{brief(heats_s / 2, 'time')}",
                "write a smaller current, or take a faster one",
            )


def check_scan(fit: Fit, written: ProfileStep, step: Step) -> None:
    """Inputs behind one wire are read one after another; the time-out is all the file says about how long each may take."""
    scanned = [spec for spec in protecting(fit.bench, fit.channel) if spec.input]
    for address, inputs in Counter(spec.address for spec in scanned).items():
        slowest_s = sum(spec.timeout_s for spec in scanned if spec.address == address)
        if inputs > 1 and slowest_s > step.sample_every_s:
            first = next(spec for spec in scanned if spec.address == address)
            fit.faults.add(
                written.values.at("sample_every"),
                f"{written.values.name_of('sample_every')}: reading {inputs} inputs one after another may take "
                f"{brief(slowest_s, 'time')} ({first.name}, {short(first.place)})",
                f"write {brief(slowest_s, 'time')} or more, or a shorter timeout if the meter answers faster",
            )


def check_listening(fit: Fit) -> None:
    """Note a device that prints unasked with a time-out too short: whoever joins within one line waits for the next but one."""
    for spec in protecting(fit.bench, fit.channel):
        if "listen=yes" in spec.address and spec.every_s is not None and not spec.timeout_s > 2.0 * spec.every_s:
            fit.faults.add(
                spec.place,
                f"{spec.name}: prints every {words(spec.every_s, 'time')}, and the first whole line may take twice as long; it "
                f"would be given up after {words(spec.timeout_s, 'time')}",
                f"write timeout: {words(2.5 * spec.every_s, 'time')}",
            )


def check_dead_man(fit: Fit, time: SafetyTime) -> None:
    """Note a dead-man relay that opens too late for the run's largest current: nothing else acts when the computer is gone."""
    dead_man = fit.bench.dead_man
    if dead_man is not None and covered_by_dead_man(fit.bench, fit.channel) and not dead_man.drop_out_s <= time.half_s:
        fit.faults.add(
            dead_man.place,
            f"dead_man.drop_out: {words(dead_man.drop_out_s, 'time')} is more than half of the time until {time.first} "
            f"({brief(time.half_s, 'time')})",
            "make its stage faster and measure it again, or take a smaller current",
        )


def check_off_plan(fit: Fit) -> None:
    """Note a bench whose off plan takes longer, with every instrument silent, than anyone waits for it."""
    took_s = off_plan_s(fit.bench, fit.channel)
    if not took_s <= OFF_PLAN_MAX_S:
        fit.faults.add(
            fit.source().place,
            f"{fit.channel.name}: with every instrument silent, switching off takes {words(took_s, 'time')}; the keeper gives up "
            f"after {words(OFF_PLAN_MAX_S, 'time')}",
            "write shorter time-outs, or spread the relays over several boards",
        )


def bank_notes(fit: Fit, step: Step, top_V: float) -> list[str]:
    """Return what a discharge through resistors does differently from one through a load."""
    resistors = bank_of(fit.bench, fit.channel.load)
    if step.kind is not StepKind.DISCHARGE or not resistors:
        return []
    bank, end_V = Bank(resistors), step.end("voltage_below")
    said = (
        f"step {step.number}: {fit.channel.load} draws {brief(bank.smallest_A(top_V), 'current')} to "
        f"{brief(bank.largest_A(top_V), 'current')} from {words(top_V, 'voltage')}"
    )
    if end_V is not None and end_V > 0:
        said += f", {brief(bank.smallest_A(end_V), 'current')} to {brief(bank.largest_A(end_V), 'current')} "
        said += f"from {words(end_V, 'voltage')}"
    behind_V = bank.falls_behind_V(step.current_A)
    if behind_V > (end_V or 0.0):
        said += f"; below {brief(behind_V, 'voltage')} less than the {words(step.current_A, 'current')} that are asked for"
    return [said]
