"""Proving a bench: everything measured on simulated instruments with no cell, each step seen to fail, the record's own rules."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.commissioned import VALID_DAYS, Record, record_of, record_text, why_not
from chargerd.daemon.commissioning import commission
from chargerd.errors import BenchError
from chargerd.instruments.transports.memory import PEERS
from chargerd.sim.faults import Fault
from chargerd.sim.world import World
from tests.instruments.rig import run

UTC_NOW = "2026-11-25T12:00:00.000Z"
NOW = datetime(2026, 11, 25, 13, 0, tzinfo=UTC)
IDENTITIES = {
    "supply": "Boathouse,Source 3A,SN1,1.0", "load": "Boathouse,Sink 10A,SN2,1.0", "probe": "Boathouse,Thermometer,SN6,1.0",
    "meter": "Boathouse,Meter 6,SN5,1.0",
}  # fmt: skip
METER = """  meter:
    address: memory://commission-meter
    dialect: scpi-meter
    identity: "Boathouse,Meter 6,SN5,1.0"
    accuracy: {voltage: 0.02 % + 1 mV}
    resolution: {voltage: 0.1 mV}

channels:"""


class Person:
    """Does what is asked; warms a sensor when told to."""

    def __init__(self, warm: Callable[[], None], answer: Callable[[str], bool]) -> None:
        self.told: list[str] = []
        self.asked: list[str] = []
        self._warm = warm
        self._answer = answer

    def tell(self, text: str) -> None:
        self.told.append(text)

    async def confirm(self, text: str) -> bool:
        self.asked.append(text)
        if "between two fingers" in text:
            self._warm()
        return self._answer(text)


def bench_file(folder: Path, *changes: tuple[str, str], meter: bool = True) -> BenchFile:
    text = example_bench().read_text(encoding="utf-8")
    for name, port in (("supply", 5025), ("load", 5026), ("probe", 5027)):
        text = text.replace(f"tcp://127.0.0.1:{port}", f"memory://commission-{name}")
    if meter:
        text = text.replace("\nchannels:", "\n" + METER, 1).replace("    voltage: supply\n", "    voltage: meter\n")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    return load_bench(path)


def proven(
    bench: BenchFile, faults: dict[str, Fault] | None = None, answer: Callable[[str], bool] = lambda _text: True, warm_K: float = 3.0
) -> tuple[Record, Person, World]:
    world = World(seed=3, keeps_log=True)
    node = world.add_node("terminals", None)
    kinds = {"supply": "supply", "load": "load", "meter": "meter", "probe": "thermometer"}
    for name in bench.instruments:
        world.add_peer(name, f"scpi-{kinds[name]}", [world.add_panel(kinds[name], name, node)], identity=IDENTITIES[name])
        PEERS[f"commission-{name}"] = world.peers[name].feed
    for name, fault in (faults or {}).items():
        world.peers[name].faults.arm(fault)

    def warm() -> None:
        world.peers["probe"].faults.arm(Fault("offset", times=None, values={"quantity": "temperature_degC", "by": warm_K}))

    person = Person(warm, answer)

    async def main() -> Record:
        return await commission(bench, "slip-1", person, utc=UTC_NOW)

    try:
        return run(main), person, world
    finally:
        for name in bench.instruments:
            del PEERS[f"commission-{name}"]


def results(record: Record) -> dict[tuple[str, str], str]:
    return {(proof.instrument, proof.check): proof.result for proof in record.proofs}


def lasting(kind: str, *, header: str = "", **values: object) -> Fault:
    return Fault(kind, header=header, times=None, values=values)


def test_a_good_bench_is_proven_whole_and_its_record_counts(tmp_path: Path) -> None:
    bench = bench_file(tmp_path)
    record, person, _ = proven(bench)

    assert [proof for proof in record.proofs if proof.result == "FAILED"] == []
    assert record.proven == {"record", "over-voltage", "over-current"}
    assert {check for (_, check), result in results(record).items() if result == "passed"} >= {
        "identity", "off", "open terminals", "plausible", "set-points", "protection levels", "deliberate trip", "zero current",
        "meter against supply", "over-current trip", "load's lowest voltage", "warm hand", "disk", "permissions", "ventilation",
        "off at the end",
    }  # fmt: skip
    assert record.identities == IDENTITIES
    assert abs(record.numbers["zero_source_A"]) < 0.005
    assert abs(record.numbers["meter_minus_source_at_1.8V_V"]) < 0.010
    assert why_not(record, bench, "slip-1", NOW) == []
    assert any("between two fingers" in text for text in person.asked)


def test_nothing_above_two_volts_or_a_few_tenths_of_an_ampere_is_ever_asked(tmp_path: Path) -> None:
    _, _, world = proven(bench_file(tmp_path))

    asked_V = [float(one.received.split()[1]) for one in world.peers["supply"].log if one.received.startswith("VOLT ")]
    asked_A = [
        float(one.received.split()[1])
        for name in ("supply", "load") for one in world.peers[name].log if one.received.startswith("CURR ")
    ]  # fmt: skip
    assert 1.8 <= max(asked_V) <= 2.0
    assert max(asked_A) <= 0.2 + 1e-9
    assert not any(panel.conducts for panel in world.panels.values())


BROKEN: list[tuple[str, str, dict[str, Fault]]] = [
    ("supply", "off", {"supply": lasting("offset", quantity="current_A", by=0.5)}),
    ("supply", "open terminals", {"supply": lasting("offset", quantity="voltage_V", by=0.9)}),
    ("supply", "zero current", {"supply": lasting("offset", quantity="current_A", by=0.009)}),
    ("meter", "meter against supply", {"meter": lasting("scale", quantity="voltage_V", factor=1.02)}),
    ("load", "load's lowest voltage", {"load": lasting("scale", quantity="current_A", factor=0.8)}),
    ("supply", "set-points", {"supply": lasting("ignore_set")}),
    ("supply", "deliberate trip", {"supply": lasting("replace", header="STAT:QUES:COND?", text="2")}),
]


@pytest.mark.parametrize(("instrument", "check", "faults"), BROKEN, ids=[check for _, check, _ in BROKEN])
def test_a_bench_that_is_not_right_gets_no_record_that_counts(
    instrument: str, check: str, faults: dict[str, Fault], tmp_path: Path
) -> None:
    bench = bench_file(tmp_path)
    record, _, world = proven(bench, faults)

    assert results(record)[instrument, check] == "FAILED"
    assert "record" not in record.proven
    assert not any(panel.conducts for panel in world.panels.values())


def test_what_the_person_does_not_do_is_not_proven(tmp_path: Path) -> None:
    record, _, _ = proven(bench_file(tmp_path), answer=lambda _text: False)

    found = results(record)
    assert found["supply", "over-current trip"] == "not here"
    assert found["probe", "warm hand"] == "FAILED"
    assert found["room", "ventilation"] == "FAILED"
    assert record.proven == {"over-voltage"}


def test_a_sensor_that_no_hand_moves_fails(tmp_path: Path) -> None:
    record, _, _ = proven(bench_file(tmp_path), warm_K=0.3)

    assert results(record)["probe", "warm hand"] == "FAILED"


def test_after_a_failure_nothing_more_is_energised(tmp_path: Path) -> None:
    record, _, _ = proven(bench_file(tmp_path), {"supply": lasting("offset", quantity="voltage_V", by=0.9)})

    found = results(record)
    assert {found["supply", check] for check in ("zero current", "over-current trip")} == {"not here"}


def test_a_folder_anybody_may_write_fails(tmp_path: Path) -> None:
    bench = bench_file(tmp_path)
    bench.data_dir.mkdir()
    bench.data_dir.chmod(0o777)
    record, _, _ = proven(bench)

    assert results(record)["computer", "permissions"] == "FAILED"


# --- the record ------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> tuple[Record, BenchFile]:
    bench = bench_file(tmp_path_factory.mktemp("bench"))
    return proven(bench)[0], bench


def test_a_record_is_read_back_as_it_was_written(good: tuple[Record, BenchFile]) -> None:
    record, _ = good
    assert record_of(record_text(record), "here") == record


def test_any_change_by_hand_is_found(good: tuple[Record, BenchFile]) -> None:
    text = record_text(good[0])
    for old, new in (('"slip-1"', '"slip-2"'), ("passed", "PASSED"), ("12:00", "13:00"), ('"simulated": true', '"simulated": false')):
        assert old in text
        with pytest.raises(BenchError, match="cannot be used"):
            record_of(text.replace(old, new, 1), "here")
    with pytest.raises(BenchError, match="here: this commissioning record"):
        record_of(text[:-30], "here")
    with pytest.raises(BenchError, match="cannot be used"):
        record_of(json.dumps({"version": 1}), "here")


def test_a_record_stops_counting_when_what_it_is_bound_to_changes(good: tuple[Record, BenchFile]) -> None:
    record, bench = good

    def told(record: Record, bench: BenchFile, channel: str = "slip-1", now: datetime = NOW) -> list[str]:
        return why_not(record, bench, channel, now)

    assert told(record, bench, channel="slip-2") == ["it is for channel slip-1"]
    assert told(record, replace(bench, sha256="0" * 64)) == ["the bench file was changed since"]
    assert told(record, bench, now=NOW + timedelta(days=VALID_DAYS, hours=-2)) == []
    assert told(record, bench, now=NOW + timedelta(days=VALID_DAYS + 1)) == [f"it is {VALID_DAYS + 1} days old, more than {VALID_DAYS}"]
    assert told(record, bench, now=NOW - timedelta(days=3))[0].startswith("it is from the future")
    stranger = replace(bench.instruments["load"], identity="Boathouse,Sink 10A,SN99,1.0")
    assert told(record, replace(bench, instruments={**bench.instruments, "load": stranger})) == ["another instrument is there now: load"]


def test_a_simulated_record_never_counts_for_a_real_bench(good: tuple[Record, BenchFile]) -> None:
    record, bench = good
    real = {
        name: replace(spec, address="tcp://192.168.0.10:5025", identity=spec.identity.replace("Boathouse", "Jetty"))
        for name, spec in bench.instruments.items()
    }
    answered = {name: identity.replace("Boathouse", "Jetty") for name, identity in record.identities.items()}

    assert record.simulated
    assert why_not(replace(record, identities=answered), replace(bench, instruments=real), "slip-1", NOW) == [
        "it was made with simulated instruments, and this bench is real"
    ]
