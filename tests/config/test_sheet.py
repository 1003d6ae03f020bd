"""The wiring sheet: drawing and lists agree, nothing overlaps, numbers come from the file, no network is asked."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.sheet import dead_man
from chargerd.config.sheet.advice import leads, placement, plume_mm, wire_advice
from chargerd.config.sheet.circuit import circuits_of
from chargerd.config.sheet.dead_man_drawing import dead_man_svg
from chargerd.config.sheet.drawing import channel_svg
from chargerd.config.sheet.lists import outputs, warnings
from chargerd.config.sheet.page import html_dead_man, html_sheet
from chargerd.config.sheet.parts import Part, parts
from chargerd.config.sheet.plain import plain_sheet
from chargerd.config.sheet.symbols import fold
from chargerd.daemon import keeper
from tests.config.files import BOATHOUSE, Edit, write_files
from tests.config.test_fit_bench import RELAY as PLAIN_RELAY
from tests.config.test_fit_bench import bank_edits
from tests.config.test_fit_bench import dead_man as dead_man_edit
from tests.config.test_readiness import WHOLE

BENCHES = sorted(BOATHOUSE.glob("bench*.yaml"), key=lambda path: path.stem)
NAMESPACE = {"": "http://www.w3.org/2000/svg"}


def bench_of(folder: Path, *edits: Edit) -> BenchFile:
    paths, _ = write_files(folder, *edits)
    return load_bench(paths["bench"])


def crowded(folder: Path) -> BenchFile:
    """Resistors behind relays and dead-man contacts, every meter, long names, outputs left alone."""
    long = "a-relay-with-a-very-long-name"
    whole = [Edit(edit.kind, edit.old, edit.new) for edit in WHOLE if "dead_man" not in edit.new and "minimum" not in edit.old]
    bench = bench_of(
        folder,
        *(Edit(edit.kind, edit.old, edit.new.replace("relay-b", long)) for edit in bank_edits()[2:]),
        *(Edit(e.kind, e.old, PLAIN_RELAY.format(name="relay-a", rating="") + PLAIN_RELAY.format(name=long, rating="") + e.new)
          if e.old.startswith("channels") else e for e in whole),
        Edit("bench", "    load: load\n", "    load: bank\n"),
        dead_man_edit(f"supply, relay-a, {long}, relay"),
        Edit("bench", "never_touch: []\nkeep_on: []\n", 'never_touch: ["tcp://127.0.0.1:5040 output 2"]\nkeep_on: ["tcp://127.0.0.1:5040 output 1"]\n'),
    )  # fmt: skip
    assert bench.dead_man is not None
    return bench


def samples(folder: Path) -> list[BenchFile]:
    return [*(load_bench(path) for path in BENCHES), bench_of(folder, *WHOLE), crowded(folder)]


# --- the drawing and the lists -----------------------------------------------------------------------------------------------


def test_there_are_four_example_benches() -> None:
    assert [path.stem for path in BENCHES] == ["bench", "bench-cheapest", "bench-no-load", "bench-string"]


def test_every_wire_is_drawn_once_listed_once_and_printed(tmp_path: Path) -> None:
    for bench in samples(tmp_path):
        page, text = html_sheet(bench), plain_sheet(bench)
        for circuit in circuits_of(bench):
            numbers = [wire.number for wire in circuit.wires()]
            root = ET.fromstring(channel_svg(circuit))
            drawn = sorted(int(one.text or "0") for one in root.iterfind("text[@class='tag-text']", NAMESPACE))

            assert drawn == numbers == sorted(set(numbers)), (bench.name, circuit.channel.name)
            for wire in circuit.wires():
                assert re.search(rf'<td class="number">{wire.number}</td><td>', page)
                assert f"-{wire.number}-" in text


def boxes(root: ET.Element) -> list[tuple[str, float, float, float, float]]:
    """Every text and wire number of a drawing as (said, left, top, right, bottom), widths estimated from the characters."""
    found = []
    for one in root.iterfind("text", NAMESPACE):
        said, style = one.text or "", one.get("class", "")
        if style == "tag-text":
            continue
        width = len(said) * (2.3 if style in {"name", "sign"} else 2.0)
        x, y, anchor = float(one.get("x", "0")), float(one.get("y", "0")), one.get("text-anchor")
        left = x - (width if anchor == "end" else width / 2 if anchor == "middle" else 0)
        found.append((said, left, y - 2.7, left + width, y + 0.4))
    for one in root.iterfind("rect[@class='tag']", NAMESPACE):
        x, y, width, height = (float(one.get(name, "0")) for name in ("x", "y", "width", "height"))
        found.append((f"wire at {x:g},{y:g}", x, y, x + width, y + height))
    return found


def overlaps(root: ET.Element) -> list[tuple[str, str]]:
    slack = 0.3
    return [
        (a[0], b[0])
        for a, b in combinations(boxes(root), 2)
        if a[1] < b[3] - slack and b[1] < a[3] - slack and a[2] < b[4] - slack and b[2] < a[4] - slack
    ]


def test_no_label_or_number_of_a_drawing_covers_another(tmp_path: Path) -> None:
    found = {
        f"{bench.name}: {circuit.channel.name}": overlaps(ET.fromstring(channel_svg(circuit)))
        for bench in samples(tmp_path)
        for circuit in circuits_of(bench)
    }

    assert {name: pairs for name, pairs in found.items() if pairs} == {}
    assert overlaps(ET.fromstring(dead_man_svg(["supply", "load", "relay-b"]))) == []


def test_everything_drawn_lies_within_the_drawing(tmp_path: Path) -> None:
    for bench in samples(tmp_path):
        for circuit in circuits_of(bench):
            root = ET.fromstring(channel_svg(circuit))
            _, _, width, height = map(float, root.get("viewBox", "").split())

            outside = [box for box in boxes(root) if box[1] < 0 or box[2] < 0 or box[3] > width or box[4] > height]
            assert (bench.name, outside) == (bench.name, [])


def test_a_page_asks_nothing_of_any_network_and_runs_nothing(tmp_path: Path) -> None:
    for page in (html_sheet(crowded(tmp_path)), html_dead_man(None)):
        assert re.findall(r"<script|<link|<img|<iframe|@import|url\(|\ssrc=|\shref=|\son[a-z]+=", page) == []
        assert set(re.findall(r"https?://[^\s\"'<]+", page)) == {"http://www.w3.org/2000/svg"}
        assert set(re.findall(r"#[0-9a-f]{3,6}\b", page)) == {"#000", "#fff"}


def test_what_a_file_says_cannot_become_markup(tmp_path: Path) -> None:
    hostile = Edit("bench", "bench: boathouse\n", 'bench: boathouse\nabout: "<script>alert(1)</script>"\n')
    pipe = Edit("bench", "never_touch: []", 'never_touch: ["<b>x</b>"]')

    page = html_sheet(bench_of(tmp_path, hostile, pipe))

    assert ("<script" in page, "<b>x" in page) == (False, False)
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_a_sheet_says_invented_when_the_file_does_and_only_then(tmp_path: Path) -> None:
    said = [("INVENTED" in html_sheet(bench), "INVENTED" in plain_sheet(bench)) for bench in (load_bench(BENCHES[0]), bench_of(tmp_path))]

    assert said == [(True, True), (False, False)]


def test_a_sheet_is_the_same_every_time(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, *WHOLE)

    assert html_sheet(bench) == html_sheet(load_bench(bench.path))


@pytest.mark.parametrize("word", ["hydrogen", "Goggles", "hot", "local codes and licensed practice", "Never seal"])
def test_what_can_hurt_stands_on_both_forms_of_the_sheet(word: str) -> None:
    bench = load_bench(BENCHES[0])

    assert (word in html_sheet(bench), word in " ".join(plain_sheet(bench).split())) == (True, True)


# --- the chains --------------------------------------------------------------------------------------------------------------


def chain(bench: BenchFile, key: str) -> tuple[str, ...]:
    (circuit,) = circuits_of(bench)
    return circuit.chains[key].parts


def test_the_positive_lead_is_rail_dead_man_relay_fuse_cell(tmp_path: Path) -> None:
    bench = crowded(tmp_path)
    long = "a-relay-with-a-very-long-name"

    assert chain(bench, "source+") == ("supply +", "dead-man contact 1", "+ rail of supply")
    assert chain(bench, "cell+") == ("+ rail of supply", "dead-man contact 4", "contact of relay", "fuse 1 A of slip-1", "cell of slip-1, +")
    assert chain(bench, "cell-") == ("cell of slip-1, −", "shunt of slip-1", "− rail of supply")
    assert chain(bench, "resistor:r-b") == (
        "+ rail of supply", "dead-man contact 3", f"contact of {long}", "resistor r-b", "− rail of supply",
    )  # fmt: skip
    assert "load+" not in circuits_of(bench)[0].chains


def test_what_measures_the_cell_has_leads_of_its_own_at_the_cell(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, *WHOLE)

    assert chain(bench, "meter+") == ("cell of slip-1, +", "resistor 1 kohm for volts", "volts +")
    assert chain(bench, "meter-") == ("cell of slip-1, −", "volts −")
    assert chain(bench, "shunt+") == ("shunt of slip-1, inner terminal at the cell's side", "amps +")
    assert chain(bench, "sense+") == ("supply +", "front +")


def test_each_tap_has_one_lead_with_a_resistor_and_serves_two_meters() -> None:
    bench = load_bench(BOATHOUSE / "bench-string.yaml")

    assert chain(bench, "tap:0") == ("cell 1 of jetty, −", "resistor 1 kohm at tap 0 of jetty", "cell-1 −")
    assert chain(bench, "tap:3") == ("cell 3 of jetty, +", "resistor 1 kohm at tap 3 of jetty", "cell-3 + and cell-4 −")
    assert chain(bench, "tap:7") == ("cell 7 of jetty, +", "resistor 1 kohm at tap 7 of jetty", "cell-7 +")
    assert chain(bench, "link:6") == ("cell 7 of jetty, −", "cell 6 of jetty, +")


def test_a_wire_shared_by_two_channels_has_one_number(tmp_path: Path) -> None:
    relays = "".join(PLAIN_RELAY.format(name=name, rating="") for name in ("k1", "k2"))
    bench = bench_of(
        tmp_path, Edit("bench", "channels:\n", f"{relays}channels:\n  slip-2: {{source: supply, load: load, voltage: supply, switch: k2}}\n"),
        Edit("bench", "    voltage: supply\n", "    voltage: supply\n    switch: k1\n"),
    )  # fmt: skip
    first, second = circuits_of(bench)

    assert first.wire("source+", 0) == second.wire("source+", 0)
    assert {wire.number for wire in first.wires()} & {wire.number for wire in second.wires()} == {
        first.wire(key, 0) for key in ("source+", "source-", "load+", "load-")
    }


# --- parts -------------------------------------------------------------------------------------------------------------------


def part(bench: BenchFile, words: str) -> Part:
    (found,) = [one for one in parts(bench) if words in one.what]
    return found


def test_fuses_and_relays_are_rated_for_direct_current_and_what_the_supply_may_give(tmp_path: Path) -> None:
    """Largest current 1 A (the fuse; the hard limit is 2.5 A), a quarter more for the contact: 1.25 A. The supply may give 30 V."""
    bench = bench_of(tmp_path, *WHOLE)

    assert part(bench, "fuse").rating == "1 A, quick-acting, for 30.00 V or more DC"
    assert part(bench, "relay relay,").rating == "1.25 A and 30.00 V DC"
    assert part(bench, "dead-man relay").rating == "3 A and 30.00 V DC"
    assert part(bench, "dead-man relay").what.startswith("dead-man relay with 2 normally open contact(s) and one normally closed contact")


def test_resistors_are_rated_for_twice_their_heat_at_the_benchs_hard_limit(tmp_path: Path) -> None:
    """3.0 V across 10 ohm: 0.9 W; its relay carries 0.3 A, a quarter more is 375 mA."""
    bench = bench_of(tmp_path, *bank_edits(power="0.5 W", rating=", rating: 300 mA"))

    assert part(bench, "power resistor r-a").rating == "10 ohm, 1.8 W or more"
    assert part(bench, "power resistor r-a").remark == "900 mW at the hard limit of 3.00 V; on metal, hot; THE FILE SAYS 500 mW: TOO SMALL"
    assert part(bench, "relay relay-a").rating == "375 mA and 30.00 V DC"
    assert "THE FILE SAYS 300 mA: TOO SMALL" in part(bench, "relay relay-a").remark
    assert [row for row in warnings(bench) if "TOO SMALL" in row] == [
        f"{one.what}: {one.remark}" for one in parts(bench) if "TOO SMALL" in one.remark
    ]


def test_tap_resistors_bear_a_shorted_lead() -> None:
    """21 V across 1 kohm: 21 mA, 441 mW; eight taps of seven cells and the lead of the meter across the string."""
    found = part(load_bench(BOATHOUSE / "bench-string.yaml"), "resistor at the cell's end")

    assert (found.count, found.rating) == (9, "1 kohm, 882 mW or more")
    assert "carries 21 mA and makes 441 mW" in found.remark


def test_a_shunt_is_rated_for_twice_its_heat_at_the_largest_current(tmp_path: Path) -> None:
    found = part(bench_of(tmp_path, *WHOLE), "shunt of slip-1")

    assert (found.rating, found.remark) == ("100 mohm, 250 mW or more", "drops 0.10 V at 1 A")


def test_taps_without_resistors_in_the_file_are_warned_of(tmp_path: Path) -> None:
    text = (BOATHOUSE / "bench-string.yaml").read_text(encoding="utf-8").replace("  tap_resistor: 1 kohm\n", "")
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")

    assert any("the file says no tap_resistor" in row for row in warnings(load_bench(path)))


def test_outputs_left_alone_are_marked() -> None:
    bench = load_bench(BOATHOUSE / "bench-string.yaml")

    assert [row.split(":")[0] for row in outputs(bench)] == ["NEVER TOUCHED by the program", "STAYS ON when everything else goes off"]
    assert "NEVER TOUCHED: no wire goes here" in html_sheet(bench)


# --- wire, distance, air -------------------------------------------------------------------------------------------------------


def test_a_lead_of_the_files_resistance_has_the_length_copper_gives() -> None:
    """IEC 60028: annealed copper 1/58 ohm mm²/m at 20 °C. 0.05 ohm in two leads of 0.75 mm²: 0.05 · 0.75 · 58 / 2 = 1.0875 m each."""
    bench = load_bench(BOATHOUSE / "bench.yaml")

    assert (leads(bench).cross_section_mm2, leads(bench).each_m) == (0.75, pytest.approx(1.0875))
    assert any("1.09 m for each of the two" in row for row in wire_advice(bench))


def test_the_cross_section_follows_the_larger_of_fuse_and_supply(tmp_path: Path) -> None:
    """5 A per mm² (common practice, no source); nominal sizes of IEC 60228 (from memory)."""
    found = []
    for fuse, supply in (("1 A", "3 A"), ("2.5 A", "5 A"), ("10 A", "5 A"), ("30 A", "5 A")):
        bench = bench_of(tmp_path, Edit("bench", "fuse: 1 A", f"fuse: {fuse}"),
                         Edit("bench", "{voltage: 30 V, current: 3 A}", f"{{voltage: 30 V, current: {supply}}}"))  # fmt: skip
        found.append(leads(bench).cross_section_mm2)

    assert found == [0.75, 1.0, 2.5, 6.0]


@pytest.mark.parametrize(("current", "distance_mm"), [("0.3 A", 192.8), ("1.5 A", 329.7)])
def test_sparks_stay_away_by_the_cube_root_of_the_gassing_current(tmp_path: Path, current: str, distance_mm: float) -> None:
    """IEC 62485-2 (from memory): d = 28.8 mm · ∛(I in mA): 28.8 · ∛300 = 192.8, 28.8 · ∛1500 = 329.7."""
    bench = bench_of(tmp_path, Edit("bench", "charge_current: 2.5 A\n  dis", f"charge_current: {current}\n  dis"))

    assert plume_mm(bench) == pytest.approx(distance_mm, abs=0.1)


def test_openings_smaller_than_the_gas_needs_are_said(tmp_path: Path) -> None:
    """IEC 62485-2: 0.05 m³/h per ampere and cell, 28 cm² per m³/h: 2.5 A need 3.5 cm²."""
    rows = [
        placement(bench_of(tmp_path, Edit("bench", "{outdoors: yes}", f"{{room: 30 m3, openings: {openings}}}")))[-1]
        for openings in ("3 cm2", "4 cm2")
    ]

    assert ["3.5 cm² are needed" in row for row in rows] == [True, True]
    assert ["THE FILE SAYS LESS" in row for row in rows] == [True, False]


# --- the dead-man relay ----------------------------------------------------------------------------------------------------------


def test_the_stage_is_computed_for_the_keepers_own_rhythm() -> None:
    assert dead_man.TOGGLE_s == keeper.TICK_S


def test_the_stages_formulas_agree_with_stepping_through_it() -> None:
    """The hold capacitor by itself: charge shared at each rising edge (once in two toggles), discharged in steps of 0.1 ms between."""
    drive_V, voltage_V, step_s = dead_man.BUFFER_V - 2 * dead_man.DIODE_V, 0.0, 1e-4
    tau_s = dead_man.BLEED_ohm * dead_man.HOLD_F
    lowest_V = 0.0
    for _ in range(30):
        lowest_V = voltage_V
        voltage_V += (drive_V - voltage_V) * dead_man.PUMP_F / (dead_man.PUMP_F + dead_man.HOLD_F)
        highest_V = voltage_V
        for _ in range(round(2 * dead_man.TOGGLE_s / step_s)):
            voltage_V -= voltage_V * step_s / tau_s
    passed_s, left_V = 0.0, highest_V
    while left_V > dead_man.GATE_V[0]:
        left_V -= left_V * step_s / tau_s
        passed_s += step_s

    assert dead_man.held_V() == pytest.approx(lowest_V, rel=1e-3)
    assert dead_man.drop_out_s(dead_man.GATE_V[0]) == pytest.approx(passed_s, rel=1e-3)


def test_the_worked_example_holds_while_it_is_fed_and_lets_go_within_its_five_seconds() -> None:
    assert dead_man.held_V() > dead_man.GATE_V[1]
    assert 2 * dead_man.TOGGLE_s < dead_man.drop_out_s(dead_man.GATE_V[1]) < dead_man.drop_out_s(dead_man.GATE_V[0]) < 5.0


def test_the_section_names_what_this_bench_cuts() -> None:
    said = dead_man.text(load_bench(BOATHOUSE / "bench-string.yaml"))

    assert "fed at gpio:///dev/gpiochip0?line=27, opens within 5 s" in said
    assert "contact KD 2: in the + lead of load" in said
    assert "no dead_man: when the computer dies, its outputs stay on" in dead_man.text(load_bench(BENCHES[0]))
    assert "normally closed" in dead_man.text(None)


@pytest.mark.parametrize(("said", "width", "lines"), [
    ("relay-cell", 30.0, ["relay-cell"]), ("a-relay-with-a-long-name", 25.0, ["a-relay-", "with-a-long-", "name"]),
    ("x" * 30, 25.0, ["x" * 12, "x" * 12, "x" * 6]), ("two words", 12.0, ["two", "words"]),
])  # fmt: skip
def test_long_names_are_folded(said: str, width: float, lines: list[str]) -> None:
    assert fold(said, width) == lines
