"""Kirchhoff's laws for a bench: resistances between nets, and branches that hold a voltage or a current.

A `Network` is solved once for where everything is connected; its answer is linear in the *strengths* of its branches (the
inner voltages of cells, the set-points of supplies and loads), so what follows each step is a few multiplications. Modified
nodal analysis (Ho, Ruehli and Brennan, 1975): every branch current is an unknown, so a source may have no resistance at all.
Each part that no conductor joins to the others is solved for itself, one of its nets being its zero.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

PIVOT_MIN = 1e-11
"""A pivot below this is rounding: conductances here are between 1e-7 S and 1e6 S, rows of branches have ones."""


class Resistance(NamedTuple):
    """A resistor, a closed contact or a lead between two nets."""

    one: int
    other: int
    ohm: float


class Branch(NamedTuple):
    """What drives or is driven: its current flows into it at `plus`.

    With `holds_voltage`: `V(sense_plus) - V(sense_minus) = strength + ohm * current`. Otherwise: `current = strength`, which
    is zero if it `is_idle`.
    """

    plus: int
    minus: int
    holds_voltage: bool
    ohm: float = 0.0
    sense_plus: int = -1
    sense_minus: int = -1
    is_idle: bool = False


class InfeasibleError(ValueError):
    """These branches cannot hold what they hold all at once: a current with no way back, two voltages in parallel."""


class Network:
    """Nets 0 to `nets` - 1, solved.

    Attributes:
        part: for each net the number of the part it belongs to.
        wired: the same, if only resistances joined anything.
        rows: for each net its voltage, then for each branch its current, as factors of the strengths.
    """

    def __init__(self, nets: int, resistances: Sequence[Resistance], branches: Sequence[Branch]) -> None:
        """Solve for these conductors.

        Raises:
            InfeasibleError: no solution.
        """
        self.nets = nets
        wires = [(one, other) for one, other, _ in resistances]
        self.wired = _parts(nets, wires)
        self.part = _parts(nets, wires + [(branch.plus, branch.minus) for branch in branches if branch.holds_voltage])
        for branch in branches:
            if not (branch.holds_voltage or branch.is_idle) and self.part[branch.plus] != self.part[branch.minus]:
                raise InfeasibleError("a current has no way back")
        size, sources = nets + len(branches), len(branches)
        matrix = [[0.0] * (size + sources) for _ in range(size)]
        for one, other, ohm in resistances:
            conductance_S = 1.0 / ohm
            matrix[one][one] += conductance_S
            matrix[other][other] += conductance_S
            matrix[one][other] -= conductance_S
            matrix[other][one] -= conductance_S
        for number, branch in enumerate(branches):
            self._enter(matrix, number, branch)
        zeros = {part: net for net, part in reversed(list(enumerate(self.part)))}
        for net in zeros.values():
            matrix[net] = [0.0] * (size + sources)
            matrix[net][net] = 1.0
        eliminate(matrix, size)
        self.rows = [tuple(row[size:]) for row in matrix]

    def _enter(self, matrix: list[list[float]], number: int, branch: Branch) -> None:
        row, size = self.nets + number, len(matrix)
        matrix[branch.plus][row] += 1.0
        matrix[branch.minus][row] -= 1.0
        if branch.holds_voltage:
            plus, minus = branch.plus, branch.minus
            if branch.sense_plus >= 0 and self.is_sensed(branch.sense_plus, plus) and self.is_sensed(branch.sense_minus, minus):
                plus, minus = branch.sense_plus, branch.sense_minus
            matrix[row][plus] += 1.0
            matrix[row][minus] -= 1.0
            matrix[row][row] = -branch.ohm
        else:
            matrix[row][row] = 1.0
        matrix[row][size + number] = 1.0

    def is_sensed(self, sense: int, terminal: int) -> bool:
        """Whether a sense lead ends where wires lead to its terminal; in the air it falls back on the terminal itself."""
        return self.wired[sense] == self.wired[terminal]

    def between(self, strengths: Sequence[float], plus: int, minus: int) -> float:
        """What a meter reads between two nets: nothing between parts that no conductor joins."""
        if self.part[plus] != self.part[minus]:
            return 0.0
        rows = self.rows
        return sum([(a - b) * strength for a, b, strength in zip(rows[plus], rows[minus], strengths, strict=True)])

    def branch_A(self, strengths: Sequence[float], number: int) -> float:
        """Current into the n-th branch at its plus, from 0."""
        return sum([factor * strength for factor, strength in zip(self.rows[self.nets + number], strengths, strict=True)])


def _parts(nets: int, joined: Sequence[tuple[int, int]]) -> tuple[int, ...]:
    """Which nets are joined; each part is named by its lowest net."""
    part = list(range(nets))

    def root(net: int) -> int:
        while part[net] != net:
            net = part[net]
        return net

    for one, other in joined:
        low, high = sorted((root(one), root(other)))
        part[high] = low
    return tuple(root(net) for net in range(nets))


def eliminate(matrix: list[list[float]], size: int) -> None:
    """Gauss and Jordan with the largest pivot of each column; the right-hand sides become the solution.

    Raises:
        InfeasibleError: singular.
    """
    for column in range(size):
        best = max(range(column, size), key=lambda row: abs(matrix[row][column]))
        if abs(matrix[best][column]) < PIVOT_MIN:
            raise InfeasibleError("two branches hold the same voltage")
        matrix[column], matrix[best] = matrix[best], matrix[column]
        pivot_row = matrix[column]
        pivot = pivot_row[column]
        pivot_row[column:] = [value / pivot for value in pivot_row[column:]]
        tail = pivot_row[column:]
        for row in matrix:
            factor = row[column]
            if factor != 0.0 and row is not pivot_row:
                row[column:] = [value - factor * above for value, above in zip(row[column:], tail, strict=True)]
