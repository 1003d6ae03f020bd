"""Relays on pins, opened by off through the kernel's own interface. No GPIO chip exists here: the kernel is a NAMED FAKE.

What is real: the plan made from the driver's own dialect, off itself, and the bytes of each request, taken apart after the
structures of linux/gpio.h (second version of the interface).
"""

from __future__ import annotations

import fcntl
import io
import json
import os
import struct
from pathlib import Path
from typing import Any

import pytest

from chargerd.config.bench import InstrumentSpec
from chargerd.config.bench_parts import ContactSpec
from chargerd.daemon import off, pin
from chargerd.instruments.connection import Connection
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.offplan import off_plan
from chargerd.instruments.relay import Switch

RELAY_PIN, OTHER_PIN = 27, 5


class FakeKernel:
    """A chip whose pins all stand at 1 (relays closed), as far as this test asks it. `stuck`: pins that do not follow."""

    def __init__(self, label: str, *, stuck: tuple[int, ...] = ()) -> None:
        self.label = label
        self.physical = dict.fromkeys(range(32), 1)
        self.driven: list[tuple[int, int]] = []
        self._stuck = stuck
        self._lines: dict[int, tuple[int, int]] = {}

    def ioctl(self, descriptor: int, request: int, argument: bytearray, mutate: bool = True) -> int:
        del mutate
        if request == 0x8044B401:  # GPIO_GET_CHIPINFO_IOCTL
            argument[:] = struct.pack("=32s32sI", b"gpiochip0", self.label.encode(), 32)
        elif request == 0xC250B407:  # GPIO_V2_GET_LINE_IOCTL, of a structure of 592 bytes
            line, flags = struct.unpack_from("=I", argument, 0)[0], struct.unpack_from("=Q", argument, 288)[0]
            held = os.dup(descriptor)
            self._lines[held] = (line, flags)
            if flags & 8 and line not in self._stuck:  # GPIO_V2_LINE_FLAG_OUTPUT: at 0, which is high where 0 is high
                self.physical[line] = int(bool(flags & 2))
            struct.pack_into("=i", argument, 588, held)
        elif request == 0xC010B40F:  # GPIO_V2_LINE_SET_VALUES_IOCTL
            line, flags = self._lines[descriptor]
            level = struct.unpack("=QQ", argument)[0] & 1
            self.driven.append((line, level))
            if line not in self._stuck:
                self.physical[line] = level ^ int(bool(flags & 2))
        elif request == 0xC010B40E:  # GPIO_V2_LINE_GET_VALUES_IOCTL
            line, flags = self._lines[descriptor]
            argument[:] = struct.pack("=QQ", self.physical[line] ^ int(bool(flags & 2)), 1)
        else:
            raise AssertionError(f"{request:#x} is not asked of this fake")
        return 0

    def close(self) -> None:
        for held in self._lines:
            os.close(held)


def executed(folder: Path, monkeypatch: pytest.MonkeyPatch, kernel: FakeKernel, options: str = "") -> tuple[int, str]:
    chip = folder / "gpiochip0"
    chip.touch()
    monkeypatch.setattr(fcntl, "ioctl", kernel.ioctl)
    dialect = load_dialect("relay-pins", output=str(RELAY_PIN))
    spec = InstrumentSpec(
        "relay", f"gpio://{chip}{options}", "relay-pins", "boathouse-pins", None, None, {}, {}, 0.3,
        output=str(RELAY_PIN), contact=ContactSpec("open"),
    )  # fmt: skip
    relay = Switch(spec, dialect, Connection("relay", spec.address, spec.identity, timeout_s=0.3, asked_by=dialect.questions["identity"]))
    plan: dict[str, Any] = off_plan(
        [relay], run="r", channel="slip-1", worker_pid=2**22 + 1, boot_id="none", written_utc="2026-01-01T00:00:00Z"
    )
    path = folder / "off-plan.json"
    path.write_text(json.dumps(plan), encoding="ascii")
    out = io.StringIO()
    try:
        return off.run_off([path], out=out), out.getvalue()
    finally:
        kernel.close()


def test_a_relay_on_a_pin_is_opened_and_no_other_pin_is_driven(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = FakeKernel("boathouse-pins")
    code, said = executed(tmp_path, monkeypatch, kernel)

    assert (code, said) == (off.EXIT_VERIFIED, "slip-1 relay: off, verified by 27? 0\n")
    assert kernel.driven == [(RELAY_PIN, 0)]
    assert (kernel.physical[RELAY_PIN], kernel.physical[OTHER_PIN]) == (0, 1)


def test_a_board_whose_inputs_are_upside_down_is_opened_by_a_high_pin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = FakeKernel("boathouse-pins")
    kernel.physical[RELAY_PIN] = 0
    code, _ = executed(tmp_path, monkeypatch, kernel, "?active_low=27")

    assert code == off.EXIT_VERIFIED
    assert kernel.physical[RELAY_PIN] == 1


def test_a_pin_that_does_not_follow_is_told_unverified(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, said = executed(tmp_path, monkeypatch, FakeKernel("boathouse-pins", stuck=(RELAY_PIN,)))

    assert code == off.EXIT_NOT_VERIFIED
    assert "NOT VERIFIED" in said


def test_another_chip_is_never_driven(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = FakeKernel("somebody-else")
    code, said = executed(tmp_path, monkeypatch, kernel)

    assert code == off.EXIT_NOT_VERIFIED
    assert "another instrument answers" in said
    assert kernel.driven == []
    assert kernel.physical[RELAY_PIN] == 1


def test_the_numbers_of_the_interface_are_those_of_the_kernels_header() -> None:
    # linux/gpio.h: magic 0xB4; numbers 0x01, 0x07, 0x0E, 0x0F; structures of 68, 592 and 16 bytes.
    assert (pin.GET_CHIP, pin.GET_LINE, pin.GET_VALUES, pin.SET_VALUES) == (0x8044B401, 0xC250B407, 0xC010B40E, 0xC010B40F)
    assert (pin.ACTIVE_LOW, pin.OUTPUT) == (2, 8)
