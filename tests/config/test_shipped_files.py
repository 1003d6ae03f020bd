"""What ships must load, plan on the boathouse bench, be said in words, and satisfy its own JSON Schema."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.cell import load_cell
from chargerd.config.echo import describe, describe_rating, remarks
from chargerd.config.marked import Faults, MarkedList, MarkedText, Node, read_marked
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.config.profile_keys import PROFILE
from chargerd.config.schema import KEYS, manual_rows, schema
from chargerd.config.tables import KINDS, Group
from chargerd.core.ends import ENDS
from chargerd.core.program import Repeat
from chargerd.errors import ProfileError
from tests.config.files import BOATHOUSE, CELLS, PROFILES, TEXTS, Edit, plan, write_files

BENCHES = sorted(BOATHOUSE.glob("bench*.yaml"))
GENTLE, CHECK, FAST = (
    next(path for path in PROFILES if path.stem == name)
    for name in ("gentle-formation", "capacity-check", "fast-formation-attended")
)


def _bench(folder: Path, fuse: str) -> BenchFile:
    text = (BOATHOUSE / "bench.yaml").read_text(encoding="utf-8")
    assert "fuse: 1 A" in text
    path = folder / "bench.yaml"
    path.write_text(text.replace("fuse: 1 A", f"fuse: {fuse}"), encoding="utf-8")
    return load_bench(path)


@pytest.mark.parametrize("profile", PROFILES, ids=lambda path: path.stem)
@pytest.mark.parametrize("cell", CELLS, ids=lambda path: path.stem)
def test_every_shipped_profile_plans_for_every_shipped_cell(profile: Path, cell: Path, tmp_path: Path) -> None:
    bench = _bench(tmp_path, "2.5 A" if profile == FAST else "1 A")
    loaded, of_cell = load_profile(profile), load_cell(cell)

    made = build_plan(loaded, of_cell, bench, "slip-1")

    assert made.program.name == profile.stem
    assert made.ovp_V is not None
    assert made.ovp_V <= made.limits.voltage_max_V
    assert made.ocp_A is not None
    assert made.ocp_A <= bench.wiring.fuse_A
    assert describe(made, loaded, of_cell, bench, "slip-1")


def test_the_default_profiles_never_ask_more_than_the_1_A_fuse_allows() -> None:
    bench, cell = load_bench(BOATHOUSE / "bench.yaml"), load_cell(BOATHOUSE / "cells" / "plover-01.yaml")

    for path in (GENTLE, CHECK):
        assert max(step.current_A for step in build_plan(load_profile(path), cell, bench, "slip-1").program.steps()) <= 0.75
    with pytest.raises(ProfileError, match=r"too much for the fuse 1 A .*fit a fuse of 2\.494 A"):
        build_plan(load_profile(FAST), cell, bench, "slip-1")


def test_gentle_formation_is_what_the_method_asks_for() -> None:
    made = build_plan(load_profile(GENTLE), load_cell(BOATHOUSE / "cells" / "plover-01.yaml"),
                      load_bench(BOATHOUSE / "bench.yaml"), "slip-1")  # fmt: skip
    repeat = made.program.items[0]

    assert isinstance(repeat, Repeat)
    assert repeat.climb is not None
    assert repeat.climb.rungs_V == (1.75, 1.80, 1.85)
    charge, discharge = repeat.steps[0], repeat.steps[2]
    assert {end.kind: end.value for end in charge.ends} == {
        "current_below": 0.03, "plateau_lasts": 600.0, "gassing_time": 1200.0, "gas_charge": 0.075, "charge": 1.8, "time": 50400.0,
    }  # fmt: skip
    assert {end.kind: end.value for end in discharge.ends} == {"voltage_below": 0.8, "charge": 2.25, "time": 28800.0}
    assert (charge.current_A, discharge.current_A) == (0.15, 0.3)


def test_fast_formation_is_attended_and_says_so() -> None:
    profile = load_profile(FAST)

    assert profile.attended
    assert "NEVER LEAVE IT ALONE" in profile.text


@pytest.mark.parametrize("path", [*PROFILES, *CELLS, *BENCHES], ids=lambda path: path.name)
def test_shipped_files_have_one_key_per_line(path: Path) -> None:
    """Flow maps are short to type and hard to comment: shipped files have none, so every number can have its reason."""
    body = [line.split("#")[0] for line in path.read_text(encoding="utf-8").splitlines()]

    assert not [line for line in body if "{" in line]


@pytest.mark.parametrize("path", [*CELLS, *BENCHES], ids=lambda path: path.name)
def test_example_files_say_that_they_are_invented(path: Path) -> None:
    assert "INVENTED" in path.read_text(encoding="utf-8")


def test_a_plan_is_said_in_words_with_its_numbers() -> None:
    profile, cell = load_profile(GENTLE), load_cell(BOATHOUSE / "cells" / "phalarope-01.yaml")
    bench = load_bench(BOATHOUSE / "bench.yaml")
    said = "\n".join(describe(build_plan(profile, cell, bench, "slip-1"), profile, cell, bench, "slip-1"))

    assert "rated capacity 519.2 mAh, bounded by its ingredients (1.5 Ah was typed)" in said
    assert "charge at 51.92 mA up to the round's voltage, opened for 1 s every 5 min, read every 5 s" in said
    assert "charging to 1.75 V, then 1.80 V, then 1.85 V; a rung lower when less than 95 % comes back" in said
    assert "discharge at 103.8 mA" in said
    assert "everything goes off and stays off above 2.75 V" in said
    assert "over-voltage protection: 1.959 V" in said
    assert "not active: warming against the room" in said


def test_what_is_not_active_or_not_possible_is_said_without_a_plan(tmp_path: Path) -> None:
    paths, _ = write_files(tmp_path, Edit("bench", "    load: load\n", ""), Edit("bench", "    temperature: probe\n", ""))
    notes = remarks(load_profile(paths["profile"]), load_cell(paths["cell"]), load_bench(paths["bench"]), "slip-1")

    assert "not active: temperature limits and heating, no thermometer on this channel; attended only" in notes
    assert "steps 1.3 need a load and channel slip-1 has none; stored: not tested" in notes


def test_every_kind_of_step_and_rating_is_said_in_words(tmp_path: Path) -> None:
    hold = (
        "  - constant_voltage:\n      voltage: 1.8 V\n      current: C/10\n      ends_when: {energy: 2 Wh, charge: 1 Ah, time: 1 h}\n"
        "  - rest: {lasts: 1 h}\n  - repeat:\n      rounds: 2\n      steps:\n        - discharge:\n            current: 0.2 It\n"
        "            ends_when: {temperature_above: 40 °C, charge: 1 Ah, time: 1 h}\n"
    )
    edits = (
        Edit("profile", "", hold),
        Edit("profile", "        step_back_when:\n          coulombic_efficiency_below: 95 %\n", ""),
        Edit("cell", "capacity: 1.5 Ah", "capacity: 1.5 Ah\n  measured: yes"),
        Edit("cell", "threshold: unmeasured", "threshold: 2.105 V"),
    )
    paths, _ = write_files(tmp_path, *edits, Edit("bench", "    temperature: probe\n", "    temperature: probe\n    ambient: room\n"),
                           Edit("bench", "channels:\n", _ROOM))  # fmt: skip
    profile, cell, bench = load_profile(paths["profile"]), load_cell(paths["cell"]), load_bench(paths["bench"])
    said = "\n".join(describe(build_plan(profile, cell, bench, "slip-1"), profile, cell, bench, "slip-1"))

    assert "3  hold 1.80 V with at most 150 mA" in said
    assert "2 Wh have moved" in said
    assert "4  rest for 1 h, output off" in said
    assert "5  2 rounds\n" in said
    assert "until the cell reaches 40 °C" in said
    assert describe_rating(cell) == "rated capacity 1.5 Ah, measured"
    assert "not active" not in said
    assert "unmeasured" not in said
    assert "then 1.95 V; done when two rounds agree within 2 %" in said


_ROOM = (
    '  room:\n    address: tcp://127.0.0.1:5029\n    dialect: scpi-thermometer\n    identity: "a,b,c,d"\n'
    "    accuracy: {temperature: 0.5 K}\n    resolution: {temperature: 0.1 K}\nchannels:\n"
)


def test_an_attended_plan_says_so_and_how_few_readings_it_may_miss(tmp_path: Path) -> None:
    profile, cell, bench = load_profile(FAST), load_cell(CELLS[2]), _bench(tmp_path, "2.5 A")
    said = describe(build_plan(profile, cell, bench, "slip-1"), profile, cell, bench, "slip-1")

    assert said[0].endswith("attended only")
    assert any("at most 1 missed reading" in line for line in said)


# --- the tables ----------------------------------------------------------------------------------------------------------


def _plain(node: Node) -> Any:
    """Return the tree as an editor's YAML 1.2 reader sees it, yes/no left as text."""
    if isinstance(node, MarkedText):
        return node.text
    if isinstance(node, MarkedList):
        return [_plain(item) for item in node.items]
    return {key: _plain(value) for key, (_, value) in node.entries.items()}


