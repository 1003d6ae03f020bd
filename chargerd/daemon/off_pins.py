"""Relays on pins of this computer, as off reaches them: `17 0` sets a pin and answers what it then reads, `17?` asks, `label?`
asks the chip. Stands alone beside off_wire.py, which loads it by its path: standard library and the kernel's own interface.

The dead program's pins were let go by the kernel; whether they kept their level is the driver's business. So off takes them
anew, drives them and holds them until it ends; the wiring must make whatever follows safe.
"""

from __future__ import annotations

import os
import re
from typing import Any

MESSAGE = re.compile(r"([0-9]{1,3})(?:\?| ([01]))")


class Pins:
    """One chip, spoken to in lines of text. Every call may raise OSError or ValueError."""

    def __init__(self, path: str, options: dict[str, str], pin: Any) -> None:
        """Open the chip. `options`: `active_low` (numbers by commas, or all); `pin`: the module that speaks to the kernel."""
        self._chip = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        self._active_low = options.get("active_low", "").split(",")
        self._pin = pin
        self._held: dict[tuple[int, bool], int] = {}
        self._answers = b""

    def send(self, content: bytes) -> None:
        """Carry out each line."""
        for message in content.decode("ascii").splitlines():
            self._answers += self._answer(message).encode("ascii", "replace") + b"\n"

    def receive(self, _wait_s: float) -> bytes:
        """Return what has been answered since."""
        answers, self._answers = self._answers, b""
        return answers

    def close(self) -> None:
        """Let the chip go; a pin that was driven stays held until this program ends."""
        os.close(self._chip)

    def _answer(self, message: str) -> str:
        if message == "label?":
            return str(self._pin.label_of(self._chip))
        match = MESSAGE.fullmatch(message)
        if match is None:
            raise ValueError(f"{message!r} is nothing a pin understands")
        line, level = int(match[1]), match[2]
        if level is None:
            held = self._held.get((line, True)) or self._taken(line, is_output=False)
        else:
            held = self._taken(line, is_output=True)
            self._pin.set_level(held, int(level))
        return str(self._pin.level_of(held))

    def _taken(self, line: int, *, is_output: bool) -> int:
        if (line, is_output) not in self._held:
            if is_output and (line, False) in self._held:
                os.close(self._held.pop((line, False)))  # asked before, now to be driven
            low = self._pin.ACTIVE_LOW if {str(line), "all"} & set(self._active_low) else 0
            self._held[line, is_output] = self._pin.request(self._chip, line, low | (self._pin.OUTPUT if is_output else 0))
        return self._held[line, is_output]
