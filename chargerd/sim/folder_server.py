"""A folder of real files that follow a simulated thermometer, as a kernel's driver offers them."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from chargerd.sim.folder import FileListener
from chargerd.sim.timers import Turns

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from chargerd.sim.wire import Peer


class FolderServer:
    """Writes the files of a peer that speaks files into one folder, anew after each conversion.

    A fault of the wire acts on a file as on a reply: a dropped one is missing until the next conversion, a hung driver
    leaves the files as they were, a port that refuses takes the folder's files away.
    """

    def __init__(self, peer: Peer, clock: Callable[[], float], folder: Path) -> None:
        """A server of files.

        Args:
            peer: the thermometer; its listener speaks files.
            clock: the world's time.
            folder: made if it is not there; only this server's own files in it are touched.

        Raises:
            TypeError: the peer does not speak files.
        """
        if not isinstance(peer.listener, FileListener):
            raise TypeError(f"{peer.name} does not speak files")
        self.peer = peer
        self.clock = clock
        self.folder = folder
        self._listener = peer.listener
        self._is_ours = False
        self._next: asyncio.TimerHandle | None = None
        self._turns = Turns(peer, clock, self.refresh)

    @property
    def address(self) -> str:
        """Where a bench file finds it."""
        return f"file://{self.folder}"

    async def start(self) -> None:
        """Write the files, and from then on keep them up to date.

        Raises:
            FileExistsError: the folder holds other files; it may be a real sensor's.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        if any(path.name not in self._listener.files for path in self.folder.iterdir()):
            raise FileExistsError(f"{self.folder} holds files of somebody else")
        self._is_ours = True
        await self.refresh()

    async def refresh(self) -> None:
        """Write the files now, and follow the faults of the port."""
        self._turns.look_again()
        self._convert()

    async def close(self) -> None:
        """Take the files away; the folder stays."""
        self._turns.stop()
        self._stop()
        if self._is_ours:
            self._remove_all()

    def _convert(self) -> None:
        self._stop()
        self._next = asyncio.get_running_loop().call_later(self._listener.measures_s, self._convert)
        now_s = self.clock()
        behind = self.peer.behind(now_s)
        if self.peer.faults.is_refusing(now_s) or not isinstance(behind.listener, FileListener):
            self._remove_all()
            return
        for name in self._listener.files:
            try:
                pieces = behind.answer(name.encode(), now_s)
            except ConnectionError:
                (self.folder / name).unlink(missing_ok=True)
                continue
            if pieces:
                self._write(name, b"".join(piece for _, piece in pieces))

    def _write(self, name: str, content: bytes) -> None:
        # Renamed into place: a reader sees the old content or the new, as from a driver, and never half of it.
        fresh = self.folder / f".{name}.new"
        fresh.write_bytes(content)
        fresh.replace(self.folder / name)

    def _remove_all(self) -> None:
        for name in self._listener.files:
            (self.folder / name).unlink(missing_ok=True)

    def _stop(self) -> None:
        if self._next is not None:
            self._next.cancel()
            self._next = None
