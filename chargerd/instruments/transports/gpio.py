"""Pins of this computer (`gpio:///dev/gpiochip0`) through libgpiod's Python bindings: relays, mirror contacts.

Messages: `17 1` and `17 0` make line 17 an output of that level and answer what it reads then; `17?` reads a line as it is,
an output or an input; `label?` asks the chip its label. A line stays requested, and an output keeps its level, while the link
is open; what the level becomes when the program ends is the kernel driver's business, so the wiring must make every level
safe. Options: `active_low=17,27` (or `all`): 1 then means a low pin; `pull=up` or `down` for lines that are inputs.
"""

from __future__ import annotations

import re
import threading

import gpiod
import gpiod.line

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError
from chargerd.instruments.transports.link import Address, InFlight
from chargerd.instruments.transports.worker import BLOCKING_MAX_S, BlockingLink

CONSUMER = "chargerd"
"""Who holds a line, for anyone who looks at the chip."""

VERSION_NEEDED = (2, 0)

_MESSAGE = re.compile(r"(?P<line>[0-9]{1,3})(?:\?| (?P<level>[01]))")
_FAULTS = (OSError, ValueError, TypeError, RuntimeError)
"""What leaves the bindings (read in their source): errors of the kernel, unknown lines, a request or chip that was closed."""

_PULLS = {"up": "PULL_UP", "down": "PULL_DOWN"}

if tuple(int(part) for part in gpiod.__version__.split(".")[:2]) < VERSION_NEEDED:
    raise ImportError(f"gpiod {gpiod.__version__} is too old, 2.0 or newer is needed")


class GpioLink(BlockingLink):
    """One chip. See `Link`."""

    def __init__(self, address: Address, in_flight: InFlight | None) -> None:
        super().__init__(address.text, _FAULTS, in_flight)
        self._path = address.target
        self._active_low = address.options.get("active_low", "").split(",")
        self._pull = _PULLS.get(address.options.get("pull", ""), "AS_IS")
        self._chip: gpiod.Chip | None = None
        self._requests: dict[int, gpiod.LineRequest] = {}
        self._outputs: set[int] = set()
        self._before = _LAST.get(self._path)
        self._is_released = threading.Event()
        _LAST[self._path] = self

    def open(self) -> None:
        """Open the chip, once a link before that is closed has let its lines go. Runs in the worker."""
        if self._before is not None and self._before.dirty:
            self._before._is_released.wait(BLOCKING_MAX_S)  # noqa: SLF001  # one of ours
        self._before = None
        if not gpiod.is_gpiochip_device(self._path):
            raise LinkClosedError(f"{self.name}: {self._path} is no GPIO chip")
        self._chip = gpiod.Chip(self._path)

    def exchange(self, message: bytes, deadline_s: float) -> bytes:
        """Carry out one message and return the line's level, or the chip's label."""
        del deadline_s  # kept outside this thread
        assert self._chip is not None
        text = message.decode("ascii", "replace")
        if text == "label?":
            return str(self._chip.get_info().label).encode("ascii", "replace")
        match = _MESSAGE.fullmatch(text)
        if match is None:
            raise LinkGarbledError(f"{self.name}: {text!r} is no message to a pin; write 17? or 17 1")
        line = int(match["line"])
        if match["level"] is not None:
            self._set(self._chip, line, gpiod.line.Value.ACTIVE if match["level"] == "1" else gpiod.line.Value.INACTIVE)
        elif line not in self._requests:
            self._requests[line] = self._request(self._chip, line, self._as_it_is(self._chip, line))
        return b"1" if self._requests[line].get_value(line) is gpiod.line.Value.ACTIVE else b"0"

    def send(self, message: bytes, deadline_s: float) -> None:
        """Carry out a message; the level that it answers is not wanted."""
        self.exchange(message, deadline_s)

    def _set(self, chip: gpiod.Chip, line: int, level: gpiod.line.Value) -> None:
        """Give an output its level; a line that was none becomes one with that level at once."""
        if line in self._outputs:
            self._requests[line].set_value(line, level)
            return
        settings = gpiod.LineSettings(
            direction=gpiod.line.Direction.OUTPUT, output_value=level, active_low=self._is_active_low(line)
        )
        held = self._requests.get(line)
        if held is None:
            self._requests[line] = self._request(chip, line, settings)
        else:
            held.reconfigure_lines({line: settings})
        self._outputs.add(line)

    def _as_it_is(self, chip: gpiod.Chip, line: int) -> gpiod.LineSettings:
        """Return the settings that read a line without changing it: an output stays one, with its level."""
        if chip.get_line_info(line).direction is gpiod.line.Direction.OUTPUT:
            return gpiod.LineSettings(active_low=self._is_active_low(line))
        bias = getattr(gpiod.line.Bias, self._pull)
        return gpiod.LineSettings(direction=gpiod.line.Direction.INPUT, bias=bias, active_low=self._is_active_low(line))

    def _request(self, chip: gpiod.Chip, line: int, settings: gpiod.LineSettings) -> gpiod.LineRequest:
        return chip.request_lines({line: settings}, consumer=CONSUMER)

    def _is_active_low(self, line: int) -> bool:
        return "all" in self._active_low or str(line) in self._active_low

    def release(self) -> None:
        """Let lines and chip go."""
        try:
            for request in self._requests.values():
                request.release()
            self._requests.clear()
            if self._chip is not None:
                self._chip.close()
                self._chip = None
        finally:
            self._is_released.set()

    def explain(self, fault: Exception) -> LinkError:
        """Return what to tell of an error of the bindings."""
        return LinkClosedError(f"{self.name}: {getattr(fault, 'strerror', None) or fault}")


_LAST: dict[str, GpioLink] = {}
"""The last link to each chip, open or closing: lines are let go by its worker, a moment after it was closed."""


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> GpioLink:
    """Open a chip. Raises LinkClosedError when there is none, or it may not be used."""
    link = GpioLink(address, in_flight)
    await link.call(link.open, deadline_s)
    return link
