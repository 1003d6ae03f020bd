"""What a bench's instruments cannot tell about a cell, in sentences for its verdict. It is the bench's lack, not the cell's."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec
from chargerd.config.inputs import ZERO_CURRENT_FLOOR_A, ZEROED_SHARE, stated_zero
from chargerd.verdict.zeros import ZeroRecord, all_prove, zeros_of


def not_known(bench: BenchFile, channel: str, zeros: Sequence[ZeroRecord]) -> tuple[str, ...]:
    """Return one sentence for each thing that this channel's instruments leave open. `zeros`: what has set the zeros."""
    spec = bench.channels.get(channel)
    return () if spec is None else tuple(_sentences(bench, spec, zeros))


def _sentences(bench: BenchFile, spec: ChannelSpec, zeros: Sequence[ZeroRecord]) -> Iterator[str]:
    if not spec.meter:
        yield (
            f"The cell's own voltage: no meter is clipped to it. {spec.source} reads at its terminals, so that the drop in leads "
            "and clips is in every voltage and in the resistance."
        )
        yield from _rest(spec)
    if not spec.load:
        yield "What the cell stores and gives back: nothing discharges it here."
    elif bank_of(bench, spec.load):
        yield (
            "The capacity at one current: through resistors it falls with the voltage, so that the one given is an average; "
            "a load that holds its current would find somewhat less or more."
        )
    if not spec.ammeter:
        yield from _zero(bench, spec, zeros)
        yield "Whether the current is wrong by more than its data sheet allows: nothing else measures it."


def _rest(spec: ChannelSpec) -> Iterator[str]:
    if spec.switch:
        yield (
            f"What the cell loses by itself: without a meter the relay stays closed at rest so that {spec.source} can see it, "
            "and an output that is off may drain it."
        )


def _zero(bench: BenchFile, spec: ChannelSpec, zeros: Sequence[ZeroRecord]) -> Iterator[str]:
    """Tell of a zero error large enough to matter, as everywhere: from that size on it counts as a current."""
    instrument = bench.instruments[spec.source]
    accuracy = instrument.accuracy.get("current")
    if accuracy is None or accuracy.offset < ZERO_CURRENT_FLOOR_A:
        return
    stated = f"{1000.0 * accuracy.offset:.0f} mA"
    measured = zeros_of(zeros, spec, spec.source)
    if all_prove(measured, stated_zero(instrument).step_A):
        found = ", ".join(dict.fromkeys(f"{1000.0 * zero.mean_A:.1f} mA" for zero in measured))
        kept = f"{1000.0 * ZEROED_SHARE * accuracy.offset:.1f} mA"
        yield (
            f"How {spec.source}'s zero drifts: {found} was measured at the start and subtracted; {kept} of the stated {stated} "
            "stay in every ±."
        )
    elif any(zero.u_A is not None for zero in measured):
        yield (
            f"{spec.source}'s zero: it was exactly 0 in every reading, as a display shows that blanks small values or cannot go "
            f"below zero; that proves nothing, and all of the stated {stated} is in every ±."
        )
    else:
        yield f"{spec.source}'s zero: it may be {stated} and was not measured (that takes a relay); all of it is in every ±."
