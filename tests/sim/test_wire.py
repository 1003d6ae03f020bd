"""The listener and the byte peer, on the rules of SCPI-1999 and IEEE 488.2; what supplies and loads usually do besides
is marked common practice.
"""

from __future__ import annotations

import pytest

from chargerd.sim.world import World, boathouse_bench
from tests.sim.bench import ask, error_of

QUICK = "VOLT 2.05;CURR 1;OUTP ON"


def bench(**options: object) -> World:
    return boathouse_bench("plover", fresh=False, stored_Ah=0.5, **options)  # type: ignore[arg-type]


# -- headers and messages -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("header", ["VOLT", "volt", "Voltage", "SOUR:VOLT", "source:voltage:lev:imm:ampl", ":VOLT", "SOUR1:VOLT"])
def test_long_and_short_forms_in_any_case_and_with_any_optional_node_are_one_header(header: str) -> None:
    peer = bench().peers["supply"]
    ask(peer, f"{header} 1.5")

    assert ask(peer, f"{header}?") == "+1.50000E+00"


@pytest.mark.parametrize("header", ["VOL", "VOLTA", "VOLTAG", "SOURC:VOLT", "VOLT:PROTE", "VOLTAGES"])
def test_anything_between_or_beyond_the_two_forms_is_undefined(header: str) -> None:
    peer = bench().peers["supply"]

    assert error_of(peer, f"{header} 1.5") == -113
    assert ask(peer, "VOLT?") == "+0.00000E+00"


def test_queries_of_one_message_come_back_in_one_line() -> None:
    assert ask(bench().peers["supply"], "VOLT 1.5;CURR 0.5;VOLT?;CURR?;OUTP?") == "+1.50000E+00;+5.00000E-01;0"


def test_the_path_of_a_compound_message_goes_on_until_a_colon() -> None:
    peer = bench().peers["supply"]
    ask(peer, "VOLT:PROT 2.5;PROT:STAT OFF;:CURR:PROT 1.5;STAT ON")

    assert ask(peer, "VOLT:PROT?;PROT:STAT?") == "+2.50000E+00;0"
    assert error_of(peer, "VOLT:PROT 2.5;OUTP OFF") == -113  # VOLT:OUTP does not exist


def test_common_commands_do_not_move_the_path() -> None:
    peer = bench().peers["supply"]

    assert ask(peer, "VOLT:PROT?;*OPC?;PROT:STAT?") == "+3.30000E+01;1;1"


def test_a_unit_that_fails_does_not_keep_the_others_from_working() -> None:
    peer = bench().peers["supply"]

    assert ask(peer, "VOLT 1;BOGUS 3;:VOLT?") == "+1.00000E+00"
    assert ask(peer, "SYST:ERR?") == '-113,"Undefined header"'


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("VOLT", -109), ("VOLT 1,2", -108), ("VOLT 31", -222), ("VOLT -1", -222), ("VOLT abc", -224), ("VOLT 1.2.3", -121),
        ("VOLT 1 OHM", -131), ("VOLT (@1)", -109), ("OUTP MAYBE", -224), ("OUTP2 ON", -114), ("MEAS:VOLT", -113),
        ("OUTP:PROT:CLE?", -113), ("*RST?", -113), ("*IDN", -113), ("*ESE 256", -222), ("*ESE", -109), ("*CLS 1", -108),
        ("*IDN? 1", -108), ("VOLT? 3", -224), ("VOLT:PROT 'x'", -104), ('VOLT "', -151), ("??", -102), ("INST:NSEL 2", -114),
        ("*IDN?;*ESR?", -440), ("VOLT? MAX", 0), ("", 0), (";;", 0), ("   ", 0), ("*ESE 32", 0),
    ],
)  # fmt: skip
def test_each_mistake_leaves_the_number_the_standard_gives_it(message: str, number: int) -> None:
    # SCPI-1999 volume 2, chapter 21
    assert number == error_of(bench().peers["supply"], message)


