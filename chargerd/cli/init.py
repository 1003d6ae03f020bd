"""`init FOLDER`: ask questions and write a bench, a cell and the shipped profiles into a folder of your own."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.config.tables import NAME
from chargerd.errors import Exit, RefusedError, UsageError

if TYPE_CHECKING:
    from chargerd.cli.dialect_answers import Answers
    from chargerd.instruments.dialect import Dialect

CAUTIONS = """\
Before anything else. These cells give off hydrogen, at rest too. Never seal one; never put one in a closed box, drawer or
cabinet; ventilate; no sparks, no flame, outputs off before you touch a clip. Zinc sulfate hurts eyes: goggles and gloves. A fuse
at the cell. Vented aqueous zinc/carbon cells only. Local codes and licensed practice come first."""
DRAFT = "init.draft.csv"
ROLES = {"supply": "source", "load": "load", "probe": "thermometer"}
"""Instruments that are asked for → their roles."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question: the name its answer fills in, the words, what an empty answer means, and the dimension it is read in."""

    name: str
    words: str
    default: str
    dimension: str = ""


BENCH = (
    Question("bench", "A name for the bench", "bench"),
    Question("supply_dialect", "How the supply is spoken to: its dialect", "scpi-supply", "dialect"),
    Question("supply_address", "Address of the supply", "tcp://192.168.0.10:5025", "address"),
    Question("supply_output", "Which of its outputs", "1", "number"),
    Question("supply_identity", "Who it says it is, exactly", "", "identity"),
    Question("supply_V", "Its largest voltage", "30 V", "voltage"),
    Question("supply_A", "Its largest current", "3 A", "current"),
    Question("load_dialect", "Dialect of the electronic load (none: only charging is possible)", "none", "dialect"),
    Question("load_address", "Address of the load", "tcp://192.168.0.11:5025", "address"),
    Question("load_input", "Which of its inputs", "1", "number"),
    Question("load_identity", "Who the load says it is, exactly", "", "identity"),
    Question("probe_dialect", "Dialect of the thermometer on the cell (none: no temperature limit)", "none", "dialect"),
    Question("probe_address", "Address of the thermometer", "tcp://192.168.0.12:5025", "address"),
    Question("probe_input", "Which of its inputs", "1", "number"),
    Question("probe_identity", "Who the thermometer says it is, exactly", "", "identity"),
    Question("fuse", "Fuse at the cell", "1 A", "current"),
    Question("room", "Air in the room", "30 m3", "volume"),
    Question("openings", "Free openings to the outside, above and below together", "20 cm2", "area"),
)
CELL = (
    Question("cell", "A name for the cell", "cell-01"),
    Question("made", "The day it was made, as 2026-11-25", "", "date"),
    Question("carbon", "Activated carbon in it", "10 g", "mass"),
    Question("mass", "Its whole mass, wet, with case", "60 g", "mass"),
    Question("capacity", "Rated capacity, your expectation (provisional until measured)", "0.5 Ah", "charge"),
    Question("voltage_max", "A voltage it must never exceed", "2.75 V", "voltage"),
    Question("current_max", "A current it must never exceed", "1 A", "current"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("folder", metavar="FOLDER", help="where the files go; nothing there is overwritten")


def run(args: argparse.Namespace) -> int:
    """Ask, write, check what was written, and say what to do next."""
    from chargerd.cli.dialect_answers import BACK, SHOW, Answers, BackError
    from chargerd.cli.files import shipped_profiles
    from chargerd.cli.init_dialects import own_files
    from chargerd.config.bench import load_bench
    from chargerd.config.cell import load_cell

    folder = Path(args.folder)
    for existing in (folder / "bench.yaml", folder / "cells", folder / "profiles"):
        if existing.exists():
            raise RefusedError(f"{existing} is there already; give another folder, or edit that file")
    kept = Answers(folder / DRAFT, f"chargerd init {folder}", input)
    print(f"{CAUTIONS}\n\nAn empty answer takes what stands in brackets; every number needs its unit.")
    print(f"{BACK} takes the last answer back, {SHOW} shows those so far; you may leave (Ctrl-C) and go on later.\n")
    if len(kept):
        print(f"Going on with {len(kept)} answers of {folder / DRAFT} (delete that file to begin anew).\n")
    try:
        while True:
            try:
                answers, dialects = ask_all(BENCH + CELL, kept, folder)
                break
            except BackError:
                continue
    except EOFError:
        raise UsageError(f"the answers ended, no file was written; {kept.kept()}") from None
    except KeyboardInterrupt:
        print(f"\n{kept.kept()}")
        return Exit.STOPPED
    cell_path = folder / "cells" / f"{answers['cell']}.yaml"
    written = {folder / "bench.yaml": bench_text(answers, dialects), cell_path: cell_text(answers)}
    for path in sorted(shipped_profiles().glob("*.yaml")):
        written[folder / "profiles" / path.name] = path.read_text(encoding="utf-8")
    written |= dict(own_files(dialects, folder))
    for path, text in written.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    kept.done()
    load_bench(folder / "bench.yaml")
    load_cell(cell_path)
    print(f"\nWritten: {', '.join(str(path) for path in written)}\nRead them; correct what your data sheets say otherwise. Then:")
    first = "gentle-formation" if "load" in dialects else "formation-without-load"
    profile, bench = folder / "profiles" / f"{first}.yaml", folder / "bench.yaml"
    print(f"  chargerd check {profile} {cell_path} {bench}")
    for verb in ("rehearse", "run"):
        print(f"  chargerd {verb} {profile} --cell {cell_path} --bench {bench}")
    return Exit.OK


def ask_all(questions: tuple[Question, ...], kept: Answers, folder: Path) -> tuple[dict[str, str], dict[str, Dialect]]:
    """Ask every question that applies; return the answers, and by instrument the dialects chosen.

    Raises:
        BackError: an answer was taken back. EOFError, KeyboardInterrupt: the person left; the answers are kept.
    """
    from chargerd.cli.init_dialects import asked_identity, beside_of, names_of
    from chargerd.instruments.dialect_file import load_dialect

    kept.begin()
    answers: dict[str, str] = {}
    dialects: dict[str, Dialect] = {}
    for question in questions:
        who, _, what = question.name.partition("_")
        dialect = dialects.get(who)
        if who in ROLES and what != "dialect" and dialect is None:
            continue
        if what in ("output", "input") and dialect is not None and what not in dialect.needs:
            continue
        words, known = question.words, question.default
        if what == "dialect":
            names = names_of(ROLES[who], folder)
            known = names[0] if who == "supply" else known
            words = f"{words} ({', '.join(names)})"
        elif what == "identity" and dialect is not None:
            words = f"{words}, as {dialect.questions['identity'].text} is answered (find and dialect test print it)"
            known = asked_identity(answers[f"{who}_address"], dialect) if kept.is_live else ""
        elif question.name == "current_max":
            known = answers["fuse"]  # a cell may not be allowed more than its bench
        answers[question.name] = kept.ask(question.name, words, known, _fault_of(question, dialect, folder))
        if what == "dialect" and answers[question.name] != "none":
            dialects[who] = load_dialect(answers[question.name], beside_of(answers[question.name], folder))
    return answers, dialects


def _fault_of(question: Question, dialect: Dialect | None, folder: Path) -> Callable[[str], str]:
    """Return what finds the fault in an answer to a question."""

    def fault_of(answer: str) -> str:
        if question.dimension == "dialect":
            return _dialect_fault(question.name.partition("_")[0], answer, folder)
        if question.dimension == "identity":
            return _identity_fault(answer, dialect)
        return _fault(question, answer)

    return fault_of


def _dialect_fault(who: str, answer: str, folder: Path) -> str:
    from chargerd.cli.init_dialects import names_of

    if answer in names_of(ROLES[who], folder) or (answer == "none" and who != "supply"):
        return ""
    return (
        f"there is no dialect {answer!r} for a {ROLES[who]}, or it has faults; chargerd dialect list shows all. "
        "Not among them: leave (Ctrl-C), chargerd dialect new NAME, and init again: the answers are kept"
    )


def _identity_fault(answer: str, dialect: Dialect | None) -> str:
    from chargerd.errors import LinkGarbledError
    from chargerd.instruments.framing.scpi import parse_identity

    if not answer or not re.fullmatch(r"[\x20-\x7e]{1,120}", answer):
        return "type it exactly as the instrument says it"
    if dialect is None or dialect.framing != "scpi":
        return ""
    try:
        parse_identity(answer)
    except LinkGarbledError:
        return "four parts with commas, exactly as the instrument says them"
    return ""


def _fault(question: Question, answer: str) -> str:
    """Return what is wrong with an answer, "" when nothing is."""
    from chargerd.units import UnitError, parse

    if question.dimension == "":
        return "" if NAME.fullmatch(answer) else "letters, digits, '.', '_' and '-', beginning with a letter or digit"
    if question.dimension == "number":
        return "" if re.fullmatch("[0-9]{1,4}", answer) else "a whole number, as its manual counts them"
    if question.dimension == "address":
        return _address_fault(answer)
    if question.dimension == "date":
        return "" if _is_date(answer) else "write the day as year-month-day: 2026-11-25"
    try:
        parse(answer, question.dimension)
    except UnitError as fault:
        return str(fault)
    return ""


def _address_fault(text: str) -> str:
    from chargerd.errors import BenchError
    from chargerd.instruments.transports.registry import parse_address

    try:
        parse_address(text)
    except BenchError as fault:
        return str(fault.faults[0])
    return ""


def _is_date(text: str) -> bool:
    from datetime import date

    if not re.match(r"\d{4}-\d\d-\d\d\Z", text):
        return False
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def bench_text(answers: dict[str, str], dialects: dict[str, Dialect]) -> str:
    """Return a bench file."""
    channel = ["    source: supply"]
    lacks = dialects["supply"].lacks
    protects = ", ".join(what for level, what in (("ovp", "voltage"), ("ocp", "current")) if level not in lacks)
    own = f"    # What it protects by itself.\n    protects: [{protects}]\n" if {"ovp", "ocp"} & lacks else ""
    ratings = f"    ratings:\n      voltage: {answers['supply_V']}\n      current: {answers['supply_A']}\n"
    instruments = [_instrument("supply", answers, ratings + own + _ACCURACY)]
    if "load" in dialects:
        ratings = "    # From its plate.\n    ratings:\n      voltage: 60 V\n      current: 5 A\n"
        instruments.append(_instrument("load", answers, ratings + _ACCURACY))
        channel.append("    load: load")
    channel.append("    # Who measures the cell's voltage: a meter clipped to the cell itself is better.\n    voltage: supply")
    if "probe" in dialects:
        accuracy = "    accuracy:\n      temperature: 0.5 K\n    resolution:\n      temperature: 0.1 K\n"
        instruments.append(_instrument("probe", answers, accuracy))
        channel.append("    temperature: probe")
    return _BENCH.format(instruments="".join(instruments), channel="\n".join(channel), **answers)


def cell_text(answers: dict[str, str]) -> str:
    """Return a cell file."""
    return _CELL.format(**answers)


def _instrument(name: str, answers: dict[str, str], rest: str) -> str:
    from chargerd.cli.find_bench import quoted

    lines = [
        f"  {name}:", f"    address: {quoted(answers[f'{name}_address'])}", f"    dialect: {answers[f'{name}_dialect']}",
        f"    identity: {quoted(answers[f'{name}_identity'])}",
    ]  # fmt: skip
    lines += [f'    {place}: "{answers[f"{name}_{place}"]}"' for place in ("output", "input") if f"{name}_{place}" in answers]
    return "\n".join(lines) + f"\n{rest}    isolated: yes\n"


_ACCURACY = """\
    # From the data sheet: part of the reading + a fixed part. These are a guess; correct them.
    accuracy:
      voltage: 0.05 % + 5 mV
      current: 0.1 % + 2 mA
    # The smallest step it shows.
    resolution:
      voltage: 1 mV
      current: 1 mA
"""
_BENCH = """\
# Written by `chargerd init`. Every value has its unit; `chargerd check` tells what is wrong and where.

bench: {bench}
data: data

instruments:
{instruments}
channels:
  # A place for one cell with the instruments around it; the name is yours.
  place-1:
{channel}

# What no cell on this bench may ever see. A cell file may be tighter, never looser.
limits:
  voltage: 3.0 V
  charge_current: {fuse}
  discharge_current: {fuse}
  temperature: 50 °C

wiring:
  lead: 0.05 ohm
  clip_mass: 2 g
  fuse: {fuse}

# Where the gas goes. Outdoors, write instead:  outdoors: yes
ventilation:
  room: {room}
  openings: {openings}
"""
_CELL = """\
# Written by `chargerd init`. Weigh what you can; correct what is wrong.

cell: {cell}
made: {made}

# Only vented cells are charged here. A sealed cell would burst.
vented: yes

ingredients:
  activated_carbon: {carbon}

mass: {mass}

rated:
  # Provisional: bounded by the carbon until a capacity check has measured it.
  capacity: {capacity}
  window: [1.85 V, 0.80 V]
  current: C/5
  measured: no

# Never exceeded, whatever a profile says.
limits:
  voltage_max: {voltage_max}
  voltage_min: -0.1 V
  charge_current: {current_max}
  discharge_current: {current_max}
  temperature_max: 45 °C
  temperature_min: 5 °C
  rise: 12 K

gassing:
  threshold: unmeasured
  coefficient: -4 mV/K
"""
