"""The dead-man relay's feed: a serial line (a real pty) or a pin, whose kernel interface is compared with the kernel's own header."""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.bench_parts import DeadManSpec
from chargerd.daemon import dead_man, keeper, pin
from chargerd.daemon.locks import AddressLocks
from chargerd.errors import RefusedError
from tests.daemon.test_keeper import KeptWorker, Responder, supply  # noqa: F401 - supply is a fixture
from tests.processes.bench_process import children

HEADER = Path("/usr/include/linux/gpio.h")


def bench(cuts: tuple[str, ...]) -> BenchFile:
    return replace(load_bench(example_bench()), dead_man=DeadManSpec("line:///dev/null", 5.0, cuts, buzzer=False))


@pytest.mark.parametrize(("cuts", "expected"), [(("supply",), True), (("load",), True), (("thermometer",), False)])
def test_a_relay_is_fed_for_a_channel_whose_outputs_it_cuts(cuts, expected):
    found = bench(cuts)
    (channel,) = found.channels.values()

    assert dead_man.concerns(found, channel) is expected


def test_a_serial_line_is_fed_as_it_is():
    main, far = os.openpty()
    try:
        assert dead_man.feed_path(f"line://{os.ttyname(far)}") == os.ttyname(far)
    finally:
        os.close(main)
        os.close(far)


def test_a_line_is_fed_by_one_run_only_also_under_the_name_of_a_link(tmp_path: Path) -> None:
    main, far = os.openpty()
    try:
        link = tmp_path / "relay"
        link.symlink_to(os.ttyname(far))
        found = bench(("supply",))
        (channel,) = found.channels.values()
        spec = DeadManSpec(f"line://{os.ttyname(far)}", 5.0, ("supply",), buzzer=False)

        held = dead_man.feed_lock(replace(found, dead_man=spec), channel)
        with AddressLocks(held), pytest.raises(RefusedError, match="another run"):
            AddressLocks([f"serial://{link}?baud=9600"])
        assert dead_man.feed_lock(replace(found, dead_man=replace(spec, cuts=("thermometer",))), channel) == ()
        assert dead_man.feed_lock(replace(found, dead_man=replace(spec, feed="gpio:///dev/gpiochip0?line=17")), channel) == ()
    finally:
        os.close(main)
        os.close(far)


@pytest.mark.parametrize(
    "feed",
    ["line:///dev/none-of-this-name", "gpio:///dev/gpiochip-none?line=17", "gpio:///dev/null", "mqtt://relay", "line://relative"],
)
def test_what_cannot_be_fed_is_refused_before_anything_starts(feed):
    with pytest.raises(RefusedError):
        dead_man.feed_path(feed)


def test_the_keeper_feeds_a_pty_in_turn_and_stops_while_off_is_doubted(tmp_path: Path, supply: Responder) -> None:  # noqa: F811
    del supply
    main, far = os.openpty()
    snippet = (
        'limits(); tell("start")\nfor _ in range(24): beat(); pause(0.05)\ntell("doubt")\n'
        'for _ in range(40): beat(off_doubted=True, energised=False); pause(0.05)\ndone()'
    )
    try:
        with KeptWorker(tmp_path, snippet, options=("--relay", f"bench-1={os.ttyname(far)}")) as kept:
            assert kept.ended() == 0
        fed = os.read(main, 4096).split()
    finally:
        os.close(main)
        os.close(far)

    # 1.2 s of proof give two or three toggles; the two seconds of doubt give none.
    assert 2 <= len(fed) <= 4
    assert all(one != after for one, after in itertools.pairwise(fed))


