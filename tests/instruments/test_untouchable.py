"""Outputs that must be left alone: no message that addresses one leaves, whatever a dialect or a bench file says."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.config.bench import BenchFile
from chargerd.errors import BenchError, InstrumentError
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.framing import scpi_rows
from chargerd.instruments.opening import make_instrument
from chargerd.instruments.untouchable import Untouchable, addressed, untouchable_at
from chargerd.sim.world import World
from tests.instruments.rig import bench_file, rig, run


@pytest.mark.parametrize(
    ("text", "outputs"),
    [
        ("OUTP2 ON", {"2"}),
        ("SOUR3:VOLT 1.85", {"3"}),
        ("OUTP ON,(@2)", {"2"}),
        ("VOLT 2.000,(@1,3:5)", {"1", "3", "4", "5"}),
        ("INST:NSEL 2;:OUTP ON", {"2"}),
        ("INST:SEL OUTP2", {"2"}),
        ("INSTrument:NSELect 12;:OUTPut OFF", {"12"}),
        ("OUTP 1", set()),
        ("VOLT 2", set()),
        ("CURR 0.150", set()),
        ("*IDN?", set()),
        ("SYST:ERR?", set()),
    ],
)
def test_the_outputs_that_a_message_names(text: str, outputs: set[str]) -> None:
    assert addressed(text) == outputs


@pytest.mark.parametrize(
    ("what", "text", "is_question"),
    [
        ("on", "OUTP2 ON", False),
        ("on", "OUTP ON,(@1:2)", False),
        ("voltage_set", "INST:NSEL 2;:VOLT 1.8", False),
        ("voltage", "MEAS:VOLT? (@2)", True),
        ("on", "OUTP ON", False),  # it names no output: which one answers is the instrument's business
        ("off", "OUTP:ALL OFF", False),
        ("remote", "*RST", False),
        ("off", "OUTP OFF,(@ALL)", False),
    ],
)
def test_a_message_that_could_switch_an_output_left_alone_is_refused(what: str, text: str, is_question: bool) -> None:
    with pytest.raises(InstrumentError):
        Untouchable(["2"]).judge("supply", what, text, is_question=is_question)


@pytest.mark.parametrize(
    ("what", "text", "is_question"),
    [
        ("on", "OUTP1 ON", False), ("off", "OUTP OFF,(@1)", False), ("voltage", "MEAS:VOLT? (@1)", True),
        ("error", "SYST:ERR?", True), ("remote", "SYST:REM", False), ("identity", "*IDN?", True),
    ],
)  # fmt: skip
def test_a_message_for_another_output_is_not_refused(what: str, text: str, is_question: bool) -> None:
    Untouchable(["2"]).judge("supply", what, text, is_question=is_question)
    assert addressed(text) <= {"1"}


def test_an_instrument_left_alone_as_a_whole_is_not_commanded_at_all() -> None:
    with pytest.raises(InstrumentError):
        Untouchable([""]).judge("supply", "on", "OUTP1 ON", is_question=False)


def test_without_such_outputs_nothing_is_refused() -> None:
    Untouchable([]).judge("supply", "on", "OUTP ON", is_question=False)
    assert Untouchable([]).outputs == frozenset()


def several(**more: object) -> BenchFile:
    """A supply of three outputs told apart by channel lists; the first charges, the second feeds something else."""
    file = bench_file({"supply": "memory://nobody"}, {"supply": "scpi-supply-channel-list"})
    one = replace(file.instruments["supply"], output="1")
    fan = replace(one, name="fan", output="2")
    return replace(file, instruments={"supply": one, "fan": fan}, **more)  # type: ignore[arg-type]


def test_a_dialect_that_addresses_another_output_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    (tmp_path / "dialects").mkdir()
    (tmp_path / "dialects" / "wrong-suffix.yaml").write_text(
        "dialect: wrong-suffix\nabout: one command has another output's number\nrole: source\n"
        'based_on: scpi-supply-channel-list\npublished: a test\nverified_on_hardware: none yet\n'
        'commands:\n  on: {send: "OUTPut ON,(@2)"}\n'
    )
    file = several(keep_on=("fan",), path=tmp_path / "bench.yaml")
    wrong = replace(file, instruments=file.instruments | {"supply": replace(file.instruments["supply"], dialect="wrong-suffix")})

    make_instrument(file, "supply", "source", {}, None)
    with pytest.raises(BenchError, match="addresses output 2, which must be left alone"):
        make_instrument(wrong, "supply", "source", {}, None)


@pytest.mark.parametrize("entry", ["fan", "memory://nobody output 2"])
def test_the_connection_refuses_the_bytes_even_when_nobody_else_did(entry: str) -> None:
    file = several(never_touch=(entry,))
    instrument = make_instrument(file, "supply", "source", {}, None)
    command = scpi_rows.command("on", {"send": "OUTPut ON,(@2)"}, carries_number=False)

    async def tell() -> None:
        await instrument.connection.tell(command)

    with pytest.raises(InstrumentError, match="addresses output 2"):
        asyncio.run(tell())


@pytest.mark.parametrize("listed", ["never_touch", "keep_on"])
def test_a_channel_whose_supply_must_be_left_alone_is_refused(listed: str) -> None:
    with rig() as bench:
        file = replace(bench.file, **{listed: ("supply",)})

        async def opened() -> ChannelBench:
            return await ChannelBench.open(file, "slip-1", now=asyncio.get_running_loop().time)

        with pytest.raises(BenchError, match=r"must never be touched|must stay on"):
            run(opened)
        assert bench.said("supply") == []


def with_fan(world: World) -> None:
    panel = world.add_panel("supply", "fan", world.nodes["cell"].__class__(None))
    world.nodes["fan"] = panel.node  # type: ignore[attr-defined]
    world.add_peer("fan", "scpi-supply", [panel], identity="Boathouse,Fan supply,SN9,1.0")


@pytest.mark.parametrize("is_on", [True, False])
def test_what_must_stay_on_is_proven_on_at_the_start_and_never_written_to(is_on: bool) -> None:
    with rig() as bench:
        with_fan(bench.world)
        bench.world.panels["fan"].set("output", value=is_on, now_s=0.0)
        from chargerd.instruments.transports.memory import PEERS

        PEERS[f"{bench.prefix}fan"] = bench.world.peers["fan"].feed
        fan = replace(
            bench.file.instruments["supply"], name="fan", address=f"memory://{bench.prefix}fan", identity="Boathouse,Fan supply,SN9,1.0"
        )
        file = replace(bench.file, instruments=bench.file.instruments | {"fan": fan}, keep_on=("fan",))

        async def start() -> str:
            opened = await ChannelBench.open(file, "slip-1", now=asyncio.get_running_loop().time)
            try:
                await opened.identify()
                await opened.check_quiet()
                await opened.make_safe()
            except InstrumentError as fault:
                return str(fault)
            finally:
                await opened.close()
            return ""

        said = run(start)

        assert said == ("" if is_on else "fan: it must stay on and is off; switch it on by hand, then start again")
        assert set(bench.said("fan")) == {"*IDN?", "OUTP?"}
        assert bench.world.panels["fan"].conducts is is_on or bench.world.panels["fan"].get("output") is is_on


@pytest.mark.parametrize(
    ("address", "entry"),
    [
        ("tcp://127.0.0.1:5025", "tcp://localhost:5025 output 2"),
        ("tcp://bench-psu.invalid:5025", "tcp://BENCH-PSU.invalid:5025 output 2"),
        ("TCPIP::127.0.0.1::5025::SOCKET", "visa+py://TCPIP0::127.0.0.1::5025::SOCKET output 2"),
        ("serial:///dev/ttyUSB0?baud=9600", "ASRL/dev/ttyUSB0::INSTR output 2"),
        ("USB0::0x1209::0x2::SN3::INSTR", "usb0::0x1209::0x2::sn3::instr output 2"),
    ],
)
def test_an_output_is_left_alone_however_its_address_is_written(address: str, entry: str) -> None:
    file = bench_file({"supply": address}, {"supply": "scpi-supply-channel-list"})
    assert untouchable_at(replace(file, never_touch=(entry,)), address).outputs == {"2"}


@pytest.mark.parametrize("text", ["OUTP02 ON", "INST:NSEL 1;:INST:NSEL  2;:OUTP ON"])
def test_an_output_is_left_alone_however_its_number_is_written(text: str) -> None:
    with pytest.raises(InstrumentError):
        Untouchable(["2"]).judge("supply", "on", text, is_question=False)
