"""One pass over the samples of a run: totals, legs, and the rests after them. Holds no sample longer than it needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from chargerd.core.demand import Activity
from chargerd.core.events import Gap, Pause, StepEnded, StepStarted, Stop, Tripped
from chargerd.errors import JournalError
from chargerd.verdict.leg import Leg
from chargerd.verdict.sample import Noted, Sample
from chargerd.verdict.settle import Settled, SettleTracker
from chargerd.verdict.totals import Pace, Totals, Trapezoid
from chargerd.verdict.uncertainty import S_PER_H

Key = tuple[str, int]
APART = frozenset({Activity.PULSE, Activity.PROBE, Activity.ZERO_CURRENT})
"""Current that belongs to no leg: it measures no capacity, and the rest before it is over."""


class Legs:
    """Feed samples in order with `take`, then call `finish`.

    An interval between two samples belongs to the leg whose current flows in it: charge to a charge, discharge to a
    discharge, also across the switching at either end, where half of the step of current is counted. The two halves at the
    ends of a leg cancel; `edge_Ah` says what is left open.
    """

    def __init__(self, noted: Sequence[Noted], sample_every_s: Mapping[str, float] | None = None) -> None:
        self.legs: list[Leg] = []
        self.rests: list[Settled] = []
        self.trapezoid = Trapezoid()
        self.gaps = 0
        self.unknown_Ah = 0.0
        self.first: Sample | None = None
        self.last: Sample | None = None
        self._noted = noted
        self._every_s = dict(sample_every_s or {})
        self._paces: dict[str, Pace] = {}
        self._leg: Leg | None = None
        self._was_on = False
        self._settle: SettleTracker | None = None
        self._gap_after = {item.after_seq: item.record for item in noted if isinstance(item.record, Gap)}
        self._last_A = 0.0
        self._open_V: float | None = None
        self._apart_As = 0.0

    @property
    def totals(self) -> Totals:
        """Charge and energy so far."""
        return Totals.of(self.trapezoid)

    def journal_totals(self) -> Totals:
        """Return what the journal's own counters gained from the first sample to the last."""
        first, last = self.first, self.last
        if first is None or last is None:
            return Totals(0.0, 0.0, 0.0, 0.0)
        return Totals(
            last.charge_in_Ah - first.charge_in_Ah,
            last.charge_out_Ah - first.charge_out_Ah,
            last.energy_in_Wh - first.energy_in_Wh,
            last.energy_out_Wh - first.energy_out_Wh,
        )

    def take(self, sample: Sample) -> None:
        """Take the next sample. Raises JournalError when time or seq goes backwards."""
        before = self.last
        if before is not None and (sample.elapsed_s < before.elapsed_s or sample.seq <= before.seq):
            raise JournalError(f"readings row {sample.seq}: time or seq goes backwards (row before: {before.seq})")
        activity = sample.activity
        is_on = activity in {"charge", "discharge"} or (activity == "interruption" and self._leg is not None)
        opened = is_on and self._starts_leg(sample)
        if opened:
            self._open(sample)
        leg = self._leg
        broken = before is None or self._breaks(before, sample, leg if is_on or self._was_on else None)
        voltage_V, current_A = sample.voltage_V, sample.current_A
        if activity == Activity.ZERO_CURRENT:
            self.trapezoid.break_off()  # what was read is an instrument's zero; none of it reached the cell
            self._last_A = 0.0
        elif voltage_V is not None and current_A is not None:
            self.trapezoid.take(sample.elapsed_s, voltage_V, current_A)
            if activity in APART:
                self._apart_As += self.trapezoid.step_in_As + self.trapezoid.step_out_As
            if leg is not None and (is_on or self._was_on):
                self._share(leg, opened=opened)
            self._last_A = current_A
        if leg is not None and is_on:
            self._note(leg, sample, before, broken=broken)
        self._follow_rest(sample, is_on=is_on)
        self._was_on = is_on
        self.first = sample if self.first is None else self.first
        self.last = sample

    def finish(self) -> None:
        """Close what is open and say what ended each leg."""
        if self._settle is not None:
            self.rests.append(self._settle.finish())
            self._settle = None
        started = {(r.step, r.round): r for r in (n.record for n in self._noted) if isinstance(r, StepStarted)}
        ended = {(r.step, r.round): r for r in (n.record for n in self._noted) if isinstance(r, StepEnded)}
        for leg in self.legs:
            key = (leg.step, leg.round)
            start, end = started.get(key), ended.get(key)
            if start is not None:
                leg.set_voltage_V, leg.set_current_A = start.voltage_V, start.current_A
            if end is not None:
                leg.ended_by, leg.end_limit = end.end, end.limit
            self._name_early_end(leg)
            if leg.end_V is not None:
                leg.curve.points.append((leg.charge_Ah, leg.end_V))

    def _name_early_end(self, leg: Leg) -> None:
        last = leg is self.legs[-1]
        for item in self._noted:
            # A trip in the rest after a leg did not end that leg.
            within = leg.seq_first <= item.after_seq <= leg.seq_last
            if not within and not (last and leg.ended_by == "not ended" and item.after_seq >= leg.seq_first):
                continue
            if isinstance(item.record, Pause):
                leg.paused = True
            elif leg.ended_by == "not ended" and isinstance(item.record, Tripped):
                leg.ended_by, leg.end_limit = "trip", item.record.limit
            elif leg.ended_by == "not ended" and isinstance(item.record, Stop):
                leg.ended_by = "stop"

    def _starts_leg(self, sample: Sample) -> bool:
        leg = self._leg
        if leg is None or leg.step != sample.step or leg.round != sample.round:
            return True
        return sample.activity not in {leg.kind, "interruption"}

    def _open(self, sample: Sample) -> None:
        kind = "discharge" if sample.activity == "discharge" else "charge"
        self._leg = Leg(kind, sample.step, sample.round, sample.seq, sample.elapsed_s, open_V=self._open_V)
        self._leg.apart_Ah = self._apart_As / S_PER_H
        self._open_V, self._apart_As = None, 0.0
        self.legs.append(self._leg)

    def _breaks(self, before: Sample, sample: Sample, leg: Leg | None) -> bool:
        """Tell whether the time up to this sample is not counted: a gap, or nothing recorded between two lives of the program."""
        gap = self._gap_after.get(before.seq)
        span_s = self.trapezoid.span_s(sample.elapsed_s)
        if gap is not None:
            self.gaps += 1
            self.trapezoid.break_off()
            if leg is not None:
                leg.interrupted = True
                self._lose(leg, span_s, abs(self._last_A) * gap.off_after_s / S_PER_H)
            return True
        pace = self._paces.get(sample.step)
        if pace is None:
            pace = self._paces[sample.step] = Pace(self._every_s.get(sample.step))
        if span_s <= 0.0 or sample.current_A is None or sample.voltage_V is None or not pace.is_gap(span_s):
            return False
        self.gaps += 1
        self.trapezoid.break_off()
        if leg is not None:
            self._lose(leg, span_s, max(abs(self._last_A), abs(sample.current_A)) * span_s / S_PER_H)
        return True

    def _lose(self, leg: Leg, span_s: float, unknown_Ah: float) -> None:
        leg.gaps += 1
        leg.gap_s += span_s
        leg.unknown_Ah += unknown_Ah
        self.unknown_Ah += unknown_Ah

    def _share(self, leg: Leg, *, opened: bool) -> None:
        """Give the interval just integrated to the leg it belongs to, and the other direction to the leg before."""
        trapezoid = self.trapezoid
        before = self.legs[-2] if opened and self._was_on and len(self.legs) > 1 else None
        for target in (leg, before):
            if target is None or (before is not None and before.kind == leg.kind and target is before):
                continue
            if target.kind == "charge":
                target.in_As += trapezoid.step_in_As
                target.in_J += trapezoid.step_in_J
            else:
                target.out_As += trapezoid.step_out_As
                target.out_J += trapezoid.step_out_J

    def _note(self, leg: Leg, sample: Sample, before: Sample | None, *, broken: bool) -> None:
        voltage_V, current_A = sample.voltage_V, sample.current_A
        leg.samples += 1
        leg.seq_last, leg.end_s = sample.seq, sample.elapsed_s
        # Time without counted charge would make the mean current too small.
        span_s = 0.0 if broken or before is None else sample.elapsed_s - before.elapsed_s
        leg.duration_s += span_s
        if leg.samples == 1 and current_A is not None:
            # Half the step of current at the start, and as much again at the end.
            leg.edge_Ah = abs(current_A - self._last_A_before(before)) * span_s / S_PER_H
        if voltage_V is None or current_A is None:
            leg.missing += 1
        elif sample.activity != "interruption":
            leg.start_V = voltage_V if leg.start_V is None else leg.start_V
            leg.end_V, leg.end_current_A = voltage_V, current_A
            leg.regulated_by = sample.regulated_by
            if leg.kind == "discharge":
                leg.curve.take(leg.out_As / S_PER_H, voltage_V)
        temperature_degC = sample.temperature_degC
        if temperature_degC is not None:
            leg.temperature_sum += temperature_degC
            leg.temperature_samples += 1
            if leg.temperature_min_degC is None or temperature_degC < leg.temperature_min_degC:
                leg.temperature_min_degC = temperature_degC
            if leg.temperature_max_degC is None or temperature_degC > leg.temperature_max_degC:
                leg.temperature_max_degC = temperature_degC
        leg.gas_charge_Ah = sample.gas_charge_Ah
        leg.gassing_s, leg.gassing_terminal_s = sample.gassing_s, sample.gassing_terminal_s

    @staticmethod
    def _last_A_before(before: Sample | None) -> float:
        return before.current_A if before is not None and before.current_A is not None else 0.0

    def _follow_rest(self, sample: Sample, *, is_on: bool) -> None:
        leg = self._leg
        if is_on or sample.activity in APART:
            if self._settle is not None:
                self.rests.append(self._settle.finish())
                self._settle = None
            return
        if self._was_on and leg is not None:
            self._settle = SettleTracker(leg.kind, leg.step, leg.round, leg.end_s, leg.end_V)
        if sample.voltage_V is not None:
            self._open_V = sample.voltage_V
            if self._settle is not None:
                self._settle.take(sample.elapsed_s, sample.voltage_V)
