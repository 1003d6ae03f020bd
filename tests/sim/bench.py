"""What the tests of simulated instruments share: asking a peer one question and getting one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chargerd.sim.wire import Peer


def ask(peer: Peer, message: str, now_s: float = 0.0) -> str:
    """What comes back at once for one message; nothing is the empty text."""
    pieces = peer.feed(message.encode("latin-1") + b"\n", now_s)
    return b"".join(piece for delay_s, piece in pieces if delay_s == 0.0).decode("latin-1").removesuffix("\n")


def error_of(peer: Peer, message: str, now_s: float = 0.0) -> int:
    """The number of the error a message leaves, 0 for none."""
    ask(peer, "*CLS", now_s)
    ask(peer, message, now_s)
    return int(ask(peer, "SYST:ERR?", now_s).partition(",")[0])
