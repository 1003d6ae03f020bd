"""Inputs of one reader: where their negative terminals are joined inside it, two at different taps short what lies between.

A scanning meter or a board of inputs looks like many meters and may be one behind a row of contacts: its inputs then share one
negative terminal. Used as taps of a string, or across a cell and its shunt, such a reader is a wire across a cell -- also one
whose terminals float free of earth, which says nothing about its inputs among themselves. Nobody who has not looked it up
knows, so inputs count as joined unless the file says otherwise. What is joined this way and through earth is judged together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.config.isolation import Tie, circuits, shorted, terminals
from chargerd.config.marked import Faults

if TYPE_CHECKING:
    from chargerd.config.bench import ChannelSpec, InstrumentSpec

COMMON, DIFFERENTIAL, ISOLATED = "common", "differential", "isolated"
INPUTS = (COMMON, DIFFERENTIAL, ISOLATED)

_Node = tuple[str, int, tuple[str, int]]
"""A potential of one circuit (`_AT`, the circuit's number, the potential), the earth, or the inside of a reader."""
_AT, _READER = "at", "reader"
_EARTH: _Node = ("earth", 0, ("", 0))


class _Joined:
    """Which potentials are one piece of wire."""

    def __init__(self) -> None:
        self._piece: dict[_Node, list[_Node]] = {}

    def piece(self, node: _Node) -> list[_Node]:
        """Return all that is joined to that node, itself included."""
        return self._piece.setdefault(node, [node])

    def join(self, node: _Node, other: _Node) -> list[_Node]:
        """Join two nodes. Return the potentials of the other's side that this shorts to one of their own circuit."""
        mine, theirs = self.piece(node), self.piece(other)
        if mine is theirs:
            return []
        here = {one[:2] for one in mine if one[0] == _AT}
        shorted_to = [there for there in theirs if there[:2] in here]
        mine.extend(theirs)
        for there in theirs:
            self._piece[there] = mine
        return shorted_to


def is_common(spec: InstrumentSpec, instruments: Mapping[str, InstrumentSpec]) -> bool:
    """Tell whether that input shares a negative terminal with others: one input that says so, or says nothing, speaks for all."""
    return any(other.inputs == COMMON for other in siblings(spec, instruments))


def siblings(spec: InstrumentSpec, instruments: Mapping[str, InstrumentSpec]) -> list[InstrumentSpec]:
    """Return the inputs of the same reader, that one among them; none when it is no input of a reader."""
    return [other for other in instruments.values() if spec.input and other.input and other.address == spec.address]


def check_readers(instruments: Mapping[str, InstrumentSpec], channels: Mapping[str, ChannelSpec], faults: Faults) -> None:
    """Note every input that would short something inside its reader, naming the one it does it with and both lines.

    What is short-circuited through earth alone is noted by `check_isolation` and not again here.
    """
    joined = _Joined()
    every = [
        (tie, (_AT, number, tie.potential))
        for number, circuit in enumerate(circuits(channels)) for tie in terminals(circuit, instruments)
    ]  # fmt: skip
    for tie, node in every:
        if not instruments[tie.instrument].isolated:
            joined.join(node, _EARTH)
    for tie, node in every:
        spec = instruments[tie.instrument]
        if not is_common(spec, instruments):
            continue
        shorted_to = joined.join(node, (_READER, 0, (spec.address, 0)))
        # One pair of terminals at two places is refused as such (`check_terminals`).
        others = [other for other, there in every if there in shorted_to and other.instrument != tie.instrument]
        others.sort(key=lambda other: instruments[other.instrument] not in siblings(spec, instruments))
        if others:
            faults.add(tie.place, _said(tie, others[0], instruments), _REMEDY)


_REMEDY = (
    "take a reader whose inputs are differential or isolated from each other, or one for each; write inputs: differential or "
    "inputs: isolated at every input only if its data sheet says so"
)


def _said(tie: Tie, other: Tie, instruments: Mapping[str, InstrumentSpec]) -> str:
    lower, upper = sorted((tie, other), key=lambda one: one.tap)
    is_same = instruments[other.instrument] in siblings(instruments[tie.instrument], instruments)
    how = "of the same reader" if is_same else "joined to that reader from outside"
    return (
        f"{tie.instrument} is connected to {tie.where}, and {other.instrument} "
        f"({Path(other.place.path).name}:{other.place.line}), {how}, to {other.where}: inputs that share a common are joined "
        f"inside the reader, and {shorted(lower, upper)}"
    )


def reader_notes(instruments: Mapping[str, InstrumentSpec], channels: Mapping[str, ChannelSpec]) -> list[str]:
    """Return what a builder should know of readers of which more than one input is connected to a cell."""
    used = [tie.instrument for circuit in circuits(channels) for tie in terminals(circuit, instruments)]
    return [note for names in _readers(used, instruments) for note in _notes(names, instruments)]


def _readers(used: Sequence[str], instruments: Mapping[str, InstrumentSpec]) -> Iterator[list[str]]:
    addresses = dict.fromkeys(instruments[name].address for name in used if instruments[name].input)
    for address in addresses:
        names = [name for name in dict.fromkeys(used) if instruments[name].input and instruments[name].address == address]
        if len(names) > 1:
            yield names


def _notes(names: list[str], instruments: Mapping[str, InstrumentSpec]) -> Iterator[str]:
    first = instruments[names[0]]
    listed = ", ".join(names)
    if is_common(first, instruments):
        yield f"{listed}: inputs of one reader that share a common; allowed at one potential: connect them nowhere else"
    elif any(instruments[name].inputs == DIFFERENTIAL for name in names):
        yield f"{listed}: differential inputs of one reader; no terminal may leave the common-mode range of its data sheet"
    else:
        yield (
            f"{listed}: inputs of one reader, isolated from each other by the file; prove it with an ohmmeter between their "
            "negative terminals"
        )
