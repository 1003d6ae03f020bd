"""Verdicts of several cells side by side, and why they differ as far as their numbers say so.

Every reason is told with the numbers it rests on; where these do not tell two causes apart, that is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from chargerd.verdict.capacity import AGREE_WITHIN, SAME_VOLTAGE_V, Cycle
from chargerd.verdict.uncertainty import S_PER_H, significant, stated, stated_percent
from chargerd.verdict.verdict import Verdict

SMALL = 0.8
"""A cell is called small when it stores less than this share of the largest beside it."""
IN_PROPORTION = 1.5
"""Resistance × capacity is alike for cells of one make whatever their size; half as much again is a resistance of its own."""
LOSS_EXCESS_MIN = 0.01
"""A loss must exceed the smallest beside it by this share of the charge: less is within what cells and rounds differ by."""
TOP_FACTOR = 3.0
"""A loss that flows mostly at the top of the charge flows there at several times its mean over the cycle; a leak does not."""
FALL_RESOLVED_V = 0.003
"""Two falls of the open-circuit voltage differ when more than this lies between them: some six times a usual reading's noise."""
GAS_SHARE = 0.5
"""An excess loss is put down to gas when the gas estimated during the charge covers this part of it."""
FALL_S = (60.0, 600.0)
CLIFF = 3.0
"""A discharge ends in a cliff when its last 2 % fall this many times as steeply as its middle, and others' do not."""


@dataclass(frozen=True, slots=True)
class _Row:
    title: str
    show: Callable[[Verdict], str]


def _capacity(verdict: Verdict) -> str:
    found = verdict.capacity
    return "not tested" if found is None else stated(found.charge_Ah, found.limit_Ah, "Ah")


def _energy(verdict: Verdict) -> str:
    found = verdict.capacity
    return "not tested" if found is None else stated(found.energy_Wh, found.energy_limit_Wh, "Wh")


def _window(verdict: Verdict) -> str:
    found = verdict.capacity
    if found is None or found.window.charged_to_V is None or found.window.discharged_to_V is None:
        return "-"
    return f"{found.window.charged_to_V:.2f} to {found.window.discharged_to_V:.2f} V"


def _repeated(verdict: Verdict) -> str:
    found = verdict.capacity
    if found is None:
        return "-"
    return f"within {100 * AGREE_WITHIN:.0f} %" if found.repeated else "not yet"


def _returned(verdict: Verdict) -> str:
    cycle = verdict.judged
    if cycle is None or cycle.coulombic_efficiency is None:
        return "not tested"
    return stated_percent(cycle.coulombic_efficiency, cycle.coulombic_limit)


def _gas(verdict: Verdict) -> str:
    if not verdict.gas:
        return "not tested"
    return f"{significant(1000.0 * verdict.gas[-1].gas_charge_Ah, 2)} mAh"


def _lost(verdict: Verdict) -> str:
    cycle = verdict.judged
    return "not tested" if cycle is None or cycle.loss_Ah is None else f"{significant(1000.0 * cycle.loss_Ah, 2)} mAh"


def _resistance(verdict: Verdict) -> str:
    found = verdict.resistances.firm
    return "not tested" if found is None else f"{significant(found.end_ohm)} Ω at {significant(found.end_after_s, 2)} s"


def _settled(verdict: Verdict) -> str:
    for rest in reversed(verdict.rests):
        if rest.after == "charge" and 600.0 in rest.voltage_V:
            return f"{rest.voltage_V[600.0]:.3f} V"
    return "not tested"


_ROWS = (
    _Row("stored", _capacity),
    _Row("energy", _energy),
    _Row("window", _window),
    _Row("repeated", _repeated),
    _Row("returned", _returned),
    _Row("lost in that cycle", _lost),
    _Row("gas in last charge (est.)", _gas),
    _Row("resistance", _resistance),
    _Row("10 min after charge", _settled),
    _Row("rating", lambda verdict: verdict.rating.answer.value),
    _Row("run", lambda verdict: "complete" if verdict.complete else verdict.outcome.partition(" (")[0]),
)


