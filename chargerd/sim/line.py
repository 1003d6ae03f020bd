"""A listener for line protocols that are not SCPI: short words and numbers, one line each, some printed unasked.

Keys of a behaviour file that `speaks: line`, besides `behaviour`, `about`, `panel`, `identity` (one text), `extends`:

- `end`: what answers end with (`CR`, `LF`, `CRLF`); a message ends with CR, LF or both
- `echo`: `yes` when every message comes back before its answer
- `takes_s`: time from a message to its answer, during which nothing else is done
- `unknown`, `no_such`, `range`, `conflict`: the answer to what is not understood, to a number of no panel, to a value out of
  range, to what is refused now; empty for silence
- `banner`: printed after a restart
- `commands`: what is typed -> `set` (a setting; the value is `{value}` of the typed text, or `to`), `do` (an action of the
  panel) or neither; `reply` with `{value}`, or with `{0}`, `{1}` … of `values` (items, see `wording`), `{n}` the number
- `says`: `every_s`, `each` (for each panel, with `{n}` and `{value}`), `join`, and the item's own keys

In typed text `{n}` stands for the number of a panel (left out: 1) and `{value}` for a number or word.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from math import floor, inf
from typing import TYPE_CHECKING, Any

from chargerd.sim.behaviour import read_behaviour
from chargerd.sim.listener import LineEars, Listener, Pieces
from chargerd.sim.panel import ConflictError, OutOfRangeError
from chargerd.sim.wording import KINDS, Item, item_of, panel_at

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from chargerd.sim.panel import Panel

ENDS = {"CR": b"\r", "LF": b"\n", "CRLF": b"\r\n"}
BACKLOG = 50
"""So many unasked lines at most wait in a serial port's buffer (a few kilobytes); older ones are lost."""


@dataclass(frozen=True, slots=True)
class Sentence:
    """One command: the typed text as a pattern, what it does, what it answers."""

    typed: re.Pattern[str]
    setting: str
    to: str | None
    action: str
    reply: str
    values: tuple[Item, ...]


@dataclass(frozen=True, slots=True)
class Says:
    """What is printed unasked, and how often."""

    every_s: float
    each: str
    join: str
    item: Item


class AnyEndEars(LineEars):
    """Lines that end with CR, LF or both; empty ones are nothing, over-long ones are lost."""

    def take(self, data: bytes, now_s: float) -> list[bytes]:
        """See `Ears.take`."""
        return [line for line in super().take(data, now_s) if line]

    def _split(self, data: bytes) -> list[bytes]:
        return re.split(rb"[\r\n]+", data)

    def forget(self) -> None:
        """See `Ears.forget`."""
        self._buffer, self._overran = b"", False


