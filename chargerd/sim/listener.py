"""What listens behind a simulated wire, whatever its protocol: the base of all listeners, and the table of them.

A listener turns bytes into messages (`Ears`, one for each connection), carries messages out on its panels and words the
answers. `wire.Peer` puts it on any wire and lets the faults of the wire act between the two. To add a protocol: subclass
`Listener` and give `LISTENERS` one row; a behaviour file says with `speaks:` which row it is for.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from importlib import import_module
from math import inf
from typing import TYPE_CHECKING, cast

from chargerd.sim.behaviour import speech_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from chargerd.sim.panel import Panel

Pieces = list[tuple[float, bytes]]
"""What goes back over the wire: each piece with its delay in seconds."""

LINE_MAX_BYTES = 4096
"""A line longer than this overruns the input buffer and is lost up to its end."""


class Ears(ABC):
    """One connection's bytes, cut into whole messages. Subclasses keep the half message that has not ended yet."""

    @abstractmethod
    def take(self, data: bytes, now_s: float) -> list[bytes]:
        """Whole messages that have ended with `data`, which arrived at `now_s`; without their ends."""

    @abstractmethod
    def forget(self) -> None:
        """The connection is gone, and with it the half message."""


class LineEars(Ears):
    """Messages that end with a line feed (a carriage return before it belongs to the end), or with whatever is said."""

    def __init__(self, end: bytes = b"\n", overrun: Callable[[], object] | None = None) -> None:
        """Ears for lines.

        Args:
            end: ends a message.
            overrun: called once for each message longer than LINE_MAX_BYTES, which is lost.
        """
        self._end = end
        self._overrun = overrun
        self._buffer = b""
        self._overran = False

    def _split(self, data: bytes) -> list[bytes]:
        return data.split(self._end)

    def take(self, data: bytes, now_s: float) -> list[bytes]:
        """See `Ears.take`."""
        del now_s
        *lines, self._buffer = self._split(self._buffer + data)
        if lines and self._overran:
            self._overran = False
            del lines[0]
        if len(self._buffer) > LINE_MAX_BYTES:
            self._buffer = b""
            if not self._overran and self._overrun is not None:
                self._overrun()
            self._overran = True
        return [line.rstrip(b"\r") for line in lines]

    def forget(self) -> None:
        """See `Ears.forget`."""
        self._buffer = b""
        self._overran = False


class Listener(ABC):
    """One instrument's protocol before its panels (its outputs, inputs or relays, counted from 1)."""

    has_errors: bool = False
    """Whether there is an error queue or register, see `report`."""

    end: bytes = b""
    """What every answer ends with, for faults that leave the end of a damaged answer whole; empty for frames."""

    panels: tuple[Panel, ...]
    identity: str
    free_s: float = 0.0
    """Until when the instrument is busy with what it was asked before."""

    def later(self, now_s: float, takes_s: float) -> float:
        """Be busy for `takes_s` once free; the delay from now until that is over."""
        self.free_s = max(self.free_s, now_s) + takes_s
        return self.free_s - now_s

    @abstractmethod
    def ears(self) -> Ears:
        """Ears for a new connection."""

    @abstractmethod
    def answer(self, message: bytes, now_s: float) -> Pieces:
        """Carry out one whole message; what comes back, ends and check values included, and how much later."""

    def shown(self, message: bytes) -> str:
        """A message as wire logs show it and as the `header` of a fault is looked for in it."""
        return message.decode("latin-1")

    def answers_in(self, reply: bytes) -> int:
        """How many questions one reply answers."""
        return 1 if reply else 0

    def says(self, after_s: float, until_s: float) -> Pieces:
        """What is said unasked after `after_s` and until `until_s`, each with its *instant* (not a delay)."""
        del after_s, until_s
        return []

    def says_next_s(self, after_s: float) -> float:
        """The next instant after `after_s` at which something is said unasked; infinite for who is only asked."""
        del after_s
        return inf

    def report(self, number: int, text: str) -> None:
        """Enter an error into the instrument's error queue or register.

        Raises:
            ValueError: it has none.
        """
        raise ValueError(f"{type(self).__name__} has no error queue: {number} {text!r} cannot be entered")


LISTENERS = {
    "scpi": "chargerd.sim.scpi_listener:scpi_listener",
    "modbus-rtu": "chargerd.sim.modbus:modbus_listener",
    "modbus-tcp": "chargerd.sim.modbus:modbus_listener",
    "line": "chargerd.sim.line:line_listener",
    "frames": "chargerd.sim.frames:frame_listener",
    "files": "chargerd.sim.folder:file_listener",
    "pins": "chargerd.sim.pins:pin_listener",
}
"""What a behaviour file's `speaks:` may say -> `module:function`, called with behaviour name, panels and identity (or None)."""


def make_listener(behaviour: str, panels: Sequence[Panel], *, identity: str | None = None) -> Listener:
    """The listener of a behaviour file before these panels; with another identity than the file's if one is given.

    Raises:
        FileNotFoundError: there is no such file.
        ValueError: the file does not make sense.
    """
    speech = speech_of(behaviour)
    if speech not in LISTENERS:
        raise ValueError(f"{behaviour}: speaks {speech!r}; there are {', '.join(LISTENERS)}")
    module, _, name = LISTENERS[speech].partition(":")
    make = cast("Callable[[str, Sequence[Panel], str | None], Listener]", getattr(import_module(module), name))
    return make(behaviour, panels, identity)
