"""What is not active on a channel, and what is missing before it may be left alone: each row says what to buy or do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.cli.main import main
from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.readiness import Abilities, missing, not_active
from chargerd.instruments.abilities import abilities_of
from tests.config.files import BOATHOUSE, Edit, write_files

RELAY = (
    '  relay: {address: "tcp://127.0.0.1:5031", dialect: relay-bytes, identity: "B,R,1,1", '
    "contact: {without_power: open, at_boot: open, rating: 5 A}}\n"
)
METER = (
    '  {name}: {{address: "tcp://127.0.0.1:5032", dialect: scpi-meter, identity: "B,M,1,1", isolated: yes, '
    "accuracy: {{{quantity}: 0.1 %}}, resolution: {{{quantity}: {step}}}{more}}}\n"
)
DEAD_MAN = 'dead_man: {feed: "gpio:///dev/gpiochip0?line=27", cuts: [supply, load], buzzer: yes}\n'

WHOLE = (
    Edit("bench", "channels:\n", RELAY + METER.format(name="volts", quantity="voltage", step="1 mV", more="")
         + METER.format(name="front", quantity="voltage", step="1 mV", more="")
         + METER.format(name="amps", quantity="current", step="0.1 mA", more=", shunt: 0.1 ohm")
         + METER.format(name="room", quantity="temperature", step="0.1 K", more="").replace("0.1 %", "0.5 K") + "channels:\n"),
    Edit("bench", "    voltage: supply\n",
         "    voltage: volts\n    sense: front\n    current: amps\n    switch: relay\n    ambient: room\n"),
    Edit("bench", "", DEAD_MAN),
    Edit("bench", "    minimum_voltage: 0.1 V\n", ""),
)  # fmt: skip
"""The good bench with everything a bench can have."""


def bench_of(folder: Path, *edits: Edit) -> BenchFile:
    paths, _ = write_files(folder, *edits)
    return load_bench(paths["bench"])


def lacking(bench: BenchFile, abilities: Abilities = Abilities(), record: set[str] | None = None) -> list[str]:  # noqa: B008
    return [row.what for row in missing(bench, bench.channels["slip-1"], {"supply": abilities}, record)]


def test_a_bench_with_everything_lacks_only_its_proof(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, *WHOLE)

    assert [row.what for row in not_active(bench, bench.channels["slip-1"])] == []
    assert lacking(bench) == [
        "the dead-man relay is not proven", "supply's over-current protection is not verified", "no commissioning record",
    ]  # fmt: skip
    assert lacking(bench, Abilities(over_current_protection=True), {"over-current", "dead-man"}) == []


def whole_but(old: str, new: str) -> tuple[Edit, ...]:
    """The whole bench with one thing changed, in whichever part of it that stands."""
    changed = tuple(Edit(edit.kind, edit.old, edit.new.replace(old, new)) for edit in WHOLE)
    return changed if changed != WHOLE else (*WHOLE, Edit("bench", old, new))


MISSING = [
    (whole_but("    temperature: probe\n", ""), "no thermometer on the cell"),
    (whole_but(DEAD_MAN, "# none\n"), "no dead-man relay, and no watchdog known in the supply"),
    (whole_but("cuts: [supply, load]", "cuts: [supply]"), "the dead-man relay does not cut load"),
    (whole_but("at_boot: open", "at_boot: unknown"), "nobody knows what relay does while the computer starts"),
    (whole_but("at_boot: open", "at_boot: closed"), "relay closes while the computer starts"),
    (whole_but("without_power: open", "without_power: closed"), "relay is closed without power"),
    (whole_but("    switch: relay\n", ""), "no relay between the cell and everything else"),
]  # fmt: skip


@pytest.mark.parametrize(("edits", "what"), MISSING, ids=[row[1] for row in MISSING])
def test_each_thing_missing_for_unattended_is_named(tmp_path: Path, edits: tuple[Edit, ...], what: str) -> None:
    bench = bench_of(tmp_path, *edits)

    assert lacking(bench, Abilities(over_current_protection=True), {"over-current", "dead-man"}) == [what]


def test_a_record_proves_a_relays_boot_and_a_watchdog(tmp_path: Path) -> None:
    unknown = bench_of(tmp_path, *whole_but("at_boot: open", "at_boot: unknown"))
    bare = bench_of(tmp_path, *whole_but(DEAD_MAN, "# none\n"))

    assert lacking(unknown, record={"over-current", "boot:relay", "dead-man"}) == []
    assert lacking(bare, Abilities(watchdog=True), {"over-current", "watchdog"}) == []
    assert lacking(bare, Abilities(watchdog=True), {"over-current"}) == ["no dead-man relay, and the supply's own watchdog is not verified"]


def test_a_supply_without_over_current_protection_is_no_record_away(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, *WHOLE)

    assert lacking(bench, Abilities(over_current_protection=False), {"over-current", "dead-man"}) == [
        "supply has no over-current protection of its own"
    ]


NOT_ACTIVE = [
    (whole_but("    temperature: probe\n", ""), "the cell's highest and lowest temperature, its rise and how fast it heats"),
    (whole_but("    ambient: room\n", ""), "warming against the room as it changes"),
    (whole_but("    voltage: volts\n", "    voltage: supply\n"), "a second opinion on the cell's voltage; clips and leads going bad"),
    (whole_but("    sense: front\n", ""), "what leads and clips drop, at the source's own terminals"),
    (whole_but("    current: amps\n", ""), "a second opinion on the current, and charge ends below 1.3 mA"),
    (whole_but("    switch: relay\n", ""), "the current's zero with nothing connected, and self-discharge"),
    (whole_but(", buzzer: yes", ""), "a sound when everything is dead"),
    (whole_but(", rating: 5 A", ""), "currents compared with contacts"),
]  # fmt: skip


@pytest.mark.parametrize(("edits", "what"), NOT_ACTIVE, ids=[row[1] for row in NOT_ACTIVE])
def test_each_limit_that_is_not_active_says_what_to_buy(tmp_path: Path, edits: tuple[Edit, ...], what: str) -> None:
    bench = bench_of(tmp_path, *edits)
    (row,) = not_active(bench, bench.channels["slip-1"])

    assert row.what == what
    assert any(word in row.remedy for word in ("buy", "write", "better", "draw"))


# --- resistors whose relays nobody sees -------------------------------------------------------------------------------------

TWO_RELAYS = "".join(RELAY.replace("  relay:", f"  k{number}:") for number in (1, 2))
BANK = (
    Edit("bench", "channels:\n", TWO_RELAYS + "channels:\n"),
    Edit("bench", "    load: load\n", "    load: bank\n"),
    Edit("bench", "limits:\n  voltage", "resistors:\n  r1: {load: bank, switch: k1, resistance: 10 ohm, power: 5 W}\n"
         "  r2: {load: bank, switch: k2, resistance: 15 ohm, power: 5 W}\nlimits:\n  voltage"),
)  # fmt: skip
AMMETER = (
    Edit("bench", "channels:\n", METER.format(name="amps", quantity="current", step="0.1 mA", more=", shunt: 0.1 ohm") + "channels:\n"),
    Edit("bench", "    voltage: supply\n", "    voltage: supply\n    current: amps\n"),
)  # fmt: skip
MUTE, HOLDS, SEEN = Abilities(reads_back=False, mirror=False), Abilities(reads_back=True, mirror=False), Abilities(mirror=True)


def about_relays(bench: BenchFile, **relays: Abilities) -> tuple[list[str], list[str]]:
    """What is not active and what is missing for unattended, of the resistors' relays."""
    channel = bench.channels["slip-1"]
    rows = not_active(bench, channel, relays), missing(bench, channel, relays)
    unseen, lacked = ([row for row in some if "k1" in row.what or "k2" in row.what] for some in rows)
    assert all("mirror contact" in row.remedy and "shunt" in row.remedy for row in (*unseen, *lacked))
    return [row.what for row in unseen], [row.what for row in lacked]


