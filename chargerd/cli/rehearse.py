"""`rehearse PROFILE --cell CELL`: the real engine on a simulated cell of that size, before anything is switched on."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from chargerd.errors import Exit

if TYPE_CHECKING:
    from chargerd.config.cell import CellFile
    from chargerd.core.plan import Plan
    from chargerd.sim.cell import Cell

REFERENCE_CARBON_G = 26.4
REFERENCE_AH = 1.5
"""The invented reference cell the simulated one is scaled from."""
EARLY_GASSING_V = 1.85
"""Onset that published windows of 1.8 to 1.9 V suggest; the reference cell gasses later."""
END_WORDS = {
    "lasts": "its time",
    "capacity_within": "two rounds agree",
    "rounds": "all rounds done",
    "current_below": "the current's taper",
    "voltage_below": "its lowest voltage",
    "time": "its longest time",
    "charge": "its largest charge",
    "answered": "an answer",
    "voltage_slope_below": "a voltage that has settled",
    "voltage_slope_above": "a voltage that falls off",
    "voltage_falls_by": "a voltage past its highest",
}
LONGEST_S = 60 * 86400.0
H2_L_PER_AH = 0.4564
"""Hydrogen at 25 °C and 1 atm per ampere-hour: R·T/(2·F·p), CODATA constants."""
AIR_M3_PER_H_PER_A = 0.05
OPENING_CM2_PER_M3_H = 28.0
"""Ventilation after EN 50272-2 / IEC 62485-2: Q = 0.05·n·I_gas m³/h, openings 28·Q cm² for inlet and outlet each."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("profile", metavar="PROFILE", help="a profile file, or the name of a shipped one")
    parser.add_argument("--cell", required=True, metavar="CELL", help="the cell's file")
    parser.add_argument("--bench", metavar="BENCH", help="your bench's file (an ideal invented one otherwise)")
    parser.add_argument("--channel", metavar="NAME", help="the bench's channel, when it has several")


def run(args: argparse.Namespace) -> int:
    """Rehearse twice: on a cell like the reference, and on one that gasses as early as published windows suggest."""
    from chargerd.cli.files import example_bench, load_trio

    trio = load_trio(args.profile, args.cell, args.bench or str(example_bench()), args.channel)
    print(f"{trio.profile.name} on a SIMULATED cell of {trio.cell.name}'s size; it proves nothing about a real one.")
    outcomes = [
        ("like the reference cell", rehearse(trio.plan, simulated_cell(trio.cell, None))),
        (f"gassing from {EARLY_GASSING_V:.2f} V on", rehearse(trio.plan, simulated_cell(trio.cell, EARLY_GASSING_V))),
    ]
    for title, outcome in outcomes:
        print(f"\n{title}:")
        for line in outcome.lines():
            print(f"  {line}")
    worst = outcomes[-1][1]
    print(f"\nIf all of the largest charging current ({worst.peak_A:.3g} A) went into gas, this cell would need")
    air = AIR_M3_PER_H_PER_A * worst.peak_A
    opening_cm2 = OPENING_CM2_PER_M3_H * air
    print(f"  {air * 1000:.3g} L/h of fresh air, openings of {opening_cm2:.2g} cm² below and above (after EN 50272-2).")
    return Exit.OK