def side_by_side(verdicts: Sequence[Verdict]) -> str:
    """Return a table of the verdicts and the reasons for their differences, as plain lines."""
    verdicts = _named_apart(verdicts)
    cells = [[row.show(verdict) for row in _ROWS] for verdict in verdicts]
    widths = [max(len(verdict.cell), *(len(cell) for cell in column)) for verdict, column in zip(verdicts, cells, strict=True)]
    title_width = max(len(row.title) for row in _ROWS)
    lines = ["  ".join([" " * title_width, *(v.cell.ljust(w) for v, w in zip(verdicts, widths, strict=True))]).rstrip()]
    for number, row in enumerate(_ROWS):
        shown = (column[number].ljust(width) for column, width in zip(cells, widths, strict=True))
        lines.append("  ".join([row.title.ljust(title_width), *shown]).rstrip())
    lines += ["", "Why they differ, from these numbers alone:", *(f"- {why}" for why in reasons(verdicts))]
    return "\n".join(lines) + "\n"


def reasons(verdicts: Sequence[Verdict]) -> list[str]:
    """Return one sentence for each difference the numbers resolve, or one saying that there is none."""
    verdicts = _named_apart(verdicts)
    found = [*_sizes(verdicts), *_losses(verdicts), *_zinc(verdicts)]
    return found or ["no difference that these numbers resolve"]


def _named_apart(verdicts: Sequence[Verdict]) -> list[Verdict]:
    """Number the runs of one cell, so that no sentence compares a cell with itself."""
    times = Counter(verdict.cell for verdict in verdicts)
    seen: Counter[str] = Counter()
    named: list[Verdict] = []
    for verdict in verdicts:
        seen[verdict.cell] += 1
        alone = times[verdict.cell] == 1
        named.append(verdict if alone else replace(verdict, cell=f"{verdict.cell} run {seen[verdict.cell]}"))
    return named


def _sizes(verdicts: Sequence[Verdict]) -> list[str]:
    """Small cells, and cells with a resistance out of proportion to what they store."""
    measured = [(verdict, verdict.capacity) for verdict in verdicts]
    known = [(verdict, capacity) for verdict, capacity in measured if capacity is not None]
    if len(known) < 2:
        return []
    largest, most = max(known, key=lambda item: item[1].charge_Ah)
    products = {id(v): v.resistances.firm.end_ohm * c.charge_Ah for v, c in known if v.resistances.firm is not None}
    usual = products.get(id(largest))
    told: list[str] = []
    for verdict, capacity in known:
        share = capacity.charge_Ah / most.charge_Ah
        if share >= SMALL:
            continue
        text = (
            f"{verdict.cell} stores {significant(capacity.charge_Ah)} Ah, {100.0 * share:.0f} % of {largest.cell}'s "
            f"{significant(most.charge_Ah)} Ah"
        )
        product, firm = products.get(id(verdict)), verdict.resistances.firm
        same_window = _near(capacity.window.charged_to_V, most.window.charged_to_V)
        if product is None or usual is None or firm is None:
            told.append(f"{text}; without both resistances a small cell and a poor contact cannot be told apart.")
        elif product > IN_PROPORTION * usual:
            told.append(
                f"{text}, but resistance times capacity is {significant(product, 2)} against {significant(usual, 2)} Ω·Ah: "
                "its resistance takes the voltage before its charge is used; look at contacts and leads first."
            )
        elif same_window:
            told.append(
                f"{text}, and its resistance of {significant(firm.end_ohm)} Ω is in proportion "
                f"({significant(product, 2)} against {significant(usual, 2)} Ω·Ah): it is a smaller cell, not a worse one."
            )
    return told


def _near(first: float | None, second: float | None) -> bool:
    return first is not None and second is not None and abs(first - second) <= SAME_VOLTAGE_V


@dataclass(frozen=True, slots=True)
class _Excess:
    """What one cell lost more in one cycle than the best beside it charged to the same or the nearest voltage.

    `loss` and `gas` are shares of the charge put in, `limit` what `loss` must exceed. `mean_A` is the excess loss over the
    cycle's time, `fall_V` how much further its open-circuit voltage fell from 1 min to 10 min after that charge, `expected_V`
    how much further it would have if the excess flowed at the top only (`TOP_FACTOR` × `mean_A` out of the cell's capacitance).
    """

    voltage_V: float
    best: str
    loss: float
    gas: float
    limit: float
    mean_A: float
    fall_V: float | None
    expected_V: float


