"""Sensors that are files: real files in a folder that stands for one below /sys."""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TypeVar

import pytest

from chargerd.errors import BenchError, LinkClosedError, LinkError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports import files
from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.registry import open_link, parse_address

T = TypeVar("T")


@pytest.fixture
def sensor(tmp_path: Path) -> Path:
    folder = tmp_path / "devices" / "28-00000boat1"
    folder.mkdir(parents=True)
    (folder / "name").write_text("28-00000boat1\n")
    (folder / "w1_slave").write_text("72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n")
    (folder / "hwmon").mkdir()
    (folder / "hwmon" / "temp1_input").write_text("23125\n")
    (folder / "secret").symlink_to(folder / "name")
    (tmp_path / "outside").write_text("outside")
    (folder / "away").symlink_to(tmp_path)
    return folder


def run(folder: Path, main: Callable[[Link], Awaitable[T]]) -> T:
    async def body() -> T:
        link = await open_link(parse_address(f"file://{folder}"), deadline_s=2.0)
        try:
            return await main(link)
        finally:
            await link.close()

    return asyncio.run(body())


def read(folder: Path, *names: bytes) -> list[bytes]:
    async def main(link: Link) -> list[bytes]:
        return [await link.query(name, deadline_s=1.0) for name in names]

    return run(folder, main)


def test_the_message_is_a_file_below_the_folder_and_the_reply_its_content(sensor: Path) -> None:
    name, reading, deeper = read(sensor, b"name", b"w1_slave", b"hwmon/temp1_input")

    assert name == b"28-00000boat1"
    assert reading.endswith(b"crc=57 YES 72 01 4b 46 7f ff 0e 10 57 t=23125")
    assert deeper == b"23125"


def test_a_folder_is_found_through_links_as_all_of_sys_is(sensor: Path, tmp_path: Path) -> None:
    (tmp_path / "class").symlink_to(sensor)

    assert read(tmp_path / "class", b"name") == [b"28-00000boat1"]


@pytest.mark.parametrize("name", [b"../outside", b"..", b"hwmon/../name", b"/etc/hostname", b"", b"./name", b"hwmon//temp1_input",
                                  b"name\n", b"n\xc3\xa4me", b".hidden"])
def test_a_name_that_leads_elsewhere_is_refused(sensor: Path, name: bytes) -> None:
    with pytest.raises(LinkGarbledError, match="no name of a file below"):
        read(sensor, name)


@pytest.mark.parametrize("name", [b"secret", b"away/outside"])
def test_no_link_is_followed_below_the_folder(sensor: Path, name: bytes) -> None:
    with pytest.raises(LinkClosedError):
        read(sensor, name)


@pytest.mark.parametrize("name", [b"hwmon", b"pipe"])
def test_only_plain_files_are_read(sensor: Path, name: bytes) -> None:
    os.mkfifo(sensor / "pipe")

    with pytest.raises(LinkError):
        read(sensor, name)


def test_a_missing_file_and_an_endless_one_close_the_link(sensor: Path) -> None:
    (sensor / "long").write_bytes(b"1" * 5000)

    with pytest.raises(LinkClosedError, match="No such file"):
        read(sensor, b"temperature")
    with pytest.raises(LinkGarbledError, match="more than 4096"):
        read(sensor, b"long")


def test_nothing_is_ever_written(sensor: Path) -> None:
    async def main(link: Link) -> None:
        with pytest.raises(LinkError, match="never written"):
            await link.write(b"name", deadline_s=1.0)
        assert link.dirty

    run(sensor, main)
    assert (sensor / "name").read_text() == "28-00000boat1\n"


def test_a_folder_that_goes_away_closes_the_link_though_another_takes_its_place(sensor: Path) -> None:
    def unplug() -> None:
        sensor.rename(sensor.parent / "gone")
        for name in ("name", "w1_slave"):
            (sensor.parent / "gone" / name).unlink()
        sensor.mkdir()
        (sensor / "name").write_text("28-00000other\n")

    async def main(link: Link) -> None:
        assert await link.query(b"name", deadline_s=1.0) == b"28-00000boat1"
        unplug()
        with pytest.raises(LinkClosedError):
            await link.query(b"name", deadline_s=1.0)
        assert link.dirty

    run(sensor, main)
    assert read(sensor, b"name") == [b"28-00000other"]


def test_no_such_folder_is_told_at_opening(tmp_path: Path) -> None:
    with pytest.raises(LinkClosedError, match="No such file"):
        read(tmp_path / "28-nothing", b"name")
    with pytest.raises(BenchError, match="whole path"):
        parse_address("file://devices/28-1")


def test_a_dead_bus_costs_one_deadline_and_one_thread(sensor: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading that never returns is a STAND-IN for the kernel's: no one-wire bus hangs here."""
    dead, real = threading.Event(), os.read

    def hanging(descriptor: int, length: int) -> bytes:
        dead.wait(20)
        return real(descriptor, length)

    async def main() -> None:
        loop = asyncio.get_running_loop()
        monkeypatch.setattr(files.os, "read", hanging)
        link = await open_link(parse_address(f"file://{sensor}"), deadline_s=1.0)
        began_s = loop.time()
        with pytest.raises(LinkTimeoutError):
            await link.query(b"w1_slave", deadline_s=0.2)
        assert loop.time() - began_s < 1.0
        threads = threading.active_count()
        for _ in range(5):
            with pytest.raises(LinkClosedError, match="has not come back"):
                await open_link(parse_address(f"file://{sensor}"), deadline_s=1.0)
        assert threading.active_count() == threads
        monkeypatch.undo()
        dead.set()
        while str(sensor) in files._HANGING:
            await asyncio.get_running_loop().run_in_executor(None, lambda: None)

    asyncio.run(main())
    assert read(sensor, b"name") == [b"28-00000boat1"]
