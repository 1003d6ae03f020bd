"""One program per instrument on this machine: an exclusive lock for every address, held for the life of a run."""

from __future__ import annotations

import fcntl
import hashlib
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Self

from chargerd.errors import RefusedError


def lock_folder() -> Path:
    """Return where locks lie: the user's run-time folder, else one in /tmp that only this user may enter."""
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    if runtime and os.access(runtime, os.W_OK):
        return Path(runtime) / "chargerd-locks"
    return Path("/tmp") / f"chargerd-locks-{os.getuid()}"  # noqa: S108 - the folder's owner and mode are checked below


class AddressLocks:
    """Locks for a set of addresses. Raises RefusedError when another program holds one."""

    def __init__(self, addresses: Iterable[str]) -> None:
        self._descriptors: list[int] = []
        folder = lock_folder()
        folder.mkdir(mode=0o700, exist_ok=True)
        owner = folder.stat()
        if owner.st_uid != os.getuid() or owner.st_mode & 0o022:
            raise RefusedError(f"{folder} belongs to somebody else or others may write it; remove it")
        try:
            for address in sorted(set(addresses)):
                self._lock(folder, address)
        except RefusedError:
            self.close()
            raise

    def _lock(self, folder: Path, address: str) -> None:
        name = hashlib.sha256(address.encode()).hexdigest()[:24]
        descriptor = os.open(folder / name, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        self._descriptors.append(descriptor)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise RefusedError(f"another run on this machine uses {address}; stop it first") from None

    def close(self) -> None:
        """Let all of them go."""
        for descriptor in self._descriptors:
            os.close(descriptor)
        self._descriptors.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
