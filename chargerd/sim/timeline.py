"""How time passes at simulated terminals: lazily, on a grid, the same for every observer.

Whatever is wired up is stepped only up to the instant somebody looks. Steps lie on a grid that starts at the last *change*;
a look between two grid points steps a copy; protections act inside steps, found by bisection. So what happens at the bench
never depends on who looked, or when. `node` is one cell on one pair of terminals, `circuit` any number behind relays.
"""

from __future__ import annotations

import heapq
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, Protocol, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

    from chargerd.sim.bodies import Body
    from chargerd.sim.cell import Cell
    from chargerd.sim.load import Load
    from chargerd.sim.supply import Supply

TRIP_RESOLUTION_S = 1e-3
"""A protection acts this exactly within a step: well below any time a program can act in, and cheap to search."""

STEP_MIN_S, STEP_MAX_S, REST_STEPS = 0.02, 1.0, 10.0
STEPS_PER_TIME_CONSTANT = 100.0
"""A hundredth of R0·C keeps a charge exact to a few in ten thousand; full-size cells are slower than a second."""

T = TypeVar("T")


def step_of(cell: Cell) -> float:
    """The grid of time that follows a cell's own time constant."""
    time_constant_s = cell.parameters.R0 * cell.parameters.C
    return min(max(time_constant_s / STEPS_PER_TIME_CONSTANT, STEP_MIN_S), STEP_MAX_S)


class Terminals(NamedTuple):
    """The truth at one pair of terminals at one instant. `current_A` flows into the cell."""

    voltage_V: float
    current_A: float
    temperature_degC: float


class Site(Protocol):
    """Where a panel is connected, as the panel sees it: a node of its own, or one port of a circuit."""

    supply: Supply | None
    load: Load | None
    drain_A: float
    charge_in_C: float
    charge_out_C: float

    @property
    def ambient_degC(self) -> float:
        """The room."""

    @property
    def cell(self) -> Cell | None:
        """The cell here, if any."""

    @property
    def bodies(self) -> list[Body]:
        """What follows the temperature with a lag."""

    @property
    def now_s(self) -> float:
        """The last grid point or change."""

    @property
    def last(self) -> Terminals:
        """The truth at the last grid point or change."""

    def schedule(self, at_s: float, action: Callable[[float], None]) -> None:
        """Call `action(at_s)` when time passes `at_s`."""

    def advance_to(self, now_s: float) -> None:
        """Let everything happen that is due by `now_s`."""

    def arrive(self, now_s: float) -> None:
        """Bring everything exactly to `now_s`, before something is changed there."""

    def look(self, now_s: float) -> Terminals:
        """The truth at `now_s`, without disturbing the grid."""

    def changed(self) -> None:
        """Solve anew after a panel changed."""

    def open_leads(self, now_s: float) -> None:
        """The leads come off."""

    def close_leads(self, now_s: float) -> None:
        """The leads are back on."""


class Timeline(ABC, Generic[T]):
    """The clockwork. `T` is what a solution shows; subclasses say what a step does and which protections watch it."""

    def __init__(self, shown: T, *, step_s: float, rest_step_s: float) -> None:
        """Begin at 0 s.

        Args:
            shown: what is shown before anything was solved.
            step_s: grid under current.
            rest_step_s: grid at rest, where nothing is faster than minutes.
        """
        self.now_s = 0.0
        self._step_s, self._rest_step_s = step_s, rest_step_s
        self._grid_s = rest_step_s
        self._shown = shown
        self._look_s = -1.0
        self._look = shown
        self._agenda: list[tuple[float, int, Callable[[float], None]]] = []
        self._agenda_count = 0
        self._is_acting = False

    # -- what subclasses say ------------------------------------------------------------------------------------

    @property
    @abstractmethod
    def _is_static(self) -> bool:
        """Whether time changes nothing here: no cell."""

    @abstractmethod
    def _save(self) -> Any:
        """The state before a step that may have to be taken back, or None if nothing watches it."""

    @abstractmethod
    def _restore(self, saved: Any) -> None:
        """Take a step back."""

    @abstractmethod
    def _pass(self, dt_s: float) -> T:
        """Let the state take one step."""

    @abstractmethod
    def _peek(self, dt_s: float) -> T:
        """What one step would show; the state stays."""

    @abstractmethod
    def _cause(self, shown: T) -> str | None:
        """Why a protection must act on this, or None."""

    @abstractmethod
    def _act(self, shown: T) -> None:
        """Let every protection act that must."""

    @abstractmethod
    def _note(self, dt_s: float) -> None:
        """Count what held over the last `dt_s`."""

    # -- time ---------------------------------------------------------------------------------------------------

    def schedule(self, at_s: float, action: Callable[[float], None]) -> None:
        """Call `action(at_s)` when time passes `at_s`, whether or not anybody looks. Bound methods survive a copy."""
        self._agenda_count += 1
        heapq.heappush(self._agenda, (at_s, self._agenda_count, action))

    def advance_to(self, now_s: float) -> None:
        """Let everything happen that is due by `now_s`; the state stays at the last grid point before it."""
        while not self._is_acting and self._agenda and self._agenda[0][0] <= now_s:
            at_s, _, action = heapq.heappop(self._agenda)
            self._is_acting = True  # an action that arrives at its instant must not let a later one go first
            action(at_s)
            self._is_acting = False
        self._walk_grid(now_s)

    def arrive(self, now_s: float) -> None:
        """Bring the state exactly to `now_s`, before something is changed there."""
        self.advance_to(now_s)
        self._walk_grid(now_s)
        while self.now_s < now_s:  # a protection may act on the way and end a step early
            self._step(now_s - self.now_s)

    def shown_at(self, now_s: float) -> T:
        """The truth at `now_s`, without disturbing the grid. Looking back is looking at now."""
        self.advance_to(now_s)
        ahead_s = now_s - self.now_s
        if ahead_s <= 0.0 or self._is_static:
            return self._shown
        if self._look_s != now_s:
            self._look = self._peek(ahead_s)
            if self._cause(self._look) is not None and self._trip_within(max(ahead_s, self._grid_s), ahead_s):
                return self.shown_at(now_s)
            self._look_s = now_s
        return self._look

    # -- steps --------------------------------------------------------------------------------------------------

    def _walk_grid(self, now_s: float) -> None:
        while self.now_s + self._grid_s <= now_s:
            self._step(self._grid_s)

    def _step(self, dt_s: float) -> None:
        saved = self._save()
        shown = self._pass(dt_s)
        if saved is not None and self._cause(shown) is not None:
            self._restore(saved)
            if self._trip_within(dt_s, dt_s):
                return
            shown = self._pass(dt_s)
        self._shown = shown
        self.now_s += dt_s
        self._look_s = -1.0
        self._note(dt_s)

    def _trip_within(self, dt_s: float, look_s: float) -> bool:
        """Find the first instant of a step of `dt_s` at which a protection acts, and act there if by `look_s`.

        The bracket is the whole grid step whoever looks, so the instant found is the same for every observer.
        """
        low_s, high_s = 0.0, dt_s if self._cause(self._peek(dt_s)) is not None else look_s
        while high_s - low_s > TRIP_RESOLUTION_S:
            middle_s = 0.5 * (low_s + high_s)
            if self._cause(self._peek(middle_s)) is None:
                low_s = middle_s
            else:
                high_s = middle_s
        if high_s > look_s:
            return False
        self._shown = self._pass(high_s)
        self.now_s += high_s
        self._note(high_s)
        self._act(self._shown)
        return True
