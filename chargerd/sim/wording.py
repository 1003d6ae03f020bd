"""How listeners without SCPI word a panel's values, and read them: one `Item` for each value in a behaviour file.

Keys of an item: one of `read` (a quantity), `shown` (a setting or flag), `lamps` (condition -> word, the first that holds;
`none` for no lamp), `text` (always the same), `identity`, `error` (the error register, cleared by asking); with `format`
(Python's), `scale` (number on the wire = SI value × scale), `step` (the converter's: values are cut to a multiple), `words`
({ON: …, OFF: …} for switches), `no_reading` (what stands for NaN and for infinities), `panel` (which one; left out: the one
addressed).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import floor, isfinite
from typing import TYPE_CHECKING, Any

from chargerd.sim.panel import Condition

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from chargerd.sim.panel import Panel, Value

KINDS = ("read", "shown", "lamps", "text", "identity", "error")


@dataclass(frozen=True, slots=True)
class Item:
    """One value on the wire, see the module. `key` is what `kind` names."""

    kind: str
    key: str = ""
    style: str = ""
    scale: float = 1.0
    step: float = 0.0
    words: Mapping[str, str] = field(default_factory=dict)
    lamps: Mapping[str, str] = field(default_factory=dict)
    no_reading: str = "nan"
    panel: int | None = None

    def say(self, panel: Panel, now_s: float) -> str:
        """The value of that panel as text; for all kinds but `identity` and `error`, which are the listener's own."""
        if self.kind == "text":
            return self.key
        if self.kind == "lamps":
            lit = panel.lamps()
            return next(
                (word for name, word in self.lamps.items() if name != "none" and lit & int(getattr(Condition, name))),
                self.lamps.get("none", ""),
            )
        return self.word(panel.read(self.key, now_s) if self.kind == "read" else panel.shown(self.key))

    def word(self, value: Value) -> str:
        """A value as it stands on the wire."""
        if isinstance(value, bool):
            return self.words.get("ON", "1") if value else self.words.get("OFF", "0")
        if isinstance(value, str):
            return self.words.get(value, value)
        if not isfinite(value) or abs(value) > 1e30:
            return self.no_reading
        if self.step > 0.0:
            # The slack keeps a value that is a multiple from falling one step short by rounding.
            scaled = floor(value / self.step + 1e-9) * self.step * self.scale
            return format(int(scaled) if self.style.endswith("d") else scaled, self.style)
        scaled = value * self.scale
        return format(round(scaled) if self.style.endswith("d") else scaled, self.style)

    def meant(self, text: str, default: Value) -> Value:
        """What a person wrote on the wire for a setting whose default is `default`.

        Raises:
            ValueError: it is no number, or none of the words.
        """
        if isinstance(default, bool):
            words = {self.words.get("ON", "1"): True, self.words.get("OFF", "0"): False}
            if text not in words:
                raise ValueError(text)
            return words[text]
        if isinstance(default, str):
            return next((meaning for meaning, word in self.words.items() if word == text), text)
        return float(text) / self.scale


def item_of(raw: Mapping[str, Any]) -> Item:
    """An item from a behaviour file.

    Raises:
        ValueError: not exactly one kind.
    """
    kinds = [kind for kind in KINDS if kind in raw]
    if len(kinds) != 1:
        raise ValueError(f"{dict(raw)}: needs exactly one of {KINDS}")
    kind = kinds[0]
    panel = raw.get("panel")
    return Item(
        kind,
        "" if kind == "lamps" else raw[kind],
        raw.get("format", ""),
        float(raw.get("scale", "1")),
        float(raw.get("step", "0")),
        raw.get("words", {}),
        raw["lamps"] if kind == "lamps" else {},
        raw.get("no_reading", "nan"),
        None if panel is None else int(panel),
    )


def panel_at(panels: Sequence[Panel], number: int) -> Panel | None:
    """The panel of that number from 1, None when there is none."""
    return panels[number - 1] if 1 <= number <= len(panels) else None
