"""Cells for scenarios: only what a closed form needs, all else off."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from chargerd.core.events import StepEnded
from chargerd.core.plan import Plan
from chargerd.core.reading import Measured
from chargerd.sim.cell import Cell
from chargerd.sim.parameters import CellParameters
from chargerd.sim.rehearsal import Rehearsal

IDEAL = CellParameters(
    qr=0.0, R1=0.0, R2=0.0, iref=0.0, icorr=0.0, ce_zn=1.0, Rleak=inf, Rsh=inf, AR=0.0, AC=0.0, kcyc=0.0, kox=0.0,
    kRox=0.0, EaR=0.0, Eag=0.0, Eal=0.0, dUdT=0.0, dUg=0.0, zmax=1e30, w0=1e30,
)  # fmt: skip
"""A capacitor of 3960 F behind 0.375 ohm, immersed at 1.05 V; no gas, no leak, no ageing."""
GASSING = replace(IDEAL, iref=15e-3, hA=1e9)
"""The same with gas: 15 mA at 2.10 V, 120 mV a decade, and always at room temperature."""


def ideal_cell(parameters: CellParameters = IDEAL, *, charged_V: float = 0.0, ambient_degC: float = 25.0) -> Cell:
    """A cell charged by `charged_V` above immersion, with more zinc than it could lose."""
    return Cell(parameters, zinc_Ah=1e6, stored_Ah=charged_V * parameters.C / 3600.0, ambient_degC=ambient_degC)


class Recorder:
    """Keeps time, voltage, current and regulation of every reading, for independent arithmetic on them."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, float, float, float]] = []

    def __call__(self, inputs: dict[str, Measured], now_s: float) -> None:
        values = [inputs[key].value for key in ("supply_voltage_V", "supply_current_A", "supply_regulated")]
        assert all(value is not None for value in values)
        voltage_V, current_A, regulated = (float(value or 0.0) for value in values)
        self.rows.append((now_s, voltage_V, current_A - float(inputs["load_current_A"].value or 0.0), regulated))


def ends_in_order(plan: Plan, cell: Cell, count: int, *, until_s: float = 400_000.0, recorder: Recorder | None = None) -> list[StepEnded]:
    """Run until so many steps have ended and return how."""
    ended: list[StepEnded] = []
    for _, record in Rehearsal(plan, cell, tamper=recorder).run(until_s):
        if isinstance(record, StepEnded):
            ended.append(record)
            if len(ended) == count:
                return ended
        assert record.kind != "tripped", record
    raise AssertionError(f"{len(ended)} of {count} steps ended")


def first_end(plan: Plan, cell: Cell, *, until_s: float = 400_000.0, recorder: Recorder | None = None) -> StepEnded:
    """Run until the first step ends and return how."""
    return ends_in_order(plan, cell, 1, until_s=until_s, recorder=recorder)[0]
