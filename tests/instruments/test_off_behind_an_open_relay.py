"""A supply that says off and is on: what it still proves by its current, it may not prove behind a relay that opened meanwhile."""

from __future__ import annotations

from pathlib import Path

from chargerd.core.events import Observed
from chargerd.instruments.transports.memory import PEERS
from chargerd.sim.faults import Fault
from tests.daemon.test_commissioning_last import proving_of
from tests.instruments.rig import run
from tests.worlds import switched_bench


def test_a_slow_supply_that_is_stuck_on_is_not_called_off_because_the_relay_opened(tmp_path: Path) -> None:
    world = switched_bench.world({"name": "plover", "stored_Ah": 0.3}, load="")
    supply = world.panels["supply"]

    async def main() -> list[Observed]:
        _, opened = await proving_of(switched_bench.text(mirror=False, load=""), world, tmp_path)
        assert all(one.verified for one in await opened.hands.connect())
        await opened.hands.source.write_limits(ovp_V=2.5, ocp_A=0.5)
        await opened.hands.source.write_points(voltage_V=2.0, current_A=0.15)
        await opened.hands.source.switch_on()
        supply.is_stuck_on = True
        world.peers["supply"].faults.arm(Fault("late", times=None, values={"delay_s": 0.45}), 0.0)
        try:
            return await opened.make_safe()
        finally:
            await opened.close()

    try:
        observed = run(main)
    finally:
        for name in world.peers:
            PEERS.pop(f"world-{name}", None)
    assert supply.conducts
    assert not world.panels["relay"].conducts
    assert not [one.text for one in observed if one.instrument == "supply" and one.verified]
