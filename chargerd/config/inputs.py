"""Who measures and switches what on a channel, and what each instrument's zero may be, as the core knows it."""

from __future__ import annotations

import math

from chargerd.config.bank import bank_of
from chargerd.config.bench import Accuracy, BenchFile, ChannelSpec, InstrumentSpec
from chargerd.core.limits import Zeros
from chargerd.core.reading import BankPart, ChannelInputs
from chargerd.core.zero import NOTHING_STATED, StatedZero

ZERO_CURRENT_FLOOR_A = 0.010
"""Currents below this count as zero after switching off, however good the data sheet: output capacitors and offsets remain."""
APART_FLOOR_V = 0.020
"""Voltages of one cell may differ by this much more than their accuracies: they are not read at the same instant."""
APART_SHARE = 0.02
"""Ammeter and source may differ by this much more than their accuracies: they are not read at the same instant."""


ZEROED_SHARE = 0.1
"""Share of a stated zero error that stays after the zero was measured and subtracted: it drifts with level, temperature, hours.
Common practice, no source: data sheets of cheap instruments do not tell. Only for ends and verdicts; protection takes it all."""


def zero_current_A(spec: InstrumentSpec) -> float:
    """Return the largest reading that still counts as no current: twice its stated offset plus two steps, at least 10 mA.

    This tells off from on, and must never take a good instrument's rest for a current; what may be subtracted as its zero is
    judged more strictly (`core/zero.py`).
    """
    accuracy = spec.accuracy.get("current")
    offset_A = accuracy.offset if accuracy is not None else 0.0
    return max(ZERO_CURRENT_FLOOR_A, 2.0 * offset_A + 2.0 * spec.resolution.get("current", 0.0))


def stated_zero(spec: InstrumentSpec | None) -> StatedZero:
    """Return what the data sheet says of the instrument's zero; nothing is stated of what is not there."""
    if spec is None:
        return NOTHING_STATED
    accuracy = spec.accuracy.get("current", Accuracy(0.0, 0.0))
    return StatedZero(accuracy.offset, spec.resolution.get("current", 0.0))


def zeroed_uncertainty(spec: InstrumentSpec, current_A: float) -> float:
    """Return the standard uncertainty of a current from which a measured zero is subtracted.

    Two readings' steps, what of the stated offset may have drifted since, and gain. That holds only where a relay lets the
    zero be measured at every start.
    """
    accuracy = spec.accuracy.get("current", Accuracy(0.0, 0.0))
    drift_A = ZEROED_SHARE * accuracy.offset / math.sqrt(3.0)
    return math.hypot(spec.resolves_difference("current"), drift_A, accuracy.gain * current_A / math.sqrt(3.0))


def uncertainty_on(channel: ChannelSpec, spec: InstrumentSpec, quantity: str, value: float, unproven: str = "") -> float:
    """Return the standard uncertainty of one reading as this channel uses it: a current less its zero, where that is measured.

    Before the start nobody knows whether the zero will prove anything (`core/zero.py`). `unproven`: the instrument of which to
    suppose that it does not, and the whole offset counts.
    """
    is_zeroed = quantity == "current" and channel.switch and spec.name != unproven
    return zeroed_uncertainty(spec, value) if is_zeroed else spec.uncertainty(quantity, value)


def inputs_of(spec: ChannelSpec, bench: BenchFile) -> ChannelInputs:
    """Return who measures and switches what on that channel."""
    bank = bank_of(bench, spec.load)
    return ChannelInputs(
        spec.source, "" if bank else spec.load, spec.meter, spec.thermometer, spec.ambient, ammeter=spec.ammeter,
        switch=spec.switch, bank=tuple(BankPart(part.switch, part.resistance_ohm) for part in bank), taps=spec.taps,
    )  # fmt: skip


def zeros_of(spec: ChannelSpec, bench: BenchFile) -> Zeros:
    """Return the readings that still count as no current, and how far ammeter and source or load may be apart."""

    def limit_A(name: str) -> float:
        one = bench.instruments.get(name)
        return ZERO_CURRENT_FLOOR_A if one is None else zero_current_A(one)

    def gain(name: str) -> float:
        one = bench.instruments.get(name)
        accuracy = None if one is None else one.accuracy.get("current")
        return 0.0 if accuracy is None else accuracy.gain

    bank = bank_of(bench, spec.load)
    source_A, load_A, ammeter_A = limit_A(spec.source), limit_A(spec.load), limit_A(spec.ammeter)
    drawn = sum(part.accuracy for part in bank) if bank else gain(spec.load)
    apart_V, apart_voltage_share = _voltages_apart(spec, bench)
    return Zeros(
        source_A, load_A, ammeter_A,
        stated_zero(bench.instruments.get(spec.source)),
        stated_zero(bench.instruments.get(spec.load)),
        stated_zero(bench.instruments.get(spec.ammeter)),
        apart_A=ammeter_A + max(source_A, load_A),
        apart_share=APART_SHARE + gain(spec.ammeter) + max(gain(spec.source), drawn),
        apart_V=apart_V,
        apart_voltage_share=apart_voltage_share,
        lead_ohm=bench.wiring.lead_ohm + ((bench.instruments[spec.ammeter].shunt_ohm or 0.0) if spec.ammeter else 0.0),
    )  # fmt: skip


def _voltages_apart(spec: ChannelSpec, bench: BenchFile) -> tuple[float | None, float]:
    """Return by how much a meter at the cell may read beyond the instrument that drives it: a sum, and a share of the voltage.

    None where one of them does not state its accuracy, or where nobody but the source measures.
    """
    drivers = [bench.instruments[name] for name in (spec.source, spec.load) if name in bench.instruments]
    meter = bench.instruments.get(spec.meter)
    if meter is None or any("voltage" not in one.accuracy for one in (meter, *drivers)):
        return None, 0.0

    def worst_V(one: InstrumentSpec) -> float:
        return one.accuracy["voltage"].offset + one.resolution.get("voltage", 0.0)

    sum_V = worst_V(meter) + max(worst_V(one) for one in drivers) + APART_FLOOR_V
    return sum_V, meter.accuracy["voltage"].gain + max(one.accuracy["voltage"].gain for one in drivers)
