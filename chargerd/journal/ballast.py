"""Room that a run keeps for its last rows: a file of 1 MiB, let go when the disk is full."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from chargerd.errors import JournalError
from chargerd.journal.rowfile import refusal
from chargerd.journal.runfolder import open_file

BALLAST = "ballast.bin"
BALLAST_BYTES = 1 << 20
"""Some thousand rows: all of the minute in which room may return, an orderly stop, and most of the hour watched after it."""


class Ballast:
    """The file of one run folder. Its blocks are really taken, so that letting it go really gives room."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / BALLAST
        self.held = self._path.exists()

    def make(self) -> None:
        """Take the room. Raises JournalError when there is none."""
        try:
            self._take(BALLAST_BYTES)
        except (OSError, JournalError) as error:
            self._drop()
            raise refusal(error, f"{self._path}: no room for a run's last rows") from error
        self.held = True

    def release(self) -> bool:
        """Give the room back; tell whether that gave any. Where the disk is read-only it gives none."""
        if not self.held:
            return False
        try:
            os.truncate(self._path, 0)
        except OSError:
            return False
        self._drop()
        self.held = False
        return True

    def restock(self) -> bool:
        """Take the room again, if there is twice as much: on the edge, full and not full would alternate with each row."""
        if not self.held:
            try:
                self._take(2 * BALLAST_BYTES)
                os.truncate(self._path, BALLAST_BYTES)
            except (OSError, JournalError):
                self._drop()
                return False
            self.held = True
        return True

    def remove(self) -> None:
        """Take the file away at the end of a run."""
        self._drop()
        self.held = False

    def _take(self, size: int) -> None:
        descriptor = open_file(self._path.parent, self._path.name, os.O_WRONLY | os.O_CREAT)
        try:
            os.posix_fallocate(descriptor, 0, size)
        finally:
            os.close(descriptor)

    def _drop(self) -> None:
        with suppress(OSError):
            self._path.unlink()