FILES = [("bench", BOATHOUSE / "bench.yaml"), *(("cell", path) for path in CELLS), *(("profile", path) for path in PROFILES)]


@pytest.mark.parametrize(("kind", "path"), FILES, ids=lambda value: getattr(value, "stem", value))
def test_the_json_schema_accepts_what_ships(kind: str, path: Path) -> None:
    made = schema(kind)
    Draft202012Validator.check_schema(made)
    root = read_marked(path, Faults()).root
    assert root is not None
    converted = yaml.safe_load(path.read_text(encoding="utf-8")) | ({"made": "2025-10-03"} if kind == "cell" else {})

    assert [error.message for error in Draft202012Validator(made).iter_errors(_plain(root))] == []
    assert [error.message for error in Draft202012Validator(made).iter_errors(converted)] == []


SCHEMA_REFUSES = [
    ("profile", "sample_every: 5 s", "sample_evry: 5 s"),
    ("profile", "current: 300 mA", "current: 300"),
    ("profile", "current: 300 mA", "current: 300 ma"),
    ("profile", "current: 300 mA", "current: 0.5 C"),
    ("profile", "        time: 5 h\n", ""),
    ("profile", "- rest: {lasts: 10 min}", "- {}"),
    ("cell", "temperature_max: 45 °C", "temperature_max: 45 C"),
    ("cell", "carbon: 1.20 EUR", "carbon: 1.20"),
    ("cell", "mass: 112 g\n", ""),
    ("bench", "    dialect: scpi-load\n", ""),
    ("bench", "channels:\n  slip-1:", "channels:\n  slip 1:"),
]


