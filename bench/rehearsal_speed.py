"""How long a rehearsed day takes, sampled each second. Goal: under 3 s."""

from __future__ import annotations

import time
from collections.abc import Iterator

from chargerd.core.limits import Limits
from chargerd.core.plan import Gassing, Plan
from chargerd.core.program import EndSpec, Program, Step, StepKind
from chargerd.core.reading import ChannelInputs
from chargerd.sim.fixtures import make_cell
from chargerd.sim.rehearsal import Rehearsal


def day_plan() -> Plan:
    """A day at 1.75 V, read each second."""
    ends = (EndSpec("time", 86_400.0), EndSpec("charge", 50.0))
    step = Step("1", StepKind.CHARGE, 0.15, 1.75, sample_every_s=1.0, ends=ends)
    limits = Limits(2.75, -0.1, 2.5, 2.5, 45.0, 5.0, 12.0)
    return Plan(Program("day", (step,)), limits, ChannelInputs("supply", "load", "", "probe"), 1.5, Gassing(current_25_A=0.015))


def measure() -> Iterator[str]:
    began_s = time.perf_counter()
    rehearsal = Rehearsal(day_plan(), make_cell("plover"))
    for _ in rehearsal.run(90_000.0):
        pass
    took_s = time.perf_counter() - began_s
    yield f"a day at 1 s without a wire took {took_s:.1f} s ({took_s / 86_400 * 1e6:.0f} µs a sample); goal 3 s"