def test_the_limits_of_a_setting_can_be_asked_and_set_by_name() -> None:
    peer = bench().peers["supply"]
    ask(peer, "VOLT MAX;CURR MIN")

    assert ask(peer, "VOLT?;CURR?;VOLT? MAXIMUM;CURR? DEF") == "+3.00000E+01;+0.00000E+00;+3.00000E+01;+3.00000E-01"


def test_units_multiply_where_they_are_taken_and_are_refused_elsewhere() -> None:
    assert ask(bench().peers["supply"], "VOLT 1750 mV;VOLT?") == "+1.75000E+00"
    assert error_of(bench(supply="scpi-supply-b").peers["supply"], "VOLT 1750 mV") == -138


def test_a_supply_may_take_and_say_words_only() -> None:
    # common practice: some models take ON and OFF but no numbers
    peer = bench(supply="scpi-supply-b").peers["supply"]

    assert error_of(peer, "OUTP 1") == -104
    assert ask(peer, "OUTP?") == "OFF"
    assert ask(peer, "SYST:ERR?") == '+0,"No error"'


def test_identity_has_four_fields_and_72_characters_at_most() -> None:
    # IEEE 488.2 §10.14
    for name, peer in bench().peers.items():
        identity = ask(peer, "*IDN?")

        assert len(identity.split(",")) == 4, name
        assert len(identity) <= 72


def test_setting_the_condition_register_is_impossible_and_version_is_1999() -> None:
    peer = bench().peers["supply"]

    assert error_of(peer, "STAT:QUES:COND 1") == -113
    assert ask(peer, "SYST:VERS?") == "1999.0"


def test_the_power_on_bit_shows_a_start_and_only_a_start() -> None:
    peer = bench().peers["supply"]

    assert [ask(peer, "*ESR?"), ask(peer, "*ESR?")] == ["128", "0"]

    peer.listener.panels[0].reboot(5.0)

    assert ask(peer, "*ESR?", 5.0) == "128"


def test_reset_leaves_status_alone_and_clear_leaves_settings_alone() -> None:
    # IEEE 488.2 §10.32 and §10.3
    peer = bench().peers["supply"]
    ask(peer, "*ESE 32;VOLT 1.5;BOGUS")
    ask(peer, "*RST")

    assert ask(peer, "*ESE?;:SYST:ERR?;:VOLT?") == '32;-113,"Undefined header";+0.00000E+00'

    ask(peer, "VOLT 1.5;BOGUS;*CLS")

    assert ask(peer, "SYST:ERR?;:VOLT?") == '0,"No error";+1.50000E+00'


def test_message_available_counts_what_this_message_has_already_answered() -> None:
    peer = bench().peers["supply"]

    assert (ask(peer, "*STB?"), ask(peer, "*OPC?;*STB?")) == ("0", "1;16")


# -- status conventions -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("behaviour", "at_rest", "limiting", "holding"),
    [
        ("scpi-supply", ("0", "0"), ("1", "0"), ("2", "0")),
        ("scpi-supply-b", ("0", "0"), ("0", "1024"), ("0", "256")),
        ("scpi-supply-c", ("0", "0"), ("2", "0"), ("1", "0")),
    ],
)
def test_regulation_shows_where_each_convention_has_it(
    behaviour: str, at_rest: tuple[str, str], limiting: tuple[str, str], holding: tuple[str, str]
) -> None:
    # bits as programming manuals of bench supplies have them
    def shown(now_s: float) -> tuple[str, str]:
        questionable, operation = ask(peer, "STAT:QUES:COND?;:STAT:OPER:COND?", now_s).split(";")
        return questionable, operation

    peer = bench(supply=behaviour).peers["supply"]

    assert at_rest == shown(0.0)

    ask(peer, "VOLT 2.05;CURR 0.1;OUTP ON", 1.0)

    assert limiting == shown(2.0)

    ask(peer, "VOLT 1.40;CURR 3", 3.0)

    assert holding == shown(4.0)


