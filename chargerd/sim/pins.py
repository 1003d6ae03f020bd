"""Relays on the pins of a small computer: a level is set, the contact follows; the level read is the pin's own.

`PinListener` answers `17?` with the level and takes `17 1`, so that faults of the wire act on pins too. `Pins` is the same
as two calls, for whatever stands in for a library that drives pins. Keys of a behaviour file that `speaks: pins`:
`numbers` (the pins, one for each relay, in the order of the panels), `active` (`high` or `low`: the level that closes).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from chargerd.sim.behaviour import read_behaviour
from chargerd.sim.listener import Ears, LineEars, Listener, Pieces

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from chargerd.sim.panel import Panel
    from chargerd.sim.wire import Peer

_TYPED = re.compile(r"(\d{1,3})(?:\?| ([01]))")


class PinListener(Listener):
    """The pins of one chip. `numbers` may be changed before the first use; a pin without a relay does not exist."""

    end = b"\n"

    def __init__(self, raw: Mapping[str, Any], panels: Sequence[Panel], *, identity: str | None = None) -> None:
        self.panels = tuple(panels)
        self.identity = raw.get("identity", "") if identity is None else identity
        self.numbers = tuple(int(number) for number in raw["numbers"])[: len(self.panels)]
        self._closes_at = {"high": 1, "low": 0}[raw.get("active", "high")]

    def ears(self) -> Ears:
        """See `Listener.ears`."""
        return LineEars()

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """See `Listener.answer`. A pin there is not is not answered."""
        typed = _TYPED.fullmatch(message.decode("latin-1").strip())
        if typed is None or int(typed[1]) not in self.numbers:
            return []
        panel = self.panels[self.numbers.index(int(typed[1]))]
        panel.node.look(now_s)
        if typed[2] is not None:
            panel.set("closed", int(typed[2]) == self._closes_at, now_s)
        is_active = bool(panel.shown("closed_shown"))
        return [(0.0, f"{int(is_active == bool(self._closes_at))}\n".encode())]


class Pins:
    """Pins as two calls, on a clock."""

    def __init__(self, peer: Peer, clock: Callable[[], float]) -> None:
        self._peer = peer
        self._clock = clock

    def set(self, number: int, level: int) -> None:
        """Drive a pin.

        Raises:
            OSError: there is none, or a fault took the chip away.
        """
        self._say(f"{number} {level}")

    def get(self, number: int) -> int:
        """The level of a pin.

        Raises:
            OSError: as for `set`.
        """
        return self._say(f"{number}?")

    def _say(self, message: str) -> int:
        now_s = self._clock()
        if self._peer.faults.is_refusing(now_s):
            raise ConnectionRefusedError(f"{self._peer.name}: no such device")
        text = b"".join(piece for _, piece in self._peer.answer(message.encode(), now_s)).strip()
        if text not in {b"0", b"1"}:
            raise OSError(f"{self._peer.name}: {message!r} failed")
        return int(text)


def pin_listener(behaviour: str, panels: Sequence[Panel], identity: str | None) -> PinListener:
    """The listener of one chip's behaviour file, see `listener.make_listener`."""
    return PinListener(read_behaviour(behaviour), panels, identity=identity)
