"""A FAKE of libgpiod's Python bindings: no machine that runs these tests has a GPIO chip, and no kernel module makes one.

It holds what `transports/gpio.py` uses, and its names and arguments are compared with the real bindings where those are
installed. Levels are physical; `active_low` is applied as the kernel does.
"""

from __future__ import annotations

import enum
import errno
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Self

__version__ = "2.5.0"


class Direction(enum.Enum):
    AS_IS = 1
    INPUT = 2
    OUTPUT = 3


class Bias(enum.Enum):
    AS_IS = 1
    PULL_UP = 4
    PULL_DOWN = 5


class Value(enum.Enum):
    INACTIVE = 0
    ACTIVE = 1


line = SimpleNamespace(Direction=Direction, Bias=Bias, Value=Value)


@dataclass
class LineSettings:
    direction: Direction = Direction.AS_IS
    bias: Bias = Bias.AS_IS
    active_low: bool = False
    output_value: Value = Value.INACTIVE


@dataclass
class Pin:
    """One physical pin and its history of levels."""

    high: bool = False
    direction: Direction = Direction.INPUT
    consumer: str = ""
    bias: Bias = Bias.AS_IS
    active_low: bool = False
    name: str = ""
    levels: list[bool] = field(default_factory=list)

    def take(self, settings: LineSettings) -> None:
        self.active_low = settings.active_low
        if settings.direction is not Direction.AS_IS:
            self.direction, self.bias = settings.direction, settings.bias
        if settings.direction is Direction.OUTPUT:
            self.drive(settings.output_value)

    def drive(self, value: Value) -> None:
        self.high = (value is Value.ACTIVE) != self.active_low
        self.levels.append(self.high)

    @property
    def value(self) -> Value:
        return Value.ACTIVE if self.high != self.active_low else Value.INACTIVE


class LineRequest:
    def __init__(self, board: Board, lines: list[int]) -> None:
        self._board = board
        self._lines = lines

    def get_value(self, line: int) -> Value:
        self._board.need_alive()
        return self._board.pins[line].value

    def set_value(self, line: int, value: Value) -> None:
        self._board.need_alive()
        self._board.pins[line].drive(value)

    def reconfigure_lines(self, config: dict[int, LineSettings]) -> None:
        self._board.need_alive()
        for number, settings in config.items():
            self._board.pins[number].take(settings)

    def release(self) -> None:
        for number in self._lines:
            self._board.pins[number].consumer = ""


class Chip:
    def __init__(self, path: str) -> None:
        self._board = BOARDS[path]
        self._board.need_alive()

    def get_info(self) -> SimpleNamespace:
        self._board.need_alive()
        return SimpleNamespace(name=self._board.name, label=self._board.label, num_lines=len(self._board.pins))

    def get_line_info(self, line: int) -> SimpleNamespace:
        self._board.need_alive()
        if not 0 <= line < len(self._board.pins):
            raise ValueError("Invalid argument")
        pin = self._board.pins[line]
        return SimpleNamespace(
            offset=line, name=pin.name, direction=pin.direction, used=bool(pin.consumer), consumer=pin.consumer
        )

    def request_lines(self, config: dict[int, LineSettings], consumer: str | None = None) -> LineRequest:
        self._board.need_alive()
        for number in config:
            if not 0 <= number < len(self._board.pins):
                raise ValueError("unknown line")
            if self._board.pins[number].consumer:
                raise OSError(errno.EBUSY, "Device or resource busy")
        for number, settings in config.items():
            self._board.pins[number].consumer = consumer or "?"
            self._board.pins[number].take(settings)
        return LineRequest(self._board, list(config))

    def close(self) -> None:
        self._board.open_count -= 1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Board:
    """A board of pins, as a test sees it."""

    def __init__(self, label: str, pins: int = 32) -> None:
        self.name = "gpiochip0"
        self.label = label
        self.pins = [Pin() for _ in range(pins)]
        self.is_dead = False
        self.open_count = 0

    def need_alive(self) -> None:
        if self.is_dead:
            raise OSError(errno.ENODEV, "No such device")


BOARDS: dict[str, Board] = {}
"""Boards by the path of their chip."""


def is_gpiochip_device(path: str) -> bool:
    return path in BOARDS