@pytest.mark.parametrize(("behaviour", "ovp", "ocp"), [("scpi-supply", "512", "1024"), ("scpi-supply-b", "1", "2")])
def test_trips_show_where_each_convention_has_them(behaviour: str, ovp: str, ocp: str) -> None:
    for kind, bit in (("VOLT:PROT 1.2", ovp), ("CURR:PROT 0.05;PROT:STAT ON", ocp)):
        peer = bench(supply=behaviour).peers["supply"]
        ask(peer, QUICK)
        ask(peer, kind, 1.0)

        assert bit == ask(peer, "STAT:QUES:COND?", 2.0)


def test_a_trip_that_was_cleared_before_anybody_looked_is_still_an_event() -> None:
    world = bench()
    peer, panel = world.peers["supply"], world.panels["supply"]
    ask(peer, QUICK)
    ask(peer, "STAT:QUES?")
    panel.trip("ovp", 0.0)
    panel.clear_protection(0.0)  # type: ignore[attr-defined]

    assert str(int(ask(peer, "STAT:QUES?")) & 512) == "512"


def test_regulation_that_came_and_went_between_two_looks_is_still_an_event() -> None:
    world = bench()
    peer, panel = world.peers["supply"], world.panels["supply"]
    ask(peer, "VOLT 1.6;CURR 3;OUTP ON")
    ask(peer, "STAT:QUES?", 1.0)
    panel.set("current_set_A", 0.01, 2.0)
    panel.set("current_set_A", 3.0, 3.0)

    assert ask(peer, "STAT:QUES:COND?;EVEN?", 4.0) == "2;1"


# -- protections over the wire ------------------------------------------------------------------------------------


def test_clearing_a_trip_gives_the_output_back_the_state_it_had() -> None:
    # common practice: programming manuals of bench supplies say so
    world = bench()
    peer, panel = world.peers["supply"], world.panels["supply"]
    ask(peer, QUICK)
    ask(peer, "VOLT:PROT 1.2", 10.0)

    assert ask(peer, "OUTP?;:VOLT:PROT:TRIP?", 11.0) == "0;1"
    assert error_of(peer, "OUTP ON", 12.0) == -221
    assert not panel.conducts

    ask(peer, "VOLT:PROT 5", 13.0)
    ask(peer, "OUTP:PROT:CLE", 14.0)

    assert ask(peer, "OUTP?;:VOLT:PROT:TRIP?", 15.0) == "1;0"
    assert panel.energised() == [(0.0, 10.0), (14.0, None)]


def test_switching_off_before_clearing_a_trip_keeps_the_output_off() -> None:
    world = bench()
    peer, panel = world.peers["supply"], world.panels["supply"]
    ask(peer, QUICK)
    ask(peer, "VOLT:PROT 1.2", 10.0)
    ask(peer, "OUTP OFF;:VOLT:PROT 5;:OUTP:PROT:CLE", 11.0)

    assert ask(peer, "OUTP?;:VOLT:PROT:TRIP?", 12.0) == "0;0"
    assert panel.energised() == [(0.0, 10.0)]


@pytest.mark.parametrize(("behaviour", "expected"), [("scpi-load", "0"), ("scpi-load-keeps-input", "1")])
def test_the_reset_of_a_load_may_leave_its_input_on(behaviour: str, expected: str) -> None:
    # common practice: models differ
    peer = bench(load=behaviour).peers["load"]
    ask(peer, "CURR 0.1;INP ON;*RST", 1.0)

    assert expected == ask(peer, "INP?", 2.0)


def test_a_load_says_and_takes_its_mode() -> None:
    peer = bench().peers["load"]
    ask(peer, "FUNC RESistance")

    assert ask(peer, "MODE?") == "RES"
    assert error_of(peer, "FUNC RESIS") == -224


