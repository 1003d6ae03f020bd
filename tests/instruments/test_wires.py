"""The same bench over every wire, against the same simulated instruments, for simulated hours on a clock that jumps."""

from __future__ import annotations

import asyncio
import random
from typing import Any

import pytest

from chargerd.instruments.bench import ChannelBench
from chargerd.sim.faults import forever, once
from chargerd.sim.jump_clock import JumpLoop
from chargerd.sim.serve import Bench as Served
from chargerd.sim.world import boathouse_bench
from tests.instruments.rig import DIALECTS, LIMITS, OFF, bench_file, charge, discharge, pass_time, rig, run

WIRES: dict[str, tuple[str, str]] = {"tcp": ("tcp", "{}"), "serial": ("pty", "serial://{}?baud=115200"), "visa": ("pty", "visa://ASRL{}::INSTR")}


def client_address(form: str, served: str) -> str:
    return form.format(served if served.startswith("tcp://") else served.removeprefix("serial://").partition("?")[0])


async def hours(wire: str, samples: int) -> dict[str, Any]:
    """Check, charge, interrupt, discharge and make safe over one kind of wire."""
    kind, form = WIRES[wire]
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpLoop)
    world = boathouse_bench(meter=False, stored_Ah=0.5)
    served = Served(world, loop.time)
    addresses = await served.start({name: {"wire": kind} for name in world.peers}, in_flight=loop.in_flight)
    file = bench_file({name: client_address(form, address) for name, address in addresses.items()}, DIALECTS)
    bench = await ChannelBench.open(file, "slip-1", now=loop.time, in_flight=loop.in_flight)
    await bench.identify()
    await bench.check_quiet()
    await bench.write_limits(**LIMITS)
    missing = 0
    for demand in (charge(), discharge()):
        assert [row.verified for row in await bench.apply_raise(demand)] == [True]
        for turn in range(samples):
            await pass_time(5.0)
            inputs = await bench.read(full=turn % 12 == 0)
            missing += sum(item.value is None for item in inputs.values())
        assert [row.verified for row in await bench.apply_reduction(OFF)] == [True]
    observed = await bench.make_safe()
    result = {
        "missing": missing, "safe": [row.verified for row in observed], "trouble": bench.trouble, "hours": loop.time() / 3600.0,
        "openings": {name: instrument.connection.generation for name, instrument in bench.instruments.items()},
        "conducts": {name: panel.conducts for name, panel in world.panels.items()},
    }  # fmt: skip
    await bench.close()
    await served.close()
    return result


@pytest.mark.parametrize(("wire", "samples"), [("tcp", 200), ("serial", 40), ("visa", 40)])
def test_every_wire_carries_a_run_without_a_single_false_time_out(wire: str, samples: int) -> None:
    result = run(lambda: hours(wire, samples))

    assert result["missing"] == 0
    assert result["safe"] == [True, True]
    assert result["trouble"] == {}
    assert result["openings"] == {"supply": 1, "load": 1, "thermometer": 1}
    assert not any(result["conducts"].values())
    assert result["hours"] > 2 * samples * 5.0 / 3600.0


@pytest.mark.parametrize("kind", ["drop", "hang", "late", "garble", "duplicate"])
def test_a_fault_on_a_real_socket_costs_one_new_link_and_no_value(kind: str) -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        world = boathouse_bench(meter=False, stored_Ah=0.5)
        served = Served(world, loop.time)
        file = bench_file(await served.start(), DIALECTS)
        bench = await ChannelBench.open(file, "slip-1", now=loop.time)
        await bench.read(full=True)
        world.peers["supply"].faults.arm(once(kind, header="MEAS:CURR"), loop.time())
        inputs = await bench.read(full=False)
        assert [key for key, item in inputs.items() if item.value is None] == []
        assert bench.instruments["supply"].connection.generation == 2
        await bench.close()
        await served.close()

    run(main)


def test_a_dead_port_is_bounded_and_the_others_go_on() -> None:
    async def main() -> None:
        loop = asyncio.get_running_loop()
        world = boathouse_bench(meter=False, stored_Ah=0.5)
        served = Served(world, loop.time)
        file = bench_file(await served.start(), DIALECTS)
        bench = await ChannelBench.open(file, "slip-1", now=loop.time)
        await bench.read(full=True)
        world.peers["supply"].faults.arm(forever("refuse"), loop.time())
        world.peers["load"].faults.arm(forever("hang"), loop.time())
        for name in ("supply", "load"):
            await served.servers[name].refresh()  # type: ignore[union-attr]  # both are on TCP
        began_s = loop.time()
        inputs = await bench.read(full=False)
        assert loop.time() - began_s <= 2.0
        assert inputs["supply_output"].value is None
        assert inputs["load_output"].value is None
        assert inputs["thermometer_temperature_degC"].value is not None
        assert set(bench.trouble) == {"supply", "load"}
        observed = await bench.make_safe()
        assert [(row.instrument, row.verified) for row in observed] == [("supply", False), ("load", False)]
        await bench.close()
        await served.close()

    run(main)


@pytest.mark.parametrize("seed", range(2))
def test_one_reply_in_a_hundred_lost_makes_no_trouble_in_ten_hours(seed: int) -> None:
    """An interruption every 5 min, a sample every 5 s: no input missed three times running, no switching left unproven."""
    chance = random.Random(seed)

    async def main() -> tuple[int, int, int]:
        bench = await made.ready()
        for name in made.world.peers:
            real = made.world.peers[name].listener.handle

            def lossy(message: str, at_s: float, real: Any = real) -> str | None:
                reply = real(message, at_s)
                return None if chance.random() < 0.01 else reply

            made.world.peers[name].listener.handle = lossy  # type: ignore[method-assign]
        missed: dict[str, int] = {}
        worst = failures = 0
        for turn in range(2 * 3600 // 5):
            demand = charge()
            if turn % 60 == 59:
                failures += sum(not row.verified for row in await bench.apply_reduction(OFF))
                await pass_time(1.0)
            failures += sum(not row.verified for row in await bench.apply_raise(demand))
            await pass_time(5.0)
            inputs = await bench.read(full=turn % 12 == 0)
            for key, item in inputs.items():
                missed[key] = missed.get(key, 0) + 1 if item.value is None else 0
            worst = max(worst, *missed.values())
        return worst, failures, bench.instruments["supply"].connection.generation

    with rig() as made:
        made.world.peers["supply"]._keeps_log = False
        worst, failures, openings = run(main)

    assert worst < 3
    assert failures == 0
    assert openings > 20
