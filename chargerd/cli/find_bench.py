"""A first bench file from what `find` found: what is unknown stands in it as a question, so that `check` refuses it till then."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.errors import RefusedError, UsageError

if TYPE_CHECKING:
    from chargerd.instruments.finding.asking import Answer
    from chargerd.instruments.finding.sensors import FileSensor

_HEAD = """\
# Written by `chargerd find`. A line that begins with `# ?` is a question: only you can answer it, from data sheets, plates and
# your own eyes. Write the answer below it and delete the question. `chargerd check` refuses this file until all are answered.
bench: my-bench
data: data

instruments:
"""

_OUTPUT = """\
    # ? What does its plate say? Remove the stroke and correct:
    # ratings: {voltage: 30 V, current: 3 A}
    # ? What does its data sheet say of how well it measures?
    # accuracy: {voltage: 0.05 % + 5 mV, current: 0.1 % + 2 mA}
    # resolution: {voltage: 1 mV, current: 1 mA}
    # ? Are its terminals isolated from earth and from the computer?
    # isolated: yes
"""
_THERMOMETER = """\
    # ? How well does it measure?
    # accuracy: {temperature: 0.5 K}
    # resolution: {temperature: 0.1 K}
"""
_REST = """
# ? Which instrument does what? At least a source, and who measures the voltage. (channels is needed.)
# channels:
#   slip-1: {source: NAME, load: NAME, voltage: NAME, temperature: NAME}

# ? What may no cell on this bench ever see? (limits is needed.)
# limits: {voltage: 3.0 V, charge_current: 1 A, discharge_current: 1 A, temperature: 50 °C}

# ? Leads and the fuse at the cell: none of this can be found by a program. (wiring is needed.)
# wiring: {lead: 0.05 ohm, fuse: 1 A}

# ? Where does the hydrogen go? Outdoors, or a room of which size, with which openings? (ventilation is needed.)
# ventilation: {room: 30 m3, openings: 20 cm2}
"""


def write_bench(folder: Path, answers: Sequence[Answer], sensors: Sequence[FileSensor]) -> Path:
    """Write the file; nothing is overwritten. Raises RefusedError, UsageError."""
    path = folder / "bench.yaml"
    if path.exists():
        raise RefusedError(f"{path} is there already; give another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(bench_text(answers, sensors))
    except OSError as fault:
        raise UsageError(f"{path} cannot be written: {fault.strerror}") from None
    return path


def bench_text(answers: Sequence[Answer], sensors: Sequence[FileSensor]) -> str:
    """Return the file's text."""
    parts = [_HEAD]
    parts += ["".join(_instrument(f"instrument-{number}", answer)) for number, answer in enumerate(answers, 1)]
    parts += ["".join(_sensor(f"thermometer-{number}", sensor)) for number, sensor in enumerate(sensors, 1)]
    return "".join(parts) + _REST


def _instrument(name: str, answer: Answer) -> Iterator[str]:
    from chargerd.instruments.finding.asking import shipped

    yield f"  # ? What is it? Give it a name such as supply, load or meter. It {answer.heard}\n  {name}:\n"
    yield f"    address: {answer.address}\n"
    if len(answer.dialects) == 1:
        yield f"    dialect: {answer.dialects[0]}\n"
    else:
        yield "    # ? How does it speak? Compare with its manual; remove the stroke before one of these, or write your own:\n"
        known = {dialect.name: dialect.about for dialect in shipped()}
        yield "".join(f"    # dialect: {one}   # {known[one]}\n" for one in answer.dialects) or "    # dialect: \n"
    if answer.identity:
        yield f"    identity: {quoted(answer.identity)}\n"
    else:
        yield "    # ? Who does it say it is?\n    # identity: \n"
    yield _OUTPUT


def _sensor(name: str, sensor: FileSensor) -> Iterator[str]:
    said = f", called {sensor.label}" if sensor.label else ""
    yield f"  # ? Is it on a cell, or in the room? Delete it when it is neither. It now says: {sensor.reading}{said}\n  {name}:\n"
    yield f"    address: {sensor.address}\n    dialect: {sensor.dialect}\n    identity: {quoted(sensor.identity)}\n"
    if sensor.input:
        yield f'    input: "{sensor.input}"\n'
    if sensor.dialect == "one-wire-thermometer":
        yield "    timeout: 2 s\n    every: 2 s\n"
    yield _THERMOMETER


def quoted(text: str) -> str:
    """Return a text as YAML reads it back unchanged, whatever a device calls itself."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
