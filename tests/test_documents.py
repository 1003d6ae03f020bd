"""README.md, MANUAL.md and DEVELOPERS.md against the code: every table, name, number and command line they show; and the house rules.

What is compared stands in the code once; these tests only read it.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import math
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from chargerd.cli.main import VERBS, main
from chargerd.config.bench import load_bench
from chargerd.config.bench_keys import SENSORS
from chargerd.config.cell import load_cell
from chargerd.config.echo import describe_step
from chargerd.config.plan import build_plan
from chargerd.config.profile import load_profile
from chargerd.config.safety_time import Reaction, keeper_s, off_plan_s, reaction
from chargerd.config.schema import manual_rows
from chargerd.core.causes import CAUSES, COOLING_S
from chargerd.core.ends import ENDS
from chargerd.core.engine import LEASE_EXTRA_S
from chargerd.core.events import StepEnded
from chargerd.core.limits import BOUND_FACTOR
from chargerd.core.plan import Plan
from chargerd.core.program import EndSpec, Step, StepKind
from chargerd.core.states import TRANSITIONS
from chargerd.daemon import keeper
from chargerd.daemon.channel import PASS_EVERY_S, RETRY_OFF_S
from chargerd.errors import Exit
from chargerd.instruments import dialect, dialect_file
from chargerd.instruments.transports.registry import SCHEME_OPTIONS, parse_address
from chargerd.journal.columns import COLUMNS
from chargerd.status.mailbox import Queued, Status
from chargerd.status.mqtt import Publisher
from tests.status.status_samples import sample

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "chargerd"
BOATHOUSE = ROOT / "examples" / "boathouse"
README = (ROOT / "README.md").read_text(encoding="utf-8")
MANUAL = (ROOT / "MANUAL.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
README_LINES_MAX, FUNCTION_LINES_MAX, MODULE_LINES_MAX = 220, 70, 400
GENERATED = {"__pycache__", "demo-runs", "bench-results", "build", "dist"}

WHERE_ENDS_SHOW = {
    "current_below": "current_A", "plateau_lasts": "elapsed_s", "voltage_above": "voltage_V", "ir_free_voltage_above": "resistance_ohm",
    "voltage_below": "voltage_V", "temperature_above": "temperature_degC", "gassing_time": "gassing_s", "gas_charge": "gas_charge_Ah",
    "charge": "charge_Ah", "energy": "energy_Wh", "time": "elapsed_s", "voltage_falls_by": "voltage_V",
    "voltage_slope_below": "voltage_V", "voltage_slope_above": "voltage_V", "temperature_rise_above": "temperature_degC",
    "temperature_slope_above": "temperature_degC",
}  # fmt: skip
"""End → the column of the readings, or the field of the event that says a step ended, in which its quantity can be followed."""


def table(text: str, heading: str) -> list[list[str]]:
    """The rows of the one table whose heading begins with these cells; backticks are taken off cells that are only a word."""
    lines = text.splitlines()
    starts = [number for number, line in enumerate(lines) if line.startswith(heading)]
    assert len(starts) == 1, f"{heading!r} heads {len(starts)} tables"
    rows = []
    for line in lines[starts[0] + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([re.sub(r"^`([^`]*)`$", r"\1", cell.strip()) for cell in line.strip("|").split("|")])
    return rows


def folded(rows: list[list[str]]) -> list[tuple[str, str]]:
    """The pairs of a table that stands in two or three columns, read down each of them."""
    pairs = [(row[at], row[at + 1]) for at in range(0, len(rows[0]), 2) for row in rows]
    return [pair for pair in pairs if pair != ("", "")]


def words_in_backticks(text: str) -> set[str]:
    return set(re.findall(r"`([^`\s]+)`", text))


def python_files(*folders: Path) -> Iterator[Path]:
    for folder in folders:
        yield from (path for path in sorted(folder.rglob("*.py")) if not GENERATED & set(path.parts))


def shipped_text_files() -> Iterator[Path]:
    """Everything of the tree that is ours; caches, environments and what runs leave behind are not."""
    for path in sorted(ROOT.rglob("*")):
        parts = path.relative_to(ROOT).parts
        if path.is_file() and not GENERATED & set(parts) and (not parts[0].startswith(".") or parts[0] in {".ci", ".gitignore"}):
            yield path


# --- README and manual: tables ----------------------------------------------------------------------------------------------------


def test_the_readme_is_short_enough_to_be_read():
    assert len(README.splitlines()) <= README_LINES_MAX


def test_the_verbs_are_those_of_the_program():
    assert dict(table(MANUAL, "| verb |")) == VERBS


def test_every_verb_is_a_module_with_arguments_and_a_run():
    modules = {verb: importlib.import_module(f"chargerd.cli.{verb}") for verb in VERBS}

    assert [verb for verb, module in modules.items() if not (callable(module.add_arguments) and callable(module.run))] == []


def test_the_exit_codes_are_those_of_the_program():
    listed = [re.fullmatch(r"([0-9]+) `([A-Z_]+)`", code) for code, _ in folded(table(MANUAL, "| exit code |"))]

    assert {match[2]: int(match[1]) for match in listed if match} == {code.name: code.value for code in Exit}
    assert all(listed)


def test_the_ends_are_those_of_the_engine():
    listed = [tuple(row) for row in table(MANUAL, "| end |")]

    assert listed == [
        (end.key, end.dimension, ", ".join(sorted(end.steps)), "yes" if end.bounded else "", end.meaning) for end in ENDS.values()
    ]
    assert f"{BOUND_FACTOR} × the end trips" in MANUAL


def test_the_causes_of_a_trip_are_those_of_protection():
    listed = {row[0].strip("`"): (row[1], row[2]) for row in table(MANUAL, "| cause |")}

    assert listed == {name: (cause.words, cause.priority.value) for name, cause in CAUSES.items()}
    assert f"after {COOLING_S / 60:g} min at the earliest" in MANUAL


def test_the_first_columns_are_those_of_the_journal():
    assert folded(table(README, "| column |")) == [(column.name, column.meaning) for column in COLUMNS]


def test_every_profile_key_is_named_and_no_other():
    ends = {f"ends_when.{end}" for end in ENDS}
    paths = [row[0] for row in manual_rows("profile") if ".".join(row[0].split(".")[-2:]) not in ends]
    keys = {path.rpartition(".")[2] for path in paths}
    rows = table(MANUAL, "| in | keys |")

    assert words_in_backticks(" ".join(f"`{row[0]}` {row[1]}" if " " not in row[0] else " ".join(row) for row in rows)) == keys


def test_the_mqtt_topics_are_those_the_publisher_uses():
    publisher = Publisher("127.0.0.1", prefix="PREFIX", bench="BENCH")
    items = (Status("CHANNEL", sample(), unknown=False), Queued(1, {"channel": "CHANNEL"}))
    topics = [publisher._options["will"].topic] + [publisher._topic_and_payload(item)[0] for item in items]
    retained = ["yes", "yes", "no"]

    listed = [(row[0], row[1]) for row in table(MANUAL, "| MQTT topic |")]

    shown = [re.sub("PREFIX|BENCH|CHANNEL", lambda name: f"<{name[0].lower()}>", topic) for topic in topics]
    assert listed == list(zip(shown, retained, strict=True))


def test_the_manual_shows_every_way_to_an_instrument_and_every_sensor():
    shown = [re.match(r"`?(?:trace\+)?([a-z-]+)://", row[0]) for row in table(MANUAL, "| address | reaches |")]

    assert {match[1] for match in shown if match} == {scheme for scheme in SCHEME_OPTIONS if "memory" not in scheme}
    assert all(parse_address(row[0].replace("…", "1")) for row in table(MANUAL, "| address | reaches |"))
    assert words_in_backticks(" ".join(f"`{word}`" for row in table(MANUAL, "| `kind` |") for word in re.findall(r"[a-z0-9-]+", row[0]))) == set(
        SENSORS
    )


# --- README: numbers and commands ----------------------------------------------------------------------------------------


def boathouse_plan(profile: Path) -> Plan:
    bench = load_bench(BOATHOUSE / "bench.yaml")
    return build_plan(load_profile(profile), load_cell(BOATHOUSE / "cells" / "plover-01.yaml"), bench, "slip-1")


def test_the_times_until_off_are_those_of_the_defaults():
    bench = load_bench(BOATHOUSE / "bench.yaml")
    reacts: Reaction = reaction(bench, bench.channels["slip-1"])
    who = {row[0]: (row[1], row[2]) for row in table(README, "| what dies |")}
    plan_s, keeps_s = (math.ceil(until_s(bench, bench.channels["slip-1"])) for until_s in (off_plan_s, keeper_s))

    assert who["the worker hangs"] == (
        f"the keeper: {keeper.PATIENCE_S:g} s patience + {keeper.KILL_S:g} s kill + {plan_s} s off plan", f"{keeps_s} s",
    )  # fmt: skip
    assert who["the program's worker is killed"][1] == f"{plan_s} s"
    assert who["the keeper is killed"][1] == f"{PASS_EVERY_S:g} s + {reacts.off_s:g} s"
    assert who["Ctrl-C, terminal closed, logged out"][1] == f"{reacts.off_s:g} s, else {keeps_s} s"
    seen_and_off_s = reacts.question_s + reacts.off_s
    assert who["a reading: too high, too hot"][1] == f"one `sample_every` + {seen_and_off_s:g} s to read, switch off and verify"
    silent = who["an instrument falls silent"]
    missed_max = boathouse_plan(ROOT / "profiles" / "gentle-formation.yaml").missed_max
    assert f"every {RETRY_OFF_S:g} s" in silent[0]
    assert silent[1] == f"{missed_max} × `sample_every` + {LEASE_EXTRA_S + PASS_EVERY_S:g} s to trip"


def test_the_first_profile_for_a_bench_is_accepted_and_begins_with_everything_off(tmp_path: Path):
    (block,) = re.findall(r"```yaml\n(.*?)```", README, re.DOTALL)
    path = tmp_path / "first-light.yaml"
    path.write_text("\n".join(line.removeprefix("   ") for line in block.splitlines()) + "\n", encoding="utf-8")

    first, second = boathouse_plan(path).program.steps()

    assert first.kind is StepKind.REST
    assert (second.kind, second.current_A, second.end("charge")) == (StepKind.CHARGE, 0.05, 0.02)
    assert second.voltage_V is not None
    assert second.voltage_V < 1.85


def command_lines() -> list[str]:
    both = README + MANUAL
    fenced = re.findall(r"^chargerd .*$", "\n".join(re.findall(r"```\n(.*?)```", both, re.DOTALL)), re.MULTILINE)
    inline = [found for found in re.findall(r"`(chargerd\s[^`]+)`", both) if "VERB" not in found and "…" not in found]
    lines = [" ".join(line.split("  #")[0].split()) for line in (*fenced, *inline)]
    return sorted(set(lines))


@pytest.mark.parametrize("line", command_lines())
def test_every_command_line_shown_is_understood(line: str):
    _, verb, *rest = shlex.split(line)
    parser = argparse.ArgumentParser(exit_on_error=False)
    importlib.import_module(f"chargerd.cli.{verb}").add_arguments(parser)

    parsed, unknown = parser.parse_known_args(rest)

    assert (vars(parsed) != {}, unknown) == (True, [])


def test_the_two_commands_are_targets_of_the_makefile_and_there_are_two():
    block = README.split("## Two commands")[1].split("```")[1]
    targets = re.findall(r"^make ([a-z]+)", block, re.MULTILINE)

    assert targets == ["demo", "test"]
    assert all(re.search(rf"^{name}:", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE) for name in targets)


def test_every_command_line_shown_is_found_at_all():
    """The test above would pass on an empty list."""
    assert {line.split()[1] for line in command_lines()} >= {"off", "init", "check", "rehearse", "run", "report", "replay", "resume"}


@pytest.mark.parametrize("said", ["attended unless unattended is granted", "chargerd off", "Local codes and licensed practice", "No sensor tells it"])
def test_what_can_hurt_is_said_before_the_first_command(said: str):
    assert said in README.split("## Two commands")[0]


# --- DEVELOPERS ----------------------------------------------------------------------------------------------------------


def test_the_first_line_says_which_file_decides_to_energise():
    assert "`chargerd/core/engine.py`" in DEVELOPERS.splitlines()[0]


def test_the_diagram_of_states_is_the_table_of_transitions():
    drawn = re.findall(r"^ +([A-Z]+) --> ([A-Z]+): (\S+)$", DEVELOPERS, re.MULTILINE)

    assert sorted(drawn) == sorted((a.value, b.value, cause) for a, row in TRANSITIONS.items() for cause, b in row.items())


def test_the_floors_drawn_are_those_the_build_enforces():
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]["contracts"]
    (layers,) = (contract["layers"] for contract in contracts if contract["type"] == "layers")
    block = DEVELOPERS.split("## Floors")[1].split("```")[1]

    assert [re.split(r"\s{2,}", line)[0] for line in block.strip().splitlines()] == layers


def test_the_keys_of_a_dialect_are_those_it_is_read_by():
    rows = dict(table(DEVELOPERS, "| key |"))

    assert words_in_backticks(" ".join(f"`{key}`" if " " not in key else key for key in rows)) == dialect_file._KEYS
    assert words_in_backticks(rows["questions"]) == set(dialect.QUESTIONS)
    assert words_in_backticks(rows["commands"]) == dialect.COMMANDS
    assert words_in_backticks(rows["status"]) == dialect.STATUS


@pytest.mark.parametrize("text", [README, MANUAL, DEVELOPERS], ids=["README", "MANUAL", "DEVELOPERS"])
def test_every_path_of_the_tree_that_is_named_exists(text: str):
    named = {word for word in words_in_backticks(text) if re.match(r"(chargerd|tests|examples|profiles|\.ci)/", word)}

    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []
    assert text is README or named


def test_each_end_has_a_profile_key_a_column_or_event_a_manual_row_a_sentence_and_a_scenario():
    manual = {row[0] for row in manual_rows("profile")}
    columns = {column.name for column in COLUMNS} | set(StepEnded.__dataclass_fields__)
    scenarios = {
        str(call.args[0].value)
        for path in python_files(ROOT / "tests" / "scenarios")
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "EndSpec"
        and call.args and isinstance(call.args[0], ast.Constant)
    }  # fmt: skip

    assert set(WHERE_ENDS_SHOW) == set(ENDS)
    assert set(WHERE_ENDS_SHOW.values()) <= columns
    for end in ENDS.values():
        assert {f"steps[].{kind}.ends_when.{end.key}" for kind in end.steps} <= manual
        assert "until " in describe_step(Step("1", min(end.steps), ends=(EndSpec(end.key, 1.0),)))
    assert sorted(set(ENDS) - scenarios) == []


# --- house rules ---------------------------------------------------------------------------------------------------------


def test_every_shipped_file_passes_check(capsys: pytest.CaptureFixture[str]):
    shipped = [*sorted((ROOT / "profiles").glob("*.yaml")), BOATHOUSE / "bench.yaml", *sorted((BOATHOUSE / "cells").glob("*.yaml"))]

    codes = {path.name: main(["check", str(path)]) for path in shipped}

    assert set(codes.values()) == {Exit.OK}, codes
    assert len(codes) >= 8
    assert "a sound profile file" in capsys.readouterr().out


def broad_excepts(path: Path) -> Iterator[str]:
    """The functions of a module that catch everything."""

    def is_broad(kind: ast.expr | None) -> bool:
        kinds = kind.elts if isinstance(kind, ast.Tuple) else [kind]
        return any(item is None or (isinstance(item, ast.Name) and item.id in {"Exception", "BaseException"}) for item in kinds)

    for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
            for inside in ast.walk(function):
                catches = isinstance(inside, ast.ExceptHandler) and is_broad(inside.type)
                hides = isinstance(inside, ast.Call) and ast.unparse(inside.func).endswith("suppress") and any(map(is_broad, inside.args))
                if catches or hides:
                    yield f"{path.relative_to(PACKAGE)}: {function.name}"


def test_everything_is_caught_at_the_channels_boundary_and_at_the_demonstrations_process_alone():
    found = sorted({place for path in python_files(PACKAGE) for place in broad_excepts(path)})

    assert found == ["cli/demo_cell.py: work", "daemon/channel.py: run"]


def test_functions_and_modules_can_be_seen_whole():
    long_functions = [
        f"{path.relative_to(ROOT)}: {function.name}"
        for path in python_files(PACKAGE, ROOT / "tests")
        for function in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        and (function.end_lineno or 0) - function.lineno + 1 > FUNCTION_LINES_MAX
    ]
    long_modules = [
        str(path.relative_to(ROOT))
        for path in python_files(PACKAGE)
        if len(path.read_text(encoding="utf-8").splitlines()) > MODULE_LINES_MAX
    ]

    assert (long_functions, long_modules) == ([], [])


def test_no_test_waits_by_the_clock():
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in python_files(ROOT / "tests")
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if re.search(r"\bsleep\(", line)
    ]

    assert found == []


FORBIDDEN = [
    "/" + "work/", "/tmp/" + "venv", "/" + "root/", "/" + "home/", "py" + "pi.org", "python" + "hosted", "--index" + "-url",
    "--extra-" + "index", "shared/" + "physics", "shared/" + "design", "physics" + ".md", "safety" + ".md", "checks" + ".md",
]  # fmt: skip
"""Paths of a machine, hosts of package registries, private papers: nobody else has them."""


def test_nothing_in_the_tree_points_to_what_only_its_makers_have():
    files = list(shipped_text_files())
    found = [
        f"{path.relative_to(ROOT)}: {word}"
        for path in files
        for text in [path.read_text(encoding="utf-8", errors="replace")]
        for word in FORBIDDEN
        if word in text
    ]

    assert found == []
    assert {ROOT / "README.md", ROOT / "Makefile", ROOT / "requirements.lock", ROOT / ".ci" / "run"} <= set(files)
