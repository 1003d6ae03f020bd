"""Walking a program: rounds, rungs, stepping back. Holds no limits and judges no reading."""

from __future__ import annotations

from chargerd.core.events import Event, RepeatEnded, RoundEnded, SteppedBack
from chargerd.core.memory import Position
from chargerd.core.program import Program, Repeat, Step

LOSES_CHARGE = "loses charge at its lowest voltage"


class Walk:
    """Moves a `Position` through a `Program`."""

    __slots__ = ("_items", "position")

    def __init__(self, program: Program, position: Position) -> None:
        self._items = program.items
        self.position = position

    def step(self) -> Step:
        """Return the present step (the last one after the end)."""
        p = self.position
        item = self._items[min(p.item, len(self._items) - 1)]
        return item.steps[p.index] if isinstance(item, Repeat) else item

    def voltage_V(self) -> float | None:
        """Return the present step's voltage: its own, or the rung it climbs."""
        step = self.step()
        if not step.climbs:
            return step.voltage_V
        item = self._items[self.position.item]
        assert isinstance(item, Repeat)
        assert item.climb is not None
        return item.climb.rungs_V[self.position.rung]

    def begin(self, charge_in_Ah: float, charge_out_Ah: float) -> None:
        """Stand at the first step of the present item."""
        p = self.position
        item = self._items[p.item]
        p.index = 0
        p.rung = 0
        p.last_capacity_Ah = None
        p.last_rung = -1
        p.round = 1 if isinstance(item, Repeat) else 0
        p.rung_top = len(item.climb.rungs_V) - 1 if isinstance(item, Repeat) and item.climb is not None else 0
        p.round_in_Ah, p.round_out_Ah = charge_in_Ah, charge_out_Ah

    def advance(self, charge_in_Ah: float, charge_out_Ah: float, events: list[Event]) -> bool:
        """Go to the next step. Returns False at the end of the program. Totals of the run so far give the round's efficiency."""
        p = self.position
        item = self._items[p.item]
        if isinstance(item, Repeat):
            if p.index + 1 < len(item.steps):
                p.index += 1
                return True
            end = self._end_round(item, charge_in_Ah - p.round_in_Ah, charge_out_Ah - p.round_out_Ah, events)
            if end is None:
                p.index = 0
                p.round += 1
                p.round_in_Ah, p.round_out_Ah = charge_in_Ah, charge_out_Ah
                return True
            events.append(RepeatEnded(p.round, end))
        if p.item + 1 >= len(self._items):
            return False
        p.item += 1
        self.begin(charge_in_Ah, charge_out_Ah)
        return True

    def skip_group(self) -> None:
        """Stand at the last part of the present step, so that `advance` leaves it."""
        while self.part_follows():
            self._shift(1)

    def rewind_group(self) -> None:
        """Stand at the first part of the present step again."""
        group = self.step().group
        while group and self._neighbour(-1) == group:
            self._shift(-1)

    def part_follows(self) -> bool:
        """Tell whether another part of the present step follows."""
        group = self.step().group
        return bool(group) and self._neighbour(1) == group

    def _neighbour(self, by: int) -> str:
        """Return the group of the step before or after in the same list, "" at its ends."""
        p = self.position
        item = self._items[p.item]
        steps = item.steps if isinstance(item, Repeat) else self._items
        place = (p.index if isinstance(item, Repeat) else p.item) + by
        other = steps[place] if 0 <= place < len(steps) else None
        return other.group if isinstance(other, Step) else ""

    def _shift(self, by: int) -> None:
        p = self.position
        if isinstance(self._items[p.item], Repeat):
            p.index += by
        else:
            p.item += by

    def _end_round(self, repeat: Repeat, in_Ah: float, out_Ah: float, events: list[Event]) -> str | None:
        """Judge a finished round. Returns why the repeat is over, or None when another round follows."""
        p = self.position
        climb = repeat.climb
        rung_V = climb.rungs_V[p.rung] if climb is not None else None
        efficiency = out_Ah / in_Ah if in_Ah > 0.0 else None
        events.append(RoundEnded(p.round, rung_V, in_Ah, out_Ah, efficiency))
        limit = climb.step_back_efficiency if climb is not None else None
        if limit is not None and efficiency is not None and p.round > 1 and efficiency < limit:
            return self._step_back(repeat, efficiency, events)
        if self._agrees(repeat, out_Ah):
            return "capacity_within"
        p.last_capacity_Ah = out_Ah
        p.last_rung = p.rung
        if p.round >= repeat.rounds:
            return "rounds"
        p.rung = min(p.rung + 1, p.rung_top)
        return None

    def _step_back(self, repeat: Repeat, efficiency: float, events: list[Event]) -> str | None:
        """The rung below becomes the last one; below the lowest there is none, and the cell is said to lose charge."""
        p = self.position
        assert repeat.climb is not None
        from_V = repeat.climb.rungs_V[p.rung]
        if p.rung == 0:
            events.append(SteppedBack(p.round, from_V, None, efficiency))
            return LOSES_CHARGE
        p.rung_top = p.rung - 1
        p.rung = p.rung_top
        p.last_capacity_Ah = None
        events.append(SteppedBack(p.round, from_V, repeat.climb.rungs_V[p.rung], efficiency))
        return "rounds" if p.round >= repeat.rounds else None

    def _agrees(self, repeat: Repeat, capacity_Ah: float) -> bool:
        """Two rounds running on one rung within the share asked for: only the last rung is ever tried twice running."""
        p = self.position
        within, last_Ah = repeat.capacity_within, p.last_capacity_Ah
        if within is None or last_Ah is None or p.last_rung != p.rung:
            return False
        mean_Ah = 0.5 * (capacity_Ah + last_Ah)
        return mean_Ah > 0.0 and abs(capacity_Ah - last_Ah) <= within * mean_Ah
