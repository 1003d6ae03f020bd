"""An os layer injected around real files: the n-th call of a kind fails, once or for ever, and a power cut takes what it may.

Not a disk: the kernel's own behaviour after an error is written down here as the worst that is known of it. After a failed sync
the pages are marked clean and a later sync of the same file succeeds without having written them (Rebello et al., ATC 2020), so
a power cut then leaves zeros where they were.
"""

from __future__ import annotations

import errno
import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import pytest

CALLS = ("write", "fdatasync", "fsync", "rename")
ERRNOS = (errno.ENOSPC, errno.EIO, errno.EROFS, errno.EDQUOT, errno.EACCES)


def name_of(descriptor: int) -> str:
    return Path(f"/proc/self/fd/{descriptor}").readlink().name


class Failing(NamedTuple):
    """From the `first` call of a kind on, `times` of them fail (None: for ever)."""

    call: str
    first: int
    times: int | None
    number: int

    def __str__(self) -> str:
        how = "for ever" if self.times is None else f"{self.times}x"
        return f"{self.call} {self.first} {errno.errorcode[self.number]} {how}"


@dataclass
class FaultyOs:
    """Counts the calls that touch a run's rows, and has those fail that `failing` says."""

    failing: tuple[Failing, ...] = ()
    half: bool = False
    """The first write that fails takes half of its bytes, as a disk does that has room for half a row."""
    counts: Counter[str] = field(default_factory=Counter)
    failed: int = 0
    safe: dict[str, int] = field(default_factory=dict)
    """By file name, how much of it a power cut leaves."""
    lied: set[str] = field(default_factory=set)
    real: dict[str, Callable[..., Any]] = field(default_factory=lambda: {name: getattr(os, name) for name in CALLS})

    def inject(self, patch: pytest.MonkeyPatch) -> None:
        for name in CALLS:
            patch.setattr(os, name, getattr(self, name))

    def arm(self, failing: tuple[Failing, ...]) -> None:
        """Count from here."""
        self.failing, self.counts = failing, Counter()

    def _judge(self, call: str) -> None:
        self.counts[call] += 1
        for one in self.failing:
            late = self.counts[call] - one.first
            if call == one.call and late >= 0 and (one.times is None or late < one.times):
                self.failed += 1
                raise OSError(one.number, os.strerror(one.number))

    def write(self, descriptor: int, content: bytes) -> int:
        if ".csv" in name_of(descriptor):
            if not os.fstat(descriptor).st_size:
                self.lied.discard(name_of(descriptor))  # another file that has got the name of one given up
            try:
                self._judge("write")
            except OSError:
                if self.half and self.failed == 1:
                    return int(self.real["write"](descriptor, content[: len(content) // 2]))
                raise
        return int(self.real["write"](descriptor, content))

    def _sync(self, name: str, descriptor: int) -> None:
        file = name_of(descriptor)
        if ".csv" in file:
            try:
                self._judge(name)
            except OSError:
                self.lied.add(file)
                raise
        # The real disk is not asked: what would be safe is reckoned here, and hundreds of runs need not wait for it.
        if ".csv" in file and file not in self.lied:
            self.safe[file] = os.fstat(descriptor).st_size

    def fdatasync(self, descriptor: int) -> None:
        self._sync("fdatasync", descriptor)

    def fsync(self, descriptor: int) -> None:
        self._sync("fsync", descriptor)

    def rename(self, source: str, target: str, **folders: int) -> None:
        if ".csv" in source:
            self._judge("rename")
        self.real["rename"](source, target, **folders)
        if source in self.safe:
            self.safe[target] = self.safe.pop(source)

    def cut_power(self, folder: Path) -> None:
        """Leave of each file what was safe; where a sync had failed, zeros in the place of the rest."""
        for path in folder.glob("*.csv"):
            content = path.read_bytes()
            kept = self.safe.get(path.name, 0)
            path.write_bytes(content[:kept] + (b"\0" * (len(content) - kept) if path.name in self.lied else b""))