@pytest.mark.skipif(shutil.which("cc") is None or not HEADER.exists(), reason="needs a C compiler and linux/gpio.h")
def test_the_pins_structures_and_requests_are_those_of_the_kernels_header(tmp_path: Path) -> None:
    names = "GPIO_V2_GET_LINE_IOCTL", "GPIO_V2_LINE_SET_VALUES_IOCTL", "GPIO_V2_LINE_FLAG_OUTPUT"
    sizes = "struct gpio_v2_line_request", "struct gpio_v2_line_config", "struct gpio_v2_line_values"
    offsets = (
        "struct gpio_v2_line_request, config", "struct gpio_v2_line_request, num_lines", "struct gpio_v2_line_request, fd",
        "struct gpio_v2_line_request, consumer", "struct gpio_v2_line_values, mask",
    )  # fmt: skip
    shown = [f"(unsigned long)({name})" for name in names]
    shown += [f"sizeof({size})" for size in sizes] + [f"offsetof({offset})" for offset in offsets]
    program = "#include <stdio.h>\n#include <stddef.h>\n#include <linux/gpio.h>\nint main(void) {\n"
    program += "".join(f'printf("%lu\\n", (unsigned long)({one}));\n' for one in shown) + "return 0; }\n"
    (tmp_path / "sizes.c").write_text(program)
    subprocess.run(["cc", "-o", str(tmp_path / "sizes"), str(tmp_path / "sizes.c")], check=True)
    said = [int(one) for one in subprocess.run([str(tmp_path / "sizes")], capture_output=True, check=True).stdout.split()]

    consumer = pin.LINE_INFO_MAX * 4
    config = consumer + pin.NAME_SIZE
    lines = config + pin.CONFIG.size
    assert said == [
        pin.GET_LINE, pin.SET_VALUES, pin.OUTPUT, pin.REQUEST.size, pin.CONFIG.size, pin.VALUES.size,
        config, lines, pin.REQUEST.size - 4, consumer, 8,
    ]  # fmt: skip


def test_a_pin_that_is_no_chip_ends_its_bridge_and_says_why():
    command = [sys.executable, "-P", str(Path(pin.__file__)), "/dev/null", "17"]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=20)

    assert done.returncode == 1
    assert done.stderr.startswith("pin: line 17 of /dev/null: ")


def test_a_pin_fed_for_a_step_is_let_go_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # No chip exists here: a stand-in for pin.py writes down what it is told, and when its input ends.
    told = tmp_path / "told"
    stand_in = tmp_path / "pin.py"
    stand_in.write_text(f"import sys\nsaid = sys.stdin.read()\nopen({str(told)!r}, 'w').write(' '.join(sys.argv[1:]) + said + 'end')\n")
    monkeypatch.setattr(dead_man, "PIN_PROGRAM", stand_in)
    before = set(children(os.getpid()))

    with dead_man.opened_feed("gpio:///dev/null?line=17") as feed:
        os.write(feed, b"1\n")
        os.write(feed, b"0\n")
        assert set(children(os.getpid())) - before

    assert told.read_text() == "/dev/null 171\n0\nend"
    assert not set(children(os.getpid())) - before
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.write(feed, b"1\n")


def test_a_bridge_that_does_not_end_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in = tmp_path / "pin.py"
    stand_in.write_text("import signal\nsignal.pause()\n")
    monkeypatch.setattr(dead_man, "PIN_PROGRAM", stand_in)
    monkeypatch.setattr(dead_man, "BRIDGE_ENDS_S", 0.1)
    before = set(children(os.getpid()))

    with dead_man.opened_feed("gpio:///dev/null?line=17"):
        assert set(children(os.getpid())) - before

    assert not set(children(os.getpid())) - before


def test_a_bridge_that_has_ended_ends_the_run(tmp_path: Path, supply: Responder) -> None:  # noqa: F811
    # What the keeper writes to is a pipe; its reader is gone, as when the pin's bridge died.
    read_end, write_end = os.pipe()
    path = f"/proc/{os.getpid()}/fd/{write_end}"
    with KeptWorker(tmp_path, 'limits(); beat(); tell("ready"); beat_on()', options=("--relay", f"bench-1={path}")) as kept:
        kept.wait_told("ready")
        os.close(read_end)

        assert kept.ended() == keeper.EXIT_OFF_VERIFIED
        assert not supply.is_on
    os.close(write_end)
