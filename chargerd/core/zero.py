"""The zero of a current: what an instrument shows when none can flow. One rule for every place that measures or uses one. Pure.

A zero is *allowed* when it is no larger than the data sheet's offset, two of the instrument's steps (one in its display, one in
the reading of another moment) and three times the zero's own uncertainty. It is measured at CHECKING and by the step
`zero_current`; more than is allowed is another current, and nothing goes on.

A zero *proves* something unless every reading was exactly 0: a display that cannot go below zero, one that blanks what is
small, and an instrument that measures nothing show the same. Then the whole stated offset stays in everything worked out.
"""

from __future__ import annotations

import math
from typing import NamedTuple

SCATTER_MOST_A = 0.010
"""Scatter excuses no larger zero: a current that dies away through a welded relay scatters, too."""
_SAME = 1e-6
"""Uncertainties are kept to seven digits; two that differ by less are one."""


class StatedZero(NamedTuple):
    """What a data sheet says of an instrument's zero: ± `offset_A`, shown in steps of `step_A`."""

    offset_A: float = 0.0
    step_A: float = 0.0


NOTHING_STATED = StatedZero()


class Zero(NamedTuple):
    """The mean reading without current, and its standard uncertainty from scatter and step. `u_A` None: none was measured."""

    mean_A: float = 0.0
    u_A: float | None = None


def zero_of(count: int, sum_A: float, squares_A2: float, step_A: float) -> Zero:
    """Return the zero that many readings show, from their sum and the sum of their squares; none were: not measured.

    u² = s²/n + step²/12: type A of the mean, and a step of that width as a uniform distribution (JCGM 100:2008, 4.2.3 and
    4.3.7). One reading alone has no scatter that could be known.
    """
    if count < 1:
        return Zero()
    mean_A = sum_A / count
    variance_A2 = max(squares_A2 - count * mean_A**2, 0.0) / (count - 1) if count > 1 else 0.0
    return Zero(_seven(mean_A), _seven(math.sqrt(variance_A2 / count + step_A**2 / 12.0)))


def allowed_A(zero: Zero, stated: StatedZero) -> float:
    """Return how large that zero may be."""
    return stated.offset_A + 2.0 * stated.step_A + min(3.0 * (zero.u_A or 0.0), SCATTER_MOST_A)


def why_not(zero: Zero, stated: StatedZero, name: str) -> str:
    """Return why that is no zero of the instrument, "" when it is one. NaN is none."""
    most_A = allowed_A(zero, stated)
    if abs(zero.mean_A) <= most_A:
        return ""
    return (
        f"{name} reads {zero.mean_A * 1000:.1f} mA with the cell's relay open, where no current can flow; its stated accuracy "
        f"allows {most_A * 1000:.1f} mA: it needs adjusting, or the relay does not open"
    )


def proves(zero: Zero, step_A: float) -> bool:
    """Tell whether that zero says how large the instrument's error is: it was measured, and not every reading was exactly 0.

    Readings around 0 may have a mean of exactly 0; then they scatter by more than the step alone accounts for.
    """
    if zero.u_A is None:
        return False
    return zero.mean_A != 0.0 or zero.u_A > step_A / math.sqrt(12.0) * (1.0 + _SAME)


def _seven(value: float) -> float:
    return float(f"{value:.7g}")
