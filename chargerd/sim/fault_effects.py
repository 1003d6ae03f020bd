"""What each kind of fault does: to the bytes of a reply, to a panel while in force, or to a panel at one instant."""

from __future__ import annotations

import re
from math import inf, nan
from typing import TYPE_CHECKING, Any, Protocol

from chargerd.sim.panel import Condition, Lie
from chargerd.sim.spellings import SPELLINGS

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Iterator, Mapping

    from chargerd.sim.listener import Listener, Pieces
    from chargerd.sim.panel import Panel, Value

GARBAGE = b"\x00\x7f\xff\xc3#,;?@ZzEe+-._019"
"""Bytes that garbling puts in: never right, often almost right."""


class Target(Protocol):
    """What an effect gets to work on."""

    @property
    def listener(self) -> Listener:
        """The instrument that has the fault."""

    @property
    def panel(self) -> Panel:
        """The one of its panels that has it."""

    @property
    def values(self) -> Mapping[str, Any]:
        """What the kind takes, defaults filled in."""

    @property
    def chance(self) -> random.Random:
        """Seeded choices."""

    @property
    def lies(self) -> dict[str, Lie]:
        """Readings this fault falsifies; kept from one message to the next."""

    @property
    def kept(self) -> dict[str, Value]:
        """Settings as they were when this fault first saw them."""

    @property
    def held(self) -> list[Pieces]:
        """Replies this fault holds back."""

    @property
    def message(self) -> bytes:
        """The message in hand, without its end."""

    @property
    def now_s(self) -> float:
        """When it arrived."""

    free_s: float
    """Until when a slow instrument is busy."""


_NUMBER = re.compile(rb"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")


# -- on the wire --------------------------------------------------------------------------------------------------


def garble(target: Target, pieces: Pieces) -> Pieces:
    """Put wrong bytes in places of the reply; its end stays."""
    out = []
    for delay_s, piece in pieces:
        end = target.listener.end
        body = bytearray(piece.removesuffix(end))
        for _ in range(min(int(target.values["bytes"]), len(body))):
            place = target.chance.randrange(len(body))
            body[place] = target.chance.choice([byte for byte in GARBAGE if byte != body[place]])
        out.append((delay_s, bytes(body) + end))
    return out


def truncate(target: Target, pieces: Pieces) -> Pieces:
    """Keep the first bytes only, with or without the end of line."""
    keep, end = int(target.values["keep"]), target.listener.end if target.values["ended"] else b""
    return [(delay_s, piece[: min(keep, len(piece) - 1)] + end) for delay_s, piece in pieces]


def late(target: Target, pieces: Pieces) -> Pieces:
    """Delay the reply."""
    return [(delay_s + float(target.values["delay_s"]), piece) for delay_s, piece in pieces]


def slow(target: Target, pieces: Pieces) -> Pieces:
    """Take several times as long for each answer, one after the other."""
    factor, usual_s = float(target.values["factor"]), float(target.values["usual_s"])
    out = []
    for delay_s, piece in pieces:
        target.free_s = max(target.free_s, target.now_s) + factor * max(delay_s, usual_s)
        out.append((target.free_s - target.now_s, piece))
    return out


def shift(target: Target, pieces: Pieces) -> Pieces:
    """Answer the question of some messages ago; messages that get no reply are not counted."""
    if not pieces:
        return pieces
    target.held.append(pieces)
    return target.held.pop(0) if len(target.held) > int(target.values["by"]) else []


def drip(target: Target, pieces: Pieces) -> Pieces:
    """Send byte by byte and never the end: whoever waits anew for each byte waits for ever."""
    every_s = float(target.values["every_s"])
    body = b"".join(piece for _, piece in pieces).removesuffix(target.listener.end)
    body = body.ljust(int(target.values["bytes"]), b"0") if body else body
    return [(index * every_s, bytes((byte,))) for index, byte in enumerate(body)]


def echo(target: Target, pieces: Pieces) -> Pieces:
    """Send the message back first, as a line that echoes does."""
    return [(0.0, target.message + target.listener.end), *pieces]


def spell(target: Target, pieces: Pieces) -> Pieces:
    """Spell each number of the reply in another way; frames, which have no text, stay."""
    change = SPELLINGS[str(target.values["form"])]
    return [(delay_s, _NUMBER.sub(lambda found: change(found[0]), piece)) for delay_s, piece in pieces]


def duplicate(_target: Target, pieces: Pieces) -> Pieces:
    """Send everything twice."""
    return [piece for piece in pieces for _ in range(2)]


def replace(target: Target, pieces: Pieces) -> Pieces:
    """Send another text."""
    text = str(target.values["text"]).encode("latin-1")
    return [(delay_s, text + target.listener.end) for delay_s, _ in pieces]


def flood(target: Target, pieces: Pieces) -> Pieces:
    """Send digits without end of line."""
    return [(delay_s, b"9" * int(target.values["bytes"])) for delay_s, _ in pieces]


