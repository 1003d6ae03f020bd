"""The guard of a proving: one stop only, nothing cancelled once all is being made safe, and the hand of a simulated bench."""

from __future__ import annotations

import asyncio
import os
import signal
from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.config.bench import BenchFile, load_bench
from chargerd.daemon.commissioning import commission
from chargerd.daemon.commissioning_guard import Guard
from chargerd.daemon.keeper_link import KeeperLink
from chargerd.daemon.simulated_hand import hand_name, is_simulated_now, simulated_hand
from chargerd.errors import RefusedError
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.transports.memory import PEERS
from chargerd.sim.hand import open_hand
from chargerd.sim.world import World, boathouse_bench
from tests.instruments.rig import pass_time, run


def guard(folder: Path) -> Guard:
    return Guard(folder, "slip-1", lambda: "2026-11-25T12:00:00.000Z")


def test_a_second_stop_does_not_end_the_switching_off(tmp_path: Path) -> None:
    """A closing terminal hangs up twice: kernel and shell."""
    went_off: list[bool] = []

    async def main() -> None:
        over = guard(tmp_path)

        async def step() -> None:
            try:
                await asyncio.Event().wait()
            finally:
                over.stop("the second")
                await pass_time(0.05)
                went_off.append(True)

        task = asyncio.create_task(step())
        await pass_time(0.0)
        over.watch(task)
        over.stop("the first")
        with pytest.raises(asyncio.CancelledError):
            await task
        assert over.stopped_by == "the first"

    run(main)
    assert went_off == [True]


def test_a_stop_before_the_steps_begin_ends_them_as_they_begin(tmp_path: Path) -> None:
    async def main() -> None:
        over = guard(tmp_path)
        over.stop("early")
        task = asyncio.create_task(asyncio.Event().wait())
        over.watch(task)
        with pytest.raises(asyncio.CancelledError):
            await task

    run(main)


def test_once_all_is_being_made_safe_a_stop_cancels_nothing(tmp_path: Path) -> None:
    async def main() -> None:
        over = guard(tmp_path)
        task = asyncio.create_task(pass_time(0.05))
        over.watch(task)
        over.watch(None)
        over.stop("late")
        await task
        assert not task.cancelled()

    run(main)


class Refused(Guard):
    """A guard that cannot stand."""

    async def stand(self, opened: ChannelBench) -> None:
        del opened
        raise RefusedError("the keeper refused the limits")


class Quiet:
    """A person whom nobody asks."""

    def tell(self, text: str) -> None:
        del text

    async def confirm(self, text: str) -> bool:
        raise AssertionError(text)


def test_where_the_guard_cannot_stand_nothing_is_energised_and_a_stop_ends_no_switching_off(tmp_path: Path) -> None:
    over = Refused(tmp_path, "slip-1", lambda: "2026-11-25T12:00:00.000Z")

    async def watched(bench: BenchFile) -> None:
        over.watch(asyncio.current_task())
        await commission(bench, "slip-1", Quiet(), utc="2026-11-25T12:00:00.000Z", guard=over)

    world = boathouse_bench(None, keeps_log=True)
    text = example_bench().read_text(encoding="utf-8")
    for name, peer, port in (("supply", "supply", 5025), ("load", "load", 5026), ("probe", "thermometer", 5027)):
        text = text.replace(f"tcp://127.0.0.1:{port}", f"memory://guard-{name}")
        PEERS[f"guard-{name}"] = world.peers[peer].feed

    def stopped_at_off(data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        if b"OUTP OFF" in data:
            over.stop("late")
        return world.peers["supply"].feed(data, now_s)

    PEERS["guard-supply"] = stopped_at_off
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    try:
        with pytest.raises(RefusedError, match="refused the limits"):
            run(lambda: watched(load_bench(tmp_path / "bench.yaml")))
    finally:
        for name in ("supply", "load", "probe"):
            del PEERS[f"guard-{name}"]

    assert (over.stopped_by, over.all_off) == ("late", True)
    assert not any(panel.energised() for panel in world.panels.values())


def test_who_asked_the_keeper_is_known_as_soon_as_its_signal_arrives() -> None:
    async def main() -> tuple[str, str, str]:
        beat_r, beat_w = os.pipe()
        ack_r, ack_w = os.pipe()
        link = KeeperLink(beat_w, ack_r, lambda why: None)
        before = link.asked_by(signal.SIGTERM)
        os.write(ack_w, b'{"type": "stop", "by": "SIGINT"}\n')
        # At once: the loop has had no turn to read it.
        said = before, link.asked_by(signal.SIGTERM), link.asked_by(signal.SIGHUP)
        link.close()
        os.close(beat_r)
        os.close(ack_w)
        return said

    assert asyncio.run(main()) == ("SIGTERM", "SIGINT", "SIGHUP")


def test_the_hand_warms_the_sensor_that_is_asked_for_and_no_real_bench_has_one(tmp_path: Path) -> None:
    text = example_bench().read_text(encoding="utf-8") + f"# {tmp_path}: a digest of its own, and so a hand of its own\n"
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    bench = load_bench(tmp_path / "bench.yaml")
    world = World(seed=1)
    node = world.add_node("terminals", None)
    probe, room = (world.add_panel("thermometer", name, node) for name in ("probe", "room"))
    world.add_panel("supply", "supply", node)

    async def main() -> list[bool]:
        server = await open_hand(world, lambda: 1.0, hand_name(bench))
        try:
            asked = [await simulated_hand(bench, name) for name in ("probe", "supply", "nothing")]
            return [*asked, await simulated_hand(replace(bench, sha256="0" * 64), "probe")]
        finally:
            server.close()

    assert asyncio.run(main()) == [True, False, False, False]
    # 33 degC is the simulated skin, 25 degC the room.
    assert (probe.truth("temperature_degC", 10.0), room.truth("temperature_degC", 10.0)) == (33.0, 25.0)
    assert probe.truth("temperature_degC", 100.0) == 25.0


def on_lines(bench: BenchFile, path: str) -> BenchFile:
    """The bench with every instrument on a serial line at that path, and of another maker."""
    moved = {
        name: replace(spec, address=f"serial://{path}?baud=9600", identity="Jetty,Source 1,1,1") for name, spec in bench.instruments.items()
    }
    return replace(bench, instruments=moved, sha256="1" * 64)


def test_instruments_on_a_pseudo_terminal_are_simulated_whatever_they_call_themselves(tmp_path: Path) -> None:
    bench = load_bench(example_bench())
    main, far = os.openpty()
    link = tmp_path / "line"
    link.symlink_to(os.ttyname(far))
    try:
        said = [asyncio.run(is_simulated_now(on_lines(bench, path))) for path in (str(link), "/dev/ttyUSB-none")]
    finally:
        os.close(main)
        os.close(far)

    assert said == [True, False]


def test_a_bench_that_a_simulated_bench_serves_is_simulated_whatever_its_file_says() -> None:
    bench = on_lines(load_bench(example_bench()), "/dev/ttyUSB-none")

    async def main() -> list[bool]:
        server = await open_hand(World(seed=1), lambda: 1.0, hand_name(bench))
        try:
            return [await is_simulated_now(bench), await is_simulated_now(replace(bench, sha256="2" * 64))]
        finally:
            server.close()

    assert asyncio.run(main()) == [True, False]
