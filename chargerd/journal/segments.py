"""A journal file may go on in segments: `readings.csv`, `readings-2.csv`, `readings-3.csv` …, one grammar, one seq without holes.

A segment begins when the disk could not make rows safe: nothing after the last good sync is believed of the file before, and
what memory still held of it stands again at the beginning of the next one. So where a segment begins with row n, the file
before counts up to row n - 1, whatever stands behind it there.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from chargerd.errors import JournalError
from chargerd.journal.rowcheck import cells_of, fault_of
from chargerd.journal.runfolder import open_file

HEADER_MAX_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Segment:
    """One file: the seq of its first row, and the byte where that begins. It counts up to row `last`; None: to its end.

    `last` is before `first_seq` where not one of its rows was ever safe.
    """

    path: Path
    first_seq: int
    begin: int
    last: int | None = None


def segment_name(name: str, number: int) -> str:
    """Return the name of the segment of that number; the first is the file itself."""
    stem, dot, suffix = name.rpartition(".")
    return name if number == 1 else f"{stem}-{number}{dot}{suffix}"


def segment_paths(path: Path) -> list[Path]:
    """Return the file and the segments it goes on in. Raises JournalError when one of them is missing."""
    stem, _, suffix = path.name.rpartition(".")
    pattern = re.compile(rf"{re.escape(stem)}-([1-9][0-9]{{0,5}})\.{re.escape(suffix)}")
    try:
        found = [pattern.fullmatch(one.name) for one in path.parent.iterdir()]
    except OSError as error:
        raise JournalError(f"{path}: {error.strerror}") from error
    numbers = sorted(int(match[1]) for match in found if match)
    for number, there in enumerate(numbers, start=2):
        if number != there:
            raise JournalError(f"{path.with_name(segment_name(path.name, number))}: missing, although segment {there} is there")
    return [path, *(path.with_name(segment_name(path.name, number)) for number in numbers)]


def segments_of(path: Path, header_length: Callable[[bytes, Path], int]) -> tuple[Segment, ...]:
    """Return the segments in order. `header_length` judges a header and returns its length. Raises JournalError on damage."""
    found: list[Segment] = []
    for one in segment_paths(path):
        with os.fdopen(open_file(one.parent, one.name, os.O_RDONLY), "rb") as file:
            begin = header_length(file.readline(HEADER_MAX_BYTES), one)
            first = 1 if not found else _first_seq(file.readline(HEADER_MAX_BYTES), one)
        if found:
            before = found[-1]
            if first < before.first_seq:
                raise JournalError(f"{one}: begins with row {first}, before {before.path.name} does")
            found[-1] = Segment(before.path, before.first_seq, before.begin, first - 1)
        found.append(Segment(one, first, begin))
    return tuple(found)


def _first_seq(line: bytes, path: Path) -> int:
    """The first row of a segment was safe before the segment had its name: a bad one is damage."""
    fault = "holds no row" if not line else fault_of(line)
    try:
        if not fault:
            return int(cells_of(line)[0])
    except ValueError as error:
        fault = str(error)
    raise JournalError(f"{path}: line 2: {fault}")


def holding(segments: tuple[Segment, ...], seq: int) -> int:
    """Return the place of the segment in which row `seq` lies; of the first for row 0, which stands for the header."""
    place = 0
    while place + 1 < len(segments) and segments[place + 1].first_seq <= seq:
        place += 1
    return place


def place_of(path: Path, seq: int) -> str:
    """Return how a row is named to a person; its line too, in a file that begins with row 1."""
    whole = f"{path}: row {seq}"
    return whole if re.search(r"-\d+$", path.stem) else f"{whole}, line {seq + 1}"
