"""The channel's bench against simulated instruments on the in-memory wire: what was sent is judged by what they heard."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from chargerd.config.bench import ChannelSpec, load_bench
from chargerd.core.demand import Activity, Demand, Energise
from chargerd.core.reading import Measured, Quality
from chargerd.errors import BenchError, InstrumentError, LinkClosedError, LinkError, LinkGarbledError
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.connection import Connection, WrongIdentityError
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.roles import Load, Source
from chargerd.instruments.transports.memory import PEERS
from chargerd.instruments.transports.registry import open_link, parse_address
from chargerd.sim.faults import forever, once
from tests.instruments.rig import LIMITS, OFF, Rig, bench_file, charge, discharge, pass_time, rig, run

QUERIES_ONLY = {"*IDN?"}


def arm(made: Rig, name: str, fault: Any) -> None:
    made.world.peers[name].faults.arm(fault)


def now_s() -> float:
    return asyncio.get_running_loop().time()


# --- opening and identity ------------------------------------------------------------------------------------------------


def test_opening_asks_nothing_but_who_is_there() -> None:
    async def main() -> dict[str, list[str]]:
        bench = await made.open()
        await bench.close()
        return {name: made.said(name) for name in made.world.peers}

    with rig(meter=True) as made:
        said = run(main)

    assert said == {name: ["*IDN?"] for name in ("supply", "load", "meter", "thermometer")}


def test_identities_are_returned_by_name() -> None:
    async def main() -> dict[str, str]:
        return await (await made.open()).identify()

    with rig() as made:
        assert run(main) == {
            "supply": "Boathouse,Source 3A,SN1,1.0",
            "load": "Boathouse,Sink 10A,SN2,1.0",
            "thermometer": "Boathouse,Thermometer,SN6,1.0",
        }


def test_a_wrong_identity_is_refused_and_nothing_is_ever_written() -> None:
    async def main() -> None:
        with pytest.raises(WrongIdentityError, match=r"SN99.*nothing is written"):
            await made.open()

    with rig() as made:
        arm(made, "supply", forever("identity"))
        run(main)
        assert set(made.said("supply")) == QUERIES_ONLY


def test_an_identity_swapped_during_the_run_stops_every_write_at_the_first_new_link() -> None:
    async def main() -> int:
        bench = await made.ready()
        await bench.apply_raise(charge())
        arm(made, "supply", forever("identity"))
        arm(made, "supply", once("drop"))
        before = len(made.said("supply"))
        inputs = await bench.read(full=False)
        assert inputs["supply_voltage_V"].value is None
        assert "SN99" in bench.trouble["supply"]
        observed = await bench.apply_reduction(OFF)
        observed += await bench.apply_raise(charge())
        observed += await bench.make_safe()
        assert [(row.instrument, row.verified) for row in observed if row.instrument == "supply"] == [("supply", False)] * len(
            [row for row in observed if row.instrument == "supply"]
        )
        return before

    with rig() as made:
        before = run(main)
        assert set(made.said("supply")[before + 1 :]) == QUERIES_ONLY


def test_nothing_but_the_identity_question_leaves_before_the_identity_is_proven() -> None:
    async def main() -> None:
        connection = Connection("supply", f"memory://{made.prefix}supply", "Boathouse,Source 3A,SN1,1.0")
        dialect = load_dialect("scpi-supply")
        set_point, off = dialect.questions["voltage_set"], dialect.commands["off"]
        for work in (lambda: connection.ask(set_point, float), lambda: connection.tell(off), connection.identify):
            with pytest.raises(LinkClosedError):
                await work()
        arm(made, "supply", once("replace", header="*IDN?", text="1.75"))
        with pytest.raises(LinkGarbledError):
            await connection.reopen()
        connection._link = await open_link(connection.address, deadline_s=1.0)  # a clean link whose far end nobody asked
        for work in (
            lambda: connection.ask(set_point, float), lambda: connection.tell(off),
            lambda: connection.ask_all([b"VOLT?"]), lambda: connection.ask_together(["VOLT?", "CURR?"]),
        ):  # fmt: skip
            with pytest.raises(LinkClosedError, match="identity is not proven"):
                await work()
        await connection.identify()
        assert await connection.ask(dialect.questions["output"], bool) is False

    with rig() as made:
        run(main)
        assert made.said("supply") == ["*IDN?", "*IDN?", "OUTP?"]


def test_the_identity_is_asked_again_at_full_readings_after_a_minute() -> None:
    async def main() -> tuple[int, int]:
        bench = await made.ready()
        first = made.said("supply").count("*IDN?")
        await bench.read(full=True)
        await pass_time(59.0)
        await bench.read(full=True)
        assert made.said("supply").count("*IDN?") == first
        await pass_time(2.0)
        await bench.read(full=True)
        return first, made.said("supply").count("*IDN?")

    with rig() as made:
        first, last = run(main)

    assert last == first + 1


def test_an_instrument_that_is_not_there_is_named() -> None:
    async def main() -> None:
        with pytest.raises(LinkClosedError, match=r"thermometer.*nobody of that name"):
            await made.open()

    with rig() as made:
        feed = PEERS.pop(made.prefix + "thermometer")
        run(main)
        PEERS[made.prefix + "thermometer"] = feed


@pytest.mark.parametrize(("change", "told"), [
    ({"dialects": {"supply": "scpi-load"}}, "is a load, not a source"),
    ({"dialects": {"supply": "scpi-boiler"}}, "none of that name"),
])
def test_a_bench_that_does_not_fit_is_refused(change: dict[str, Any], told: str) -> None:
    with rig(**change) as made, pytest.raises(BenchError, match=told):
        run(made.open)


def test_an_unknown_channel_is_refused() -> None:
    file = bench_file({"supply": "memory://x"}, {"supply": "scpi-supply"})

    with pytest.raises(BenchError, match="no channel 'slip-9'; there are slip-1"):
        run(lambda: ChannelBench.open(file, "slip-9", now=lambda: 0.0))


# --- CHECKING --------------------------------------------------------------------------------------------------------------


def test_an_output_found_on_is_switched_off_and_reported() -> None:
    async def main() -> None:
        bench = await made.open()
        await bench.identify()
        with pytest.raises(InstrumentError, match=r"supply was on and was switched off \(verified\)"):
            await bench.check_quiet()
        await bench.check_quiet()

    with rig() as made:
        made.world.panels["supply"].touch("output", value=True, now_s=0.0)
        run(main)
        assert not made.conducts("supply")


def test_errors_in_a_queue_are_refused_once_and_query_errors_are_forgiven() -> None:
    async def main() -> None:
        bench = await made.open()
        await bench.identify()
        with pytest.raises(InstrumentError, match="load: its error queue held 101"):
            await bench.check_quiet()
        await bench.check_quiet()
        arm(made, "load", once("error", number=-410, text="Query INTERRUPTED"))
        await bench.check_quiet()
        assert bench.take_errors() == []

    with rig() as made:
        arm(made, "load", once("error"))
        run(main)


def test_an_error_queue_that_never_empties_is_a_fault() -> None:
    async def main() -> None:
        bench = await made.open()
        with pytest.raises(InstrumentError, match="does not empty"):
            await bench.check_quiet()

    with rig() as made:
        arm(made, "supply", forever("replace", header="SYST:ERR", text='-350,"Queue overflow"'))
        run(main)


def test_a_load_in_another_mode_is_put_right_with_its_input_off() -> None:
    async def main() -> None:
        bench = await made.open()
        await bench.check_quiet()

    with rig() as made:
        made.world.panels["load"].touch("mode", "RES", 0.0)
        run(main)
        assert made.world.panels["load"].get("mode") == "CURR"


def test_a_power_on_state_that_is_not_off_is_refused(tmp_path: Any) -> None:
    (tmp_path / "dialects").mkdir()
    (tmp_path / "dialects" / "mine.yaml").write_text(
        'dialect: mine\nbased_on: scpi-supply\nquestions:\n  power_on: {ask: "OUTPut:PON:STATe?", reply: word}\npower_on_safe: [RES, RESET]\n'
    )

    async def main() -> None:
        made.file = replace(made.file, path=tmp_path / "bench.yaml")
        bench = await made.open()
        await bench.check_quiet()
        made.world.panels["supply"].touch("power_on_output", "LAST", 0.0)
        with pytest.raises(InstrumentError, match="after a power failure its output would be LAST; set it to RES"):
            await bench.check_quiet()

    with rig(dialects={"supply": "mine"}) as made:
        run(main)


def test_protection_levels_are_written_enabled_and_read_back() -> None:
    async def main() -> None:
        await made.ready()

    with rig() as made:
        run(main)
        panels = made.world.panels
        assert (panels["supply"].get("ovp_level_V"), panels["supply"].get("ovp_enabled")) == (1.95, True)
        assert (panels["supply"].get("ocp_level_A"), panels["supply"].get("ocp_enabled")) == (0.5, True)
        assert (panels["load"].get("ocp_level_A"), panels["load"].get("ocp_enabled")) == (1.0, True)
        assert not made.conducts("supply")


def test_a_protection_level_that_does_not_stick_is_told() -> None:
    async def main() -> None:
        bench = await made.open()
        with pytest.raises(InstrumentError, match=r"VOLT:PROT 1.95 sent, but VOLT:PROT\? answers 33"):
            await bench.write_limits(**LIMITS)

    with rig() as made:
        arm(made, "supply", forever("ignore_set"))
        run(main)


def test_a_plan_without_protection_levels_never_arms_the_source() -> None:
    async def main() -> None:
        bench = await made.open()
        await bench.write_limits(ovp_V=None, ocp_A=None, load_ocp_A=None)
        demand = Demand(Energise.SOURCE, Activity.CHARGE, 100.0, 5.0, 1.85, 0.15, None, None)

        observed = await bench.apply_raise(demand)

        assert observed[0].verified is False
        assert "the demand lacks" in observed[0].text
        assert not any(entry.on for entry in made.world.panels["supply"].output_log)

    with rig() as made:
        run(main)


# --- switching on and off --------------------------------------------------------------------------------------------------


def test_charging_begins_with_levels_set_points_and_the_load_proven_off_then_on() -> None:
    async def main() -> None:
        bench = await made.ready()
        observed = await bench.apply_raise(charge())
        assert [(row.instrument, row.what, row.verified) for row in observed] == [("supply", "on", True)]
        assert await bench.apply_raise(charge()) == []

    with rig() as made:
        run(main)
        said = made.said("supply")
        assert said.index("VOLT:PROT 1.95") < said.index("VOLT:PROT?") < said.index("VOLT 1.850") < said.index("OUTP ON")
        assert said.index("CURR 0.150") < said.index("CURR?") < said.index("OUTP ON")
        assert said.count("OUTP ON") == 1
        assert made.said("load")[-2:] == ["INP?", "MEAS:CURR?"]
        assert made.conducts("supply")


def test_on_is_refused_before_limits_and_after_a_reopening() -> None:
    async def main() -> None:
        bench = await made.open()
        source = bench.instruments["supply"]
        assert isinstance(source, Source)
        with pytest.raises(InstrumentError, match="not proven since the link was opened"):
            await source.switch_on()
        await source.write_points(voltage_V=1.85, current_A=0.1)
        with pytest.raises(InstrumentError, match="not proven"):
            await source.switch_on()
        await source.write_limits(ovp_V=1.95, ocp_A=0.5)
        assert source.is_armed
        await source.connection.reopen()
        with pytest.raises(InstrumentError, match="not proven"):
            await source.switch_on()
        await source.write_limits(ovp_V=1.95, ocp_A=0.5)
        with pytest.raises(InstrumentError, match="not proven"):
            await source.switch_on()

    with rig() as made:
        run(main)
        assert "OUTP ON" not in made.said("supply")
        assert not made.conducts("supply")


def test_on_is_refused_while_the_other_output_is_on() -> None:
    async def main() -> None:
        bench = await made.ready()
        made.world.panels["load"].touch("input", value=True, now_s=now_s())
        observed = await bench.apply_raise(charge())
        assert [(row.instrument, row.what, row.verified) for row in observed] == [
            ("supply", "on", False), ("supply", "off", True), ("load", "off", True),
        ]  # fmt: skip
        assert "load: must be off first" in observed[0].text

    with rig() as made:
        run(main)
        assert "OUTP ON" not in made.said("supply")
        assert not made.conducts("load")


def test_a_data_out_of_range_error_means_not_done() -> None:
    async def main() -> None:
        bench = await made.ready()
        observed = await bench.apply_raise(charge())
        assert not observed[0].verified
        assert "refused VOLT 1.850, CURR 0.150: -222" in observed[0].text

    with rig() as made:
        listener = made.world.peers["supply"].listener
        real = listener.handle
        said: list[str] = []

        def handle(message: str, at_s: float) -> str | None:
            said.append(message)
            if message == "SYST:ERR?" and said[-3:-1] == ["VOLT 1.850", "CURR 0.150"]:
                return '-222,"Data out of range"'
            return real(message, at_s)

        listener.handle = handle  # type: ignore[method-assign]  # this one refusal only
        run(main)
        assert "OUTP ON" not in said


def test_a_set_point_beyond_the_instrument_is_refused_by_its_own_queue() -> None:
    async def main() -> None:
        bench = await made.ready()
        load = bench.instruments["load"]
        assert isinstance(load, Load)
        with pytest.raises(InstrumentError, match=r"load: refused CURR:PROT 99\.000.*: -222"):
            await load.write_limits(ocp_A=99.0)
        with pytest.raises(InstrumentError, match="outside 0 to its rating"):
            await load.write_points(current_A=3.5)
        with pytest.raises(InstrumentError, match="outside 0 to its rating"):
            await load.write_points(current_A=float("nan"))
        assert not any(message.startswith("CURR 3.5") for message in made.said("load"))

    with rig() as made:
        run(main)


def test_on_that_has_no_effect_ends_with_everything_off() -> None:
    async def main() -> None:
        bench = await made.ready()
        observed = await bench.apply_raise(charge())
        assert [(row.instrument, row.what, row.verified) for row in observed] == [
            ("supply", "on", False), ("supply", "off", True), ("load", "off", True),
        ]  # fmt: skip
        assert "OUTP? answers 0" in observed[0].text

    with rig() as made:
        arm(made, "supply", forever("ignore_on"))
        run(main)


def test_an_instrument_that_ignores_off_is_reported_after_retries() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge())
        arm(made, "supply", forever("ignore_off"))
        observed = await bench.apply_reduction(OFF)
        assert [(row.instrument, row.what, row.verified) for row in observed] == [("supply", "off", False)]
        assert "supply does not go off: OUTP? answers 1" in observed[0].text
        await bench.read(full=False)
        assert [row.verified for row in await bench.apply_reduction(OFF)] == [False]

    with rig() as made:
        run(main)
        assert made.said("supply").count("OUTP OFF") == 6


def test_off_is_not_believed_while_current_flows() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge())
        arm(made, "supply", once("stick_on"))
        observed = await bench.apply_reduction(OFF)
        assert [row.verified for row in observed] == [False]
        assert "OUTP? answers 0, 1" in observed[0].text

    with rig() as made:
        run(main)


def test_nothing_is_sent_for_an_output_that_is_known_to_be_off() -> None:
    async def main() -> int:
        bench = await made.ready()
        before = sum(len(made.said(name)) for name in ("supply", "load"))
        assert await bench.apply_reduction(OFF) == []
        return sum(len(made.said(name)) for name in ("supply", "load")) - before

    with rig() as made:
        assert run(main) == 0


def test_an_output_switched_on_at_its_panel_is_switched_off_at_the_next_pass() -> None:
    async def main() -> None:
        bench = await made.ready()
        made.world.panels["load"].touch("input", value=True, now_s=now_s())
        inputs = await bench.read(full=False)
        assert inputs["load_output"].value == 1.0
        observed = await bench.apply_reduction(OFF)
        assert [(row.instrument, row.verified) for row in observed] == [("load", True)]

    with rig() as made:
        run(main)
        assert not made.conducts("load")


def test_lower_set_points_are_carried_out_by_the_reduction_and_higher_ones_by_the_raise() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge(1.85, 0.10))
        assert await bench.apply_reduction(charge(1.80, 0.15)) == []
        assert points() == (1.8, 0.1)
        assert await bench.apply_raise(charge(1.80, 0.15)) == []
        assert points() == (1.8, 0.15)

    def points() -> tuple[float, float]:
        panel = made.world.panels["supply"]
        return panel.get("voltage_set_V"), panel.get("current_set_A")

    with rig() as made:
        run(main)


def test_a_set_point_that_cannot_be_lowered_switches_off() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge(1.85))
        arm(made, "supply", forever("ignore_set"))
        observed = await bench.apply_reduction(charge(1.75))
        assert [(row.instrument, row.what, row.verified) for row in observed] == [("supply", "off", True)]
        assert "VOLT 1.750 sent, but VOLT? answers 1.85" in observed[0].text

    with rig() as made:
        run(main)
        assert not made.conducts("supply")


def test_make_safe_switches_the_source_off_first_and_both_are_proven() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge())
        observed = await bench.make_safe()
        assert [(row.instrument, row.what, row.verified) for row in observed] == [("supply", "off", True), ("load", "off", True)]

    with rig() as made:
        run(main)


def test_a_mute_source_does_not_keep_the_load_on() -> None:
    async def main() -> tuple[float, list[bool]]:
        bench = await made.ready()
        await bench.apply_raise(discharge())
        arm(made, "supply", forever("hang"))
        began_s = now_s()
        observed = await bench.make_safe()
        return began_s, [row.verified for row in observed]

    with rig() as made:
        began_s, verified = run(main)
        off_s = next(entry.time_s for entry in made.world.panels["load"].output_log if not entry.on and entry.time_s >= began_s)

    assert verified == [False, True]
    assert off_s - began_s <= 0.3


def test_protection_is_cleared_only_with_the_output_off_and_set_points_low() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge())
        arm(made, "supply", once("trip"))
        inputs = await bench.read(full=False)
        assert inputs["supply_tripped"].value == 1.0
        source = bench.instruments["supply"]
        assert isinstance(source, Source)
        assert (await source.clear_protection()).verified

    with rig() as made:
        run(main)
        said = made.said("supply")
        clear = said.index("OUTP:PROT:CLE")
        assert "OUTP OFF" in said[clear - 9 : clear]
        assert "VOLT 0.000" in said[clear - 9 : clear]
        assert not made.conducts("supply")


def test_a_source_that_trips_at_once_is_not_on() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.write_limits(ovp_V=1.2, ocp_A=0.5, load_ocp_A=1.0)
        demand = charge()
        observed = await bench.apply_raise(demand)
        assert not observed[0].verified
        assert "its protection acted (over-voltage)" in observed[0].text

    with rig() as made:
        run(main)


@pytest.mark.parametrize("lost", ["OUTP ON", "OUTP?", "VOLT?", "SYST:ERR?", "INP?", "VOLT 1.850", "STAT:QUES"])
def test_one_lost_reply_while_switching_on_is_made_good_through_a_new_link(lost: str) -> None:
    async def main() -> None:
        bench = await made.ready()
        name = "load" if lost == "INP?" else "supply"
        arm(made, name, once("hang", header=lost))
        observed = await bench.apply_raise(charge())
        if not lost.endswith("?") and lost != "STAT:QUES":
            assert observed[-1].verified
        else:
            assert [(row.what, row.verified) for row in observed] in ([("on", True)], [])
        inputs = await bench.read(full=True)
        assert inputs["supply_output"].value == 1.0
        assert (inputs["supply_voltage_set_V"].value, inputs["supply_ovp_V"].value) == (1.85, 1.95)

    with rig() as made:
        run(main)
        said = made.said("supply")
        last_on = len(said) - 1 - said[::-1].index("OUTP ON")
        last_identity = max(index for index, message in enumerate(said[:last_on]) if message == "*IDN?")
        assert {"VOLT:PROT?", "CURR:PROT?", "VOLT?", "CURR?"} <= set(said[last_identity:last_on])


def test_a_dead_load_refuses_charging_and_is_named() -> None:
    async def main() -> None:
        bench = await made.ready()
        arm(made, "load", forever("hang"))
        began_s = now_s()
        observed = await bench.apply_raise(charge())
        assert [(row.instrument, row.what, row.verified) for row in observed] == [
            ("supply", "on", False), ("supply", "off", True), ("load", "off", False),
        ]  # fmt: skip
        assert now_s() - began_s < 5.0

    with rig() as made:
        run(main)
        assert not made.conducts("supply")


def test_a_bench_without_a_load_cannot_discharge() -> None:
    async def main() -> None:
        bench = await made.ready()
        observed = await bench.apply_raise(discharge())
        assert [(row.instrument, row.what, row.verified) for row in observed] == [("load", "on", False), ("supply", "off", True)]
        assert "no load" in observed[0].text

    with rig(load=None) as made:
        run(main)


@pytest.mark.parametrize("lacks", ["voltage_set_V", "ovp_V", "ocp_A"])
def test_a_demand_that_lacks_a_voltage_or_a_protection_level_is_refused(lacks: str) -> None:
    async def main() -> None:
        bench = await made.ready()
        observed = await bench.apply_raise(replace(charge(), **{lacks: None}))
        assert (observed[0].instrument, observed[0].what, observed[0].verified) == ("supply", "on", False)
        assert "the demand lacks" in observed[0].text

    with rig() as made:
        run(main)
        assert "OUTP ON" not in made.said("supply")


def test_raising_nothing_does_nothing() -> None:
    async def main() -> int:
        bench = await made.ready()
        before = bench.exchanges
        assert await bench.apply_raise(OFF) == []
        return bench.exchanges - before

    with rig() as made:
        assert run(main) == 0


def test_protection_that_cannot_be_cleared_safely_is_not_cleared() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge())
        source = bench.instruments["supply"]
        assert isinstance(source, Source)
        arm(made, "supply", forever("ignore_off"))
        with pytest.raises(InstrumentError, match="its protection is not cleared"):
            await source.clear_protection()

    with rig() as made:
        run(main)
        assert "OUTP:PROT:CLE" not in made.said("supply")


def test_a_protection_that_stays_tripped_is_told() -> None:
    async def main() -> None:
        bench = await made.ready()
        source = bench.instruments["supply"]
        assert isinstance(source, Source)
        arm(made, "supply", forever("replace", header="STAT:QUES", text="512"))
        with pytest.raises(InstrumentError, match="cleared, but over-voltage"):
            await source.clear_protection()

    with rig() as made:
        run(main)


def test_a_protection_that_cannot_be_enabled_is_told() -> None:
    async def main() -> None:
        bench = await made.open()
        with pytest.raises(InstrumentError, match=r"VOLT:PROT:STAT ON sent, but VOLT:PROT:STAT\? answers 0"):
            await bench.write_limits(**LIMITS)

    with rig() as made:
        arm(made, "supply", forever("replace", header="VOLT:PROT:STAT?", text="0"))
        run(main)


def test_a_load_that_stays_in_another_mode_or_is_on_in_it_is_refused() -> None:
    async def main() -> None:
        bench = await made.open()
        load = bench.instruments["load"]
        assert isinstance(load, Load)
        made.world.panels["load"].touch("mode", "RES", 0.0)
        made.world.panels["load"].touch("input", value=True, now_s=0.0)
        with pytest.raises(InstrumentError, match="its input is on in another mode"):
            await load.set_mode()
        made.world.panels["load"].touch("input", value=False, now_s=0.0)
        arm(made, "load", forever("ignore_set"))
        with pytest.raises(InstrumentError, match="stays in mode RES"):
            await load.set_mode()

    with rig() as made:
        run(main)
        assert made.said("load").count("FUNC CURR") == 1


def test_a_channel_whose_roles_do_not_fit_is_refused() -> None:
    plain = bench_file({"supply": "memory://x", "load": "memory://y"}, {"supply": "scpi-supply", "load": "scpi-load"})

    def refusal(channel: ChannelSpec, never_touch: tuple[str, ...] = ()) -> str:
        file = replace(plain, channels={"slip-1": channel}, never_touch=never_touch)
        with pytest.raises(BenchError) as caught:
            run(lambda: ChannelBench.open(file, "slip-1", now=lambda: 0.0))
        return str(caught.value)

    assert "no instrument 'boiler'" in refusal(ChannelSpec("slip-1", "boiler"))
    assert "'supply' must never be touched" in refusal(ChannelSpec("slip-1", "supply"), ("supply",))
    assert "'supply' cannot be source and load" in refusal(ChannelSpec("slip-1", "supply", "supply"))


def test_the_instruments_of_the_example_bench_have_dialects_and_addresses() -> None:
    bench = load_bench(Path(__file__).parents[2] / "examples" / "boathouse" / "bench.yaml")

    roles = {name: load_dialect(spec.dialect).role for name, spec in bench.instruments.items()}
    assert all(parse_address(spec.address).scheme == "tcp" for spec in bench.instruments.values())
    for channel in bench.channels.values():
        assert roles[channel.source] == "source"
        assert channel.load == "" or roles[channel.load] == "load"
        assert channel.thermometer == "" or roles[channel.thermometer] == "thermometer"


# --- reading ---------------------------------------------------------------------------------------------------------------


def test_columns_are_the_keys_of_a_full_reading_in_order() -> None:
    async def main() -> None:
        bench = await made.ready()
        inputs = await bench.read(full=True)
        assert sorted(inputs) == sorted(bench.columns)
        assert bench.columns[:3] == ("supply_voltage_V", "supply_current_A", "supply_output")
        assert all(isinstance(item, Measured) and item.quality is Quality.GOOD for item in inputs.values())

    with rig(meter=True) as made:
        run(main)


def test_the_instrument_that_is_on_is_read_whole_and_the_other_one_by_its_state() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.read(full=True)
        await bench.apply_raise(charge())
        charging = set(await bench.read(full=False))
        await bench.apply_reduction(OFF)
        await bench.apply_raise(discharge())
        discharging = set(await bench.read(full=False))
        whole = {"voltage_V", "current_A", "output", "regulated", "tripped"}
        common = {"thermometer_temperature_degC"}
        assert charging == {f"supply_{key}" for key in whole} | {"load_output"} | common
        assert discharging == {f"load_{key}" for key in whole} | {"supply_voltage_V", "supply_output"} | common

    with rig() as made:
        run(main)


@pytest.mark.parametrize(("supply", "dialect"), [
    ("scpi-supply", "scpi-supply"), ("scpi-supply-b", "scpi-supply-operation"), ("scpi-supply-c", "scpi-supply-swapped"),
    ("scpi-supply", "scpi-supply-compound"),
])
def test_regulation_is_read_in_every_convention(supply: str, dialect: str) -> None:
    identities = {"scpi-supply-b": "Boathouse,Source 3B,0,0", "scpi-supply-c": "Boathouse,Source 3C,SN3,1.0"}

    async def main() -> list[float | None]:
        bench = await made.ready()
        seen = [(await bench.read(full=False))["supply_regulated"].value]
        await bench.apply_raise(charge(1.85, 0.10))
        seen.append((await bench.read(full=False))["supply_regulated"].value)
        await bench.apply_reduction(charge(1.60, 0.10))
        await pass_time(600)
        await bench.apply_reduction(charge(1.55, 0.10))
        await bench.apply_raise(charge(1.7, 2.0))
        seen.append((await bench.read(full=False))["supply_regulated"].value)
        return seen

    identity = {"supply": identities[supply]} if supply in identities else {}
    with rig(supply=supply, dialects={"supply": dialect}, identities=identity) as made:
        assert run(main) == [0.0, 1.0, 2.0]


def test_compound_dialects_read_the_same_inputs_with_fewer_messages() -> None:
    async def sample(made: Rig) -> tuple[set[str], int]:
        bench = await made.ready()
        before = len(made.said("supply")) + len(made.said("load"))
        inputs = await bench.read(full=True)
        return set(inputs), len(made.said("supply")) + len(made.said("load")) - before

    with rig() as made:
        plain, many = run(lambda: sample(made))
    with rig(dialects={"supply": "scpi-supply-compound", "load": "scpi-load-compound"}) as made:
        compound, few = run(lambda: sample(made))
        assert made.said("supply")[-1].startswith("MEAS:VOLT?;:STAT:QUES:COND?;:MEAS:CURR?;:SYST:ERR?;:VOLT?;*ESR?;:CURR?;")

    assert plain == compound
    assert (many, few) == (22, 2)


@pytest.mark.parametrize("text", ["1.0;2", "1.0;0;0.1;1;1", '1.0;"0;0.1;1', "1,0;0;0.1;1", ""])
def test_a_compound_reply_with_a_wrong_count_gives_no_value(text: str) -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.read(full=True)
        arm(made, "supply", forever("replace", header="MEAS:VOLT?", text=text))
        inputs = await bench.read(full=False)
        assert {inputs[key].value for key in inputs if key.startswith("supply_")} == {None}

    with rig(dialects={"supply": "scpi-supply-compound"}) as made:
        run(main)


@pytest.mark.parametrize("fault", [
    once("hang", header="MEAS:VOLT"), once("drop", header="MEAS:CURR"), once("garble", header="OUTP?"), once("truncate", header="MEAS:VOLT"),
    once("duplicate", header="MEAS:VOLT"), once("late", header="STAT:QUES", delay_s=3.0), once("flood", header="OUTP?"),
    once("replace", header="MEAS:CURR", text="0,1"), once("replace", header="MEAS:VOLT", text=""),
], ids=lambda fault: fault.kind)  # fmt: skip
def test_one_bad_reply_is_made_good_in_the_same_sample(fault: Any) -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge())
        await bench.read(full=True)
        generation = bench.instruments["supply"].connection.generation
        arm(made, "supply", fault)
        inputs = await bench.read(full=False)
        assert [key for key in inputs if inputs[key].value is None] == []
        assert bench.instruments["supply"].connection.generation == generation + 1
        assert inputs["supply_output"].value == 1.0
        assert bench.trouble == {}
        again = await bench.read(full=False)
        assert "supply_ovp_V" in again

    with rig() as made:
        run(main)


@pytest.mark.parametrize("kind", ["hang", "drop", "garble", "mute"])
def test_an_instrument_that_stays_bad_is_absent_with_a_growing_age_within_bounded_time(kind: str) -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge())
        await bench.read(full=True)
        arm(made, "supply", forever(kind))
        ages = []
        for _ in range(4):
            began_s = now_s()
            inputs = await bench.read(full=False)
            assert now_s() - began_s <= 2.0
            bad = inputs["supply_voltage_V"]
            assert (bad.value, bad.quality) == (None, Quality.ABSENT)
            ages.append(bad.age_s)
            assert inputs["thermometer_temperature_degC"].value is not None
            await pass_time(1.0)
        assert ages == sorted(ages)
        assert ages[-1] >= 3.0
        assert "supply" in bench.trouble

    with rig() as made:
        run(main)


def test_an_instrument_that_comes_back_is_used_again() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(charge())
        await bench.read(full=True)
        arm(made, "supply", forever("hang", for_s=7.5))
        for _ in range(3):
            assert (await bench.read(full=False))["supply_voltage_V"].value is None
            await pass_time(2.0)
        inputs = await bench.read(full=False)
        assert inputs["supply_voltage_V"].value is not None
        assert inputs["supply_voltage_set_V"].value == 1.85
        assert bench.trouble == {}

    with rig() as made:
        run(main)


@pytest.mark.parametrize(("kind", "quality"), [("not_a_number", Quality.ABSENT), ("infinite", Quality.IMPLAUSIBLE)])
def test_special_values_are_no_numbers_and_no_fault_of_the_link(kind: str, quality: Quality) -> None:
    async def main() -> None:
        bench = await made.ready()
        generation = bench.instruments["thermometer"].connection.generation
        arm(made, "thermometer", forever(kind))
        item = (await bench.read(full=False))["thermometer_temperature_degC"]
        assert (item.value, item.quality) == (None, quality)
        assert bench.instruments["thermometer"].connection.generation == generation

    with rig() as made:
        run(main)


def test_a_reading_beyond_twice_the_rating_is_not_believed() -> None:
    async def main() -> None:
        bench = await made.ready()
        arm(made, "supply", forever("reading", value=61.0))
        item = (await bench.read(full=False))["supply_voltage_V"]
        assert (item.value, item.quality) == (None, Quality.IMPLAUSIBLE)
        arm(made, "supply", forever("reading", value=31.0))

    with rig() as made:
        run(main)


def test_a_rebooted_instrument_is_reported_and_stays_so_until_it_is_identified_again() -> None:
    async def main() -> None:
        bench = await made.ready()
        assert (await bench.read(full=True))["supply_restarted"].value == 0.0
        arm(made, "supply", once("reboot"))
        assert (await bench.read(full=True))["supply_restarted"].value == 1.0
        assert (await bench.read(full=True))["supply_restarted"].value == 1.0
        assert (await bench.read(full=False))["supply_restarted"].value == 1.0
        await bench.identify()
        assert (await bench.read(full=True))["supply_restarted"].value == 0.0

    with rig() as made:
        run(main)


def test_a_protection_switched_off_at_the_panel_protects_at_no_level() -> None:
    async def main() -> None:
        bench = await made.ready()
        made.world.panels["supply"].touch("ovp_enabled", value=False, now_s=now_s())
        assert (await bench.read(full=True))["supply_ovp_V"].value == 9999.0

    with rig() as made:
        run(main)


def test_a_load_in_a_foreign_mode_is_unregulated() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.apply_raise(discharge())
        assert (await bench.read(full=False))["load_regulated"].value == 1.0
        made.world.panels["load"].touch("mode", "RES", now_s())
        assert (await bench.read(full=False))["load_regulated"].value == 3.0

    with rig() as made:
        run(main)


def test_errors_found_at_a_reading_are_taken_once() -> None:
    async def main() -> None:
        bench = await made.ready()
        arm(made, "supply", once("error"))
        await bench.read(full=True)
        assert bench.take_errors() == ["supply: 101 Fan"]
        assert bench.take_errors() == []

    with rig() as made:
        run(main)


def test_ages_are_counted_from_the_arrival_of_the_reply() -> None:
    async def main() -> None:
        bench = await made.ready()
        await bench.read(full=True)
        inputs = await bench.read(full=False)
        # The supply's other three replies of 50 ms came after its voltage; the others were asked at the same time.
        assert inputs["supply_voltage_V"].age_s == pytest.approx(0.15)
        assert inputs["supply_current_A"].age_s == pytest.approx(0.05)
        assert inputs["thermometer_temperature_degC"].age_s == pytest.approx(0.15)
        assert all(item.age_s == round(item.age_s, 3) for item in inputs.values())

    with rig(latency_s=0.05) as made:
        run(main)


def test_exchanges_count_the_questions() -> None:
    async def main() -> tuple[int, int]:
        bench = await made.ready()
        before, heard = bench.exchanges, sum(len(made.said(name)) for name in made.world.peers)
        await bench.read(full=True)
        return bench.exchanges - before, sum(len(made.said(name)) for name in made.world.peers) - heard

    with rig() as made:
        asked, heard = run(main)

    assert asked == heard


def tagged_peers(chance: Any) -> dict[str, Any]:
    """Peers whose every reply carries, in its last digits, which question it answers; replies are late, doubled, cut, lost."""
    tags = {"MEAS:VOLT?": "1.0001", "MEAS:CURR?": "0.0002", "MEAS:TEMP?": "25.0003", "VOLT?": "1.0004", "CURR?": "0.0005",
            "VOLT:PROT?": "1.0006", "CURR:PROT?": "0.0007", "STAT:QUES:COND?": "2", "OUTP?": "1", "INP?": "0", "*ESR?": "0",
            "SYST:ERR?": '0,"No error"', "FUNC?": "CURR", "VOLT:PROT:STAT?": "1", "CURR:PROT:STAT?": "1"}  # fmt: skip
    identities = {"supply": "Boathouse,Source 3A,SN1,1.0", "load": "Boathouse,Sink 10A,SN2,1.0", "thermometer": "Boathouse,Thermometer,SN6,1.0"}

    def peer_of(name: str) -> Any:
        calm = [0]

        def answer(data: bytes, _now_s: float) -> list[tuple[float, bytes]]:
            if not data:
                return []  # it says nothing unasked
            text = data.decode().strip()
            reply = (identities[name] if text == "*IDN?" else tags[text]).encode() + b"\n"
            # One fault at a time: a doubled reply followed at once by a lost one leaves no trace on the wire.
            calm[0] -= 1
            whim = chance.random() if calm[0] < 0 else 1.0
            if whim < 0.06:
                calm[0] = 20
            if whim < 0.01:
                return []
            if whim < 0.03:
                return [(chance.choice([0.0, 0.3, 0.6, 3.0]), reply)]
            if whim < 0.05:
                return [(0.01, reply), (chance.choice([0.01, 0.013, 0.017]), reply)]
            if whim < 0.06:
                return [(0.01, reply[:-2])]
            return [(0.01, reply)]

        return answer

    return {name: peer_of(name) for name in identities}


@pytest.mark.parametrize("seed", range(10))
def test_every_value_was_the_answer_to_its_own_question_in_its_own_sample(seed: int) -> None:
    """Whatever is late, doubled, cut or lost, a value's last digits name the question it is stored under."""
    import random

    expected = {"voltage_V": "1.0001", "current_A": "0.0002", "temperature_degC": "25.0003", "voltage_set_V": "1.0004",
                "current_set_A": "0.0005", "ovp_V": "1.0006", "ocp_A": "0.0007"}  # fmt: skip
    peers = {f"tag{seed}-{name}": peer for name, peer in tagged_peers(random.Random(seed)).items()}
    PEERS.update(peers)
    file = bench_file({name.partition("-")[2]: f"memory://{name}" for name in peers},
                      {"supply": "scpi-supply", "load": "scpi-load", "thermometer": "scpi-thermometer"})  # fmt: skip

    async def main() -> int:
        bench = None
        while bench is None:
            try:
                bench = await ChannelBench.open(file, "slip-1", now=now_s)
            except LinkError:
                continue
        good = 0
        for turn in range(200):
            inputs = await bench.read(full=turn % 10 == 0)
            for key, item in inputs.items():
                quantity = key.partition("_")[2]
                if item.value is not None and quantity in expected:
                    assert item.value == float(expected[quantity]), key
                    good += 1
        return good

    try:
        assert run(main) > 600
    finally:
        for name in peers:
            del PEERS[name]


