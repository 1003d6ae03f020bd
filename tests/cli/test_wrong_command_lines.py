"""What a person gets wrong: one clear message on stderr with the place and what to type, an exit code, and nothing done.

Run in this process for speed; the few that would become a keeper are refused before, which a guard on `execve` proves.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import pytest

from chargerd.cli.main import VERBS, main
from chargerd.daemon.clock import real_clock
from chargerd.errors import Exit
from chargerd.journal.ledger import ChannelLedger
from tests.processes.bench_process import BENCH, CELL, PROFILE
from tests.verdict.real_run import write_run

FILES = Exit.FILE_OR_COMMAND
RUNS = frozenset({"tripped", "changed", "damaged", "without-readings"})


@dataclass(frozen=True)
class Wrong:
    """One wrong command line: its arguments, the exit code, and words the one message must hold."""

    typed: list[str]
    code: Exit
    words: tuple[str, ...]

    def __str__(self) -> str:
        return " ".join(self.typed).replace("/", "-") or "nothing"


def wrong(typed: str, code: Exit, *words: str) -> Wrong:
    """A command line; `·` stands for a blank inside an argument, `~` for an empty one."""
    return Wrong([word.replace("·", " ").replace("~", "") for word in typed.split()], code, words)


CASES = [
    wrong("rnu", FILES, "no verb 'rnu'", "did you mean: chargerd run", "chargerd --help"),
    wrong("Status x", FILES, "no verb 'Status'", "did you mean: chargerd status"),
    wrong("zzz", FILES, "no verb 'zzz'", "chargerd --help"),
    wrong("--verson", FILES, "no verb '--verson'", "chargerd --help"),
    wrong("run", FILES, "PROFILE, --cell, --bench", "chargerd run --help"),
    wrong("run profile.yaml --cell cell.yaml", FILES, "--bench"),
    wrong("run nowhere --cell cell.yaml --bench bench.yaml", FILES, "no profile 'nowhere'", "gentle-formation"),
    wrong("run profile.yaml --cell nowhere --bench bench.yaml", FILES, "no cell file 'nowhere'", "chargerd init"),
    wrong("run profile.yaml --cell cell.yaml --bench nowhere", FILES, "no bench file 'nowhere'", "chargerd init"),
    wrong("run profile.yaml --cell folder --bench bench.yaml", FILES, "no cell file 'folder'"),
    wrong("run profile.yaml --cell cell.yaml --bench bench.yaml --channel slip-9", FILES, "bench.yaml:", "'slip-9'", "slip-1"),
    wrong("run profile.yaml --cell cell.yaml --bench bench.yaml --chanel slip-1", FILES, "--chanel", "chargerd run --help"),
    wrong("run cell.yaml --cell cell.yaml --bench bench.yaml", FILES, "cell.yaml:1:1:", "unknown key 'cell'"),
    wrong("run no-unit.yaml --cell cell.yaml --bench bench.yaml", FILES, "no-unit.yaml:6:16:", "has no unit", "write 450 A"),
    wrong("run wrong-unit.yaml --cell cell.yaml --bench bench.yaml", FILES, "wrong-unit.yaml:6:16:", "is a voltage, not a current"),
    wrong("run comma.yaml --cell cell.yaml --bench bench.yaml", FILES, "comma.yaml:7:16:", "decimal comma", "1.75 V"),
    wrong("run too-high.yaml --cell cell.yaml --bench bench.yaml", FILES, "too-high.yaml:7:16:", "above this cell's limit"),
    wrong("run profile.yaml --cell sealed.yaml --bench bench.yaml", FILES, "sealed.yaml:4:9:", "vented"),
    wrong("run profile.yaml --cell utf16.yaml --bench bench.yaml", FILES, "utf16.yaml:1:1:", "save it as UTF-8"),
    wrong("run profile.yaml --cell empty.yaml --bench bench.yaml", FILES, "empty.yaml:1:1:", "is empty"),
    wrong("run profile.yaml --cell cell.yaml --bench no-folder.yaml", FILES, "data folder", "cannot be made", "`data:`"),
    wrong("resume nowhere", FILES, "no run 'nowhere'", "run.yaml", "chargerd runs"),
    wrong("resume tripped", Exit.REFUSED, "channel slip-1 is tripped (over-voltage)", "chargerd clear slip-1"),
    wrong("resume changed", Exit.JOURNAL, "changed/run.yaml", "changed since the run began"),
    wrong("stop nowhere", FILES, "no run 'nowhere'"),
    wrong("stop changed", Exit.JOURNAL, "changed/run.yaml", "start a new run"),
    wrong("status nowhere --json", FILES, "no run 'nowhere'"),
    wrong("replay", FILES, "RUN", "chargerd replay --help"),
    wrong("replay nowhere", FILES, "no run 'nowhere'"),
    wrong("replay damaged", Exit.JOURNAL, "damaged/readings.csv", "row 30"),
    wrong("replay without-readings", Exit.JOURNAL, "without-readings/readings.csv"),
    wrong("report nowhere", FILES, "no run 'nowhere'"),
    wrong("report damaged", Exit.JOURNAL, "damaged/readings.csv", "row 30"),
    wrong("clear slip-1 --data data", FILES, "--reason", "chargerd clear --help"),
    wrong("clear slip-1 --reason found·it", FILES, "which data folder", "--bench", "CHARGERD_DATA"),
    wrong("clear slip-1 --data data --reason ~", Exit.REFUSED, "with a reason", "say what was found"),
    wrong("clear slip-2 --data data --reason found·it", Exit.REFUSED, "slip-2.csv", "nothing to clear"),
    wrong("clear slip-9 --data data --reason found·it", FILES, "no channel 'slip-9'", "check the name"),
    wrong("off nowhere", FILES, "nowhere", "off-plan.json", "by hand"),
    wrong("note plover-01 --data data", FILES, "nothing to note", "--voltage"),
    wrong("note plover-01 --data data --voltage 1.9", FILES, "--voltage", "no unit", "1.9 V"),
    wrong("note plover-01 --data data --mass 12·V", FILES, "--mass", "is a voltage, not a mass"),
    wrong("note plover-01 --data data --mass -3·g", FILES, "--mass"),
    wrong("note plover-01 hello --data data --at yesterday", FILES, "--at 'yesterday'", "2026-11-26T08:10Z"),
    wrong("note ../../plover hello --data data", Exit.REFUSED, "'../../plover' cannot be a name"),
    wrong("note plover-01 hello --data nowhere", FILES, "no folder 'nowhere'"),
    wrong("runs", FILES, "which data folder"),
    wrong("runs --data nowhere", FILES, "no folder 'nowhere'"),
    wrong("schema cells", FILES, "'cells'", "'cell'"),
    wrong("check nowhere.yaml", FILES, "no file 'nowhere.yaml'"),
    wrong("check no-unit.yaml cell.yaml bench.yaml", FILES, "no-unit.yaml:6:16:", "write 450 A"),
    wrong("simulate bench.yaml --cell nobody", FILES, "no invented cell 'nobody'", "plover"),
    wrong("simulate far.yaml", FILES, "far.yaml:", "127.0.0.1 only"),
    wrong("rehearse nowhere --cell cell.yaml", FILES, "no profile 'nowhere'"),
]


@pytest.fixture(scope="session")
def good_place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Good and bad files, a tripped channel, a run and damaged copies of it."""
    place = tmp_path_factory.mktemp("place")
    made = write_run(tmp_path_factory.mktemp("run"), "plover-01", "plover", until_s=7200.0)
    bench = BENCH.format(supply=1, load=2, probe=3)
    texts = {
        "profile.yaml": PROFILE,
        "cell.yaml": CELL,
        "bench.yaml": bench,
        "no-unit.yaml": PROFILE.replace("450 mA", "450", 1),
        "wrong-unit.yaml": PROFILE.replace("450 mA", "450 mV", 1),
        "comma.yaml": PROFILE.replace("1.75 V", "1,75 V", 1),
        "too-high.yaml": PROFILE.replace("1.75 V", "2.80 V", 1),
        "sealed.yaml": CELL.replace("vented: yes", "vented: no"),
        "empty.yaml": "",
        "no-folder.yaml": bench.replace("data: data", "data: cell.yaml"),
        "far.yaml": bench.replace("127.0.0.1", "192.0.2.1"),
    }
    for name, text in texts.items():
        (place / name).write_text(text, encoding="utf-8")
    (place / "utf16.yaml").write_bytes(CELL.encode("utf-16"))
    (place / "folder").mkdir()
    data = place / "data"
    (data / "runs").mkdir(parents=True)
    run = data / "runs" / "tripped"
    shutil.copytree(made, run)
    for name in ("changed", "damaged", "without-readings"):
        shutil.copytree(run, data / "runs" / name)
    head = data / "runs" / "changed" / "run.yaml"
    head.write_bytes(head.read_bytes().replace(b"C/10", b"C/11"))
    readings = data / "runs" / "damaged" / "readings.csv"
    lines = readings.read_bytes().split(b"\n")
    lines[30] = lines[30].replace(b".", b",", 1)
    readings.write_bytes(b"\n".join(lines))
    (data / "runs" / "without-readings" / "readings.csv").unlink()
    for channel in ("slip-1", "slip-2"):
        with ChannelLedger.open(data, channel) as ledger:
            if channel == "slip-1":
                ledger.tripped(real_clock().utc(), "tripped", "over-voltage", value=3.0, limit=2.75)
    return place


