"""What the dialects of a bench's sources and relays can do, for advice that the files alone cannot give."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from chargerd.config.bench import BenchFile
from chargerd.config.readiness import UNKNOWN, Abilities
from chargerd.errors import FileFaultsError
from chargerd.instruments.dialect import Dialect
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.framing.spoken import Command


def abilities_of(bench: BenchFile) -> dict[str, Abilities]:
    """Return the abilities of sources and of resistors' relays by name; a dialect that cannot be read leaves them unknown."""
    found: dict[str, Abilities] = {}
    sources = {channel.source for channel in bench.channels.values()}
    for name in sources | {resistor.switch for resistor in bench.resistors}:
        spec, beside = bench.instruments[name], Path(bench.path).parent / "dialects"
        try:
            dialect = load_dialect(spec.dialect, beside, output=spec.output, input=spec.input)
        except FileFaultsError:
            # `run` refuses such a bench with every fault of the dialect; here it only means: nothing is known.
            found[name] = UNKNOWN
            continue
        if name in sources:
            limits_current = "ocp" in dialect.commands and "ocp" in dialect.questions
            found[name] = Abilities(limits_current, "watchdog" in dialect.commands)
        else:
            found[name] = Abilities(reads_back="closed" in dialect.questions, mirror="mirror" in dialect.questions)
    return found


def levels_as_sent(bench: BenchFile, channel: str) -> dict[str, Callable[[float], float]]:
    """Return what the dialect of a channel's source makes of each protection level it has: the decimals it sends, no more."""
    spec = bench.instruments[bench.channels[channel].source]
    try:
        dialect = load_dialect(spec.dialect, Path(bench.path).parent / "dialects", output=spec.output, input=spec.input)
    except FileFaultsError:
        return {}  # `run` refuses such a bench; here the level is told as it was reckoned
    return {name: _as_sent_by(dialect.commands[name]) for name in ("ovp", "ocp") if name in dialect.commands}


def _as_sent_by(command: Command) -> Callable[[float], float]:
    return lambda value: float(command.sent(value))


def untold(dialect: Dialect) -> list[str]:
    """Return in plain words what a source or load of this dialect does not tell or do, and what stands in for it."""
    if dialect.role not in ("source", "load"):
        return []
    lost = {
        "error": "that it refused a setting, for it keeps no list of its errors: found by reading the setting back",
        "events": "that its mains failed for a moment: found by its set-points, which are others then",
    }
    said = [text for name, text in lost.items() if name not in dialect.questions]
    if dialect.role == "source":
        if not {"constant_current", "constant_voltage"} & dialect.status.keys():
            said.append("whether it holds the current or the voltage (CC or CV): judged by its voltage")
        if not {"over_voltage", "over_current"} & dialect.status.keys():
            said.append("which protection of its own has acted: only that its output is off")
    levels = (("ovp", "voltage"), ("ocp", "current")) if dialect.role == "source" else (("ocp", "current"),)
    none = [quantity for name, quantity in levels if name not in dialect.commands]
    return said + [f"it has no over-{quantity} protection of its own: the fuse counts" for quantity in none]
