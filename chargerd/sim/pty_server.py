"""A peer behind a pseudo-terminal, as a serial port is seen."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import struct
import termios
import tty
from typing import TYPE_CHECKING

from chargerd.sim.timers import Speaker, Turns
from chargerd.sim.wire import Session

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from chargerd.sim.jump_clock import InFlight
    from chargerd.sim.wire import Peer

READ_BYTES = 65536
UNREAD_MAX_BYTES = 2000
"""What is said unasked is lost while so much lies unread in the client's buffer: half of what Linux keeps for a terminal."""


class PtyServer:
    """A peer behind a pty. Dropping the link pulls the cable: a new pty takes its place.

    `in_flight` counts bytes on their way for a jumping clock; the client must count too (see `InFlight`), under the path
    of the pty.
    """

    def __init__(
        self, peer: Peer, clock: Callable[[], float], *, link: Path | None = None, in_flight: InFlight | None = None
    ) -> None:
        """A pty server.

        Args:
            peer: the instrument.
            clock: the world's time.
            link: a symbolic link kept pointing at the present pty; None for none.
            in_flight: of the loop's jumping clock; None on a real one.
        """
        self.peer = peer
        self.clock = clock
        self.link = link
        self.path = ""
        self._in_flight = in_flight
        self._session = Session(peer)
        self._master = self._slave = -1
        self._unsent = bytearray()
        self._reads = False
        self._is_linked = False
        self._behind = peer
        self._turns = Turns(peer, clock, self.refresh)
        self._speaker = Speaker(peer, clock, self._feed)

    @property
    def address(self) -> str:
        """Where a bench file finds it."""
        return f"serial://{self.path if self.link is None else self.link}"

    async def start(self) -> None:
        """Plug it in, and from then on follow the faults of the port.

        Raises:
            FileExistsError: something else than a link to a pty has the link's name, a real device perhaps.
        """
        if self.link is not None and _is_taken(self.link):
            raise FileExistsError(f"{self.link} is there already, and is not a simulated port")
        self._plug()
        await self.refresh()

    async def refresh(self) -> None:
        """Look at the faults again: call it after arming one that acts by time."""
        self._turns.look_again()
        now_s = self.clock()
        behind = self.peer.behind(now_s)
        if self.peer.faults.is_refusing(now_s):
            self._unplug()
        elif self._master < 0:
            self._plug()
        elif behind is not self._behind:  # the computer numbers its ports anew
            self._unplug()
            self._plug()
        self._behind = behind
        self._look_again()

    async def close(self) -> None:
        """Pull the cable."""
        self._turns.stop()
        self._unplug()

    def _plug(self) -> None:
        self._master, self._slave = os.openpty()  # the slave stays open, so that a client may come and go
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        if self.link is not None:
            self.link.unlink(missing_ok=True)
            self.link.symlink_to(self.path)
            self._is_linked = True
        self._session = Session(self.peer)
        self._feed(b"")

    def _unplug(self) -> None:
        self._speaker.stop()
        if self._master < 0:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._master)
        loop.remove_writer(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1
        self._reads = False
        self._unsent.clear()
        if self._in_flight is not None:
            self._in_flight.forget(self.path)
        if self.link is not None and self._is_linked:
            self.link.unlink(missing_ok=True)

    def _look_again(self) -> None:
        if self._master < 0:
            return
        # Under a jumping clock bytes nobody reads would hold time still: there the session keeps them unanswered.
        reads = self._in_flight is not None or not self.peer.faults.is_deaf(self.clock())
        if reads is not self._reads:
            self._reads = reads
            loop = asyncio.get_running_loop()
            if reads:
                loop.add_reader(self._master, self._readable)
                loop.call_soon(self._feed, b"")
            else:
                loop.remove_reader(self._master)
        self._speaker.look_again()

    def _readable(self) -> None:
        data = os.read(self._master, READ_BYTES)
        if self._in_flight is not None:
            self._in_flight.done(len(data), self.path)
        self._feed(data)

    def _feed(self, data: bytes) -> None:
        if self._master < 0:
            return
        try:
            pieces = self._session.feed(data, self.clock())
        except ConnectionRefusedError:
            self._unplug()
            return
        except ConnectionError:
            self._unplug()
            self._task = asyncio.ensure_future(self.start())
            return
        loop = asyncio.get_running_loop()
        for delay_s, piece in pieces:
            if not data and not self._is_heard():
                continue
            if delay_s > 0.0:
                loop.call_later(delay_s, self._send, self._master, piece)
            else:
                self._send(self._master, piece)
        self._look_again()

    def _is_heard(self) -> bool:
        """Whether what is said unasked goes anywhere: nobody may be there to read it, or to count it."""
        if self._in_flight is not None:
            return self._in_flight.is_open(self.path)
        unread = struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)))[0]
        return unread < UNREAD_MAX_BYTES and not self._unsent

    def _send(self, master: int, piece: bytes) -> None:
        if master != self._master:
            return  # unplugged since
        if self._in_flight is not None:
            self._in_flight.add_if_open(len(piece), self.path)
        self._unsent += piece
        self._flush()

    def _flush(self) -> None:
        with contextlib.suppress(BlockingIOError):
            while self._unsent:
                del self._unsent[: os.write(self._master, self._unsent)]
        loop = asyncio.get_running_loop()
        if self._unsent:
            loop.add_writer(self._master, self._flush)
        else:
            loop.remove_writer(self._master)


def _is_taken(link: Path) -> bool:
    """Whether something has that name that is not a link to a pty, as an earlier server may have left."""
    if link.is_symlink():
        return not str(link.readlink()).startswith("/dev/pts/")
    return link.exists()
