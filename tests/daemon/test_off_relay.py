"""The off plan of a bench with a relay, executed by `off` in a process of its own, on simulated instruments over real sockets."""

from __future__ import annotations

import asyncio
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from chargerd.config.bench import load_bench
from chargerd.core.demand import Activity, Demand, Energise
from chargerd.daemon import off
from chargerd.instruments.bench import ChannelBench
from chargerd.sim.fixtures import make_cell
from chargerd.sim.relay import Relay
from chargerd.sim.serve import Bench as ServedBench
from chargerd.sim.world import World
from tests.worlds import switched_bench

CHARGE = Demand(Energise.SOURCE, Activity.CHARGE, 1e9, 5.0, 1.85, 0.15, 1.95, 0.5, connected=True)


async def _killed_while_charging(tmp_path: Path, weld: str) -> tuple[int, dict[str, Any], World]:
    """Charge through the relay, lose the program, and have `off` execute its plan."""
    (tmp_path / "bench.yaml").write_text(switched_bench.text(), encoding="utf-8")
    file = load_bench(tmp_path / "bench.yaml")
    world = switched_bench.world(make_cell("plover", stored_Ah=0.5))
    served = ServedBench(world, asyncio.get_running_loop().time)
    at = await served.start()
    names = {name: "board" if name == "relay" else name for name in file.instruments}
    moved = {name: replace(spec, address=at[names[name]]) for name, spec in file.instruments.items()}
    bench = await ChannelBench.open(replace(file, instruments=moved), "slip-1", now=asyncio.get_running_loop().time)
    try:
        await bench.identify()
        await bench.check_quiet()
        await bench.write_limits(ovp_V=1.95, ocp_A=0.5, load_ocp_A=0.5)
        for _ in range(2):
            assert all(one.verified for one in await bench.apply_raise(CHARGE))
        assert world.panels["supply"].conducts
        plan = bench.off_plan(run="run", channel="slip-1", worker_pid=2**22, boot_id="none", written_utc="2026-03-14T20:00:00Z")
        (tmp_path / "off-plan.json").write_text(json.dumps(plan))
        await bench.close()
        relay = world.panels["relay"]
        assert isinstance(relay, Relay)
        if weld:
            relay.weld(weld, asyncio.get_running_loop().time())
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-P", str(Path(off.__file__)), str(tmp_path / "off-plan.json"),
            stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
        )  # fmt: skip
        await asyncio.wait_for(process.communicate(), 60.0)
        result = json.loads((tmp_path / "off-result.json").read_text())
        world.advance_to(asyncio.get_running_loop().time())
        assert process.returncode is not None
        return process.returncode, result, world
    finally:
        await served.close()


def test_off_opens_the_relay_after_the_source_and_the_load_and_proves_it(tmp_path: Path) -> None:
    code, result, world = asyncio.run(_killed_while_charging(tmp_path, ""))
    relay, source = world.panels["relay"], world.panels["supply"]

    assert code == 0
    assert [(one["output"], one["verified"]) for one in result["outputs"]] == [("supply", True), ("load", True), ("relay", True)]
    assert not source.conducts
    assert not relay.conducts
    assert relay.output_log[-1].time_s > source.output_log[-1].time_s


def test_off_says_that_a_welded_relay_is_not_proven_open(tmp_path: Path) -> None:
    code, result, world = asyncio.run(_killed_while_charging(tmp_path, "closed"))

    assert code != 0
    assert [(one["output"], one["verified"]) for one in result["outputs"]] == [("supply", True), ("load", True), ("relay", False)]
    assert not world.panels["supply"].conducts


@pytest.mark.parametrize("mirror", [True, False])
def test_the_plan_asks_every_contact_a_relay_has(mirror: bool, tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text(switched_bench.text(mirror=mirror), encoding="utf-8")
    file = load_bench(tmp_path / "bench.yaml")

    from chargerd.instruments.offplan import off_plan
    from chargerd.instruments.opening import make_instrument

    plan = off_plan(
        [make_instrument(file, "relay", "switch", {}, None)], run="", channel="", worker_pid=1, boot_id="", written_utc=""
    )
    (row,) = plan["outputs"]  # type: ignore[misc]

    assert row["off"][0]["send"] == "ROUT:OPEN (@1)\n"  # type: ignore[index]
    assert len(row["verify"]) == (2 if mirror else 1)  # type: ignore[index]
