"""An append-only file of rows: one write each, nothing half, and what the disk's refusals mean for what is in it.

Two kinds of refusal. *No room* (full, quota, read-only, forbidden): the file is whole and may be written later. Anything else,
and every error of a sync: the file is not believed beyond its last good sync and never written again, for the kernel drops
the pages it failed to write and calls the next sync a success. Such a file goes on in a new segment, from memory.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Self

from chargerd.errors import InternalError, JournalError, RefusedError
from chargerd.journal.rowcheck import END, sealed
from chargerd.journal.runfolder import lock, open_file, opened_folder
from chargerd.journal.segments import segment_name

NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EACCES, errno.EPERM})
"""No bytes now, perhaps later: disk, quota or inodes used up, the file's size limited, remounted read-only, permission lost."""


class NoRoomError(JournalError):
    """The disk takes nothing now. Nothing was changed; the same may be tried later."""


class UntrustedError(JournalError):
    """What was not safe yet may be lost, and this file is not written again."""


def refusal(error: OSError | JournalError, what: str) -> JournalError:
    """Return what an error of the disk means; `what` says what was not done, with the file's name."""
    cause = error if isinstance(error, OSError) else error.__cause__
    number = cause.errno if isinstance(cause, OSError) else None
    kind = NoRoomError if number in NO_ROOM else UntrustedError
    return kind(f"{what}: {os.strerror(number) if number else error}")


class RowFile:
    """The segment of a file that is being written, locked against a second writer, each row one write, its seq without holes.

    `kept` holds the rows that are not known to be safe from a power cut, `kept_since_s` since when there is one.
    """

    def __init__(
        self, descriptor: int, path: Path, seq: int, size: int, *,
        header: bytes = b"", base: str = "", number: int = 1, held: int = -1,
    ) -> None:  # fmt: skip
        self.path = path
        self.seq = seq
        self.size = size
        self.kept: list[bytes] = []
        self.kept_since_s: float | None = None
        self.distrust = ""
        self._header = header
        self._base = base or path.name
        self._number = number
        self._descriptor = descriptor
        self._held = descriptor if held < 0 else held  # the lock is on the first segment, whichever is written
        self._unsynced = True  # rows found at reopening may be in the kernel's memory only

    @classmethod
    def create(cls, folder: Path, name: str, columns: Sequence[str]) -> Self:
        """Make the file with its header, and make both safe. Raises JournalError, RefusedError."""
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL
        file = cls(open_file(folder, name, flags), folder / name, 0, 0)
        try:
            lock(file._descriptor, file.path)
            file.begin(columns)
        except (JournalError, RefusedError):
            os.close(file._descriptor)
            raise
        return file

    def begin(self, columns: Sequence[str]) -> None:
        """Write the header of an empty file, and make file and folder safe. Raises JournalError."""
        self._header = ",".join(columns).encode() + END
        self._write(self._header)
        self._unsynced = True
        self.sync()
        with opened_folder(self.path.parent) as directory:
            try:
                os.fsync(directory)
            except OSError as error:
                raise refusal(error, f"{self.path}: not safe in its folder") from error

    def append(self, body: str, at_s: float = 0.0) -> int:
        """Write one row whose cells after `seq` are `body`, each followed by a comma; return its seq.

        `at_s` is since when it waits. A row that does not fit is cut away again: nothing half stays, and `seq` and `size` are
        as before. Raises NoRoomError, UntrustedError.
        """
        line = sealed(f"{self.seq + 1},{body}")
        self._write(line)
        self.seq += 1
        if not self.kept:
            self.kept_since_s = at_s
        self.kept.append(line)
        return self.seq

    def _write(self, line: bytes) -> None:
        if self.distrust:
            raise UntrustedError(self.distrust)
        try:
            written = os.write(self._descriptor, line)
        except OSError as error:
            refused = refusal(error, f"{self.path}: row {self.seq + 1} not written")
            if isinstance(refused, UntrustedError):
                self.distrust = str(refused)
            raise refused from error
        if written != len(line):
            try:
                os.ftruncate(self._descriptor, self.size)
            except OSError as error:
                self.distrust = f"{self.path}: half of row {self.seq + 1} is in the file and cannot be cut: {error.strerror}"
                raise UntrustedError(self.distrust) from error
            raise NoRoomError(f"{self.path}: row {self.seq + 1} not written: no room (half of it was cut away again)")
        self.size += written

    def sync(self) -> None:
        """Return when every row is safe from a power cut. Raises UntrustedError: the first error is believed."""
        if self.distrust:
            raise UntrustedError(self.distrust)
        if not self.kept and not self._unsynced:
            return
        try:
            os.fdatasync(self._descriptor)
        except OSError as error:
            self.distrust = f"{self.path}: rows up to {self.seq} may be lost: {error.strerror}; this file is not written again"
            raise UntrustedError(self.distrust) from error
        self._safe()

    def _safe(self) -> None:
        self.kept, self.kept_since_s, self._unsynced = [], None, False

    def renew(self, body: str | None = None) -> None:
        """Go on in a new segment that begins with the rows kept: written whole, synced, and only then given its name.

        `body` is that of one row more: a segment never is without a row, for its first one says up to where the file before
        it counts. Raises NoRoomError (nothing is changed), UntrustedError.
        """
        rows = self.kept if body is None else [*self.kept, sealed(f"{self.seq + 1},{body}")]
        if not rows:
            raise InternalError(f"{self.path}: no row to begin a segment with")
        folder = self.path.parent
        path = folder / segment_name(self._base, self._number + 1)
        temporary = path.name + ".new"
        content = self._header + b"".join(rows)
        descriptor = -1
        try:
            descriptor = open_file(folder, temporary, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_TRUNC)
            left = memoryview(content)
            while left:
                left = left[os.write(descriptor, left) :]
            os.fsync(descriptor)
            with opened_folder(folder) as directory:
                os.rename(temporary, path.name, src_dir_fd=directory, dst_dir_fd=directory)
                os.fsync(directory)
        except (OSError, JournalError) as error:
            if descriptor >= 0:
                os.close(descriptor)
            with suppress(OSError):
                (folder / temporary).unlink()
            refused = refusal(error, f"{path}: not made")
            if path.exists():  # it has its name, and nobody knows whether it keeps it
                refused = UntrustedError(str(refused))
            raise refused from error
        if self._descriptor != self._held:
            os.close(self._descriptor)
        self.path, self.size, self.distrust, self._descriptor = path, len(content), "", descriptor
        self._number += 1
        self.seq += body is not None
        self._safe()

    def close(self) -> None:
        """Make every row safe and let the file go. Raises UntrustedError."""
        try:
            if not self.distrust:
                self.sync()
        finally:
            self.let_go()

    def let_go(self) -> None:
        """Close the file and drop its lock, whatever is safe of it."""
        for descriptor in {self._descriptor, self._held}:
            os.close(descriptor)
