"""Which zeros a run has measured and subtracted, and what they leave of a data sheet's offset in its charges."""

from __future__ import annotations

import math
from collections.abc import Sequence

from chargerd.config.bench import ChannelSpec
from chargerd.config.inputs import ZEROED_SHARE
from chargerd.core.events import CheckPassed, ZeroMeasured
from chargerd.core.zero import Zero, proves
from chargerd.verdict.uncertainty import Accuracy

ZeroRecord = CheckPassed | ZeroMeasured
"""What sets a zero: each CHECKING, and the step `zero_current`."""


def zeros_of(records: Sequence[ZeroRecord], spec: ChannelSpec, name: str) -> list[Zero]:
    """Return every zero of that instrument that was subtracted in the run, in order; one not measured is without uncertainty."""
    found = []
    for record in records:
        if isinstance(record, ZeroMeasured):
            if record.accepted and record.instrument == name and record.current_A is not None:
                found.append(Zero(record.current_A, record.u_A))
        elif name == spec.ammeter:
            found.append(Zero(record.zero_ammeter_A, record.zero_ammeter_u_A))
        elif name == spec.load:
            found.append(Zero(record.zero_load_A, record.zero_load_u_A))
        else:
            found.append(Zero(record.zero_source_A, record.zero_source_u_A))
    return found


def all_prove(zeros: Sequence[Zero], step_A: float) -> bool:
    """Tell whether there are zeros and every one of them proves what the error is (`core/zero.py`)."""
    return bool(zeros) and all(proves(zero, step_A) for zero in zeros)


def zeroed(stated: Accuracy | None, zeros: Sequence[Zero], step_A: float) -> Accuracy | None:
    """Return that accuracy with what a subtracted zero leaves of its offset: its own uncertainty, and what may have drifted.

    Limits ±a taken as a uniform distribution have u = a/√3 (JCGM 100:2008, 4.3.7). One zero that proves nothing, and the whole
    offset stands. A zero does not improve on what the data sheet promises by being worse than it.
    """
    if stated is None or not all_prove(zeros, step_A):
        return stated
    u_A = max(zero.u_A or 0.0 for zero in zeros)
    return Accuracy(stated.gain, min(stated.offset, math.hypot(math.sqrt(3.0) * u_A, ZEROED_SHARE * stated.offset)))