@pytest.fixture
def here(good_place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it to stand in, without any way to become a keeper."""
    place = tmp_path / "here"
    shutil.copytree(good_place, place)
    monkeypatch.chdir(place)
    monkeypatch.delenv("CHARGERD_DATA", raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))

    def become(*_: object) -> NoReturn:
        raise AssertionError("a wrong command line began a run")

    monkeypatch.setattr(os, "execve", become)
    return place


def contents(place: Path) -> dict[str, bytes]:
    return {str(path.relative_to(place)): path.read_bytes() for path in sorted(place.rglob("*")) if path.is_file()}


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_wrong_command_line_is_told_in_one_message_and_does_nothing(
    case: Wrong, here: Path, capsys: pytest.CaptureFixture[str]
):
    before = contents(here)
    typed = [str(here / "data" / "runs" / word) if word in RUNS else word for word in case.typed]

    code = main(typed)

    said = capsys.readouterr().err
    assert code == case.code, said
    assert [word for word in case.words if word not in said] == [], said
    assert "Traceback" not in said
    assert before == contents(here)


def test_one_message_is_one_line_unless_a_file_has_several_faults(here: Path, capsys: pytest.CaptureFixture[str]):
    several = []
    for case in CASES:
        main([str(here / "data" / "runs" / word) if word in RUNS else word for word in case.typed])
        lines = capsys.readouterr().err.splitlines()
        assert lines, case
        if len(lines) > 1:
            assert all(".yaml:" in line for line in lines), lines
            several.append(str(case))
    assert "run cell.yaml --cell cell.yaml --bench bench.yaml" in several


def test_nothing_typed_shows_the_verbs(capsys: pytest.CaptureFixture[str]):
    code = main([])

    said = capsys.readouterr().out
    assert (code, [verb for verb in VERBS if f"\n  {verb} " not in said]) == (FILES, [])


@pytest.mark.parametrize("verb", VERBS)
def test_help_of_every_verb_says_what_it_does_and_takes(verb: str, capsys: pytest.CaptureFixture[str]):
    code = main([verb, "--help"])

    said = capsys.readouterr()
    assert (code, said.err) == (Exit.OK, "")
    assert f"usage: chargerd {verb}" in said.out
    assert " ".join(VERBS[verb].split())[1:60] in " ".join(said.out.split())


@pytest.mark.parametrize("asked", ["--help", "-h", "--version"])
def test_the_program_itself_answers(asked: str, capsys: pytest.CaptureFixture[str]):
    code = main([asked])

    assert (code, "chargerd" in capsys.readouterr().out) == (Exit.OK, True)


def test_a_pipe_closed_by_its_reader_is_no_fault(chargerd_process: Callable[..., tuple[int, str]]):
    code, said = chargerd_process("--help", closed_output=True)

    assert (code, said) == (Exit.OK, "")