class LineListener(Listener):
    """Reads lines for the panels of one instrument; keeps the number of its last error."""

    def __init__(self, raw: Mapping[str, Any], panels: Sequence[Panel], *, identity: str | None = None) -> None:
        self.panels = tuple(panels)
        self.identity = raw["identity"] if identity is None else identity
        self.end = ENDS[raw.get("end", "LF")]
        self.error = 0
        self._raw = raw
        self._echo = raw.get("echo", "no") == "yes"
        self._takes_s = float(raw.get("takes_s", "0"))
        self._sentences, self._says = _read(raw["behaviour"])
        self.has_errors = any(item.kind == "error" for sentence in self._sentences for item in sentence.values)
        self._boots = [panel.boots for panel in self.panels]
        self._banner_due = False

    def ears(self) -> LineEars:
        """See `Listener.ears`."""
        return AnyEndEars()

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """See `Listener.answer`."""
        self._let_time_pass(now_s)
        reply = self._reply(message.decode("latin-1").strip(), now_s)
        echoed: Pieces = [(0.0, message + self.end)] if self._echo else []
        delay_s = self.later(now_s, self._takes_s)
        return echoed + ([(delay_s, reply.encode("latin-1") + self.end)] if reply else [])

    def says(self, after_s: float, until_s: float) -> Pieces:
        """See `Listener.says`."""
        self._let_time_pass(until_s)
        said: Pieces = []
        if self._banner_due:
            self._banner_due = False
            said.append((until_s, self._raw["banner"].encode("latin-1") + self.end))
        if self._says is None:
            return said
        every_s = self._says.every_s
        last = floor(until_s / every_s + 1e-9)
        for index in range(max(floor(after_s / every_s + 1e-9) + 1, last - BACKLOG + 1), last + 1):
            said.append((index * every_s, self._line(self._says, index * every_s)))
        return said

    def says_next_s(self, after_s: float) -> float:
        """See `Listener.says_next_s`."""
        if self._says is None:
            return inf
        return (floor(after_s / self._says.every_s + 1e-9) + 1) * self._says.every_s

    def report(self, number: int, text: str) -> None:
        """See `Listener.report`: the register keeps the number alone."""
        del text
        self.error = number

    def _let_time_pass(self, now_s: float) -> None:
        for panel in self.panels:
            panel.node.look(now_s)
        boots = [panel.boots for panel in self.panels]
        if boots != self._boots:
            self._boots, self.error = boots, 0
            self._banner_due = bool(self._raw.get("banner"))

    def _line(self, says: Says, at_s: float) -> bytes:
        words = [says.each.format(n=number, value=says.item.say(panel, at_s)) for number, panel in enumerate(self.panels, 1)]
        return says.join.join(words).encode("latin-1") + self.end

    def _reply(self, typed: str, now_s: float) -> str:
        for sentence in self._sentences:
            match = sentence.typed.fullmatch(typed)
            if match is not None:
                return self._carry_out(sentence, match.groupdict(), now_s)
        return self._wrong("unknown")

    def _wrong(self, what: str) -> str:
        reply: str = self._raw.get(what, "")
        return reply

    def _carry_out(self, sentence: Sentence, given: Mapping[str, str], now_s: float) -> str:
        number = int(given.get("n") or 1)
        panel = panel_at(self.panels, number)
        if panel is None:
            return self._wrong("no_such")
        try:
            if sentence.setting:
                item = sentence.values[0]
                text = given["value"] if sentence.to is None else sentence.to
                panel.set(sentence.setting, item.meant(text, panel.settings[sentence.setting].default), now_s)
            if sentence.action:
                getattr(panel, sentence.action)(now_s)
        except OutOfRangeError:
            return self._wrong("range")
        except ConflictError:
            return self._wrong("conflict")
        except ValueError:
            return self._wrong("unknown")
        texts = [self._say(item, panel, now_s) for item in sentence.values]
        return sentence.reply.format(*texts, n=number, value=texts[0] if texts else "")

    def _say(self, item: Item, addressed: Panel, now_s: float) -> str:
        if item.kind == "identity":
            return self.identity
        if item.kind == "error":
            number, self.error = self.error, 0
            return str(number)
        panel = addressed if item.panel is None else panel_at(self.panels, item.panel)
        return item.no_reading if panel is None else item.say(panel, now_s)


@cache
def _read(name: str) -> tuple[tuple[Sentence, ...], Says | None]:
    raw = read_behaviour(name)
    sentences = tuple(_sentence(typed, entry) for typed, entry in raw.get("commands", {}).items())
    says = raw.get("says")
    if says is None:
        return sentences, None
    return sentences, Says(float(says["every_s"]), says["each"], says.get("join", " "), item_of(says))


def _sentence(typed: str, entry: Mapping[str, Any]) -> Sentence:
    pattern = re.escape(typed).replace(r"\{n\}", r"(?P<n>[0-9]{1,3})").replace(r"\{value\}", r"(?P<value>[-+]?[0-9A-Za-z.]+)")
    values = [item_of(raw) for raw in entry.get("values", ())]
    setting = entry.get("set", "")
    if not values and any(kind in entry for kind in KINDS):
        values = [item_of(entry)]
    elif not values and setting:
        values = [item_of({"shown": setting, **{key: entry[key] for key in ("format", "scale", "words") if key in entry}})]
    return Sentence(re.compile(pattern), setting, entry.get("to"), entry.get("do", ""), entry.get("reply", ""), tuple(values))


def line_listener(behaviour: str, panels: Sequence[Panel], identity: str | None) -> LineListener:
    """The listener of one line behaviour file, see `listener.make_listener`."""
    return LineListener(read_behaviour(behaviour), panels, identity=identity)
