"""Everything the engine is told before it begins: program, limits, the cell's constants, who measures what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from chargerd.core.limits import Limits, Zeros
from chargerd.core.program import CHARGING, Program
from chargerd.core.reading import ChannelInputs


@dataclass(frozen=True, slots=True)
class Gassing:
    """How gassing is judged on this cell.

    `threshold_V` at 25 degC, `coefficient_V_per_K` of it (negative), `measured` whether it was measured on this cell,
    `current_25_A` the gas current at the threshold and 25 degC, `decade_V` the Tafel slope in V per decade.
    """

    threshold_V: float = 1.85
    coefficient_V_per_K: float = -0.004
    measured: bool = False
    current_25_A: float = 0.0
    decade_V: float = 0.120


@dataclass(frozen=True, slots=True)
class Resolves:
    """What this bench can tell apart: expanded-free standard uncertainties of differences, V, A, K (0 = ideal)."""

    voltage_V: float = 0.0
    current_A: float = 0.0
    temperature_K: float = 0.0


@dataclass(frozen=True, slots=True)
class Plan:
    """The frozen input of an engine. Two engines with equal plans and equal inputs hold equal memory.

    `needs_zero`: by instrument, what this run cannot see unless that instrument's zero is measured and proves something
    (`core/zero.py`). CHECKING asks; the engine does not.
    """

    program: Program
    limits: Limits
    inputs: ChannelInputs
    rated_Ah: float
    gassing: Gassing = Gassing()
    resolves: Resolves = Resolves()
    ovp_V: float | None = None
    ocp_A: float | None = None
    missed_max: int = 3
    zeros: Zeros = field(default_factory=Zeros)
    needs_zero: Mapping[str, str] = field(default_factory=dict)


PROBE_SHARE_per_h = 0.1
"""C/10: what CHECKING's probe pulse may carry at most."""


def probe_current_A(plan: Plan) -> float:
    """Return the probe's current: C/10, never more than the run itself charges with; 0 for a run that does not charge."""
    charged_A = [step.current_A for step in plan.program.steps() if step.kind in CHARGING and not step.isolated]
    return min(PROBE_SHARE_per_h * plan.rated_Ah, max(charged_A), plan.limits.charge_current_max_A) if charged_A else 0.0
