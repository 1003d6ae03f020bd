"""A whole CC/CV charge through the engine against golden values of a linear one-RC cell.

Golden values: closed form of the linear two-state system, and the open Thevenin model of the battery-modelling package PyBaMM
26.10 (BSD licence), which agreed with it to 1 ms and 1 µAh. Charge at 0.75 A to the limit, constant voltage to 75 mA, rest 600 s.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from chargerd.core.program import EndSpec, Step, StepKind
from chargerd.sim.rehearsal import Rehearsal
from tests.core.bench_of_one import plan_of, rest_step

from .ideal_cells import IDEAL, Recorder, ideal_cell

CAPACITY_C = 5400.0


@dataclass(frozen=True)
class Golden:
    ocv_V: float
    slope_V: float
    R0: float
    R1: float
    C1: float
    limit_V: float
    soc0: float
    cc_s: float
    cc_mAh: float
    cv_s: float
    cv_mAh: float
    rest_V: float


A = Golden(1.600, 1e-9, 0.020, 0.400, 2000.0, 1.620, 0.2, 13.446, 2.801, 123.605, 8.778, 1.608739)
B = Golden(1.25, 0.55, 0.160, 0.090, 700.0, 1.750, 0.1, 3370.909, 702.273, 5681.342, 459.747, 1.731074)
C = Golden(1.50, 0.05, 0.030, 0.020, 3000.0, 1.550, 0.1, 1080.000, 225.000, 12465.216, 1011.997, 1.546233)


def charge_of(case: Golden, every_s: float) -> tuple[float, float, float, float, float]:
    """Seconds and mAh in constant current and in constant voltage to 75 mA, and volts after the rest."""
    parameters = replace(
        IDEAL, C=CAPACITY_C / case.slope_V, Uimm=case.ocv_V, R0=case.R0, R1=case.R1, tau1=case.R1 * case.C1, hA=1e9
    )
    cell = ideal_cell(parameters, charged_V=case.soc0 * case.slope_V)
    step = Step(
        "1", StepKind.CHARGE, 0.75, case.limit_V, sample_every_s=every_s,
        ends=(EndSpec("current_below", 0.075), EndSpec("charge", 5.0), EndSpec("time", 60_000.0)),
    )  # fmt: skip
    recorder = Recorder()
    for _ in Rehearsal(plan_of(step, rest_step("2", lasts_s=600.0)), cell, tamper=recorder).run(80_000.0):
        pass
    rows = [row for row in recorder.rows if row[3]]
    # The instant the limit is reached lies within a step of the simulator: interpolate where the current leaves its set-point.
    turn = next(index for index, row in enumerate(rows) if row[3] == 2.0)
    end = next(index for index, row in enumerate(rows) if index > turn and row[2] <= 0.075)
    share = (rows[end - 1][2] - 0.075) / (rows[end - 1][2] - rows[end][2])
    end_s = rows[end - 1][0] + share * (rows[end][0] - rows[end - 1][0])
    cc_s = rows[turn - 1][0]
    cc_mAh = 0.75 * (cc_s - rows[0][0]) / 3.6
    cv_C = sum(0.5 * (a[2] + b[2]) * (b[0] - a[0]) for a, b in zip(rows[turn - 1 : end - 1], rows[turn:end], strict=True))
    cv_C += 0.5 * (rows[end - 1][2] + 0.075) * (end_s - rows[end - 1][0])
    return cc_s, cc_mAh, end_s - cc_s, cv_C / 3.6, recorder.rows[-1][1]


@pytest.mark.parametrize(("case", "every_s"), [(A, 0.05), (B, 1.0), (C, 2.0)], ids="ABC")
def test_a_charge_agrees_with_the_golden_values(case, every_s):
    cc_s, cc_mAh, cv_s, cv_mAh, rest_V = charge_of(case, every_s)

    # The turn from CC to CV is seen to one sampling period; what one gains the other loses, so the sums are sharper.
    assert cc_s == pytest.approx(case.cc_s, abs=2 * every_s)
    assert cc_mAh == pytest.approx(case.cc_mAh, abs=2 * every_s * 0.75 / 3.6)
    # The simulator's implicit step is of first order in time: an error of about dt/2τ of the taper's length and charge.
    assert cc_s + cv_s == pytest.approx(case.cc_s + case.cv_s, abs=5 * every_s)
    assert cc_mAh + cv_mAh == pytest.approx(case.cc_mAh + case.cv_mAh, abs=2 * every_s * 0.75 / 3.6)
    assert rest_V == pytest.approx(case.rest_V, abs=2e-4)


def test_the_error_against_the_golden_values_halves_with_the_step():
    errors = [sum(charge_of(B, every_s)[1:4:2]) - (B.cc_mAh + B.cv_mAh) for every_s in (4.0, 2.0)]

    assert errors[0] / errors[1] == pytest.approx(2.0, rel=0.15)