def test_relays_of_resistors_that_answer_nothing_are_not_left_alone(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, *BANK)
    told = ["whether k1 and k2 really opened or closed"], ["k1 and k2 are open only by what they were told"]

    assert about_relays(bench, k1=MUTE, k2=MUTE) == told
    assert about_relays(bench) == told  # a dialect that cannot be read answers nothing either


def test_a_relay_that_reads_back_may_be_left_alone_but_its_contact_is_not_seen(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, *BANK)

    assert about_relays(bench, k1=HOLDS, k2=MUTE) == (
        ["whether k2 really opened or closed", "a contact of k1 that is welded or does not close"],
        ["k2 is open only by what it was told"],
    )  # fmt: skip


def test_a_mirror_contact_or_an_ammeter_sees_the_contact(tmp_path: Path) -> None:
    assert about_relays(bench_of(tmp_path, *BANK), k1=SEEN, k2=SEEN) == ([], [])
    assert about_relays(bench_of(tmp_path, *BANK, *AMMETER), k1=MUTE, k2=MUTE) == ([], [])


def test_what_relays_answer_is_read_from_their_dialects(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, *BANK)
    relays = {"k1": replace(bench.instruments["k1"], dialect="relay-bytes"), "k2": replace(bench.instruments["k2"], dialect="relay-pins", output="3")}

    found = abilities_of(replace(bench, instruments=bench.instruments | relays))

    assert (found["k1"].reads_back, found["k1"].mirror) == (True, True)
    assert (found["k2"].reads_back, found["k2"].mirror) == (True, False)


def test_a_bench_without_a_load_stores_and_does_not_test(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, Edit("bench", "    load: load\n", ""))

    rows = {row.what: row.why for row in not_active(bench, bench.channels["slip-1"])}

    assert rows["capacity, efficiency and over-discharge"] == "no load: stored, not tested"


@pytest.mark.parametrize(("edits", "why"), [
    ((), "supply and load alone measure it"), ((Edit("bench", "    load: load\n", ""),), "supply alone measures it"),
])
def test_who_alone_measures_is_said_of_one_and_of_two(tmp_path: Path, edits: tuple[Edit, ...], why: str) -> None:
    bench = bench_of(tmp_path, *edits)

    assert why in [row.why for row in not_active(bench, bench.channels["slip-1"])]


def test_check_prints_both_lists_for_every_channel(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["check", str(BOATHOUSE / "bench-cheapest.yaml")])

    said = capsys.readouterr().out
    assert code == 0
    assert "  channel slip-1:\n    not active: " in said
    assert "    missing for unattended: no dead-man relay" in said
    assert "charge ends below 4.5 mA" in said
    assert "earth: slip-1: supply alone ties it to earth, at the negative rail" in said
