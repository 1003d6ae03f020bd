"""What the dialects of a bench's sources and relays can do, for advice that the files alone cannot give."""

from __future__ import annotations

from pathlib import Path

from chargerd.config.bench import BenchFile
from chargerd.config.readiness import UNKNOWN, Abilities
from chargerd.errors import FileFaultsError
from chargerd.instruments.dialect_file import load_dialect


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
