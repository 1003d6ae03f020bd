"""`init FOLDER`: ask questions and write a bench, a cell and the shipped profiles into a folder of your own."""

from __future__ import annotations

import argparse
import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from chargerd.config.tables import NAME
from chargerd.errors import Exit, RefusedError, UsageError

CAUTIONS = """\
Before anything else. These cells give off hydrogen, at rest too. Never seal one; never put one in a closed box, drawer or
cabinet; ventilate; no sparks, no flame, outputs off before you touch a clip. Zinc sulfate hurts eyes: goggles and gloves. A fuse
at the cell. Vented aqueous zinc/carbon cells only. Local codes and licensed practice come first."""
TRIES = 3
ASK_S = 1.0


@dataclass(frozen=True, slots=True)
class Question:
    """One question: the name its answer fills in, the words, what an empty answer means, and the dimension it is read in."""

    name: str
    words: str
    default: str
    dimension: str = ""


BENCH = (
    Question("bench", "A name for the bench", "bench"),
    Question("supply_address", "Address of the supply", "tcp://192.168.0.10:5025", "address"),
    Question("supply_identity", "What it answers to *IDN?, exactly", "", "identity"),
    Question("supply_V", "Its largest voltage", "30 V", "voltage"),
    Question("supply_A", "Its largest current", "3 A", "current"),
    Question("load_address", "Address of the electronic load (none: only charging is possible)", "none", "address"),
    Question("load_identity", "What the load answers to *IDN?", "", "identity"),
    Question("probe_address", "Address of the thermometer on the cell (none: no temperature limit)", "none", "address"),
    Question("probe_identity", "What the thermometer answers to *IDN?", "", "identity"),
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
    from chargerd.cli.files import shipped_profiles
    from chargerd.config.bench import load_bench
    from chargerd.config.cell import load_cell

    folder = Path(args.folder)
    for existing in (folder / "bench.yaml", folder / "cells", folder / "profiles"):
        if existing.exists():
            raise RefusedError(f"{existing} is there already; give another folder, or edit that file")
    print(f"{CAUTIONS}\n\nAn empty answer takes what stands in brackets; every number needs its unit.\n")
    answers = ask_all(BENCH + CELL, input)
    cell_path = folder / "cells" / f"{answers['cell']}.yaml"
    written = {folder / "bench.yaml": bench_text(answers), cell_path: cell_text(answers)}
    for path in sorted(shipped_profiles().glob("*.yaml")):
        written[folder / "profiles" / path.name] = path.read_text(encoding="utf-8")
    for path, text in written.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    load_bench(folder / "bench.yaml")
    load_cell(cell_path)
    print(f"\nWritten: {', '.join(str(path) for path in written)}\nRead them; correct what your data sheets say otherwise. Then:")
    profile, bench = folder / "profiles" / "gentle-formation.yaml", folder / "bench.yaml"
    print(f"  chargerd check {profile} {cell_path} {bench}")
    for verb in ("rehearse", "run"):
        print(f"  chargerd {verb} {profile} --cell {cell_path} --bench {bench}")
    return Exit.OK


def ask_all(questions: tuple[Question, ...], read: Callable[[str], str]) -> dict[str, str]:
    """Ask every question that applies and return the answers. Raises UsageError when the answers end or stay wrong."""
    answers: dict[str, str] = {}
    for question in questions:
        role, _, what = question.name.partition("_")
        if what == "identity" and answers.get(f"{role}_address") == "none":
            continue
        known = question.default
        if what == "identity":
            known = asked_identity(answers[f"{role}_address"])
        elif question.name == "current_max":
            known = answers["fuse"]  # a cell may not be allowed more than its bench
        answers[question.name] = _ask(replace(question, default=known), read)
    return answers


def asked_identity(address: str) -> str:
    """Ask a networked instrument who it is: a question that changes nothing. Returns "" when nobody answers."""
    from chargerd.errors import InstrumentError, LinkError
    from chargerd.instruments.framing.scpi import parse_identity
    from chargerd.instruments.transports.registry import open_link, parse_address

    async def ask() -> str:
        link = await open_link(parse_address(address), deadline_s=ASK_S)
        try:
            return parse_identity((await link.query(b"*IDN?", deadline_s=ASK_S)).decode("ascii"))
        finally:
            await link.close()

    if not address.startswith("tcp://"):
        return ""
    try:
        return asyncio.run(ask())
    except (LinkError, InstrumentError, ValueError):
        print("  (nobody answers there now: type what its manual or another program says)")
        return ""


def _ask(question: Question, read: Callable[[str], str]) -> str:
    for _ in range(TRIES):
        try:
            shown = f" [{question.default}]" if question.default else ""
            answer = read(f"{question.words}{shown}: ").strip() or question.default
        except EOFError:
            raise UsageError("the answers ended; nothing was written") from None
        fault = _fault(question, answer)
        if not fault:
            return answer
        print(f"  {fault}")
    raise UsageError(f"{question.words}: no usable answer in {TRIES} tries; nothing was written")


def _fault(question: Question, answer: str) -> str:
    """Return what is wrong with an answer, "" when nothing is."""
    from chargerd.units import UnitError, parse

    if question.dimension == "":
        return "" if NAME.fullmatch(answer) else "letters, digits, '.', '_' and '-', beginning with a letter or digit"
    if question.dimension == "address":
        return _address_fault(answer)
    if question.dimension == "date":
        return "" if _is_date(answer) else "write the day as year-month-day: 2026-11-25"
    if question.dimension == "identity":
        sound = answer.count(",") == 3 and '"' not in answer
        return "" if sound else "four parts with commas, exactly as the instrument says them"
    try:
        parse(answer, question.dimension)
    except UnitError as fault:
        return str(fault)
    return ""


def _address_fault(text: str) -> str:
    from chargerd.errors import BenchError
    from chargerd.instruments.transports.registry import parse_address

    if text == "none":
        return ""
    try:
        parse_address(text)
    except BenchError as fault:
        return f"{fault.faults[0]}; or none"
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


def bench_text(answers: dict[str, str]) -> str:
    """Return a bench file."""
    channel = ["    source: supply"]
    instruments = [
        _instrument("supply", "scpi-supply", answers, f"    ratings:\n      voltage: {answers['supply_V']}\n"
                    f"      current: {answers['supply_A']}\n" + _ACCURACY),
    ]  # fmt: skip
    if answers["load_address"] != "none":
        ratings = "    # From its plate.\n    ratings:\n      voltage: 60 V\n      current: 5 A\n"
        instruments.append(_instrument("load", "scpi-load", answers, ratings + _ACCURACY))
        channel.append("    load: load")
    channel.append("    # Who measures the cell's voltage: a meter clipped to the cell itself is better.\n    voltage: supply")
    if answers["probe_address"] != "none":
        accuracy = "    accuracy:\n      temperature: 0.5 K\n    resolution:\n      temperature: 0.1 K\n"
        instruments.append(_instrument("probe", "scpi-thermometer", answers, accuracy))
        channel.append("    temperature: probe")
    return _BENCH.format(instruments="".join(instruments), channel="\n".join(channel), **answers)


def cell_text(answers: dict[str, str]) -> str:
    """Return a cell file."""
    return _CELL.format(**answers)


def _instrument(name: str, dialect: str, answers: dict[str, str], rest: str) -> str:
    address, identity = answers[f"{name}_address"], answers[f"{name}_identity"]
    return f'  {name}:\n    address: {address}\n    dialect: {dialect}\n    identity: "{identity}"\n{rest}    isolated: yes\n'


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