@pytest.mark.parametrize(("kind", "old", "new"), SCHEMA_REFUSES)
def test_the_json_schema_refuses_what_the_loader_refuses(kind: str, old: str, new: str) -> None:
    validator = Draft202012Validator(schema(kind))

    assert not list(validator.iter_errors(yaml.load(TEXTS[kind], yaml.BaseLoader)))
    assert list(validator.iter_errors(yaml.load(Edit(kind, old, new).applied(TEXTS[kind]), yaml.BaseLoader)))


def test_an_unknown_kind_has_no_schema() -> None:
    with pytest.raises(KeyError):
        schema("recipe")


def _groups(group: Group) -> list[Group]:
    return [group, *(inner for key in group.keys if key.group is not None for inner in _groups(key.group))]


@pytest.mark.parametrize("kind", KEYS)
def test_every_row_has_a_known_kind_and_a_meaning_for_the_manual(kind: str) -> None:
    for group in _groups(KEYS[kind]):
        for key in group.keys:
            assert key.kind in KINDS
            assert key.meaning
            assert not (key.required and key.default)
    rows = manual_rows(kind)
    assert len({row[0] for row in rows}) == len(rows)
    assert all(row[1] and row[4] for row in rows)


def test_every_end_has_a_profile_key_under_each_step_it_may_end() -> None:
    names = {row[0] for row in manual_rows("profile")}

    for end in ENDS.values():
        for kind in end.steps:
            assert f"steps[].{kind}.ends_when.{end.key}" in names
            assert f"steps[].repeat.steps[].{kind}.ends_when.{end.key}" in names
    assert {key.name for key in PROFILE.keys} == {"profile", "about", "attended", "next_visit", "limits", "steps"}


def test_a_plan_is_equal_when_its_files_are(tmp_path: Path) -> None:
    assert plan(tmp_path) == plan(tmp_path)