def flip(target: Target, pieces: Pieces) -> Pieces:
    """Turn one bit round."""
    out = []
    for delay_s, piece in pieces:
        body = bytearray(piece)
        place = int(target.values["bit"]) % (8 * len(body))
        body[place // 8] ^= 1 << place % 8
        out.append((delay_s, bytes(body)))
    return out


def mute(_target: Target, _pieces: Pieces) -> Pieces:
    """Carry out, and say nothing."""
    return []


# -- while in force -----------------------------------------------------------------------------------------------


def lying(make: Callable[[Mapping[str, Any]], Lie]) -> Callable[[Target], Iterator[None]]:
    """A state in which readings lie as `make` says."""

    def state(target: Target) -> Iterator[None]:
        panel, quantity = target.panel, target.values["quantity"]
        for name in tuple(panel.accuracy) if quantity == "all" else (quantity,):
            target.lies.setdefault(name, make(target.values))
        honest = dict(panel.lies)
        panel.lies.update(target.lies)
        yield
        panel.lies.clear()
        panel.lies.update(honest)

    return state


def ignoring(what: str) -> Callable[[Target], Iterator[None]]:
    """A state in which some settings are taken and not carried out."""

    def state(target: Target) -> Iterator[None]:
        target.panel.ignores.add(what)
        yield
        target.panel.ignores.discard(what)

    return state


def stale(target: Target) -> Iterator[None]:
    """Settings are answered as they were when the fault first acted; what was set since is carried out."""
    panel, setting = target.panel, target.values["setting"]
    for key in panel.settings if setting == "all" else (str(setting),):
        target.kept.setdefault(key, panel.get(key))
        if hasattr(panel, f"{key}_shown"):
            target.kept.setdefault(f"{key}_shown", panel.get(f"{key}_shown"))
    honest = dict(panel.stale)
    panel.stale.update(target.kept)
    yield
    panel.stale.clear()
    panel.stale.update(honest)


def lamp(target: Target) -> Iterator[None]:
    """A condition shows in the status that does not hold."""
    bit = int(getattr(Condition, str(target.values["condition"])))
    honest, target.panel.lit = target.panel.lit, target.panel.lit | bit
    yield
    target.panel.lit = honest


def disguised(target: Target) -> Iterator[None]:
    """Another instrument answers the identity question."""
    listener = target.listener
    honest, listener.identity = listener.identity, str(target.values["text"])
    yield
    listener.identity = honest


# -- at one instant -----------------------------------------------------------------------------------------------


def reboot(target: Target, now_s: float) -> None:
    """Lose power and come back with the output off, or on at the last set-points."""
    panel = target.panel
    if "power_on_output" in panel.settings:
        panel.set("power_on_output", "ON" if target.values["output_on"] else "OFF", now_s, cause="fault")
    panel.reboot(now_s)


def trip(target: Target, now_s: float) -> None:
    """The instrument's own protection acts without reason."""
    target.panel.node.arrive(now_s)
    target.panel.trip(str(target.values["cause"]), now_s)


def touch(target: Target, now_s: float) -> None:
    """A person at the panel sets something."""
    target.panel.touch(str(target.values["setting"]), target.values["value"], now_s)


def touch_switch(target: Target, now_s: float) -> None:
    """A person at the panel switches the output or input."""
    target.panel.touch(target.panel.SWITCH, bool(target.values["on"]), now_s)


def change(target: Target, now_s: float) -> None:
    """A setting changes by itself, unasked and even with the panel locked."""
    target.panel.set(str(target.values["setting"]), target.values["value"], now_s, cause="fault")


def stick_on(target: Target, now_s: float) -> None:
    """From now on switching off has no effect on the terminals."""
    target.panel.stick_on(now_s)


def leads(target: Target, now_s: float) -> None:
    """The leads come off the cell, or back on."""
    node = target.panel.node
    (node.open_leads if target.values["off"] else node.close_leads)(now_s)


def detach(target: Target, now_s: float) -> None:
    """The sensor falls off the cell and reads the room."""
    target.panel.detach(now_s)


def report_error(target: Target, now_s: float) -> None:
    """An error of the maker's own appears in the queue."""
    del now_s
    target.listener.report(int(target.values["number"]), str(target.values["text"]))


def lie_value(values: Mapping[str, Any]) -> Lie:
    """A reading that is always the same number."""
    return Lie(value=float(values["value"]))


def lie_scale(values: Mapping[str, Any]) -> Lie:
    """A reading too large or small by a factor; -1 swaps the sign."""
    return Lie(scale=float(values["factor"]))


def lie_offset(values: Mapping[str, Any]) -> Lie:
    """A reading off by a sum."""
    return Lie(offset=float(values["by"]))


def lie_fahrenheit(_values: Mapping[str, Any]) -> Lie:
    """Degrees Fahrenheit where Celsius is meant: F = 1.8 C + 32."""
    return Lie(scale=1.8, offset=32.0)


def lie_frozen(_values: Mapping[str, Any]) -> Lie:
    """A reading that stays what it was when first asked."""
    return Lie(is_frozen=True)


def lie_nan(_values: Mapping[str, Any]) -> Lie:
    """SCPI's not-a-number."""
    return Lie(value=nan)


def lie_infinite(_values: Mapping[str, Any]) -> Lie:
    """SCPI's infinity."""
    return Lie(value=inf)
