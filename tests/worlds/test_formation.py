"""Gentle formation, as shipped and as planned for each invented cell on the invented bench, to its end.

Expected values: an independent prototype of the same cell model, written before this program and stepped at 1 s with its rules
judged on 2 s samples; printed as rungs, rounds, hours, Ah out of each round, coulombic efficiency, true gas and outcome. Hours
and capacities of a real cell are another matter.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import pytest

from chargerd.cli.files import example_bench, profile_path
from chargerd.config.bench import load_bench
from chargerd.config.cell import load_cell
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.core.engine import Engine
from chargerd.core.events import Record, RepeatEnded, RoundEnded, StepEnded
from chargerd.core.plan import Plan
from chargerd.core.states import State
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import make_cell
from chargerd.sim.rehearsal import Rehearsal
from tests.worlds.world_bench import run_world

ZINC_AH = 0.61
THIRD_AH = ZINC_AH / 3.0
SMALL_CELL_mAh = 500.0
"""What the undersized cell really holds."""
STABLE, NOT_STABLE, LEAKY = "capacity_within", "rounds", "loses charge at its lowest voltage"
LONGEST_S = 20 * 86400.0


@dataclass(frozen=True)
class Row:
    """One cell with one cell file, and what came of it. `last_Ah` alone where only the last round was printed."""

    cell: str
    file: str
    threshold: str
    zinc_Ah: float
    last_rung_V: float
    rounds: int
    hours: float
    outcome: str
    first_percent: float
    last_percent: float
    gas_mAh: float
    out_Ah: tuple[float, ...] = ()
    last_Ah: float | None = None
    worst_gas_mAh: float | None = None


ROWS = (
    Row("plover", "plover-01", "", ZINC_AH, 1.85, 7, 77, STABLE, 98.3, 97.3, 1,
        (0.67, 0.85, 1.01, 1.08, 1.12, 1.15, 1.16), worst_gas_mAh=0.1),
    Row("plover", "plover-01", "2.105 V", ZINC_AH, 2.05, 6, 71, STABLE, 98.3, 96.8, 12,
        (0.67, 0.85, 1.01, 1.18, 1.34, 1.37), worst_gas_mAh=6),
    Row("plover", "plover-01", "", 0.0, 1.85, 6, 60, STABLE, 94.4, 96.3, 1, (0.65, 0.78, 0.90, 0.95, 0.98, 0.99)),
    Row("plover", "plover-01", "2.105 V", 0.0, 2.05, 7, 79, STABLE, 94.4, 96.3, 18,
        (0.65, 0.78, 0.90, 1.06, 1.20, 1.23, 1.24), worst_gas_mAh=6),
    Row("dunlin", "dunlin-01", "", ZINC_AH, 1.85, 7, 79, STABLE, 98.1, 95.8, 90,
        (0.67, 0.85, 1.01, 1.08, 1.12, 1.14, 1.16), worst_gas_mAh=17),
    Row("dunlin", "dunlin-01", "1.858 V", ZINC_AH, 1.80, 7, 75, STABLE, 98.1, 96.8, 35,
        (0.67, 0.85, 0.95, 1.02, 1.06, 1.09, 1.10), worst_gas_mAh=6),
    Row("dunlin", "dunlin-01", "", 0.0, 1.85, 7, 75, STABLE, 94.4, 96.3, 90, last_Ah=1.08),
    Row("dunlin", "dunlin-01", "1.858 V", 0.0, 1.80, 6, 59, STABLE, 94.4, 96.3, 29, last_Ah=0.96),
    Row("sanderling", "sanderling-01", "", ZINC_AH, 1.75, 3, 31, LEAKY, 83.5, 85.6, 0, (0.65, 0.83, 0.88)),
    Row("phalarope", "plover-01", "", THIRD_AH, 1.85, 10, 26, NOT_STABLE, 23, 100.7, 0, last_Ah=0.245),
    Row("phalarope", "plover-01", "2.16 V", THIRD_AH, 2.05, 10, 31, NOT_STABLE, 23, 99.4, 4, last_Ah=0.33),
    Row("phalarope-nastier", "plover-01", "", THIRD_AH, 1.85, 10, 26, NOT_STABLE, 23, 100.0, 12, last_Ah=0.245, worst_gas_mAh=2),
    Row("phalarope-nastier", "plover-01", "1.915 V", THIRD_AH, 1.85, 10, 26, NOT_STABLE, 23, 100.0, 12, last_Ah=0.245,
        worst_gas_mAh=2),
)  # fmt: skip


@dataclass
class Formed:
    """What a formation came to; gas is the cell's own book, not the program's estimate."""

    engine: Engine
    cell: Cell
    hours: float = 0.0
    rounds: list[RoundEnded] = field(default_factory=list)
    gas_mAh: list[float] = field(default_factory=list)
    charges: list[StepEnded] = field(default_factory=list)
    outcome: str = ""


def plan_of(folder: Any, file: str, threshold: str, *, rounds: int = 10) -> Plan:
    text = (example_bench().parent / "cells" / f"{file}.yaml").read_text(encoding="utf-8")
    if threshold:
        text = text.replace("threshold: unmeasured", f"threshold: {threshold}")
    cell = folder / "cell.yaml"
    cell.write_text(text, encoding="utf-8")
    profile = folder / "profile.yaml"
    profile.write_text(shipped(rounds), encoding="utf-8")
    return build_plan(load_profile(profile), load_cell(cell), load_bench(example_bench()), "slip-1")


def shipped(rounds: int = 10, every: str = "5 s") -> str:
    """The shipped profile, with fewer rounds and slower sampling where a test says so."""
    text = profile_path("gentle-formation").read_text(encoding="utf-8")
    assert text.count("rounds: 10") == 1
    return text.replace("rounds: 10", f"rounds: {rounds}").replace("sample_every: 5 s", f"sample_every: {every}")


def fresh(name: str, zinc_Ah: float) -> Cell:
    cell = make_cell(name, fresh=True)
    cell.zinc_C += zinc_Ah * 3600.0
    return cell


def form(plan: Plan, cell: Cell) -> Formed:
    rehearsal = Rehearsal(plan, cell)
    formed = Formed(rehearsal.engine, cell)
    gas_before_C = 0.0
    for _, record in rehearsal.run(LONGEST_S):
        take(formed, record)
        if isinstance(record, RoundEnded):
            formed.gas_mAh.append((cell.oxygen_C - gas_before_C) / 3.6)
            gas_before_C = cell.oxygen_C
    formed.hours = rehearsal.now_s / 3600.0
    return formed


def take(formed: Formed, record: Record) -> None:
    if isinstance(record, RoundEnded):
        formed.rounds.append(record)
    elif isinstance(record, RepeatEnded):
        formed.outcome = record.end
    elif isinstance(record, StepEnded) and record.step == "1.1":
        formed.charges.append(record)


def percent(ended: RoundEnded) -> float:
    assert ended.coulombic_efficiency is not None
    return 100.0 * ended.coulombic_efficiency


def as_printed(mAh: float) -> Any:
    """A figure that was printed in whole mAh: half of one, or a tenth of it."""
    return pytest.approx(mAh, abs=max(0.55, 0.10 * mAh))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.cell}-{row.threshold or 'unmeasured'}-{row.zinc_Ah:.2f} Ah zinc")
def test_a_formation_agrees_with_the_prototype(row: Row, tmp_path: Any) -> None:
    formed = form(plan_of(tmp_path, row.file, row.threshold), fresh(row.cell, row.zinc_Ah))

    assert (formed.engine.state, formed.outcome, len(formed.rounds)) == (State.COMPLETE, row.outcome, row.rounds)
    assert formed.rounds[-1].rung_V == pytest.approx(row.last_rung_V, abs=0.005)
    assert formed.hours == pytest.approx(row.hours, rel=0.03)
    out_Ah = [ended.charge_out_Ah for ended in formed.rounds]
    if row.out_Ah:
        assert out_Ah == pytest.approx(row.out_Ah, abs=0.02)
    else:
        assert out_Ah[-1] == pytest.approx(row.last_Ah, abs=0.02)
    assert percent(formed.rounds[0]) == pytest.approx(row.first_percent, abs=0.5)
    assert percent(formed.rounds[-1]) == pytest.approx(row.last_percent, abs=0.5)
    assert sum(formed.gas_mAh) == as_printed(row.gas_mAh)
    if row.worst_gas_mAh is not None:
        assert max(formed.gas_mAh) == as_printed(row.worst_gas_mAh)
    if row.zinc_Ah == THIRD_AH:
        # Charged by a label three times too large it still stays within the gas bound of what it really is.
        assert max(formed.gas_mAh) <= 0.05 * SMALL_CELL_mAh
        assert sum(formed.gas_mAh) <= 0.05 * SMALL_CELL_mAh
    # Every charge ends by its taper: nobody needs the ends that guard against gas here.
    assert {ended.end for ended in formed.charges} == {"current_below"}


def test_a_label_bounded_by_the_carbon_forms_at_a_third_of_the_current(tmp_path: Any) -> None:
    plan = plan_of(tmp_path, "phalarope-01", "")
    formed = form(plan, fresh("phalarope", THIRD_AH))

    assert plan.rated_Ah == pytest.approx(0.059 * 8.8, abs=0.001)
    # A third of plover's, at a rating of 0.519 instead of 0.5 Ah.
    assert (formed.outcome, len(formed.rounds)) == (STABLE, 7)
    assert formed.rounds[-1].charge_out_Ah == pytest.approx(1.16 / 3.0, abs=0.01)


def test_a_round_over_the_wire_agrees_with_the_rehearsal(tmp_path: Any) -> None:
    profile = shipped(rounds=1, every="20 s")

    ran = run_world(tmp_path, profile, cell=fresh("plover", ZINC_AH), until_s=LONGEST_S)
    rehearsal = Rehearsal(ran.frozen.plan, fresh("plover", ZINC_AH))
    rehearsed = [record for _, record in rehearsal.run(LONGEST_S) if isinstance(record, RoundEnded)]

    (by_wire,) = [record for _, record in ran.records if isinstance(record, RoundEnded)]
    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert by_wire.charge_in_Ah == pytest.approx(rehearsed[0].charge_in_Ah, rel=0.01)
    assert by_wire.charge_out_Ah == pytest.approx(rehearsed[0].charge_out_Ah, rel=0.01)
    assert ran.ended_s == pytest.approx(rehearsal.now_s, rel=0.01)
    node = ran.world.nodes["slip-1"]
    assert by_wire.charge_in_Ah == pytest.approx(node.charge_in_C / 3600.0, rel=0.01)
    assert ran.replayed().differences_count == 0
    assert ran.folded_memory() == ran.engine.memory_json()
