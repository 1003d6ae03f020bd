"""Relays on the pins of a small computer: a level is set, the contact follows; the level read is the pin's own.

`PinListener` answers `17?` with the level, takes `17 1` and tells the chip's `label?`, so that faults of the wire act on pins
too. `Pins` is the same as calls, for whatever stands in for a library that drives pins. Keys of a behaviour file that
`speaks: pins`: `numbers` (the pins, one for each relay, in the order of the panels), `mirrors` (pins that a mirror contact pulls
to the closing level), `active` (`high` or `low`: the level that closes); `identity` is the label.
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

LABEL = "label?"
_TYPED = re.compile(r"(\d{1,3})(?:\?| ([01]))")


class PinListener(Listener):
    """The pins of one chip. `numbers` and `mirrors` may be changed before the first use; other pins do not exist."""

    end = b"\n"

    def __init__(self, raw: Mapping[str, Any], panels: Sequence[Panel], *, identity: str | None = None) -> None:
        self.panels = tuple(panels)
        self.identity = raw.get("identity", "") if identity is None else identity
        self.numbers = tuple(int(number) for number in raw["numbers"])[: len(self.panels)]
        self.mirrors = tuple(int(number) for number in raw.get("mirrors", ()))[: len(self.panels)]
        self._closes_at = {"high": 1, "low": 0}[raw.get("active", "high")]

    def ears(self) -> Ears:
        """See `Listener.ears`."""
        return LineEars()

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """See `Listener.answer`. A pin there is not is not answered."""
        text = message.decode("latin-1").strip()
        if text == LABEL:
            return [(0.0, self.identity.encode("latin-1") + self.end)]
        typed = _TYPED.fullmatch(text)
        if typed is None:
            return []
        number = int(typed[1])
        is_mirror = number in self.mirrors
        if not (is_mirror or number in self.numbers) or (is_mirror and typed[2] is not None):
            return []
        panel = self.panels[(self.mirrors if is_mirror else self.numbers).index(number)]
        panel.node.look(now_s)
        if typed[2] is not None:
            panel.set("closed", int(typed[2]) == self._closes_at, now_s)
        is_active = bool(panel.shown("mirror_closed" if is_mirror else "closed_shown"))
        return [(0.0, f"{int(is_active == bool(self._closes_at))}\n".encode())]


class Pins:
    """Pins as calls, on a clock."""

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

    def label(self) -> str:
        """What the chip is called.

        Raises:
            OSError: as for `set`.
        """
        return self._heard(LABEL)

    def _say(self, message: str) -> int:
        text = self._heard(message)
        if text not in {"0", "1"}:
            raise OSError(f"{self._peer.name}: {message!r} failed")
        return int(text)

    def _heard(self, message: str) -> str:
        now_s = self._clock()
        if self._peer.faults.is_refusing(now_s):
            raise ConnectionRefusedError(f"{self._peer.name}: no such device")
        pieces = self._peer.behind(now_s).answer(message.encode(), now_s)
        return b"".join(piece for _, piece in pieces).decode("latin-1").strip()


def pin_listener(behaviour: str, panels: Sequence[Panel], identity: str | None) -> PinListener:
    """The listener of one chip's behaviour file, see `listener.make_listener`."""
    return PinListener(read_behaviour(behaviour), panels, identity=identity)
