"""The cheapest bench forms a cell: a Modbus supply with 25 mA of zero error, relays, two resistors, a printing sensor, no meter.

The shipped bench file and profile, with only its addresses changed. The cell is a plover of a fifth of the size described by the
plover's file, so that currents and resistors stay what they are and a round lasts an hour. Judged by the simulated panels' own
records and the cell's own books.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.core.events import CheckPassed
from chargerd.core.states import State
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import small_cell
from chargerd.sim.relay import Relay
from chargerd.verdict.verdict import Verdict, write_verdict
from chargerd.verdict.words import text as words_of
from tests.worlds.world_bench import Ran, run_world

FACTOR = 0.2
MEMORY = {
    "modbus-rtu:///tmp/boathouse-hub-1?baud=9600&parity=none&unit=1": "modbus-memory://world-supply?unit=1",
    "serial-bytes:///tmp/boathouse-hub-2?baud=9600": "bytes-memory://world-relay-cell",
    "serial:///tmp/boathouse-hub-3?baud=115200&eol=crlf&listen=yes": "memory://world-probe?eol=crlf&listen=yes",
    "data: boathouse-data": "data: .",
}


def bench_text() -> str:
    text = example_bench().with_name("bench-cheapest.yaml").read_text(encoding="utf-8")
    for old, new in MEMORY.items():
        assert old in text
        text = text.replace(old, new)
    return text


if __name__ == "__main__":
    import sys, time
    began = time.process_time()
    p = Path(sys.argv[1]); p.mkdir(parents=True)
    ran = run_world(p, "gentle-formation", cell=Cell(small_cell(factor=FACTOR), fresh=True), bench=bench_text(), until_s=30*3600.0)
    print(time.process_time()-began, ran.state, ran.trips(), ran.kinds()[-10:], ran.ended_s/3600, len(ran.looks))
    for t, r in ran.records:
        if r.kind in ("check-passed","check-failed","tripped","round-ended","step-ended","repeat-ended","state-changed"): print(t, r)
    print(words_of(write_verdict(ran.folder)))
