"""Toggles one pin of this computer as it is told: the bridge between the keeper's feeding and a dead-man relay on a pin.

Standard library only, and nothing of this package: it must work when the rest does not. Each line of stdin is one level, 1 or
0; anything else, silence or the end of stdin changes nothing more, so the pin stops toggling and the relay drops out. Spoken to
the kernel directly (GPIO character device, second version of its interface, linux/gpio.h). Usage: ``python -P pin.py CHIP LINE``.
"""

from __future__ import annotations

import fcntl
import os
import signal
import struct
import sys

LINE_INFO_MAX, NAME_SIZE, ATTRIBUTES_MAX = 64, 32, 10
ACTIVE_LOW, OUTPUT = 1 << 1, 1 << 3  # GPIO_V2_LINE_FLAG_ACTIVE_LOW, _OUTPUT; a request with no direction leaves it as it is
CHIP = struct.Struct("=32s32sI")  # struct gpiochip_info: name, label, number of lines
CONFIG = struct.Struct(f"=QI5I{ATTRIBUTES_MAX * 24}x")  # struct gpio_v2_line_config: flags, no attributes
REQUEST = struct.Struct(f"={LINE_INFO_MAX}I{NAME_SIZE}s{CONFIG.size}sII5Ii")  # struct gpio_v2_line_request
VALUES = struct.Struct("=QQ")  # struct gpio_v2_line_values: bits, mask


def _iowr(number: int, size: int) -> int:
    """_IOWR(0xB4, number, size) of asm-generic/ioctl.h: direction, size, type and number."""
    return (3 << 30) | (size << 16) | (0xB4 << 8) | number


GET_LINE = _iowr(0x07, REQUEST.size)
GET_VALUES = _iowr(0x0E, VALUES.size)
SET_VALUES = _iowr(0x0F, VALUES.size)
GET_CHIP = (2 << 30) | (CHIP.size << 16) | (0xB4 << 8) | 0x01  # _IOR(0xB4, 0x01, struct gpiochip_info)


def request(chip: int, line: int, flags: int = OUTPUT) -> int:
    """Take that line of an open chip, as an output at 0 unless flags say otherwise; return what holds it. Raises OSError."""
    offsets = (line, *[0] * (LINE_INFO_MAX - 1))
    config = CONFIG.pack(flags, 0, 0, 0, 0, 0, 0)
    asked = bytearray(REQUEST.pack(*offsets, b"chargerd", config, 1, 0, 0, 0, 0, 0, 0, -1))
    fcntl.ioctl(chip, GET_LINE, asked, True)
    return int(REQUEST.unpack(asked)[-1])


def set_level(held: int, level: int) -> None:
    """Drive the line. Raises OSError."""
    fcntl.ioctl(held, SET_VALUES, bytearray(VALUES.pack(level, 1)), True)


def level_of(held: int) -> int:
    """Read the line. Raises OSError."""
    values = bytearray(VALUES.pack(0, 1))
    fcntl.ioctl(held, GET_VALUES, values, True)
    return int(VALUES.unpack(values)[0] & 1)


def label_of(chip: int) -> str:
    """Ask an open chip its label. Raises OSError."""
    info = bytearray(CHIP.size)
    fcntl.ioctl(chip, GET_CHIP, info, True)
    label: bytes = CHIP.unpack(info)[1]
    return label.rstrip(b"\0").decode("ascii", "replace")


def main(argv: list[str]) -> int:
    """Follow stdin until it ends; see the module's text."""
    chip, line = argv
    for name in (signal.SIGINT, signal.SIGHUP, signal.SIGTERM):
        signal.signal(name, signal.SIG_IGN)  # it ends with the keeper, whose signals these are
    try:
        held = request(os.open(chip, os.O_RDWR | os.O_CLOEXEC), int(line))
        for said in iter(sys.stdin.buffer.readline, b""):
            if said in (b"0\n", b"1\n"):
                set_level(held, int(said))
    except (OSError, ValueError) as fault:
        sys.stderr.write(f"pin: line {line} of {chip}: {fault}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