@dataclass(slots=True)
class Outcome:
    """What a rehearsal came to."""

    hours: float = 0.0
    state: str = ""
    charge_in_Ah: float = 0.0
    charge_out_Ah: float = 0.0
    energy_in_Wh: float = 0.0
    true_gas_Ah: float = 0.0
    hydrogen_Ah: float = 0.0
    peak_V: float = 0.0
    peak_A: float = 0.0
    peak_K: float = 0.0
    ends: list[str] = field(default_factory=list)
    rounds: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """Return it in words."""
        gas_L = (self.true_gas_Ah + self.hydrogen_Ah) * H2_L_PER_AH
        return [
            f"{self.hours:.1f} h, {self.state}",
            f"{self.charge_in_Ah:.3f} Ah and {self.energy_in_Wh:.3f} Wh in, {self.charge_out_Ah:.3f} Ah out",
            f"into gas by charging too high: {self.true_gas_Ah * 1000:.1f} mAh",
            f"hydrogen in all, at rest too (zinc corrodes): at worst {gas_L:.3f} L over the whole time (25 °C)",
            f"at most {self.peak_V:.3f} V, {self.peak_A:.3f} A, {self.peak_K:.1f} K above the room",
            *self.rounds,
            *(f"step {text}" for text in dict.fromkeys(self.ends)),
        ]


def simulated_cell(cell: CellFile, onset_V: float | None) -> Cell:
    """Return a fresh simulated cell of this cell's size: by its carbon, else by its rating. `onset_V` moves its gassing."""
    from chargerd.sim.cell import Cell
    from chargerd.sim.fixtures import PLOVER

    carbon_g = cell.ingredients_g.get("activated_carbon")
    factor = carbon_g / REFERENCE_CARBON_G if carbon_g else cell.rated_Ah / REFERENCE_AH
    parameters = PLOVER.scaled(factor)
    if onset_V is not None:
        parameters = replace(parameters, Uref=onset_V)
    elif cell.gassing.measured:
        parameters = replace(parameters, Uref=cell.gassing.threshold_V)
    return Cell(parameters)


def rehearse(plan: Plan, cell: Cell) -> Outcome:
    """Run a plan on a cell to its end and return what it came to."""
    from chargerd.core.events import RepeatEnded, RoundEnded, StateChanged, StepEnded, Tripped
    from chargerd.core.program import StepKind
    from chargerd.sim.rehearsal import Rehearsal

    outcome = Outcome()
    discharges = any(step.kind is StepKind.DISCHARGE for step in plan.program.steps())
    rehearsal = Rehearsal(plan, cell)
    for _, record in rehearsal.run(LONGEST_S):
        if isinstance(record, StepEnded):
            outcome.ends.append(f"{record.step} ends by {END_WORDS.get(record.end, record.end.replace('_', ' '))}")
        elif isinstance(record, RoundEnded):
            rung = "" if record.rung_V is None else f" at {record.rung_V:.2f} V"
            kept = "" if record.coulombic_efficiency is None else f", {record.coulombic_efficiency:.1%} came back"
            out = f"{record.charge_out_Ah:.3f} Ah out{kept}" if discharges else "nothing is taken out, so stored: not tested"
            outcome.rounds.append(f"round {record.round}{rung}: {out}")
        elif isinstance(record, RepeatEnded):
            outcome.rounds.append(f"ends after {record.rounds} rounds: {END_WORDS.get(record.end, record.end)}")
        elif isinstance(record, Tripped):
            outcome.ends.append(f"TRIPS: {record.cause}")
        elif isinstance(record, StateChanged) and record.after == "PAUSED":
            is_question = rehearsal.engine.memory.asked_s is not None
            outcome.ends.append(f"ASKS: {record.reason}" if is_question else f"WAITS FOR A PERSON: {record.reason}")
            if not is_question:
                break
    tally = rehearsal.engine.memory.tally
    outcome.hours = rehearsal.now_s / 3600.0
    outcome.state = rehearsal.engine.state.value.lower()
    outcome.charge_in_Ah, outcome.charge_out_Ah = tally.charge_in_Ah, tally.charge_out_Ah
    outcome.energy_in_Wh = tally.energy_in_Wh
    outcome.true_gas_Ah, outcome.hydrogen_Ah = cell.oxygen_C / 3600.0, cell.hydrogen_C / 3600.0
    outcome.peak_V, outcome.peak_A, outcome.peak_K = rehearsal.peak_V, rehearsal.peak_A, rehearsal.peak_K
    return outcome
