"""A listener for relay boards that speak in short byte frames with a check byte, invented.

A request is `start order number check`, its answer `start number state check`, four bytes each; the check byte is the sum of
the three before it, modulo 256. Keys of a behaviour file that `speaks: frames`: `start` and `reply_start` (hexadecimal),
`open`, `close`, `ask`, `ask_mirror` (the order byte of each request; a board without one leaves the key out), `takes_s`. The
answer to each is a frame with the state the contact has after it. A frame with a wrong check byte, for a relay there is not,
or with another order byte is not answered and does nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chargerd.sim.behaviour import read_behaviour
from chargerd.sim.listener import Ears, Listener, Pieces
from chargerd.sim.panel import ConflictError
from chargerd.sim.wording import panel_at

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from chargerd.sim.panel import Panel

FRAME_BYTES = 4
GAP_S = 0.1
"""Half a frame that has waited so long for its rest is thrown away."""


def frame(start: int, second: int, third: int) -> bytes:
    """One frame with its check byte."""
    body = bytes((start, second & 0xFF, third & 0xFF))
    return body + bytes((sum(body) & 0xFF,))


class FrameEars(Ears):
    """Cuts frames at their start byte; whatever is between frames is skipped."""

    def __init__(self, start: int) -> None:
        self._start = start
        self._buffer = b""
        self._since_s = 0.0

    def take(self, data: bytes, now_s: float) -> list[bytes]:
        """See `Ears.take`."""
        if now_s - self._since_s > GAP_S:
            self._buffer = b""
        self._since_s = now_s
        self._buffer += data
        frames: list[bytes] = []
        while True:
            begin = self._buffer.find(self._start)
            self._buffer = b"" if begin < 0 else self._buffer[begin:]
            if len(self._buffer) < FRAME_BYTES:
                return frames
            candidate = self._buffer[:FRAME_BYTES]
            if sum(candidate[:-1]) & 0xFF == candidate[-1]:
                frames.append(candidate)
                self._buffer = self._buffer[FRAME_BYTES:]
            else:
                self._buffer = self._buffer[1:]  # perhaps this was no start byte: look for the next one

    def forget(self) -> None:
        """See `Ears.forget`."""
        self._buffer = b""


class FrameListener(Listener):
    """Reads frames for the relays of one board."""

    def __init__(self, raw: Mapping[str, Any], panels: Sequence[Panel], *, identity: str | None = None) -> None:
        self.panels = tuple(panels)
        self.identity = raw.get("identity", "") if identity is None else identity
        self._start, self._reply_start = int(raw["start"], 16), int(raw["reply_start"], 16)
        self._orders = {int(raw[key], 16): key for key in ("open", "close", "ask", "ask_mirror") if key in raw}
        self._takes_s = float(raw.get("takes_s", "0"))

    def ears(self) -> Ears:
        """See `Listener.ears`."""
        return FrameEars(self._start)

    def shown(self, message: bytes) -> str:
        """See `Listener.shown`: `A5 01 03 A9`."""
        return message.hex(" ").upper()

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """See `Listener.answer`."""
        panel, what = panel_at(self.panels, message[2]), self._orders.get(message[1])
        for each in self.panels:
            each.node.look(now_s)
        if panel is None or what is None:
            return []
        if what in {"open", "close"}:
            try:
                panel.set("closed", what == "close", now_s)
            except ConflictError:
                return []
        is_closed = bool(panel.shown("mirror_closed" if what == "ask_mirror" else "closed_shown"))
        return [(self.later(now_s, self._takes_s), frame(self._reply_start, message[2], int(is_closed)))]


def frame_listener(behaviour: str, panels: Sequence[Panel], identity: str | None) -> FrameListener:
    """The listener of one frame behaviour file, see `listener.make_listener`."""
    return FrameListener(read_behaviour(behaviour), panels, identity=identity)
