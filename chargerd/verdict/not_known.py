"""What a bench's instruments cannot tell about a cell, in sentences for its verdict. It is the bench's lack, not the cell's."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec
from chargerd.config.inputs import ZERO_CURRENT_FLOOR_A, ZEROED_SHARE
from chargerd.core.events import CheckPassed


def not_known(bench: BenchFile, channel: str, starts: Sequence[CheckPassed]) -> tuple[str, ...]:
    """Return one sentence for each thing that this channel's instruments leave open. `starts`: what each CHECKING has stored."""
    spec = bench.channels.get(channel)
    return () if spec is None else tuple(_sentences(bench, spec, starts))


def believed(spec: InstrumentSpec, zeros: Sequence[tuple[float, float | None]]) -> list[float | None]:
    """Return the uncertainty of each measured zero (its mean and uncertainty, A), None where it proves nothing.

    A display that cannot go below zero shows exactly 0 for every error downwards, as large as it may be: where the data sheet
    allows an error of more than two of its steps, a zero of exactly 0 is no measurement.
    """
    accuracy, step_A = spec.accuracy.get("current"), spec.resolution.get("current", 0.0)
    is_visible = accuracy is None or accuracy.offset <= 2.0 * step_A * (1.0 + 1e-9)
    return [u_A if is_visible or mean_A != 0.0 else None for mean_A, u_A in zeros]


def _sentences(bench: BenchFile, spec: ChannelSpec, starts: Sequence[CheckPassed]) -> Iterator[str]:
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
        yield from _zero(bench, spec, starts)
        yield "Whether the current is wrong by more than its data sheet allows: nothing else measures it."


def _rest(spec: ChannelSpec) -> Iterator[str]:
    if spec.switch:
        yield (
            f"What the cell loses by itself: without a meter the relay stays closed at rest so that {spec.source} can see it, "
            "and an output that is off may drain it."
        )


def _zero(bench: BenchFile, spec: ChannelSpec, starts: Sequence[CheckPassed]) -> Iterator[str]:
    """Tell of a zero error large enough to matter, as everywhere: from that size on it counts as a current."""
    accuracy = bench.instruments[spec.source].accuracy.get("current")
    if accuracy is None or accuracy.offset < ZERO_CURRENT_FLOOR_A:
        return
    stated = f"{1000.0 * accuracy.offset:.0f} mA"
    zeros = believed(bench.instruments[spec.source], [(start.zero_source_A, start.zero_source_u_A) for start in starts])
    if zeros and None not in zeros:
        found = ", ".join(dict.fromkeys(f"{1000.0 * start.zero_source_A:.1f} mA" for start in starts))
        kept = f"{1000.0 * ZEROED_SHARE * accuracy.offset:.1f} mA"
        yield (
            f"How {spec.source}'s zero drifts: {found} was measured at the start and subtracted; {kept} of the stated {stated} "
            "stay in every ±."
        )
    elif spec.switch and starts:
        yield (
            f"{spec.source}'s zero: it shows exactly 0, as a display that cannot go below zero does for any error downwards; all "
            f"of the stated {stated} is in every ±."
        )
    else:
        yield f"{spec.source}'s zero: it may be {stated} and was not measured (that takes a relay); all of it is in every ±."