def _excess(verdict: Verdict, cycle: Cycle, others: Sequence[Verdict]) -> _Excess | None:
    voltage_V, efficiency = cycle.voltage_V, cycle.coulombic_efficiency
    beside = [(other, found) for other in others if (found := _nearest_cycle(other, voltage_V)) is not None]
    if voltage_V is None or efficiency is None or not beside or cycle.end_voltage_V is None:
        return None
    best, reference = max(beside, key=lambda item: item[1].coulombic_efficiency or 0.0)
    loss = (reference.coulombic_efficiency or 0.0) - efficiency
    # The cells share their instruments, or ones of a kind: what offset and gain do, they do to both. Half of each limit is
    # left for what does not cancel.
    limit = 0.5 * ((cycle.coulombic_limit or 0.0) + (reference.coulombic_limit or 0.0))
    mean_A = loss * cycle.charge_in_Ah * S_PER_H / cycle.duration_s
    capacitance_F = cycle.charge_out_Ah * S_PER_H / (voltage_V - cycle.end_voltage_V)
    own_V, other_V = _fall_V(verdict, cycle), _fall_V(best, reference)
    return _Excess(
        voltage_V,
        best.cell,
        loss,
        cycle.gas_charge_Ah / cycle.charge_in_Ah - reference.gas_charge_Ah / reference.charge_in_Ah,
        max(limit, LOSS_EXCESS_MIN),
        mean_A,
        None if own_V is None or other_V is None else own_V - other_V,
        TOP_FACTOR * mean_A * (FALL_S[1] - FALL_S[0]) / capacitance_F,
    )


def _nearest_cycle(verdict: Verdict, voltage_V: float | None) -> Cycle | None:
    judged = [cycle for cycle in verdict.cycles if cycle.judged and cycle.voltage_V is not None]
    if voltage_V is None or not judged:
        return None
    return min(reversed(judged), key=lambda cycle: round(abs((cycle.voltage_V or 0.0) - voltage_V), 2))


def _fall_V(verdict: Verdict, cycle: Cycle) -> float | None:
    for rest in verdict.rests:
        if rest.after == "charge" and rest.step == cycle.charge_step and rest.round == cycle.round:
            return rest.fall_V(*FALL_S)
    return None


def _losses(verdicts: Sequence[Verdict]) -> list[str]:
    told: list[str] = []
    for verdict in verdicts:
        others = [other for other in verdicts if other is not verdict]
        found = [_excess(verdict, cycle, others) for cycle in verdict.cycles if cycle.judged]
        worst = max((excess for excess in found if excess is not None), key=lambda excess: excess.loss, default=None)
        if worst is None or worst.loss <= worst.limit:
            continue
        told.append(
            f"{verdict.cell} charged to {worst.voltage_V:.2f} V loses {100.0 * worst.loss:.1f} % more of its charge than "
            f"{worst.best} ({significant(1000.0 * worst.mean_A, 2)} mA over the cycle); {_cause(worst)}."
        )
    return told


def _cause(excess: _Excess) -> str:
    """Tell a leak, which flows at any voltage, from gas, which flows at the top; or say that the numbers do not."""
    fall_V = excess.fall_V
    if fall_V is not None and fall_V >= max(FALL_RESOLVED_V, excess.expected_V):
        return (
            f"after charge its voltage falls {1000.0 * fall_V:.0f} mV further from 1 min to 10 min, so the loss flows at "
            "the top: it gasses earlier; charge it to less"
        )
    if excess.gas >= GAS_SHARE * excess.loss:
        return f"the estimate made while charging puts {100.0 * excess.gas:.1f} % down to gas, and nothing here confirms it"
    if fall_V is not None and excess.expected_V - fall_V >= FALL_RESOLVED_V:
        return (
            "after charge its voltage falls no faster than that explains, so the loss flows at every voltage: it leaks, a "
            "path for current through the cell"
        )
    return "whether it leaks or gasses these numbers do not tell; a cycle charged to another voltage would"


def _zinc(verdicts: Sequence[Verdict]) -> list[str]:
    cliffs = {verdict.cell: _last_cliff(verdict) for verdict in verdicts}
    known = {cell: cliff for cell, cliff in cliffs.items() if cliff is not None}
    steep = {cell: cliff for cell, cliff in known.items() if cliff > CLIFF}
    gentle = {cell: cliff for cell, cliff in known.items() if cell not in steep}
    if not steep or not gentle:
        return []
    named = " and ".join(f"{cell}'s discharge are {cliff:.0f}" for cell, cliff in steep.items())
    beside = ", ".join(f"{cell} {cliff:.1f}" for cell, cliff in gentle.items())
    told = f"the last 2 % of {named} times as steep as the middle, a cliff ({beside})"
    return [f"{told}: zinc seems to run out before stored charge does."]


def _last_cliff(verdict: Verdict) -> float | None:
    for leg in reversed(verdict.legs):
        if leg.complete and leg.cliff is not None:
            return leg.cliff
    return None
