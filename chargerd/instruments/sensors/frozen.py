"""Frozen thermometers: one value again and again while another thermometer proves that it should have moved.

A coarse sensor in a still room repeats its value for hours, and the room's does so while the cell warms: both are no fault.
What is judged is the value: a thermocouple's voltage may stand still at 0 while cell and terminals warm together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

FROZEN_SAMPLES = 20
FROZEN_S = 120.0
"""A value must have been repeated so often, and for so long."""
MOVED_STEPS = 3.0
"""Another thermometer has moved when it stays beyond so many steps, of the coarser of the two, from where it was."""
FOLLOWS_S = 3600.0
"""Time constant of a heavy cell to its room; no source. A lighter one follows sooner."""
FOLLOWED_STEPS, FOLLOWED_LEAST_K = 2.0, 0.2
"""So much even a heavy cell would have followed by then."""
GAP_S = 120.0
"""Of a longer time without a value only so much counts: nobody knows when in it the other one moved."""


@dataclass(slots=True)
class _Other:
    """What another thermometer did since this one's value has not changed."""

    began_degC: float
    seen_s: float
    followed_K: float = 0.0


@dataclass(slots=True)
class _Still:
    """Since when a thermometer says the same."""

    value_degC: float
    since_s: float
    repeats: int = 0
    others: dict[str, _Other] = field(default_factory=dict)


class Watch:
    """Judges all thermometers of a channel, each asked as seldom as it may be.

    `steps_K`: the smallest step of each thermometer, by name. `cell`: which of them is on the cell. The cell follows its
    room, so every other one is evidence against it; a room does not follow a cell, so the cell is evidence against none.
    """

    def __init__(self, steps_K: Mapping[str, float], cell: str) -> None:
        self._steps_K = steps_K
        self._cell = cell
        self._still: dict[str, _Still] = {}
        self._latest: dict[str, tuple[float, float]] = {}

    def frozen(self, now_s: float, values_degC: Mapping[str, float]) -> set[str]:
        """Take the good values that are new at `now_s`, by thermometer; return those of them that are frozen."""
        for name, value_degC in values_degC.items():
            still = self._still.get(name)
            if still is None or still.value_degC != value_degC:
                others = {other: _Other(*self._latest[other]) for other in self._latest if self._is_evidence(name, other)}
                self._still[name] = _Still(value_degC, now_s, others=others)
            else:
                still.repeats += 1
        for name, still in self._still.items():
            for other, value_degC in values_degC.items():
                if self._is_evidence(name, other):
                    self._follow(name, still, other, value_degC, now_s)
        self._latest |= {name: (value_degC, now_s) for name, value_degC in values_degC.items()}
        return {name for name in values_degC if self._is_frozen(name, now_s)}

    def _is_evidence(self, name: str, other: str) -> bool:
        return other not in (name, self._cell)

    def _follow(self, name: str, still: _Still, other: str, value_degC: float, now_s: float) -> None:
        seen = still.others.setdefault(other, _Other(value_degC, now_s))
        moved_K = value_degC - seen.began_degC
        if abs(moved_K) > MOVED_STEPS * max(self._steps_K.get(name, 0.0), self._steps_K.get(other, 0.0)):
            seen.followed_K += moved_K * min(now_s - seen.seen_s, GAP_S) / FOLLOWS_S
        else:
            seen.followed_K = 0.0
        seen.seen_s = now_s

    def _is_frozen(self, name: str, now_s: float) -> bool:
        still = self._still[name]
        if still.repeats < FROZEN_SAMPLES or now_s - still.since_s < FROZEN_S:
            return False
        enough_K = max(FOLLOWED_STEPS * self._steps_K.get(name, 0.0), FOLLOWED_LEAST_K)
        return any(abs(seen.followed_K) > enough_K for seen in still.others.values())
