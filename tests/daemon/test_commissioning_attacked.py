"""Commissioning when something is not as the person says: a supply stuck on, a cell left on the clips, a terminal that hangs up."""

from __future__ import annotations

import asyncio
import math
import statistics
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from chargerd.config.bench import load_bench
from chargerd.daemon.commissioning import Proving, commission, two_points
from chargerd.daemon.commissioning_last import relay_cuts
from chargerd.errors import RefusedError
from chargerd.instruments.contract.steps import ContractError
from chargerd.instruments.transports.memory import PEERS
from chargerd.instruments.zero import Zero, judge_zero
from chargerd.sim.faults import forever
from chargerd.sim.world import World
from tests.daemon.test_commissioning_last import open_clips, proving_of, result_of
from tests.instruments.rig import run as on_jumping_clock
from tests.worlds import switched_bench

TEXT = switched_bench.text(mirror=False, load="")


class Watching:
    """A person who says yes to everything; `live` holds what conducted while somebody was asked."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.told: list[str] = []
        self.live: list[str] = []

    def tell(self, text: str) -> None:
        self.told.append(text)

    async def confirm(self, text: str) -> bool:
        for name, panel in self.world.panels.items():
            if name in ("supply", "relay") and getattr(panel, "conducts", False):
                self.live.append(f"{name}: {text[:30]}")
        return True


def stuck_on(world: World) -> None:
    """From the start the supply's output is on, whatever it is told and whatever it says."""
    supply = world.panels["supply"]
    supply.set("voltage_set_V", 1.8, 0.0)
    supply.set("output", True, 0.0)
    supply.stick_on(0.0)


def closings_onto_a_live_supply(world: World) -> list[float]:
    """Note each time the relay's contact really closes while the supply drives its terminals."""
    relay, supply, found = world.panels["relay"], world.panels["supply"], []
    conduct = relay._conduct

    def seen() -> None:
        if relay.conducts and supply.conducts:
            found.append(1.0)
        conduct()

    relay._conduct = seen
    return found


def commissioned(world: World, folder: Path) -> Watching:
    person = Watching(world)
    (folder / "bench.yaml").write_text(TEXT, encoding="utf-8")

    async def main() -> None:
        zero_s = asyncio.get_running_loop().time()
        for name, peer in world.peers.items():
            PEERS[f"world-{name}"] = lambda data, now_s, peer=peer: peer.feed(data, now_s - zero_s)
        await commission(load_bench(folder / "bench.yaml"), "slip-1", person, utc="2026-11-25T12:00:00.000Z")

    try:
        on_jumping_clock(main)
    finally:
        for name in world.peers:
            PEERS.pop(f"world-{name}", None)
    return person


def test_no_relay_is_closed_onto_a_supply_that_is_stuck_on(tmp_path: Path) -> None:
    world = open_clips(switch="relay")
    stuck_on(world)
    found = closings_onto_a_live_supply(world)
    commissioned(world, tmp_path)

    assert not found


def test_nobody_is_asked_anything_while_a_relay_is_closed_on_a_supply_that_does_not_answer(tmp_path: Path) -> None:
    world = open_clips(switch="relay")
    relay, supply = world.panels["relay"], world.panels["supply"]
    changed = supply.changed

    def hang_once_it_drives(cause: str, now_s: float) -> None:
        changed(cause, now_s)
        if supply.conducts and relay.conducts:
            world.peers["supply"].faults.arm(forever("hang"), now_s)

    supply.changed = hang_once_it_drives
    person = commissioned(world, tmp_path)

    assert supply.conducts  # it never heard that it was to go off
    assert not person.live
    assert not relay.conducts


@pytest.mark.parametrize("step", [relay_cuts, two_points])
def test_a_cell_left_on_the_clips_is_seen_before_the_relay_closes(step: Callable[[Proving], Awaitable[str]], tmp_path: Path) -> None:
    world = switched_bench.world({"name": "plover", "stored_Ah": 0.5}, load="")
    closed: list[float] = []
    relay = world.panels["relay"]
    conduct = relay._conduct
    relay._conduct = lambda: (closed.append(1.0) if relay.conducts else None, conduct())

    with pytest.raises(ContractError, match="a cell is connected"):
        result_of(step, TEXT, world, tmp_path)
    assert not closed


def test_a_current_that_dies_away_is_no_zero_however_much_it_scatters(tmp_path: Path) -> None:
    readings_A = (0.15, 0.02, 0.0, 0.0, 0.0)  # a welded relay, and a cell that comes up to the supply's voltage
    mean_A, u_A = statistics.fmean(readings_A), statistics.stdev(readings_A) / math.sqrt(5)

    async def main() -> None:
        proving, opened = await proving_of(TEXT, open_clips(switch="relay"), tmp_path)
        await opened.close()
        with pytest.raises(RefusedError, match="where no current can flow"):
            judge_zero(proving.source, Zero(mean_A, u_A))

    on_jumping_clock(main)
