"""A folder of small files as a kernel's driver offers them: a thermometer that is read, not asked.

`FileListener` answers a file's name with its content, so that faults of the wire act on files too; `serve.FolderServer`
writes them. Keys of a behaviour file that `speaks: files`: `files`: name (with `{n}`: one for each panel) -> an item
(see `wording`), or `{text: …}`; and `measures_s`: how long one conversion takes, so often do the files change.

What such files hold, as the kernel prints it: millidegrees Celsius as a whole number and a line feed (`temp1_input` of
hwmon, `temperature` of one-wire), the driver's or sensor's name in `name` (kernel documentation of its sysfs interface,
from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chargerd.sim.behaviour import read_behaviour
from chargerd.sim.listener import Ears, LineEars, Listener, Pieces
from chargerd.sim.wording import Item, item_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from chargerd.sim.panel import Panel


class FileListener(Listener):
    """Knows the content of each file of one folder. `identity` is what the file `name` holds."""

    end = b"\n"

    def __init__(self, raw: Mapping[str, Any], panels: Sequence[Panel], *, identity: str | None = None) -> None:
        self.panels = tuple(panels)
        self.identity = raw["identity"] if identity is None else identity
        self.measures_s = float(raw.get("measures_s", "1"))
        self.files: dict[str, tuple[int, Item]] = {}
        for name, entry in raw["files"].items():
            for number in range(1, len(self.panels) + 1) if "{n}" in name else (1,):
                self.files[name.format(n=number)] = (number, item_of(entry))

    def ears(self) -> Ears:
        """See `Listener.ears`: a link in this process sends a file's name as a line."""
        return LineEars()

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """See `Listener.answer`. A name there is not is not answered."""
        found = self.files.get(message.decode("latin-1").strip())
        if found is None:
            return []
        number, item = found
        text = self.identity if item.kind == "identity" else item.say(self.panels[number - 1], now_s)
        # A driver that cannot read its sensor gives an empty read (or an error, which a file cannot hold).
        return [(0.0, text.encode("latin-1") + self.end if text else b"")]


def file_listener(behaviour: str, panels: Sequence[Panel], identity: str | None) -> FileListener:
    """The listener of one folder's behaviour file, see `listener.make_listener`."""
    return FileListener(read_behaviour(behaviour), panels, identity=identity)
