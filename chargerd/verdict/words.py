"""What the figures say, in sentences and in at most forty lines. Anything not measured is "not tested"."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from chargerd.verdict.capacity import AGREE_WITHIN, Capacity, Cycle, RatingAnswer, RatingCompared
from chargerd.verdict.gasbook import ROUTINE_SHARE, Gas
from chargerd.verdict.grades import Grade
from chargerd.verdict.leg import Leg
from chargerd.verdict.resistance import Resistances
from chargerd.verdict.sample import Rating
from chargerd.verdict.settle import Settled
from chargerd.verdict.uncertainty import decimals, significant, stated, stated_percent

if TYPE_CHECKING:
    from chargerd.verdict.verdict import Verdict

LINES_MAX = 40
CYCLES_SHOWN = 10
CAUTIONS_SHOWN = 8
GAS_CAUTION = (
    "This cell makes hydrogen while charging and at rest: never seal it, never cover its vent, no spark or flame near it, "
    "outputs off before touching clips."
)
BENCH_CAUTION = "Figures come from one bench's instruments in the window stated. They are no certificate."


def stored_sentence(capacity: Capacity | None, legs: Sequence[Leg]) -> str:
    """Say what the cell stores, in which window, and whether it was repeated."""
    if capacity is None:
        return f"Stored: not tested ({_why_no_capacity(legs)})."
    window = capacity.window
    conditions = [f"from {_volts(window.charged_to_V)} to {_volts(window.discharged_to_V)}"]
    if window.current_A is not None:
        conditions.append(f"at {significant(window.current_A)} A")
    if window.temperature_degC is not None:
        conditions.append(f"and {window.temperature_degC:.0f} °C")
    repeated = f"one discharge, not yet repeated within {100 * AGREE_WITHIN:.0f} %"
    if capacity.repeated and capacity.spread is not None:
        repeated = f"two successive discharges agree within {100.0 * capacity.spread:.1f} %"
    return (
        f"Stored: {stated(capacity.charge_Ah, capacity.limit_Ah, 'Ah')}, "
        f"{stated(capacity.energy_Wh, capacity.energy_limit_Wh, 'Wh')} {' '.join(conditions)} "
        f"(mean {capacity.mean_voltage_V:.2f} V); {repeated}."
    )


def _why_no_capacity(legs: Sequence[Leg]) -> str:
    discharges = [leg for leg in legs if leg.kind == "discharge"]
    if not discharges:
        return "there was no discharge"
    last = discharges[-1]
    return last.data_fault or f"no discharge reached its end voltage; the last ended by {last.ended_by.replace('_', ' ')}"


def _volts(voltage_V: float | None) -> str:
    return "an unknown voltage" if voltage_V is None else f"{voltage_V:.2f} V"


def returned_sentence(cycle: Cycle | None, all_cycles: Sequence[Cycle], grade: Grade) -> str:
    """Say what came back of what went in, on the last judged cycle."""
    if cycle is None or cycle.coulombic_efficiency is None or cycle.energy_efficiency is None:
        why = all_cycles[-1].why_not if all_cycles else "no charge was followed by a discharge"
        return f"Returned: not tested ({why})."
    return (
        f"Returned: {stated_percent(cycle.coulombic_efficiency, cycle.coulombic_limit)} of the charge and "
        f"{100.0 * cycle.energy_efficiency:.0f} % of the energy on closed cycle {cycle.number}, "
        f"charged to {_volts(cycle.voltage_V)}: {grade.value}."
    )


def gas_sentence(charges: Sequence[Gas], total: Gas, cycle: Cycle | None) -> str:
    """Say what is estimated to have gone into gas, at worst, and what the closed cycle lost in all."""
    if not charges:
        return "Spent as gas: not tested (there was no charge)."
    last = charges[-1]
    share = last.share or 0.0
    within = "within" if share <= ROUTINE_SHARE else "above"
    lost = "no closed cycle to compare with"
    if cycle is not None and cycle.loss_Ah is not None:
        lost = f"closed cycle {cycle.number} lost {_mAh(cycle.loss_Ah)} in all"
    return (
        f"Spent as gas (estimate): {_mAh(last.gas_charge_Ah)} or {100.0 * share:.1f} % of the last charge, {within} the "
        f"{100.0 * ROUTINE_SHARE:.0f} % of a routine one; {_mAh(total.gas_charge_Ah)} in the whole run, at worst "
        f"{_little(total.hydrogen_L, 'L')} hydrogen with {_little(total.oxygen_L, 'L')} oxygen and "
        f"{_little(total.water_g, 'g')} water; {lost}."
    )


def _mAh(charge_Ah: float) -> str:
    return _little(1000.0 * charge_Ah, "mAh")


LITTLE = 1e-4
"""Of a milliampere-hour, litre or gram: less than this is nothing that anybody could measure here."""


def _little(value: float, unit: str) -> str:
    """Return two digits, and no row of zeros for next to nothing."""
    return f"less than {LITTLE:.4f} {unit}" if 0.0 < value < LITTLE else f"{significant(value, 2)} {unit}"


def strength_sentence(found: Resistances, grade: Grade, *, leads_in_voltage: bool = False) -> str:
    """Say the d.c. resistance with its time after opening, first and last, and whether leads and clips are in it."""
    last, first = found.firm, found.first
    if last is None or first is None:
        refused = f"; {found.refused} interruptions were not believed" if found.refused else ""
        return f"Strength: not tested (no current interruption{refused})."
    word = f": {grade.value}" if grade is not Grade.NOT_TESTED else " (its limit is for 10 s: not tested)"
    leads = ", leads and clips included" if leads_in_voltage else ""
    return (
        f"Strength: d.c. resistance {significant(last.ohm)} Ω at {significant(last.after_s, 2)} s and "
        f"{significant(last.end_ohm)} Ω at {significant(last.end_after_s, 2)} s after opening {significant(last.current_A)} A, "
        f"the last such of {found.accepted}; at first {significant(first.ohm)} Ω{leads}{word}."
    )


def kept_sentence(settled: Settled | None, grade: Grade) -> str:
    """Say how the open-circuit voltage settled after the last charge that was left alone."""
    if settled is None or not settled.voltage_V:
        return "Kept: not tested (no rest after a charge)."
    shown = ", ".join(f"{volts:.3f} V at {_time(after_s)}" for after_s, volts in settled.voltage_V.items())
    word = "charge kept over 7 days: not tested" if grade is Grade.NOT_TESTED else f"fall from 1 h to 24 h {grade.value}"
    return f"Settled after charge: {shown}; {word}."


def _time(seconds: float) -> str:
    for unit, size in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= size and (unit != "d" or seconds > size):
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"


def rating_sentence(compared: RatingCompared, capacity: Capacity | None, rating: Rating | None) -> str:
    """Say whether the rating on the cell's record holds."""
    if rating is None or capacity is None or compared.answer is RatingAnswer.NOT_TESTED:
        return f"Rating: not tested ({', '.join(compared.reasons)})."
    kind = "provisional rating" if rating.provisional else "rating"
    text = f"Rating: {compared.answer.value}; {kind} {significant(rating.charge_Ah)} Ah"
    if compared.reasons:
        text += f" ({', '.join(compared.reasons)})"
    if compared.in_window_Ah is not None:
        text += f"; in proportion to the measured window {significant(compared.in_window_Ah)} Ah could be expected"
    if compared.far_below:
        text += ", and the cell holds far less"
    return text + "."


