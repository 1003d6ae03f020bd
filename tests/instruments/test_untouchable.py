"""Outputs that must be left alone: no message that addresses one leaves, whatever a dialect or a bench file says."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.config.bench import BenchFile
from chargerd.errors import BenchError, InstrumentError
from chargerd.instruments.bench import ChannelBench
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.framing import bytes as byte_rows
from chargerd.instruments.framing import modbus, scpi_rows
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


SELECTED = "INST:NSEL 1;"


@pytest.mark.parametrize(
    "text",
    [
        SELECTED + ":VOLT2 5.000", SELECTED + "VOLT2 5.000", SELECTED + ":APPL CH2,5.000,1.000", SELECTED + ":CHAN2:OUTP ON",
        SELECTED + ":OUTP CH2,ON", SELECTED + ":OUTP ON,2", SELECTED + ":OUTP ON,1:2", SELECTED + ":VOLT 2,5", SELECTED + ":CH2:VOLT 5.000",
        SELECTED + ":SYST:RELA2 ON", SELECTED + ":OUTP:SEL 2", SELECTED + ":CHAN 2", SELECTED + ":OUTP ON,(@1:3)", SELECTED + ":OUTP(@2) ON",
        SELECTED + ":VOLTage3 5.000", SELECTED + ":VOLT:LEV2 5.000", "OUTP1:STAT2 ON", "SOUR1:VOLT 5.000;:SOUR02:VOLT 5.000",
        "INST:SEL CH1;:INST:SEL CH2;:OUTP ON", SELECTED + ":OUTP ON,(@1!2)", SELECTED + ":OUTP ON,(@1,2",
    ],
)  # fmt: skip
@pytest.mark.parametrize("own", ["1", "01", "CH1", ""])
def test_a_number_behind_any_word_but_the_own_one_is_refused(text: str, own: str) -> None:
    with pytest.raises(InstrumentError, match="not sent"):
        Untouchable(["2"]).judge("supply", "on", text, is_question=False, own=own)


@pytest.mark.parametrize("what", ["on", "remote", "clear_protection"])
@pytest.mark.parametrize(
    "text",
    [
        ":OUTP:TRAC ON", ":OUTP:TRACK ON", ":OUTPut:TRACking ON", ":OUTP:GEN ON", ":OUTPut:GENeral ON", ":OUTP:MAST ON", ":OUTP:MASTER ON",
        ":INST:COUP:TRIG 1", ":INSTrument:COUPle ALL", ":OUTP:COUP ON", ":SOUR1:VOLT:TRAC ON", ":OUTP:PAIR PAR", ":OUTP:PAIR SERies",
        ":INST:COMB TRAC", ":OUTP1:STAT ALL", ":OUTP ON,ALL", ":OUTP ON,(@ALL)", ":OUTP:ALL ON", ":SYST:PRES", ":TRIG", ":INIT", "*RST", "*TRG",
        ":OUTP:SYNC ON", ":OUTP:STAT:GROUP ON",
    ],
)  # fmt: skip
def test_what_moves_outputs_together_is_refused_in_every_form(what: str, text: str) -> None:
    with pytest.raises(InstrumentError, match="several outputs"):
        Untouchable(["2"]).judge("supply", what, SELECTED + text, is_question=False, own="1")


@pytest.mark.parametrize("text", ["SYST:RELA1 ON", "TRAN:STAR1 5.000", "MODE STEP1"])
def test_a_number_behind_a_word_that_need_not_mean_an_output_does_not_name_one(text: str) -> None:
    with pytest.raises(InstrumentError, match="names no output"):
        Untouchable(["2"]).judge("supply", "on", text, is_question=False, own="1")


def test_a_command_hidden_in_a_question_is_judged_as_a_command() -> None:
    with pytest.raises(InstrumentError, match="several outputs"):
        Untouchable(["2"]).judge("supply", "voltage", "OUTP:TRAC ON;:MEAS1:VOLT?", is_question=True, own="1")


@pytest.mark.parametrize("text", ["OUTP ON", "VOLT 5.000", "OUTP:PROT:CLE", "INST:NSEL 2", "OUTP 1"])
@pytest.mark.parametrize("what", ["remote", "lock", "watchdog", "clear_protection"])
def test_what_switches_or_sets_is_judged_by_what_it_says_and_not_by_what_a_dialect_calls_it(what: str, text: str) -> None:
    with pytest.raises(InstrumentError, match="must be left alone"):
        Untouchable(["2"]).judge("supply", what, text, is_question=False, own="1")


@pytest.mark.parametrize(("output", "text"), [("CH2", "INST:SEL OUTP2;:OUTP ON"), ("CH2", "OUTP2 ON"), ("P25V", "INST:SEL P25V;:OUTP ON"), ("p25v", "OUTP P25V,ON")])
def test_an_output_with_a_name_is_left_alone_too(output: str, text: str) -> None:
    with pytest.raises(InstrumentError, match="addresses output"):
        Untouchable([output]).judge("supply", "on", text, is_question=False, own="P6V")
    Untouchable([output]).judge("supply", "on", "INST:SEL P6V;:OUTP ON", is_question=False, own="P6V")


@pytest.mark.parametrize("dialect", ["scpi-supply-suffix", "scpi-supply-channel-list", "scpi-supply-select", "scpi-relays", "scpi-relays-mirror"])
def test_every_message_of_a_shipped_dialect_for_one_output_still_passes(dialect: str) -> None:
    made, alone = load_dialect(dialect, output="1"), Untouchable(["2", "3"])
    for question in made.questions.values():
        alone.judge("supply", question.name, question.text, is_question=True, own="1")
    for command in made.commands.values():
        for text in (command.template, command.text(5.0) if "{value}" in command.template else command.template):
            alone.judge("supply", command.name, text, is_question=False, own="1")
            alone.judge("supply", command.name, text, is_question=False)
    with pytest.raises(InstrumentError):
        Untouchable(["1"]).judge("supply", "off", made.commands["open" if "open" in made.commands else "off"].text(), is_question=False, own="2")


# --- registers, bytes and words of a device's own --------------------------------------------------------------------------------


@pytest.mark.parametrize("dialect", ["modbus-supply", "modbus-relay", "relay-bytes", "line-supply", "line-relays"])
@pytest.mark.parametrize("left_alone", ["1", "2", "5"])
def test_where_a_message_names_no_output_that_could_be_judged_nothing_is_commanded_and_all_is_read(dialect: str, left_alone: str) -> None:
    made, alone = load_dialect(dialect, output="1"), Untouchable([left_alone])
    for question in made.questions.values():
        alone.judge("supply", question.name, question.text, is_question=True, own="1")
    for command in made.commands.values():
        with pytest.raises(InstrumentError, match="names no output"):
            alone.judge("supply", command.name, command.template, is_question=False, own="1")


@pytest.mark.parametrize("value", [-1e6, -1.0, 0.0, 0.001, 1.85, 65.535, 65.536, 655.36, 1e5, 4.3e6])
def test_no_value_reaches_another_register_than_the_row_names(value: float) -> None:
    """By construction: address and number of registers are those of the row; a value that does not fit is not sent."""
    rows = [("uint16", 1), ("int16", 1), ("uint32", 2), ("int32", 2), ("float32", 2)]
    for kind, registers in rows:
        more = {"decimals": "3"} if kind == "float32" else {"scale": "0.001"}
        for write in ("one", "several"):
            command = modbus.command("voltage_set", {"send": "holding 16 {value}", "type": kind, "write": write, **more}, carries_number=True)
            try:
                request = command.message(value)
            except InstrumentError:
                continue
            single = request[0] == 6
            assert int.from_bytes(request[1:3], "big") == 16
            assert (len(request) == 5 and registers == 1) if single else request[3:6] == bytes((0, registers, 2 * registers))
            assert single or len(request) == 6 + 2 * registers


@pytest.mark.parametrize("value", [-1e6, 0.0, 0.001, 1.85, 65.535, 65.536, 1e5])
def test_no_value_changes_a_byte_of_a_frame_that_is_not_its_own(value: float) -> None:
    command = byte_rows.command("voltage_set", {"send": "A5 10 02 vv vv cc", "check": "sum", "scale": "0.001"}, carries_number=True)
    try:
        message = command.message(value)
    except InstrumentError:
        assert not 0.0 <= value < 65.536
        return
    assert message[:4] == bytes.fromhex("00 A5 10 02")
    assert len(message) == 7


def test_what_is_sent_to_one_unit_of_a_bus_concerns_no_other() -> None:
    one, three = "modbus-rtu:///dev/ttyUSB0?baud=9600&unit=1", "modbus-rtu:///dev/ttyUSB0?baud=9600&unit=3"
    file = replace(bench_file({"supply": one}, {"supply": "modbus-supply"}), never_touch=(three,))
    assert untouchable_at(file, one).outputs == frozenset()
    assert untouchable_at(file, three).outputs == {""}
    assert untouchable_at(file, "serial:///dev/ttyUSB0").outputs == {""}


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
