"""The wiring sheet as plain text for a terminal: the same chains, wires, parts and warnings as the drawing."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from chargerd.config.bench import BenchFile
from chargerd.config.sheet.advice import BEFORE_POWER, CAUTIONS, placement, wire_advice
from chargerd.config.sheet.circuit import Circuit, circuits_of
from chargerd.config.sheet.lists import instrument_rows, is_invented, outputs, title, warnings
from chargerd.config.sheet.parts import parts

WIDTH = 118


def plain_sheet(bench: BenchFile) -> str:
    """Return the whole sheet."""
    lines = [title(bench), "=" * len(title(bench)), ""]
    if is_invented(bench):
        lines += ["INVENTED: the file says that this bench does not exist.", ""]
    lines += [*_wrapped(CAUTIONS), ""]
    for circuit in circuits_of(bench):
        lines += list(_channel(circuit))
    lines += ["INSTRUMENTS", *_instruments(bench), ""]
    lines += ["WARNINGS", *_wrapped(warnings(bench)), "", "OUTPUTS", *_wrapped(outputs(bench)), ""]
    lines += [
        "PARTS",
        *_parts(bench),
        "",
        "WIRE",
        *_wrapped(wire_advice(bench)),
        "",
        "PLACE AND AIR",
        *_wrapped(placement(bench)),
        "",
    ]
    lines += ["BEFORE POWER", *_wrapped(BEFORE_POWER), ""]
    if bench.dead_man is not None:
        lines += ["The dead-man relay: chargerd wiring --dead-man", ""]
    return "\n".join(lines)


def _wrapped(rows: Iterable[str]) -> Iterator[str]:
    for row in rows:
        yield from textwrap.wrap(
            row, WIDTH, initial_indent="  - ", subsequent_indent="    ", break_long_words=False, break_on_hyphens=False
        )


def _channel(circuit: Circuit) -> Iterator[str]:
    count = len(circuit.channel.taps)
    what = "one cell" if count < 2 else f"a string of {count} cells, cell 1 at the negative end"
    yield f"CHANNEL {circuit.channel.name}: {what}. Wires are numbered; -12- is wire 12."
    for kind, heading in (("power", "power leads"), ("measuring", "measuring leads"), ("sensor", "sensors")):
        chains = [chain for chain in circuit.chains.values() if chain.kind == kind]
        if chains:
            yield f"  {heading}"
        for chain in chains:
            said = chain.parts[0]
            for at, part in enumerate(chain.parts[1:]):
                said += f"  -{circuit.wire(chain.key, at)}-  [{part}]"
            if chain.note:
                said += f"   ({chain.note})"
            yield from textwrap.wrap(said, WIDTH, initial_indent="    ", subsequent_indent="        ", break_on_hyphens=False)
    yield ""


def _instruments(bench: BenchFile) -> Iterator[str]:
    rows = instrument_rows(bench)
    name, address, which = (max(len(row[at]) for row in rows) for at in (0, 2, 3))
    for row in rows:
        said = f"  {row[0]:<{name}}  {row[2]:<{address}}  {row[3]:<{which}}  {row[1]}"
        yield said + (f"; {row[4]}" if row[4] else "")


def _parts(bench: BenchFile) -> Iterator[str]:
    for part in parts(bench):
        remark = f" ({part.remark})" if part.remark else ""
        yield from textwrap.wrap(
            f"{part.count:>3} × {part.what}: {part.rating}{remark}", WIDTH, initial_indent="  ", subsequent_indent="        "
        )
