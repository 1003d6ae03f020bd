"""The keeper's judgement alone: what a worker's messages prove, and what they do not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from chargerd.daemon import keeper
from chargerd.daemon.keeper import ProofError, Watch, canonical_digest, frozen_plan, parse
from chargerd.errors import Exit

GOOD = {"seq": 1, "energised": True, "off_doubted": False, "age_s": 0.1, "voltage_V": 1.75, "current_A": 0.15, "temperature_degC": 25.0, "unwritten_s": 0.0}


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "off-plan.json"
    path.write_text(json.dumps({"channel": "bench-1", "outputs": [{}]}), encoding="ascii")
    return path


def limits(plan: Path, **changes: Any) -> dict[str, Any]:
    message = {
        "type": "limits", "channel": "bench-1", "voltage_max_V": 2.75, "voltage_min_V": 0.5, "current_max_A": 1.6,
        "temperature_max_degC": 45.0, "age_max_s": 3.0, "off_plan": str(plan),
    } | changes  # fmt: skip
    return message | {"sha256": canonical_digest(message)}


def line(message: dict[str, Any]) -> bytes:
    return json.dumps(message).encode()


def beat(**changes: Any) -> bytes:
    return line({"type": "beat", "channel": "bench-1"} | GOOD | changes)


@pytest.fixture
def watch(plan: Path) -> Watch:
    watch = Watch(patience_s=5.0)
    watch.take(line(limits(plan)), 0.0)
    return watch


def test_limits_are_acknowledged_with_the_keepers_own_hash(plan: Path) -> None:
    message = limits(plan)
    answer = Watch(5.0).take(line(message), 0.0)

    assert answer == {"type": "ack", "channel": "bench-1", "sha256": message["sha256"]}


def test_the_same_limits_again_are_acknowledged_again(watch: Watch, plan: Path) -> None:
    answer = watch.take(line(limits(plan)), 1.0)

    assert answer is not None
    assert answer["type"] == "ack"


def test_second_different_limits_within_one_run_are_refused(watch: Watch, plan: Path) -> None:
    with pytest.raises(ProofError, match="second, different limits"):
        watch.take(line(limits(plan, voltage_max_V=2.76)), 1.0)


def test_after_done_the_next_run_of_the_channel_brings_its_own_limits(watch: Watch, plan: Path) -> None:
    watch.take(line({"type": "done", "channel": "bench-1", "state": "COMPLETE", "verified_off": True}), 1.0)
    answer = watch.take(line(limits(plan, voltage_max_V=2.6)), 2.0)

    assert answer is not None
    assert answer["type"] == "ack"


def test_limits_that_do_not_match_their_hash_are_refused(plan: Path) -> None:
    with pytest.raises(ProofError, match="do not match their own hash"):
        Watch(5.0).take(line(limits(plan) | {"voltage_max_V": 27.5}), 0.0)


@pytest.mark.parametrize(
    "change",
    [
        {"voltage_max_V": None}, {"voltage_min_V": 2.75}, {"voltage_max_V": "2.75"}, {"current_max_A": 0}, {"current_max_A": None},
        {"age_max_s": 0}, {"age_max_s": None}, {"temperature_max_degC": True}, {"voltage_max_V": 9.9e37}, {"voltage_max_V": float("nan")},
        {"current_max_A": float("inf")},
    ],
)  # fmt: skip
def test_limits_that_limit_nothing_are_refused(plan: Path, change: dict[str, Any]) -> None:
    with pytest.raises(ProofError):
        Watch(5.0).take(line(limits(plan, **change)), 0.0)


@pytest.mark.parametrize("content", [None, "", "[]", '{"channel": "bench-2", "outputs": [{}]}', '{"channel": "bench-1", "outputs": []}'])
def test_without_a_usable_off_plan_the_limits_are_refused_and_the_others_go_on(plan: Path, content: str | None) -> None:
    if content is None:
        plan.unlink()
    else:
        plan.write_text(content, encoding="ascii")
    watch = Watch(5.0)
    answer = watch.take(line(limits(plan)), 0.0)

    assert answer is not None
    assert answer["type"] == "refused"
    assert watch.running == {}
    with pytest.raises(ProofError, match="without frozen limits"):
        watch.take(beat(), 0.1)


@pytest.mark.parametrize("off_plan", [7, None, "\0"])
def test_an_off_plan_that_is_no_path_is_refused(plan: Path, off_plan: object) -> None:
    answer = Watch(5.0).take(line(limits(plan, off_plan=off_plan)), 0.0)

    assert answer is not None
    assert answer["type"] == "refused"


def test_a_good_beat_is_taken_without_a_word(watch: Watch) -> None:
    assert watch.take(beat(), 1.0) is None
    watch.need_beats(5.9)


def test_a_silent_channel_is_noticed_although_another_one_beats(watch: Watch, tmp_path: Path) -> None:
    other = tmp_path / "other.json"
    other.write_text(json.dumps({"channel": "bench-2", "outputs": [{}]}), encoding="ascii")
    watch.take(line(limits(other, channel="bench-2")), 0.0)
    watch.take(beat(channel="bench-2"), 5.0)

    with pytest.raises(ProofError, match=r"bench-1 has been silent for 5\.1 s"):
        watch.need_beats(5.1)


@pytest.mark.parametrize(
    "change",
    [
        {"voltage_V": 2.7500001}, {"voltage_V": 0.49}, {"current_A": 1.61}, {"current_A": -1.61}, {"temperature_degC": 45.1},
        {"temperature_degC": -300.0}, {"age_s": 3.1}, {"unwritten_s": 60.0},
    ],
)  # fmt: skip
def test_a_value_outside_its_limit_while_energised_is_a_violation(watch: Watch, change: dict[str, Any]) -> None:
    with pytest.raises(ProofError, match=r"outside|old|waited"):
        watch.take(beat(**change), 1.0)


@pytest.mark.parametrize(
    "change", [{"voltage_V": 2.75}, {"voltage_V": 0.5}, {"current_A": -1.6}, {"temperature_degC": 45}, {"age_s": 3.0}, {"unwritten_s": 59.9}]
)
def test_a_value_on_its_limit_is_none(watch: Watch, change: dict[str, Any]) -> None:
    assert watch.take(beat(**change), 1.0) is None


@pytest.mark.parametrize("change", [{"voltage_V": 3.0}, {"temperature_degC": 60.0}, {"age_s": 999.0}, {"unwritten_s": 999.0}, {"voltage_V": None}])
def test_while_off_only_silence_and_garbage_count(watch: Watch, change: dict[str, Any]) -> None:
    assert watch.take(beat(energised=False, **change), 1.0) is None


@pytest.mark.parametrize("key", ["voltage_V", "current_A", "temperature_degC", "age_s", "unwritten_s"])
@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e400", "9.91E37", "1" + "0" * 400, "true", '"1.75"', "[]", "{}"])
@pytest.mark.parametrize("energised", ["true", "false"])
def test_no_number_is_a_violation_on_or_off(watch: Watch, key: str, value: str, energised: str) -> None:
    text = beat().decode().replace(f'"{key}": {json.dumps(GOOD[key])}', f'"{key}": {value}').replace('"energised": true', f'"energised": {energised}')

    with pytest.raises(ProofError, match="is no number"):
        watch.take(text.encode(), 1.0)


@pytest.mark.parametrize("key", ["voltage_V", "current_A", "temperature_degC"])
def test_a_missing_value_is_tolerated_until_it_is_too_old(watch: Watch, key: str) -> None:
    watch.take(beat(seq=1), 1.0)  # sampled at 0.9
    watch.take(beat(seq=2, **{key: None}), 3.8)

    with pytest.raises(ProofError, match=f"no {key}"):
        watch.take(beat(seq=3, **{key: None}), 4.0)


def test_a_value_that_comes_back_starts_the_count_anew(watch: Watch) -> None:
    watch.take(beat(seq=1), 1.0)
    watch.take(beat(seq=2, voltage_V=None), 3.0)
    watch.take(beat(seq=3), 3.5)

    assert watch.take(beat(seq=4, voltage_V=None), 6.0) is None


def test_a_value_missing_from_the_first_energised_beat_on_is_not_tolerated_for_longer(watch: Watch) -> None:
    watch.take(beat(seq=1, energised=False, voltage_V=None), 4.0)
    watch.take(beat(seq=2, voltage_V=None), 8.0)

    with pytest.raises(ProofError, match=r"no voltage_V for 3\.1 s"):
        watch.take(beat(seq=3, voltage_V=None), 11.1)


def test_without_a_thermometer_no_temperature_is_asked_for(plan: Path) -> None:
    watch = Watch(5.0)
    watch.take(line(limits(plan, temperature_max_degC=None)), 0.0)
    watch.take(beat(seq=1, temperature_degC=None), 1.0)

    assert watch.take(beat(seq=2, temperature_degC=None), 5.0) is None


@pytest.mark.parametrize("change", [{"age_s": None}, {"age_s": -1}, {"unwritten_s": None}, {"unwritten_s": -0.1}])
def test_an_age_that_is_missing_or_negative_is_a_violation(watch: Watch, change: dict[str, Any]) -> None:
    with pytest.raises(ProofError, match="no age"):
        watch.take(beat(**change), 1.0)


@pytest.mark.parametrize("seq", [1, 0])
def test_seq_must_increase(watch: Watch, seq: int) -> None:
    watch.take(beat(seq=1), 1.0)

    with pytest.raises(ProofError, match="seq"):
        watch.take(beat(seq=seq), 2.0)


@pytest.mark.parametrize("change", [{"seq": 1.5}, {"seq": True}, {"seq": None}, {"energised": 1}, {"energised": None}])
def test_seq_is_whole_and_energised_is_plain(watch: Watch, change: dict[str, Any]) -> None:
    with pytest.raises(ProofError, match="no whole seq or no plain energised"):
        watch.take(beat(**change), 1.0)


def test_an_idle_channel_may_beat_without_limits() -> None:
    assert Watch(5.0).take(beat(energised=False), 0.0) is None


def test_energised_after_done_is_a_violation(watch: Watch) -> None:
    watch.take(line({"type": "done", "channel": "bench-1", "state": "STOPPED", "verified_off": True}), 1.0)

    with pytest.raises(ProofError, match="without frozen limits"):
        watch.take(beat(), 2.0)


def test_done_ends_the_need_for_beats(watch: Watch) -> None:
    watch.take(line({"type": "done", "channel": "bench-1", "state": "TRIPPED", "verified_off": True}), 1.0)
    watch.need_beats(1000.0)

    assert watch.running == {}


@pytest.mark.parametrize(("state", "verified"), [("COMPLETE", False), ("COMPLETE", 1), ("RUNNING", True), (["IDLE"], True), (None, True)])
def test_done_without_verified_off_is_a_violation(watch: Watch, state: object, verified: object) -> None:
    with pytest.raises(ProofError, match="could not verify off"):
        watch.take(line({"type": "done", "channel": "bench-1", "state": state, "verified_off": verified}), 1.0)


@pytest.mark.parametrize(
    "garbage",
    [
        b"", b"\xff\xfe", b"{", b"null", b"[]", b"7", b'"beat"', b"{}", b'{"type":"beat"}', b'{"type":["beat"]}', b'{"type":"hello","channel":"bench-1"}',
        b'{"type":"done","channel":7,"state":"IDLE","verified_off":true}', b"[" * 60000, b"1" * 5000,
        b'{"type":"done","channel":"bench-1","state":"IDLE","verified_off":true,"more":1}',
    ],
)  # fmt: skip
def test_garbage_is_a_violation(garbage: bytes) -> None:
    with pytest.raises(ProofError):
        parse(garbage)


def test_frozen_limits_that_change_in_memory_are_noticed(watch: Watch) -> None:
    watch.running["bench-1"].limits["voltage_max_V"] = 27.5

    with pytest.raises(ProofError, match="changed in memory"):
        watch.take(beat(), 1.0)


def test_an_untouched_plan_is_used_where_it_is(plan: Path) -> None:
    assert frozen_plan(plan, plan.read_bytes()) == plan


@pytest.mark.parametrize("damage", ["changed", "deleted", "folder deleted"])
def test_a_plan_that_was_changed_or_lost_is_used_as_it_was_frozen(tmp_path: Path, damage: str) -> None:
    path = tmp_path / "run" / "off-plan.json"
    if damage != "folder deleted":
        path.parent.mkdir()
    if damage == "changed":
        path.write_text("other", encoding="ascii")

    assert frozen_plan(path, b"frozen").read_bytes() == b"frozen"


def test_a_plan_that_cannot_be_copied_is_used_where_it_is(tmp_path: Path) -> None:
    (tmp_path / "off-plan-frozen.json").mkdir()

    assert frozen_plan(tmp_path / "off-plan.json", b"frozen") == tmp_path / "off-plan.json"


# --- exactly at the bounds ------------------------------------------------------------------------------------------------------


def test_what_the_keeper_promises_in_numbers() -> None:
    """README: silence of 5 s, a second for a traceback, a minute of unwritten rows; exit codes of the table."""
    promised = (keeper.PATIENCE_S, keeper.KILL_S, keeper.TICK_S, keeper.UNWRITTEN_MAX_S, keeper.OFF_MAX_S)
    assert promised == (5.0, 1.0, 0.5, 60.0, 60.0)
    assert (keeper.LINE_MAX_BYTES, keeper.NUMBER_MAX) == (65536, 1e9)
    codes = (keeper.EXIT_NOT_STARTED, keeper.EXIT_OFF_VERIFIED, keeper.EXIT_OFF_NOT_VERIFIED)
    assert codes == (Exit.FILE_OR_COMMAND, Exit.KEEPER_ACTED, Exit.KEEPER_NOT_VERIFIED)


def test_silence_of_exactly_its_patience_is_none(watch: Watch) -> None:
    watch.need_beats(5.0)
    with pytest.raises(ProofError, match="silent"):
        watch.need_beats(5.001)


@pytest.mark.parametrize("key", ["voltage_V", "current_A", "temperature_degC"])
def test_a_value_may_be_missing_for_exactly_the_longest_age(watch: Watch, key: str) -> None:
    watch.take(beat(seq=1, age_s=0.0), 1.0)
    assert watch.take(beat(seq=2, age_s=0.0, **{key: None}), 4.0) is None
    with pytest.raises(ProofError, match=f"no {key}"):
        watch.take(beat(seq=3, age_s=0.0, **{key: None}), 4.001)


@pytest.mark.parametrize(("value", "is_number"), [(999_999_999, True), (-999_999_999.5, True), (1_000_000_000, False), (-1e9, False)])
def test_a_number_is_below_a_thousand_million(watch: Watch, value: float, is_number: bool) -> None:
    if is_number:
        assert watch.take(beat(energised=False, voltage_V=value), 1.0) is None
    else:
        with pytest.raises(ProofError, match="voltage_V is no number"):
            watch.take(beat(energised=False, voltage_V=value), 1.0)


@pytest.mark.parametrize("change", [{"age_s": 0}, {"unwritten_s": 0}, {"temperature_degC": -273.15}])
def test_nothing_at_all_is_no_violation(watch: Watch, change: dict[str, Any]) -> None:
    assert watch.take(beat(**change), 1.0) is None


def test_refused_limits_name_their_channel_and_the_reason(plan: Path) -> None:
    plan.unlink()
    answer = Watch(5.0).take(line(limits(plan)), 0.0)

    assert answer is not None
    assert (answer["type"], answer["channel"], set(answer)) == ("refused", "bench-1", {"type", "channel", "reason"})
    assert answer["reason"].startswith("off plan: ")


def test_a_relay_in_doubt_stays_in_doubt_until_a_beat_says_otherwise(watch: Watch) -> None:
    watch.take(beat(seq=1, off_doubted=True), 1.0)
    assert watch.running["bench-1"].off_doubted is True
    watch.take(beat(seq=2), 2.0)
    assert watch.running["bench-1"].off_doubted is False
    assert watch.running["bench-1"].seen_s == 2.0
