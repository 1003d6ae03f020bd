"""What was asked on a serial device and not answered: a late reply must not pass for the answer to what is asked next.

A device answers in the order in which it was asked. So a reply that none of the requests still open could have got proves that
nothing before it is on its way any more: no time is lost then. Where the next reply could be theirs, one waits first, until a
whole reply time-out has passed since the last of them failed; and once more after that reply, for it may still have been theirs
and its own be on its way. The book outlives the links: replies come after a reopening too.
"""

from __future__ import annotations

from collections.abc import Callable

Passes = Callable[[bytes, bytes], bool]
"""Whether a good reply to the first message would be taken for one to the second."""


FORGOTTEN_S = 10.0
"""So long after the end of waiting nothing comes any more: far above the longest time-out of a reply, 0.5 s."""


class Unanswered:
    """The open requests of one device by who was asked (the unit on a bus): how long to wait, and for the second time or not."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, bytes], tuple[float, bool]] = {}

    def __bool__(self) -> bool:
        return bool(self._open)

    def failed(self, who: int, message: bytes, until_s: float) -> None:
        """Note that this message got no good reply; one may come until `until_s`, on the monotonic clock."""
        self._open[who, message] = until_s, False

    def answered(self, who: int, message: bytes, until_s: float) -> None:
        """Note a good reply: all that was asked of that device before is done, too.

        Unless this message is in the book itself: then the reply may have been another's, and one more may come.
        """
        is_in_doubt = (who, message) in self._open
        for key in [key for key in self._open if key[0] == who]:
            if is_in_doubt:
                self._open[key] = until_s, True
            else:
                del self._open[key]

    def left_s(self, who: int, message: bytes, passes: Passes, now_s: float) -> float:
        """Return how long to wait before this message may be sent; 0 when a reply to it can be told from every late one.

        The same message sent again does not wait for itself: its late reply says the same thing.
        """
        self._open = {key: open_ for key, open_ in self._open.items() if open_[0] + FORGOTTEN_S > now_s}
        rivals = [key for key in self._open if key[0] == who and key[1] != message and passes(key[1], message)]
        left_s = max((self._open[key][0] - now_s for key in rivals), default=0.0)
        if left_s > 0.0 or not rivals:
            return max(left_s, 0.0)
        if all(self._open[key][1] for key in rivals):
            for key in rivals:
                del self._open[key]
            self._open.pop((who, message), None)
        else:
            self._open[who, message] = now_s, False
        return 0.0
