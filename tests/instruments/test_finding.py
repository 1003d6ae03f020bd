"""What is plugged in, read from folders that stand for /dev, /sys and /proc. Nothing there is opened."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.finding import sensors
from chargerd.instruments.finding.asking import shipped, speaking
from chargerd.instruments.finding.chips import gpio_chips
from chargerd.instruments.finding.ports import access_trouble, runs_modem_manager, serial_ports, shown
from chargerd.instruments.finding.sensors import file_sensors
from tests.instruments import fake_gpiod
from tests.instruments.fake_gpiod import BOARDS, Board


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A computer with one USB adapter, one built-in port, one spare number of its driver, a console and a pty."""
    for folder in ("dev/serial/by-id", "dev/serial/by-path", "sys/class/tty", "proc", "sys/bus/w1/devices", "sys/class/hwmon"):
        (tmp_path / folder).mkdir(parents=True)
    adapter = tmp_path / "sys/devices/usb1/1-1"
    (adapter / "1-1:1.0/ttyUSB0/tty/ttyUSB0").mkdir(parents=True)
    for name, text in {"idVendor": "1d6b", "idProduct": "0104", "product": "Boathouse adapter", "serial": "B\x1b[31m7"}.items():
        (adapter / name).write_text(text + "\n")
    entry = adapter / "1-1:1.0/ttyUSB0/tty/ttyUSB0"
    (entry / "device").symlink_to(adapter / "1-1:1.0/ttyUSB0")
    (tmp_path / "sys/class/tty/ttyUSB0").symlink_to(entry)
    for name, kind in {"ttyS0": "4", "ttyS1": "0"}.items():
        (tmp_path / "sys/class/tty" / name / "device").mkdir(parents=True)
        (tmp_path / "sys/class/tty" / name / "type").write_text(kind)
    for name in ("tty0", "ptmx"):
        (tmp_path / "sys/class/tty" / name).mkdir()
    for name in ("ttyUSB0", "ttyS0", "ttyS1", "tty0"):
        (tmp_path / "dev" / name).touch()
    (tmp_path / "dev/serial/by-id/usb-Boathouse_adapter_B7-if00-port0").symlink_to("../../ttyUSB0")
    (tmp_path / "dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0").symlink_to("../../ttyUSB0")
    return tmp_path


def test_ports_come_with_every_name_and_what_their_adapter_says(root: Path) -> None:
    built_in, usb = serial_ports(root)

    assert (built_in.path, built_in.names, built_in.usb, built_in.best_name) == ("/dev/ttyS0", (), "", "/dev/ttyS0")
    assert usb.path == "/dev/ttyUSB0"
    assert usb.names == (
        "/dev/serial/by-id/usb-Boathouse_adapter_B7-if00-port0", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0",
    )  # fmt: skip
    assert usb.best_name == "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1:1.0-port0"
    assert usb.usb == "USB 1d6b:0104 'Boathouse adapter' 'B?[31m7'", "what a device says of itself never reaches the terminal raw"
    assert (usb.holder, usb.trouble) == ("", "")


def test_who_has_a_port_open_or_locked_is_named(root: Path) -> None:
    (root / "proc/4711/fd").mkdir(parents=True)
    (root / "proc/4711/comm").write_text("gpsd\n")
    (root / "proc/4711/fd/3").symlink_to(root / "dev/ttyUSB0")
    (root / "proc/4712").mkdir()
    (root / "proc/4712/comm").write_text("chargerd\n")
    status = (root / "dev/ttyS0").stat()
    lock = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    (root / "proc/locks").write_text(f"1: POSIX  ADVISORY  READ  9 00:01:5 0 EOF\n2: FLOCK  ADVISORY  WRITE 4712 {lock} 0 EOF\n")

    built_in, usb = serial_ports(root)

    assert usb.holder == "gpsd (process 4711)"
    assert built_in.holder == "chargerd (process 4712)"


def test_a_lock_is_read_from_the_kernel_as_it_writes_it(root: Path) -> None:
    program = "import fcntl, os, sys; fcntl.flock(os.open(sys.argv[1], os.O_RDWR), 2); print('held', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", program, str(root / "dev/ttyS0")], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        (root / "proc/locks").write_text(Path("/proc/locks").read_text())
        held = serial_ports(root)[0].holder
        holder.kill()
    assert f"(process {holder.pid})" in held