def test_a_locked_panel_does_not_react_to_hands() -> None:
    world = bench()
    peer, panel = world.peers["supply"], world.panels["supply"]
    ask(peer, "SYST:RWL;:" + QUICK)
    panel.touch("output", value=False, now_s=1.0)

    assert ask(peer, "OUTP?", 2.0) == "1"

    ask(peer, "SYST:LOC", 3.0)
    panel.touch("output", value=False, now_s=4.0)

    assert ask(peer, "OUTP?", 5.0) == "0"


def test_a_meter_reads_what_it_is_set_to() -> None:
    peer = bench().peers["meter"]
    volts = float(ask(peer, "MEAS:VOLT:DC? 10,1E-5"))
    ask(peer, "CONF:TEMP")

    assert 1.2 < volts < 1.6
    assert ask(peer, "FUNC?") == '"TEMP"'
    assert pytest.approx(float(ask(peer, "READ?")), abs=0.2) == 25.0
    assert pytest.approx(float(ask(peer, "MEAS:RES?")), abs=0.05) == 109.7347  # IEC 60751: Pt100 at 25 °C
    assert ask(peer, "FUNC?") == '"RES"'


def test_two_outputs_of_one_instrument_are_told_apart() -> None:
    world = World()
    fan = world.add_node("fan", None)
    cell = world.add_node("cell", None)
    panels = [world.add_panel("supply", "supply-1", cell), world.add_panel("supply", "supply-2", fan)]
    peer = world.add_peer("supply", "scpi-supply", panels)
    ask(peer, "SOUR2:VOLT 12;:OUTP2 ON;:VOLT 2")

    assert ask(peer, "OUTP?;:OUTP2?;:VOLT?;:SOUR2:VOLT?") == "0;1;+2.00000E+00;+1.20000E+01"

    ask(peer, "INST:NSEL 2")

    assert ask(peer, "OUTP?") == "1"
    assert pytest.approx(float(ask(peer, "MEAS:VOLT?")), abs=0.003) == 12.0
    assert ask(peer, "VOLT? (@1)") == "+2.00000E+00"


# -- bytes --------------------------------------------------------------------------------------------------------


def test_a_message_may_arrive_in_pieces_and_end_with_carriage_return() -> None:
    peer = bench().peers["supply"]

    assert peer.feed(b"*OP", 0.0) == []
    assert peer.feed(b"C?\r\n", 0.0) == [(0.0, b"1\n")]
    assert peer.feed(b"*OPC?\n*TST?\n", 0.0) == [(0.0, b"1\n"), (0.0, b"0\n")]


def test_a_message_without_end_overruns_the_input_buffer() -> None:
    peer = bench().peers["supply"]
    for _ in range(3):
        peer.feed(b"9" * 4000, 0.0)

    assert peer.feed(b" the rest of it\n", 0.0) == []
    assert ask(peer, "SYST:ERR?") == '-363,"Input buffer overrun"'
    assert ask(peer, "SYST:ERR?") == '0,"No error"'


def test_bytes_beyond_ascii_are_refused_and_do_no_harm() -> None:
    peer = bench().peers["supply"]
    peer.feed(b"VOLT\xff 1\n\x00\n", 0.0)

    assert ask(peer, "SYST:ERR?") == '-101,"Invalid character"'
    assert ask(peer, "SYST:ERR?") == '-102,"Syntax error"'


def test_the_wire_log_holds_every_exchange_with_its_time() -> None:
    peer = bench(keeps_log=True).peers["supply"]
    ask(peer, "VOLT 1.5", 1.0)
    ask(peer, "VOLT?", 2.0)

    assert [tuple(entry) for entry in peer.log] == [(1.0, "VOLT 1.5", b""), (2.0, "VOLT?", b"+1.50000E+00\n")]
    assert (peer.messages, peer.replies) == (2, 1)


def test_every_question_of_a_message_is_counted_as_answered() -> None:
    peer = bench().peers["supply"]
    ask(peer, "VOLT?;CURR?;:OUTP?", 1.0)
    ask(peer, "VOLT 1.0", 2.0)

    assert (peer.messages, peer.replies, peer.answers) == (2, 1, 3)
