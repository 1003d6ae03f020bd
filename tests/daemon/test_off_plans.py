"""off's own reading of a plan, and what it says and asks on a line: the numbers it believes, what it refuses, when it waits.

The line here is a STAND-IN: two functions over a list, so that each byte and each wait can be counted. Real lines are those of
tests/daemon/test_off.py and test_off_frames.py.
"""

from __future__ import annotations

import json
import math
import re
import threading
from pathlib import Path
from typing import Any

import pytest

from chargerd.daemon import off
from chargerd.errors import Exit

wire = off.wire
BOOT = off.this_boot()


def question(**changes: Any) -> dict[str, Any]:
    return {"send": "OUTP?\n", "pattern": "(.*)", "accept": ["0"]} | changes


def entry(**changes: Any) -> dict[str, Any]:
    """One output of a plan of version 2."""
    return {
        "name": "supply", "address": "tcp://127.0.0.1:1", "end": "\n", "identity": question(send="*IDN?\n", accept=["A,B,C,D"]),
        "off": [{"send": "OUTP OFF\n"}], "verify": [question()], "timeout_s": 0.5, "tries": 2,
    } | changes  # fmt: skip


def plan(*outputs: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return {"version": 2, "channel": "bench-1", "boot_id": BOOT, "worker_pid": 2**22 + 1, "outputs": list(outputs)} | changes


def read(folder: Path, content: dict[str, Any]) -> off.Plan:
    path = folder / "off-plan.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return off.read_plan(path)


def output(folder: Path, **changes: Any) -> off.Output:
    return read(folder, plan(entry(**changes))).outputs[0]


def test_what_off_promises_in_numbers() -> None:
    """README: a second for the worker, 2 s for starting and telling; a time-out is believed up to 2 s, five tries, a Modbus frame."""
    assert (off.ASK_S, off.SPARE_S, off.TIMEOUT_MAX_S, off.TRIES_MAX, off.LENGTH_MAX) == (1.0, 1.5, 2.0, 5, 260)
    assert (off.EXIT_VERIFIED, off.EXIT_GARBLED_PLAN, off.EXIT_NOT_VERIFIED) == (Exit.OK, Exit.FILE_OR_COMMAND, Exit.NOT_VERIFIED_OFF)
    assert off.VERSIONS == (1, 2)
    assert (wire.PAUSE_S, wire.QUIET_S, wire.REPLY_MAX_BYTES) == (0.1, 0.02, 4096)
    assert wire.QUIET_BITS == 38.5, "3.5 characters of 11 bits, Modbus over Serial Line V1.02 §2.5.1.1"


# --- what is believed ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("given", "believed"), [(0.05, 0.05), (2.0, 2.0), (2.1, 2.0), (3600, 2.0)])
def test_a_time_out_is_believed_up_to_two_seconds(tmp_path: Path, given: float, believed: float) -> None:
    assert output(tmp_path, timeout_s=given).timeout_s == believed


@pytest.mark.parametrize(("given", "believed"), [(1, 1), (5, 5), (6, 5), (1000, 5), (0.4, 1)])
def test_five_tries_are_believed_and_one_is_the_least(tmp_path: Path, given: float, believed: int) -> None:
    assert output(tmp_path, tries=given).tries == believed


def test_what_a_question_may_say_of_its_reply(tmp_path: Path) -> None:
    (known,) = output(tmp_path, verify=[question(
        abs_below=2000.0, scale=2e6, length=1000, order=[2, 12], sense="signed", check="crc16", silent=["01 02"], shown="the coil", hex=True, send="01 0A",
    )], echo=True).verify  # fmt: skip

    assert (known.abs_below, known.scale, known.length, known.order) == (1000.0, 1e6, 260, (2, 9))
    assert (known.sense, known.check, known.silent, known.shown, known.send) == ("signed", "crc16", ("01 02",), "the coil", b"\x01\x0a")
    assert (known.has_echo, known.end, known.accept) == (True, b"\n", ("0",))


def test_what_a_question_need_not_say(tmp_path: Path) -> None:
    (known,) = output(tmp_path).verify

    assert math.isnan(known.abs_below)
    assert (known.scale, known.length, known.order, known.sense, known.check, known.silent) == (1.0, 0, (1,), "text", "", ())
    assert (known.shown, known.has_echo, known.send) == ("OUTP?", False, b"OUTP?\n")


# --- what is refused ----------------------------------------------------------------------------------------------------------

WRONG = [
    {"name": ""}, {"name": 7}, {"address": "tcp://ä:1"}, {"end": ""}, {"off": []}, {"off": [{}]}, {"off": [{"send": ""}]}, {"off": [7]},
    {"timeout_s": 0}, {"timeout_s": -1}, {"timeout_s": True}, {"timeout_s": "1"}, {"timeout_s": None}, {"timeout_s": math.nan}, {"tries": 0},
    {"identity": {"send": "*IDN?\n", "accept": ["A"]}},  # a question without its reply
    {"identity": question(accept=[])}, {"identity": {"send": "*IDN?\n", "pattern": "(.*)"}}, {"identity": "A"},
    {"verify": [{"send": "OUTP?\n"}]}, {"verify": [question(sense="hearsay")]}, {"verify": [question(check="md5")]},
    {"verify": [question(pattern="(")]}, {"verify": [question(order=[0])]}, {"verify": [question(length=0)]}, {"verify": [question(scale=-1)]},
    {"verify": [question(abs_below=0)]}, {"verify": [question(hex=True, send="0G")]}, {"verify": [question(accept=[0])]}, {"verify": 7},
    {"verify": [question(silent=[])]},
]  # fmt: skip


@pytest.mark.parametrize("change", WRONG, ids=lambda change: json.dumps(change)[:60])
def test_a_garbled_entry_is_told_and_the_others_are_read(tmp_path: Path, change: dict[str, Any]) -> None:
    first, second = read(tmp_path, plan(entry(**change), entry(name="load"))).outputs

    assert (first.name, first.tries, first.timeout_s, first.off) == ("output 1", 0, 0.0, ())
    assert first.result[0] is False
    assert "its entry in the plan is garbled" in first.result[1]
    assert (second.name, second.tries, second.result) == ("load", 2, (False, "off itself failed or hung"))


@pytest.mark.parametrize(
    "change",
    [{"version": 3}, {"version": 0}, {"version": "2"}, {"outputs": []}, {"outputs": None}, {"worker_pid": True}, {"worker_pid": "7"}, {"worker_pid": None},
     {"channel": ""}, {"channel": None}, {"boot_id": 7}],
)  # fmt: skip
def test_a_plan_that_is_none_is_refused(tmp_path: Path, change: dict[str, Any]) -> None:
    with pytest.raises(off.PlanError):
        read(tmp_path, plan(entry()) | change)


def test_an_instrument_that_cannot_say_who_it_is_has_no_identity(tmp_path: Path) -> None:
    assert output(tmp_path, identity=None).identity is None


def test_a_plan_knows_whether_this_boot_wrote_it(tmp_path: Path) -> None:
    assert [one.is_of_another_boot for one in read(tmp_path, plan(entry())).outputs] == [False]
    assert [one.is_of_another_boot for one in read(tmp_path, plan(entry(), boot_id="another")).outputs] == [True]


# --- version 1 ----------------------------------------------------------------------------------------------------------------


def test_a_plan_of_version_1_is_read_as_lines_of_text(tmp_path: Path) -> None:
    old = {
        "name": "supply", "address": "tcp://127.0.0.1:1", "terminator": "\r\n", "identity_query": "*IDN?", "identity": ["A,B,C,D"],
        "off": ["OUTP OFF", "VOLT 0"], "verify": [{"ask": "OUTP?", "accept": ["0"]}, {"ask": "CURR?", "abs_below": 0.02}],
        "timeout_s": 0.5, "tries": 2,
    }  # fmt: skip
    (known,) = read(tmp_path, plan(old, version=1)).outputs

    assert known.identity is not None
    assert (known.identity.send, known.identity.accept) == (b"*IDN?\r\n", ("A,B,C,D",))
    assert [one.send for one in known.off] == [b"OUTP OFF\r\n", b"VOLT 0\r\n"]
    assert [(one.send, one.shown) for one in known.verify] == [(b"OUTP?\r\n", "OUTP?"), (b"CURR?\r\n", "CURR?")]
    (bad,) = read(tmp_path, plan(old | {"verify": [{"ask": "OUTP?"}]}, version=1)).outputs
    assert "a question without its reply" in bad.result[1]


# --- on a line ----------------------------------------------------------------------------------------------------------------


class Line:
    """A stand-in for a line: answers each message from a list, and notes what was sent and how long was listened."""

    def __init__(self, *replies: bytes) -> None:
        self.replies = list(replies)
        self.coming = b""
        self.did: list[str] = []

    def send(self, content: bytes) -> None:
        self.did.append(content.decode().strip())
        self.coming = self.replies.pop(0) if self.replies else b""

    def receive(self, wait_s: float) -> bytes:
        self.did.append("drain" if not self.coming and wait_s <= 0.1 else "listen")
        came, self.coming = self.coming, b""
        return came

    def link(self) -> Any:
        return wire.Link(self.send, self.receive, lambda: None)

    def said(self) -> list[str]:
        return [word for word in self.did if word not in ("drain", "listen")]


def exchange(send: str, accept: str | None = None) -> Any:
    pattern = None if accept is None else re.compile("(.*)")
    return wire.Exchange(send.encode() + b"\n", send, pattern, accept=None if accept is None else (accept,))


def of(*commands: Any, verify: tuple[Any, ...] = ()) -> off.Output:
    return off.Output("supply", off=commands, verify=verify, timeout_s=0.05, tries=2)


def later_s(seconds: float = 2.0) -> float:
    return wire.boot_s() + seconds


def test_between_two_commands_the_line_is_left_silent_and_after_the_last_it_is_not() -> None:
    line = Line()
    told = off.send_off(line.link(), of(exchange("A"), exchange("B"), exchange("C")), later_s(), is_right=True)

    assert told == ""
    assert line.did == ["A", "drain", "B", "drain", "C"]


def test_an_acknowledged_command_is_waited_for_where_the_right_instrument_answers() -> None:
    line = Line(b"OK\n", b"NO\n")
    told = off.send_off(line.link(), of(exchange("A", "OK"), exchange("B", "OK")), later_s(), is_right=True)
    assert told == "off was sent, but B was answered by b'NO\\n'"
    assert line.said() == ["A", "B"]

    silent = Line()
    assert off.send_off(silent.link(), of(exchange("A", "OK")), later_s(), is_right=True) == "off was sent, but A was answered by nothing"
    stranger = Line(b"OK\n")
    assert off.send_off(stranger.link(), of(exchange("A", "OK")), later_s(), is_right=False) == ""
    assert stranger.did == ["A"], "who has not said who he is is not waited for"


def test_a_reply_is_told_and_not_at_any_length() -> None:
    text, frame = exchange("A"), wire.Exchange(b"A", "A", length=8)

    assert off._shown(text, b"x" * 200) == f"{b'x' * 200!r:.80}"
    assert len(off._shown(text, b"x" * 200)) == 80
    assert off._shown(frame, bytes(range(40))) == "00 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D 0E 0F 10 11 12 13 14 15 16 17 18 19 1A "[:80]
    assert len(off._shown(frame, bytes(range(40)))) == 80


def test_each_question_must_prove_off() -> None:
    good = Line(b"0\n", b"0.001\n")
    questions = (exchange("OUTP?", "0"), wire.Exchange(b"CURR?\n", "CURR?", re.compile("(.*)"), abs_below=0.02))
    assert off.verify(good.link(), of(verify=questions), later_s(), in_doubt=False) == (True, "OUTP? 0 and CURR? 0.001")

    bad = Line(b"0\n", b"0.5\n", b"0.5\n", b"0.5\n")
    assert off.verify(bad.link(), of(verify=questions), later_s(), in_doubt=False) == (False, "off was sent, but CURR? answered b'0.5\\n'")
    silent = Line(b"0\n")
    assert off.verify(silent.link(), of(verify=questions), later_s(), in_doubt=False) == (False, "off was sent, but CURR? was not answered")
    none = off.verify(Line().link(), of(), later_s(), in_doubt=False)
    assert none == (False, "off was sent, the plan holds no question to prove it")


def test_after_a_doubt_the_line_is_silent_for_a_whole_time_out_before_the_next_question() -> None:
    waits: list[float] = []
    line = Line(b"0\n")

    def receive(wait_s: float) -> bytes:
        waits.append(wait_s)
        return line.receive(wait_s)

    link = wire.Link(line.send, receive, lambda: None)
    off.verify(link, of(verify=(exchange("OUTP?", "0"),)), later_s(), in_doubt=True)
    assert waits[0] == 0.05, "the output's own time-out"
    waits.clear()
    line.replies = [b"0\n"]
    off.verify(link, of(verify=(exchange("OUTP?", "0"),)), later_s(), in_doubt=False)
    assert waits[0] == wire.QUIET_S


def test_whether_an_output_was_on_is_known_by_its_answer_only() -> None:
    asked = exchange("OUTP?", "0")

    assert [off.was_on(reply, asked) for reply in (b"", b"0\n", b"1\n", b"what?\n")] == [None, False, True, True]


def test_however_late_it_is_a_line_is_tried_to_be_opened_for_a_moment(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[float] = []

    def open_link(_address: str, timeout_s: float) -> Any:
        opened.append(timeout_s)
        raise OSError("nobody")

    monkeypatch.setattr(wire, "open_link", open_link)
    late = of(exchange("A"))
    off.switch_off(late, wire.boot_s() - 5.0)
    early = of(exchange("A"))
    off.switch_off(early, later_s(60.0))

    assert opened == [0.001, 0.001, 0.05, 0.05]
    assert late.result == (False, "OSError: nobody")


def test_a_silent_port_holds_the_next_up_for_its_first_outputs_time_out_only(monkeypatch: pytest.MonkeyPatch) -> None:
    began: dict[str, float] = {}
    let_go = threading.Event()

    def run_port(outputs: list[off.Output], _spare_s: float, _line: object) -> None:
        began[outputs[0].name] = wire.boot_s()
        if outputs[0].name == "a":
            let_go.wait(20.0)
        else:
            let_go.set()

    monkeypatch.setattr(off, "run_port", run_port)
    outputs = tuple(off.Output(name, address, timeout_s=t) for name, address, t in (("a", "x", 0.05), ("b", "x", 15.0), ("c", "y", 0.05)))
    lines = {"x": threading.Lock(), "y": threading.Lock()}
    off.run_plan(off.Plan(Path("p"), "bench-1", 1, BOOT, outputs, ""), lines)

    assert list(began) == ["a", "c"]
    assert began["c"] - began["a"] < 5.0


# --- results ------------------------------------------------------------------------------------------------------------------


def result(**changes: Any) -> dict[str, Any]:
    told = {"channel": "bench-1", "output": "supply", "verified": True, "told": "OUTP? 0", "was_on": None}
    return {"version": 1, "boot_id": BOOT, "boot_s": 5.0, "plan_sha256": "abc", "outputs": [told]} | changes


def leave(folder: Path, content: object) -> None:
    (folder / "off-result.json").write_text(json.dumps(content), encoding="ascii")


@pytest.mark.parametrize(
    ("change", "is_one"),
    [({}, True), ({"plan_sha256": "other"}, False), ({"outputs": []}, False), ({"outputs": [{"verified": 1}]}, False), ({"outputs": [{"verified": False}]}, False),
     ({"outputs": 7}, False)],
)  # fmt: skip
def test_a_first_proof_is_of_this_plan_and_of_every_output(tmp_path: Path, change: dict[str, Any], is_one: bool) -> None:
    content = result(**change)
    leave(tmp_path, content)

    assert off.first_proof(tmp_path, "abc") == (content if is_one else None)


def test_without_a_file_nothing_was_proven_nor_found(tmp_path: Path) -> None:
    assert (off.first_proof(tmp_path, "abc"), off.found_on(tmp_path)) == (None, set())
    (tmp_path / "off-result.json").write_text("[", encoding="ascii")
    assert (off.first_proof(tmp_path, "abc"), off.found_on(tmp_path)) == (None, set())


def test_what_was_found_on_in_this_boot_is_remembered(tmp_path: Path) -> None:
    on, unknown = ({"output": name, "was_on": was_on} for name, was_on in (("supply", True), ("load", None)))
    leave(tmp_path, result(outputs=[on, unknown], again={"boot_id": BOOT, "outputs": [{"output": "load", "was_on": True}]}))
    assert off.found_on(tmp_path) == {"supply", "load"}
    leave(tmp_path, result(outputs=[on], boot_id="another", again={"boot_id": "another", "outputs": [on]}))
    assert off.found_on(tmp_path) == set()


def test_the_first_result_stays_and_the_second_goes_under_again(tmp_path: Path) -> None:
    known = read(tmp_path, plan(entry()))
    told = {"channel": "bench-1", "output": "supply", "verified": True, "told": "OUTP? 0", "was_on": True}
    off.write_results([known], {tmp_path: [told]})
    first = json.loads((tmp_path / "off-result.json").read_text(encoding="ascii"))
    assert (first["version"], first["plan_sha256"], first["boot_id"], first["outputs"]) == (1, known.sha256, BOOT, [told])
    assert first["boot_s"] <= wire.boot_s()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", first["written_utc"])

    off.write_results([known], {tmp_path: [told | {"was_on": None, "verified": False}]})
    second = json.loads((tmp_path / "off-result.json").read_text(encoding="ascii"))
    assert {key: value for key, value in second.items() if key != "again"} == first
    assert second["again"]["outputs"] == [told | {"verified": False}], "found on in this boot is not forgotten"
    assert second["again"]["boot_id"] == BOOT


# --- when an older reply could pass for the proof -----------------------------------------------------------------------------


def switch_off(monkeypatch: pytest.MonkeyPatch, line: Line, output: off.Output) -> list[str]:
    """Have one output switched off over a stand-in line; what was said, and `…` wherever silence of a whole time-out was waited for."""
    did: list[str] = []

    def send(content: bytes) -> None:
        did.append(content.decode().strip())
        line.send(content)

    def receive(wait_s: float) -> bytes:
        if not line.coming and wait_s == output.timeout_s:
            did.append("…")
        return line.receive(wait_s)

    monkeypatch.setattr(wire, "open_link", lambda *_: wire.Link(send, receive, lambda: None))
    off.switch_off(output, later_s(10.0))
    return did


WHO = exchange("*IDN?", "A,B,C,D")
IS_OFF = exchange("OUTP?", "0")


def known(*commands: Any, identity: Any = WHO, verify: tuple[Any, ...] = (IS_OFF,), tries: int = 1, is_of_another_boot: bool = False) -> off.Output:
    made = off.Output("supply", identity=identity, off=commands, verify=verify, timeout_s=0.25, tries=tries)
    made.is_of_another_boot = is_of_another_boot
    return made


def test_behind_the_right_identity_nothing_older_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    output = known(exchange("OFF"))

    assert switch_off(monkeypatch, Line(b"A,B,C,D\n", b"", b"0\n"), output) == ["*IDN?", "OFF", "OUTP?"]
    assert output.result == (True, "OUTP? 0")


def test_at_a_second_try_a_reply_to_the_first_may_still_come(monkeypatch: pytest.MonkeyPatch) -> None:
    output = known(exchange("OFF"), tries=2)
    did = switch_off(monkeypatch, Line(b"A,B,C,D\n", b"", b"", b"A,B,C,D\n", b"", b"0\n"), output)

    assert did == ["*IDN?", "OFF", "OUTP?", "*IDN?", "OFF", "…", "OUTP?"]
    assert output.result == (True, "OUTP? 0")


def test_who_cannot_say_who_he_is_may_still_be_answering_another(monkeypatch: pytest.MonkeyPatch) -> None:
    assert switch_off(monkeypatch, Line(b"", b"0\n"), known(exchange("OFF"), identity=None)) == ["OFF", "…", "OUTP?"]


def test_behind_what_acknowledges_off_nothing_older_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    acknowledged = known(exchange("OFF", "OK"), identity=None)
    assert switch_off(monkeypatch, Line(b"OK\n", b"0\n"), acknowledged) == ["OFF", "OUTP?"]
    one_of_two = known(exchange("VOLT 0"), exchange("OFF", "OK"), identity=None)
    assert switch_off(monkeypatch, Line(b"", b"OK\n", b"0\n"), one_of_two) == ["VOLT 0", "OFF", "OUTP?"]
    refused = known(exchange("OFF", "OK"), identity=None)
    assert switch_off(monkeypatch, Line(b"NO\n", b"0\n"), refused) == ["OFF", "…", "OUTP?"]


def test_before_the_question_after_one_that_was_asked_twice_the_line_is_silent() -> None:
    waits: list[tuple[str, float]] = []
    line = Line(b"1\n", b"0\n", b"0\n")

    def receive(wait_s: float) -> bytes:
        waits.append((line.said()[-1] if line.said() else "", wait_s))
        return line.receive(wait_s)

    questions = (IS_OFF, exchange("CURR?", "0"))
    output = off.Output("supply", verify=questions, timeout_s=0.5, tries=1)
    told = off.verify(wire.Link(line.send, receive, lambda: None), output, later_s(10.0), in_doubt=False)

    assert told == (True, "OUTP? 0 and CURR? 0")
    assert line.said() == ["OUTP?", "OUTP?", "CURR?"]
    assert ("OUTP?", 0.5) in waits, "the whole time-out, before CURR?"


def test_in_another_boot_the_output_itself_is_asked_first_whether_it_is_on(monkeypatch: pytest.MonkeyPatch) -> None:
    output = known(exchange("OFF"), verify=(IS_OFF, exchange("CURR?", "0")), is_of_another_boot=True)
    did = switch_off(monkeypatch, Line(b"A,B,C,D\n", b"1\n", b"", b"0\n", b"0\n"), output)

    assert did == ["*IDN?", "OUTP?", "OFF", "OUTP?", "CURR?"]
    assert (output.was_on, output.result[0]) == (True, True)
