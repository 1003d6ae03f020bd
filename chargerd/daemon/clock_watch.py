"""Watches this computer's clocks: that it did not sleep, and when its wall clock was set. No decision uses the wall clock."""

from __future__ import annotations

from chargerd.core.events import ClockNoted, Fault, Record
from chargerd.daemon.clock import Clock
from chargerd.journal.rowcheck import utc_seconds

SUSPENDED_LEAST_S = 1.0
"""The two clocks are read one after the other: less than this between them says nothing, more was a sleep."""
STEPPED_LEAST_S = 1.0
"""Time services slew what is less; a step of more is noted, so that rows before and after can be put in order."""
ASK_EVERY_S = 60.0
"""A time service takes minutes to find the time, and to lose it."""
LOOKS = 3
"""The program may be halted between two clocks, but hardly each time."""


class ClockWatch:
    """Looks at the clocks at each pass. `note` is the record of how they stand at the start of a life."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._suspended_s = max(self._sleep_s() for _ in range(LOOKS))
        self._wall_s = self._offset_s()
        self._synchronised = clock.is_synchronised()
        self._asked_s = clock.now_s()

    def note(self, elapsed_s: float) -> ClockNoted:
        """Return how the clocks stand now; `elapsed_s` is the run-relative time."""
        return self._noted(elapsed_s, None)

    def look(self, elapsed_s: float) -> list[Record]:
        """Return what is to be recorded: a Fault after a sleep, a note when the wall clock was set or its trust changed."""
        sleep_s = self._sleep_s()
        if not sleep_s - self._suspended_s < SUSPENDED_LEAST_S:
            slept_s, self._suspended_s = sleep_s - self._suspended_s, sleep_s
            fault = Fault("suspended", f"for {slept_s:.0f} s; keep this computer from sleeping")
            return [fault, self._noted(elapsed_s, self._wall_s)]
        wall_s, synchronised = self._offset_s(), self._is_synchronised()
        if abs(wall_s - self._wall_s) < STEPPED_LEAST_S and synchronised == self._synchronised:
            return []
        before_s, self._wall_s, self._synchronised = self._wall_s, wall_s, synchronised
        return [self._noted(elapsed_s, before_s)]

    def _noted(self, elapsed_s: float, before_s: float | None) -> ClockNoted:
        zero_s = round(self._clock.now_s() - elapsed_s, 3)
        return ClockNoted(
            self._clock.boot, zero_s, round(self._suspended_s, 3), self._synchronised, round(self._wall_s, 3),
            None if before_s is None else round(before_s, 3),
        )  # fmt: skip

    def _is_synchronised(self) -> bool:
        now_s = self._clock.now_s()
        if now_s - self._asked_s < ASK_EVERY_S:
            return self._synchronised
        self._asked_s = now_s
        return self._clock.is_synchronised()

    def _sleep_s(self) -> float:
        """How long this boot has slept: at least this, since whatever halts us between the two looks makes it less."""
        return self._clock.now_s() - self._clock.awake_s()

    def _offset_s(self) -> float:
        return utc_seconds(self._clock.utc()) - self._clock.now_s()
