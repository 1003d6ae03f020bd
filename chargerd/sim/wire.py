"""The byte peer that puts a listener on any wire.

`Peer.feed` turns bytes that arrived into bytes to send and when, with the faults of the wire applied; the in-memory link,
the TCP server and the pty server all call nothing but `feed`. Shares nothing with the drivers it is to deceive.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from chargerd.sim.faults import FaultPlan

if TYPE_CHECKING:
    from collections.abc import Mapping

    from chargerd.sim.listener import Listener, Pieces


UNASKED = "(unasked)"
"""Stands for the question where nobody asked, in wire logs and for the `header` of a fault."""


class Exchange(NamedTuple):
    """One line of a wire log."""

    time_s: float
    received: str
    replied: bytes


class Peer:
    """One simulated instrument as bytes see it."""

    def __init__(self, name: str, listener: Listener, *, latency_s: float = 0.0, seed: int = 0, keeps_log: bool = False) -> None:
        """An instrument for a wire.

        Args:
            name: shown in reports.
            listener: what reads the messages.
            latency_s: time from a question to its reply.
            seed: of the faults' choices.
            keeps_log: keep every exchange in `log`, not only their number.
        """
        self.name = name
        self.listener = listener
        self.neighbours: Mapping[str, Peer] = {name: self}
        """All instruments of the bench, this one included, for faults that swap ports."""
        self.faults = FaultPlan(self, seed)
        self.latency_s = latency_s
        self.messages = 0
        self.replies = self.answers = 0
        self.log: list[Exchange] = []
        self._keeps_log = keeps_log
        self._only = Session(self)

    def feed(self, data: bytes, now_s: float) -> Pieces:
        """Take bytes that arrived at `now_s`; what to send back, each with its delay in seconds from now.

        What the instrument has said unasked since the last call comes first; call with no bytes to hear only that.
        For a wire with one user; servers give each connection its own `Session`.

        Raises:
            ConnectionRefusedError: while a fault has the port refuse; the link is gone too.
            ConnectionResetError: when a fault drops the link.
            ConnectionAbortedError: when a fault ends it in order.
        """
        return self._only.feed(data, now_s)

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """As `feed`, for one whole message without its end."""
        self.messages += 1
        shown = self.listener.shown(message)
        with self.faults.in_force(shown, now_s, message) as wire:
            dropped = wire.has("drop")
            is_lost = wire.has("hang") is not None or (dropped is not None and not dropped.values["carried_out"])
            pieces = [] if is_lost else self.listener.answer(message, now_s)
            sent = wire.alter(pieces)
        if dropped is not None:
            sent = []
        self.replies += bool(sent)
        if sent:
            self.answers += sum(self.listener.answers_in(piece) for _, piece in pieces)
        self._note(now_s, shown, sent)
        if dropped is not None:
            kind = ConnectionAbortedError if dropped.values["orderly"] else ConnectionResetError
            raise kind(f"{self.name} dropped the link")
        return [(self.latency_s + delay_s, part) for delay_s, part in sent]

    def unasked(self, after_s: float, until_s: float) -> Pieces:
        """What the instrument says by itself after `after_s` and until `until_s`, faults applied; delays from `until_s`."""
        out: Pieces = []
        for at_s, piece in self.listener.says(after_s, until_s):
            with self.faults.in_force(UNASKED, at_s) as wire:
                sent = [] if wire.has("hang") or wire.has("drop") else wire.alter([(0.0, piece)])
            self._note(at_s, UNASKED, sent)
            out += [(max(at_s + delay_s - until_s, 0.0), part) for delay_s, part in sent]
        return out

    def behind(self, now_s: float) -> Peer:
        """The instrument that is behind this one's port now: itself, unless a fault swapped them."""
        name = self.faults.stand_in(now_s)
        return self if name is None else self.neighbours[name]

    def next_s(self, after_s: float) -> float:
        """The next instant after `after_s` at which something comes unasked; infinite for never."""
        return min(self.behind(after_s).listener.says_next_s(after_s), self.faults.foreign_next_s(after_s))

    def _note(self, now_s: float, received: str, sent: Pieces) -> None:
        if self._keeps_log:
            self.log.append(Exchange(now_s, received, b"".join(part for _, part in sent)))


class Session:
    """One connection to a peer's port: the half message that has not ended yet, and until when it has listened."""

    def __init__(self, peer: Peer) -> None:
        self._port = peer
        self._behind: Peer | None = None
        self._ears = peer.listener.ears()
        self._heard_s: float | None = None
        self._waiting = b""

    def feed(self, data: bytes, now_s: float) -> Pieces:
        """As `Peer.feed`. The first call begins to listen: what was said before is gone."""
        faults = self._port.faults
        if faults.is_refusing(now_s):
            self._forget()
            raise ConnectionRefusedError(f"{self._port.name} refuses")
        behind = self._port.behind(now_s)
        if behind is not self._behind:
            is_new = self._behind is None
            self._behind, self._ears = behind, behind.listener.ears()
            if not is_new:
                self._forget()
                raise ConnectionResetError(f"{self._port.name}: another instrument is at the port")
        if faults.is_deaf(now_s):
            self._waiting += data
            return []
        out = self._unasked(behind, now_s)
        data, self._waiting = self._waiting + data, b""
        return out + self._take(behind, data, now_s)

    def _unasked(self, behind: Peer, now_s: float) -> Pieces:
        after_s, self._heard_s = self._heard_s, now_s
        if after_s is None:
            return []
        out = behind.unasked(after_s, now_s)
        for at_s, written, to_instrument in self._port.faults.foreign(after_s, now_s):
            out += self._take(behind, written, at_s) if to_instrument else [(0.0, written)]
        return out

    def _take(self, behind: Peer, data: bytes, now_s: float) -> Pieces:
        out: Pieces = []
        try:
            for message in self._ears.take(data, now_s) if data else ():
                out += behind.answer(message, now_s)
        except ConnectionError:
            self._forget()
            raise
        return out

    def _forget(self) -> None:
        self._ears.forget()
        self._waiting = b""
        self._heard_s = None