@pytest.mark.parametrize(("mode", "told"), [(0o660, "usermod -aG"), (0o600, "ask whoever looks after")])
def test_a_port_that_may_not_be_used_says_which_group_to_join_and_that_a_new_login_is_needed(
    root: Path, mode: int, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The superuser may use everything, so that it may not is said FOR the kernel here."""
    device = root / "dev/ttyUSB0"
    device.chmod(mode)
    if os.geteuid() == 0:
        os.chown(device, 0, 20)
    monkeypatch.setattr(os, "access", lambda *_: False)

    trouble = access_trouble(device, "/dev/ttyUSB0")

    assert told in trouble
    assert mode == 0o600 or "log out and in again" in trouble


def test_a_modem_manager_is_noticed(root: Path) -> None:
    assert not runs_modem_manager(root)
    (root / "proc/99").mkdir()
    (root / "proc/99/comm").write_text("ModemManager\n")
    assert runs_modem_manager(root)


def test_a_computer_without_anything_is_no_fault(tmp_path: Path) -> None:
    assert (serial_ports(tmp_path), file_sensors(tmp_path), gpio_chips(tmp_path)) == ([], [], [])


# --- sensors -------------------------------------------------------------------------------------------------------------


def test_thermometers_come_with_what_they_say_and_how_to_write_them(root: Path) -> None:
    one_wire = root / "sys/bus/w1/devices/28-0000b0a70001"
    one_wire.mkdir()
    (one_wire / "name").write_text("28-0000b0a70001\n")
    (one_wire / "temperature").write_text("23437\n")
    (root / "sys/bus/w1/devices/w1_bus_master1").mkdir()
    monitor = root / "sys/class/hwmon/hwmon0"
    monitor.mkdir()
    for name, text in {"name": "boathouse", "temp1_input": "-40500", "temp1_label": "case\x07", "temp2_input": "warm"}.items():
        (monitor / name).write_text(text + "\n")

    found = file_sensors(root)

    assert [(one.address, one.dialect, one.input, one.identity, one.label, one.reading) for one in found] == [
        ("file:///sys/bus/w1/devices/28-0000b0a70001", "one-wire-thermometer", "", "28-0000b0a70001", "", "23.44 °C"),
        ("file:///sys/class/hwmon/hwmon0", "hwmon-thermometer", "1", "boathouse", "case?", "-40.50 °C"),
        ("file:///sys/class/hwmon/hwmon0", "hwmon-thermometer", "2", "boathouse", "", "says 'warm'"),
    ]
    assert all(load_dialect(one.dialect).role == "thermometer" for one in found)


def test_a_sensor_that_hangs_or_is_of_an_older_kernel_is_told(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe that nobody writes to STANDS IN for a dead one-wire bus."""
    hanging, older = root / "sys/bus/w1/devices/28-1", root / "sys/bus/w1/devices/28-2"
    for folder in (hanging, older):
        folder.mkdir()
        (folder / "w1_slave").write_text("00 : crc=00 YES\n00 t=1000\n")
    os.mkfifo(hanging / "temperature")
    monkeypatch.setattr(sensors, "READ_S", 0.2)

    assert [one.reading for one in file_sensors(root)] == [
        "no answer within 0.2 s", "no file temperature: an older kernel, see the dialect's file",
    ]  # fmt: skip
    os.close(os.open(hanging / "temperature", os.O_WRONLY))


# --- pins ----------------------------------------------------------------------------------------------------------------


@pytest.fixture
def chip(root: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Board]:
    (root / "dev/gpiochip0").touch()
    monkeypatch.setitem(sys.modules, "gpiod", fake_gpiod)
    made = BOARDS["/dev/gpiochip0"] = Board("boathouse-pins", 4)
    yield made
    BOARDS.clear()


def test_chips_come_with_their_label_and_lines(root: Path, chip: Board) -> None:
    chip.pins[2].name, chip.pins[3].consumer = "GPIO2", "fan\x00"

    (found,) = gpio_chips(root)

    assert (found.path, found.label, found.trouble) == ("/dev/gpiochip0", "boathouse-pins", "")
    assert found.lines == ((0, "", ""), (1, "", ""), (2, "GPIO2", ""), (3, "", "fan?"))
    assert all(pin.levels == [] for pin in chip.pins)


def test_a_dead_chip_and_missing_bindings_are_told(root: Path, chip: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    chip.is_dead = True
    assert gpio_chips(root)[0].trouble == "cannot be opened: No such device"
    monkeypatch.setitem(sys.modules, "gpiod", None)
    assert "without the Python package gpiod" in gpio_chips(root)[0].trouble


# --- comparing with dialects -----------------------------------------------------------------------------------------------


def test_an_answer_is_compared_with_every_shipped_dialect() -> None:
    identity, names = speaking(b"Boathouse, Source 3A,SN1,1.0", b"*IDN?")
    assert identity == "Boathouse,Source 3A,SN1,1.0"
    assert set(names) == {dialect.name for dialect in shipped() if dialect.framing == "scpi"}
    assert speaking(b"what?", b"*IDN?") == ("", ())
    assert speaking(b"t1=23.4 t2=22.9", b"") == ("t1", ("line-sensor-printing",))
    assert speaking(b"hello", b"") == ("", ())


@pytest.mark.parametrize(("text", "seen"), [("plain", "plain"), ("\x1b]0;x\x07é\n", "?]0;x???"), ("x" * 99, "x" * 60 + "...")])
def test_what_a_device_says_is_shown_as_printable_ascii(text: str, seen: str) -> None:
    assert shown(text) == seen
