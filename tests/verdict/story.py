"""Hand-made runs for the verdict's tests: an ideal capacitor charged and discharged at constant current. Numbers are invented.

Right before and right after each switching there is a reading at the same instant, as the channel takes them.
"""

from __future__ import annotations

from chargerd.core.events import Record, ResistanceMeasured, StateChanged, StepEnded, StepStarted
from chargerd.verdict.sample import Noted, Sample

ENDS = {"charge": "voltage_above", "discharge": "voltage_below"}


class Story:
    """Collects samples and events. `capacitance_F` 4500 and 0.8 V to 2.0 V make exactly 1.5 Ah."""

    def __init__(self, *, every_s: float = 10.0, capacitance_F: float = 4500.0, voltage_V: float = 0.8, offset_A: float = 0.0) -> None:
        self.every_s, self.capacitance_F, self.voltage_V, self.offset_A = every_s, capacitance_F, voltage_V, offset_A
        self.elapsed_s = 0.0
        self.samples: list[Sample] = []
        self.noted: list[Noted] = []
        self.charge_Ah = {"charge": 0.0, "discharge": 0.0}
        self.gas_Ah = 0.0
        self.leak_A = 0.0
        self.regulated_by = "cc"
        self.temperature_degC: float | None = 25.0

    def note(self, record: Record) -> None:
        self.noted.append(Noted(len(self.noted) + 1, len(self.samples), self.elapsed_s, record))

    def sample(self, activity: str, step: str, number: int, current_A: float | None, state: str = "RUNNING") -> None:
        self.samples.append(
            Sample(
                len(self.samples) + 1, self.elapsed_s, state, step, number, activity, self.regulated_by,
                self.voltage_V, current_A, self.temperature_degC, self.charge_Ah["charge"], self.charge_Ah["discharge"],
                gas_charge_Ah=self.gas_Ah,
            )
        )  # fmt: skip

    def flow(self, activity: str, step: str, number: int, current_A: float, duration_s: float, *, state: str = "RUNNING") -> None:
        """Readings at both ends and every `every_s` between; what flows beside the meter is `leak_A`."""
        seen_A = current_A + self.offset_A if current_A else 0.0
        end_s = self.elapsed_s + duration_s
        self.sample(activity, step, number, seen_A, state)
        while self.elapsed_s < end_s - 1e-9:
            span_s = min(self.every_s, end_s - self.elapsed_s)
            self.elapsed_s += span_s
            self.voltage_V += (current_A - self.leak_A) * span_s / self.capacitance_F
            if activity in self.charge_Ah:
                self.charge_Ah[activity] += abs(seen_A) * span_s / 3600.0
            self.sample(activity, step, number, seen_A, state)

    def charge(self, hours: float, *, number: int = 1, current_A: float = 0.3, set_V: float = 2.0, gas_Ah: float = 0.0,
               end: str = "voltage_above", step: str = "1.1") -> None:
        self.note(StepStarted(step, number, "charge", set_V, current_A))
        self.gas_Ah = gas_Ah
        self.flow("charge", step, number, current_A, hours * 3600.0)
        if end:
            self.note(StepEnded(step, number, end, self.voltage_V, set_V))

    def discharge(self, hours: float, *, number: int = 1, current_A: float = 0.3, limit_V: float = 0.8, end: str = "voltage_below",
                  step: str = "1.3") -> None:
        self.note(StepStarted(step, number, "discharge", None, current_A))
        self.flow("discharge", step, number, -current_A, hours * 3600.0)
        if end:
            self.note(StepEnded(step, number, end, self.voltage_V, limit_V))

    def rest(self, duration_s: float = 600.0, *, number: int = 1, step: str = "1.2") -> None:
        self.flow("rest", step, number, 0.0, duration_s)

    def resistance(self, ohm: float, *, current_A: float = 0.3, accepted: bool = True, lasts_s: float = 1.0) -> None:
        self.note(ResistanceMeasured(ohm, 0.05, 1.1 * ohm, lasts_s, current_A, accepted))

    def round(self, number: int, charge_h: float, discharge_h: float, *, set_V: float = 2.0, gas_Ah: float = 0.0) -> None:
        """One round between the same two voltages: the cell is put where a real one would have come to."""
        self.charge(charge_h, number=number, set_V=set_V, gas_Ah=gas_Ah)
        self.samples[-1] = self.samples[-1]._replace(regulated_by="cv")
        self.voltage_V = set_V
        self.rest(number=number)
        self.voltage_V = 0.8 + 0.3 * discharge_h * 3600.0 / self.capacitance_F
        self.discharge(discharge_h, number=number)
        self.voltage_V = 0.8
        self.rest(number=number, step="1.4")

    def over(self, state: str = "COMPLETE") -> None:
        self.note(StateChanged("RUNNING", state, ""))