def text(verdict: Verdict) -> str:
    """Return the verdict of one run as plain lines, at most forty."""
    lines = [
        f"Verdict on {verdict.cell}: run {verdict.run}",
        f"  profile {verdict.profile or 'unknown'}, bench {verdict.bench or 'unknown'}; {verdict.outcome}",
        "",
    ]
    lines += [f"  {sentence}" for sentence in verdict.sentences.values()]
    if verdict.cycles:
        lines += ["", *_cycle_table(verdict.cycles)]
    if verdict.not_known:
        lines += ["", "  This bench cannot tell"]
        lines += [f"  - {sentence}" for sentence in verdict.not_known]
    shown = verdict.cautions[:CAUTIONS_SHOWN]
    lines += ["", "  Cautions"]
    lines += [f"  - {caution}" for caution in shown]
    if len(verdict.cautions) > len(shown):
        lines.append(f"  - and {len(verdict.cautions) - len(shown)} more in verdict.json")
    return "\n".join(lines) + "\n"


def _cycle_table(cycles: Sequence[Cycle]) -> list[str]:
    shown = cycles[-CYCLES_SHOWN:]
    lines = ["  cycle  charged to   Ah in  Ah out  returned  energy  lost mAh  gas mAh  remark"]
    for cycle in shown:
        returned, energy, lost = "-", "-", "-"
        if cycle.coulombic_efficiency is not None and cycle.energy_efficiency is not None and cycle.loss_Ah is not None:
            places = 0 if cycle.coulombic_limit is None else min(2, decimals(100.0 * cycle.coulombic_limit))
            returned = f"{100.0 * cycle.coulombic_efficiency:.{places}f} %"
            energy = f"{100.0 * cycle.energy_efficiency:.0f} %"
            lost = f"{1000.0 * cycle.loss_Ah:.0f}"
        lines.append(
            f"  {cycle.number:>5}  {_volts(cycle.voltage_V):>10}  {cycle.charge_in_Ah:>6.3f}  {cycle.charge_out_Ah:>6.3f}  "
            f"{returned:>8}  {energy:>6}  {lost:>8}  {1000.0 * cycle.gas_charge_Ah:>7.0f}  {cycle.why_not}".rstrip()
        )
    return lines
