"""The verdict of one run: figures with their conditions, sentences made of them, cautions, and where they come from."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from chargerd import __version__
from chargerd.core.events import Gap, RoundEnded, StateChanged, Tripped
from chargerd.journal.runfolder import write_whole
from chargerd.verdict import words
from chargerd.verdict.capacity import (
    EFFICIENCY_MAX,
    Capacity,
    Cycle,
    RatingCompared,
    capacity,
    compare_rating,
    cycles,
    last_judged,
    window_of,
)
from chargerd.verdict.gasbook import Gas, gas_of, sum_of
from chargerd.verdict.grades import Grade, grade_efficiency, grade_fall, grade_resistance
from chargerd.verdict.leads import Leads
from chargerd.verdict.leg import Leg
from chargerd.verdict.legs import Legs
from chargerd.verdict.load import RunSource
from chargerd.verdict.resistance import Resistances, resistances
from chargerd.verdict.sample import Noted, RunFacts, Sample
from chargerd.verdict.settle import Settled
from chargerd.verdict.totals import TotalsCheck, check_totals
from chargerd.verdict.uncertainty import Accuracies

SCHEMA = 1
VERDICT_FILE = "verdict.json"
_HIDDEN = frozenset({"curve", "in_As", "out_As", "in_J", "out_J", "temperature_sum"})
"""Fields of a leg that are workings, not figures."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """Everything that may be said of one run. `outcome` is how the run ended, `sentences` by their first word."""

    run: str
    cell: str
    profile: str
    bench: str
    outcome: str
    complete: bool
    legs: tuple[Leg, ...]
    cycles: tuple[Cycle, ...]
    judged: Cycle | None
    capacity: Capacity | None
    rating: RatingCompared
    resistances: Resistances
    leg_resistances: tuple[Resistances, ...]
    rests: tuple[Settled, ...]
    gas: tuple[Gas, ...]
    gas_total: Gas
    totals: TotalsCheck
    rounds: tuple[RoundEnded, ...]
    grades: dict[str, Grade]
    sentences: dict[str, str]
    not_known: tuple[str, ...]
    cautions: tuple[str, ...]
    provenance: dict[str, Any]
    accuracies: Accuracies
    leads: Leads | None = None

    def to_json(self) -> str:
        """Return the content of `verdict.json`. No NaN; None is "not measured"."""
        legs = [
            _leg_figures(self.legs, index, found, self.accuracies) for index, found in enumerate(self.leg_resistances)
        ]
        content = {
            "schema": SCHEMA,
            "cell": self.cell,
            "profile": self.profile,
            "bench": self.bench,
            "outcome": self.outcome,
            "complete": self.complete,
            "figures": {
                "capacity": None if self.capacity is None else asdict(self.capacity),
                "rating": asdict(self.rating),
                "cycles": [asdict(cycle) for cycle in self.cycles],
                "rounds": [asdict(record) for record in self.rounds],
                "legs": legs,
                "resistance": asdict(self.resistances),
                "leads": None if self.leads is None else asdict(self.leads),
                "settled": [asdict(settled) for settled in self.rests],
                "gas": [asdict(entry) for entry in self.gas],
                "gas_total": asdict(self.gas_total),
                "totals": {**asdict(self.totals), "agree": self.totals.agree},
            },
            "grades": self.grades,
            "sentences": self.sentences,
            "not_known": self.not_known,
            "cautions": self.cautions,
            "provenance": self.provenance,
        }
        return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _leg_figures(legs: Sequence[Leg], index: int, found: Resistances, accuracies: Accuracies) -> dict[str, Any]:
    leg = legs[index]
    figures: dict[str, Any] = {name: getattr(leg, name) for name in leg.__dataclass_fields__ if name not in _HIDDEN}
    figures.update(
        charge_Ah=leg.charge_Ah,
        charge_limit_Ah=leg.charge_limit_Ah(accuracies),
        energy_Wh=leg.energy_Wh,
        energy_limit_Wh=leg.energy_limit_Wh(accuracies),
        mean_voltage_V=leg.mean_voltage_V,
        current_mean_A=leg.current_mean_A,
        temperature_mean_degC=leg.temperature_mean_degC,
        data_fault=leg.data_fault,
        resistance=asdict(found),
    )
    if leg.kind == "discharge":
        figures.update(window=asdict(window_of(legs, index)), cliff=leg.cliff)
    return figures


def judge(facts: RunFacts, samples: Iterable[Sample], noted: Sequence[Noted], torn: Sequence[str] = ()) -> Verdict:
    """Work out the verdict of a run in one pass over its samples. `torn` may still be filled while the samples are read."""
    reader = Legs(noted, facts.sample_every_s)
    for sample in samples:
        reader.take(sample)
    reader.finish()
    legs = reader.legs
    found_cycles = cycles(legs, facts.accuracies)
    judged = last_judged(found_cycles)
    measured = capacity(legs, facts.accuracies)
    rating = compare_rating(measured, facts.rating)
    last_seq = reader.last.seq if reader.last is not None else 0
    ohms = resistances(noted, 0, last_seq)
    charges = [
        gas_of(leg.step, leg.round, leg.gas_charge_Ah, leg.gassing_s, leg.gassing_terminal_s, leg.charge_Ah)
        for leg in legs
        if leg.kind == "charge"
    ]
    total = sum_of(charges)
    totals = check_totals(reader.totals, reader.journal_totals(), reader.unknown_Ah)
    settled = next((rest for rest in reversed(reader.rests) if rest.after == "charge" and rest.voltage_V), None)
    rated_Ah = facts.rating.charge_Ah if facts.rating is not None else None
    grades = {
        "coulombic_efficiency": grade_efficiency(judged),
        "resistance": grade_resistance(ohms.firm, rated_Ah, leads_in_voltage=facts.leads_in_voltage),
        "voltage_fall": grade_fall(settled),
    }
    outcome, complete = _outcome(reader.last, noted)
    return Verdict(
        facts.run, facts.cell, facts.profile, facts.bench, outcome, complete,
        tuple(legs), tuple(found_cycles), judged, measured, rating, ohms,
        tuple(resistances(noted, leg.seq_first, leg.seq_last) for leg in legs),
        tuple(reader.rests), tuple(charges), total, totals,
        tuple(item.record for item in noted if isinstance(item.record, RoundEnded)),
        grades,
        {
            "stored": words.stored_sentence(measured, legs),
            "returned": words.returned_sentence(judged, found_cycles, grades["coulombic_efficiency"]),
            "gas": words.gas_sentence(charges, total, judged),
            "strength": words.strength_sentence(ohms, grades["resistance"], leads_in_voltage=facts.leads_in_voltage),
            "kept": words.kept_sentence(settled, grades["voltage_fall"]),
            "rating": words.rating_sentence(rating, measured, facts.rating),
        },
        facts.not_known,
        _cautions(facts, reader, found_cycles, totals, complete=complete, outcome=outcome, noted=noted, torn=torn),
        {
            "run": facts.run,
            "versions": {**facts.versions, "verdict": __version__},
            "sha256": dict(facts.sha256),
            "readings_seq": [reader.first.seq if reader.first is not None else None, last_seq],
            "events_seq": [noted[0].seq if noted else None, noted[-1].seq if noted else None],
        },
        facts.accuracies,
    )  # fmt: skip


def _outcome(last: Sample | None, noted: Sequence[Noted]) -> tuple[str, bool]:
    """Return how the run ended, in words, and whether its program came to its end."""
    state = last.state if last is not None else "IDLE"
    for item in noted:
        if isinstance(item.record, StateChanged):
            state = item.record.after
    trip = next((item.record for item in noted if isinstance(item.record, Tripped)), None)
    if trip is not None:
        return f"tripped: {trip.cause}{f' ({trip.text})' if trip.text else ''}", False
    if state == "COMPLETE":
        return "its program came to its end", True
    return ("stopped early" if state == "STOPPED" else "not finished when this was written"), False


def _cautions(
    facts: RunFacts, reader: Legs, found: Sequence[Cycle], totals: TotalsCheck, *,
    complete: bool, outcome: str, noted: Sequence[Noted], torn: Sequence[str],
) -> tuple[str, ...]:  # fmt: skip
    cautions: list[str] = []
    if not complete:
        cautions.append(f"The run did not come to its end ({outcome}): figures cover what was measured.")
    interruptions = sum(isinstance(item.record, Gap) for item in noted)
    if interruptions:
        times = "once" if interruptions == 1 else f"{interruptions} times"
        cautions.append(f"Interrupted {times}: for a while nothing was recorded; legs that fell into it are not judged.")
    short = reader.gaps - interruptions
    if short > 0:
        gaps = "1 gap" if short == 1 else f"{short} gaps"
        hidden = f"at most {1000.0 * reader.unknown_Ah:.1f} mAh went unseen"
        cautions.append(f"Not counted: {gaps} of more than three sampling intervals; {hidden}.")
    if not totals.agree:
        journal, own = totals.journal, totals.recomputed
        cautions.append(
            f"The journal's counters ({journal.charge_in_Ah:.4f} Ah in, {journal.charge_out_Ah:.4f} out) differ from "
            f"the recomputed totals ({own.charge_in_Ah:.4f} in, {own.charge_out_Ah:.4f} out)."
        )
    for cycle in found:
        if cycle.coulombic_efficiency is not None and cycle.coulombic_efficiency > EFFICIENCY_MAX:
            percent = 100.0 * cycle.coulombic_efficiency
            cautions.append(f"Cycle {cycle.number} gave back {percent:.1f} %: instruments, growth or reserve zinc.")
    if facts.accuracies.charge_A is None or facts.accuracies.discharge_A is None:
        cautions.append("The bench file does not give the accuracy of every current: uncertainties are not stated.")
    cautions += [fault[:1].upper() + fault[1:] + "." for fault in (*facts.faults, *torn)]
    return (*cautions, words.BENCH_CAUTION, words.GAS_CAUTION)


def with_leads(verdict: Verdict, leads: Leads | None) -> Verdict:
    """Return the verdict with what two voltage readings say of the leads between them."""
    return verdict if leads is None else replace(verdict, leads=leads, sentences={**verdict.sentences, "leads": leads.sentence()})


def write_verdict(folder: Path) -> Verdict:
    """Work out a run's verdict and write it beside its files as `verdict.json`.

    Raises JournalError when the record cannot be trusted; a torn tail is left out and told.
    """
    source = RunSource(folder)
    facts = source.facts()
    noted = source.noted()
    verdict = with_leads(judge(facts, source.samples(), noted, source.torn), source.leads())
    write_whole(folder, VERDICT_FILE, verdict.to_json().encode())
    return verdict