# --- the off plan --------------------------------------------------------------------------------------------------------


def address_in_plan(text: str) -> str:
    from chargerd.instruments.offplan import off_plan

    source = Source(bench_file({"supply": text}, {"supply": "scpi-supply"}).instruments["supply"], load_dialect("scpi-supply"), Connection("supply", text, ""))
    plan: Any = off_plan([source], run="", channel="", worker_pid=0, boot_id="", written_utc="")
    return str(plan["outputs"][0]["address"])


def test_the_off_plan_says_bytes_replies_and_identities_in_the_order_of_switching_off() -> None:
    async def main() -> dict[str, object]:
        bench = await made.ready()
        return bench.off_plan(run="r", channel="slip-1", worker_pid=7, boot_id="b", written_utc="2026-01-01T00:00:00Z")

    with rig() as made:
        plan = json.loads(json.dumps(run(main)))

    bare = [address_in_plan(text) for text in ("trace+tcp://h:1?log=x", "TCPIP::h::1::SOCKET", "ASRL/dev/ttyUSB0::INSTR", "serial:///dev/ttyS0?eol=crlf")]

    assert [row["name"] for row in plan["outputs"]] == ["supply", "load"]
    assert plan["outputs"][0] | {"address": ""} == {
        "name": "supply", "address": "", "end": "\n", "echo": False, "timeout_s": 0.5, "tries": 2,
        "identity": {"send": "*IDN?\n", "pattern": "(.*)", "sense": "text", "accept": ["Boathouse,Source 3A,SN1,1.0"]},
        "off": [{"send": "OUTP OFF\n"}],
        "verify": [
            {"send": "OUTP?\n", "pattern": "(.*)", "sense": "text", "accept": ["0", "OFF"]},
            {"send": "MEAS:CURR?\n", "pattern": "(.*)", "sense": "text", "abs_below": 0.01, "scale": 1.0},
        ],
    }  # fmt: skip
    assert bare == ["tcp://h:1", "tcp://h:1", "visa://ASRL/dev/ttyUSB0::INSTR", "serial:///dev/ttyS0?eol=crlf"]
    assert plan["outputs"][1]["off"] == [{"send": "INP OFF\n"}]
    assert {key: plan[key] for key in ("version", "run", "channel", "worker_pid", "boot_id")} == {
        "version": 2, "run": "r", "channel": "slip-1", "worker_pid": 7, "boot_id": "b",
    }  # fmt: skip
