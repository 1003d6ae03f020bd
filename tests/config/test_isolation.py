"""Which benches would short a cell or a shunt through earth, or join two cells; each refusal names both instruments and lines."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.cli.main import main
from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.isolation import isolation_notes
from chargerd.errors import BenchError, Exit
from tests.config.files import BENCH, write_files

HEAD = "bench: boathouse\nabout: An INVENTED bench.\ndata: data\ninstruments:\n"
TAIL = """\
limits: {voltage: 21 V, charge_current: 1 A, discharge_current: 1 A, temperature: 50 °C}
wiring: {lead: 0.05 ohm, fuse: 1 A, tap_resistor: 1 kohm}
ventilation: {outdoors: yes}
"""
BOTH = "accuracy: {voltage: 5 mV, current: 2 mA}, resolution: {voltage: 1 mV, current: 1 mA}, ratings: {voltage: 30 V, current: 3 A}"
RELAY = "contact: {without_power: open}"
SHUNT = "shunt: 0.1 ohm"

REMEDY = "; take an isolated reader or supply; write isolated: yes only if its data sheet says that its terminals float"


def bench_of(folder: Path, earthed: set[str], channels: str, names: dict[str, str]) -> BenchFile:
    """A bench, one instrument per line from line 5 on; those in `earthed` are not isolated."""
    lines = [
        f'  {name}: {{address: "tcp://127.0.0.1:{5000 + at}", dialect: scpi-supply, identity: "B,{name},1,1", '
        f"isolated: {'no' if name in earthed else 'yes'}, {BOTH}{', ' + more if more else ''}}}\n"
        for at, (name, more) in enumerate(names.items())
    ]
    path = folder / "bench.yaml"
    path.write_text(f"{HEAD}{''.join(lines)}channels:\n{channels}{TAIL}", encoding="utf-8")
    return load_bench(path)


ONE = {"supply": "", "load": "", "meter": "", "amps": SHUNT, "sense": "", "relay": RELAY, "relay-b": RELAY, "amps-b": SHUNT,
       "t1": "", "t2": "", "t3": "", "meter-b": ""}  # fmt: skip
"""Lines: supply 5, load 6, meter 7, amps 8, sense 9, relay 10, relay-b 11, amps-b 12, t1 13, t2 14, t3 15, meter-b 16."""

CELL = "  slip: {source: supply, load: load, voltage: meter}\n"
SHUNTED = "  slip: {source: supply, load: load, voltage: meter, current: amps, sense: sense}\n"
STRING = "  slip: {source: supply, load: load, voltage: meter, taps: [t1, t2, t3]}\n"
STRING_SHUNT = "  slip: {source: supply, load: load, voltage: meter, current: amps, taps: [t1, t2, t3]}\n"
TWO = (
    "  one: {source: supply, load: load, voltage: meter, current: amps, switch: relay}\n"
    "  two: {source: supply, load: load, voltage: meter-b, current: amps-b, switch: relay-b}\n"
)

ALLOWED = [
    ("nothing earthed", STRING, set(), "slip: nothing ties it to earth, by the file; keep it so"),
    ("one cell, supply and load", CELL, {"supply", "load"},
     "slip: supply and load are tied to earth at one potential: allowed"),
    ("one cell, all on one terminal", CELL, {"supply", "load", "meter"},
     ("slip: supply and load and meter are tied to earth at one potential: allowed; part of the current goes back through earth "
     "instead of the negative lead, and all of it if that lead breaks: keep the lead short and thick, or take an isolated meter")),
    ("a shunt, all on the rail's side", SHUNTED, {"supply", "load", "amps", "sense"},
     "slip: supply and load and sense and amps are tied to earth at one potential: allowed"),
    ("a shunt, the cell's meter alone", SHUNTED, {"meter"},
     "slip: meter alone ties it to earth, at the negative end of channel slip: allowed; connect nothing else of it to earth"),
    ("a string, its first reader and the supply", STRING, {"supply", "t1"},
     ("slip: supply and t1 are tied to earth at one potential: allowed; part of the current goes back through earth instead of the "
     "negative lead, and all of it if that lead breaks: keep the lead short and thick, or take an isolated meter")),
    ("a string, one reader in its middle", STRING, {"t3"},
     "slip: t3 alone ties it to earth, at tap 2 of channel slip: allowed; connect nothing else of it to earth"),
    ("relays and the other channel's supply are no tie", TWO, {"relay", "relay-b"}, "one, two: nothing ties it to earth, by the file; keep it so"),
    ("two cells on one earthed rail", TWO, {"supply", "load", "amps", "amps-b"},
     "one, two: supply and load and amps and amps-b are tied to earth at one potential: allowed"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "channels", "earthed", "note"), ALLOWED, ids=[row[0] for row in ALLOWED])
def test_an_allowed_bench_says_what_ties_it_to_earth(tmp_path: Path, name: str, channels: str, earthed: set[str], note: str) -> None:
    bench = bench_of(tmp_path, earthed, channels, ONE)

    assert isolation_notes(bench.instruments, bench.channels) == [note]


REFUSED = [
    ("two readers on different taps", STRING, {"t1", "t3"}, [
        "15", ("t3 is not isolated and is connected to tap 2 of channel slip; t1 (bench.yaml:13) is not isolated either and is connected to the "
        "negative end of channel slip: cells 1 to 2 would be short-circuited through earth")]),
    ("a reader on a tap, the supply at the end", STRING, {"supply", "t2"}, [
        "14", ("t2 is not isolated and is connected to tap 1 of channel slip; supply (bench.yaml:5) is not isolated either and is connected "
        "to the negative rail: cell 1 would be short-circuited through earth")]),
    ("a reader on a tap, the load at the end", STRING, {"load", "t3"}, [
        "15", ("t3 is not isolated and is connected to tap 2 of channel slip; load (bench.yaml:6) is not isolated either and is connected "
        "to the negative rail: cells 1 to 2 would be short-circuited through earth")]),
    ("neighbouring readers", STRING, {"t2", "t3"}, [
        "15", ("t3 is not isolated and is connected to tap 2 of channel slip; t2 (bench.yaml:14) is not isolated either and is connected to tap 1 "
        "of channel slip: cell 2 would be short-circuited through earth")]),
    ("supply and meter on two sides of a shunt", SHUNTED, {"supply", "meter"}, [
        "7", ("meter is not isolated and is connected to the negative end of channel slip; supply (bench.yaml:5) is not isolated either and "
        "is connected to the negative rail: the shunt would be bridged and the current read wrong through earth")]),
    ("shunt's meter and the cell's", SHUNTED, {"amps", "meter"}, [
        "7", ("meter is not isolated and is connected to the negative end of channel slip; amps (bench.yaml:8) is not isolated either and "
        "is connected to the negative rail: the shunt would be bridged and the current read wrong through earth")]),
    ("the meters of two cells behind shunts", TWO, {"meter", "meter-b"}, [
        "16", ("meter-b is not isolated and is connected to the negative end of channel two; meter (bench.yaml:7) is not isolated either "
        "and is connected to the negative end of channel one: what lies between the channels one and two would be short-circuited through "
        "earth")]),
]  # fmt: skip


@pytest.mark.parametrize(("name", "channels", "earthed", "expected"), REFUSED, ids=[row[0] for row in REFUSED])
def test_a_bench_that_would_short_through_earth_is_refused(
    tmp_path: Path, name: str, channels: str, earthed: set[str], expected: list[str]
) -> None:
    line, what = expected

    with pytest.raises(BenchError) as refused:
        bench_of(tmp_path, earthed, channels, ONE)

    (fault,) = (one.replace(f"{tmp_path}/", "") for one in refused.value.faults)
    place, _, said = fault.partition(": ")
    assert (place.split(":")[1], said) == (line, what + REMEDY)


def test_every_instrument_at_a_wrong_potential_is_named(tmp_path: Path) -> None:
    with pytest.raises(BenchError) as refused:
        bench_of(tmp_path, {"supply", "load", "t2", "t3"}, STRING_SHUNT, ONE)

    assert [fault.split(": ")[1].split(" ")[0] for fault in refused.value.faults] == ["t2", "t3"]


def test_isolation_not_stated_counts_as_tied_to_earth(tmp_path: Path) -> None:
    """The safe guess for the instrument nobody looked up."""
    path = tmp_path / "bench.yaml"
    bench_of(tmp_path, set(), STRING, ONE)
    path.write_text(path.read_text(encoding="utf-8").replace("isolated: yes, ", ""), encoding="utf-8")

    with pytest.raises(BenchError, match="t2 is not isolated"):
        load_bench(path)


SHARING = [
    ("  one: {source: supply, voltage: supply}\n  two: {source: supply, voltage: supply, switch: relay}\n",
     "channels one and two share supply, and one has no relay: the cells would be joined"),
    ("  one: {source: supply, voltage: supply, switch: relay}\n  two: {source: supply, voltage: supply, switch: relay}\n",
     "channels one and two share supply and the relay relay: the cells would be joined"),
    ("  one: {source: supply, load: load, voltage: supply}\n  two: {source: meter, load: load, voltage: meter}\n",
     "channels one and two share load, and two has no relay: the cells would be joined"),
    ("  one: {source: supply, voltage: meter}\n  two: {source: load, voltage: meter}\n",
     "meter would be connected across the cell of channel one and across the cell of channel two: one pair of terminals is at one place"),
    ("  one: {source: supply, voltage: t1, taps: [t1, t2]}\n",
     "t1 would be connected across the cell of channel one and across cell 1 of channel one: one pair of terminals is at one place"),
]  # fmt: skip


@pytest.mark.parametrize(("channels", "what"), SHARING)
def test_cells_that_would_be_joined_are_refused(tmp_path: Path, channels: str, what: str) -> None:
    with pytest.raises(BenchError) as refused:
        bench_of(tmp_path, set(), channels, ONE)

    assert [what in fault for fault in refused.value.faults] == [True]


def test_check_and_run_refuse_such_a_bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = BENCH.replace("channels:", '  meter: {address: "tcp://127.0.0.1:5029", dialect: scpi-meter, identity: "B,M,1,1", '
                         'accuracy: {voltage: 1 mV}, resolution: {voltage: 1 mV}}\n  amps: {address: "tcp://127.0.0.1:5030", '
                         'dialect: scpi-meter, identity: "B,A,1,1", accuracy: {current: 1 mA}, resolution: {current: 1 mA}, '
                         "shunt: 0.1 ohm}\nchannels:").replace("    voltage: supply", "    voltage: meter\n    current: amps")  # fmt: skip
    paths, _ = write_files(tmp_path)
    paths["bench"].write_text(more, encoding="utf-8")

    codes = (
        main(["check", str(paths["bench"])]),
        main(["run", str(paths["profile"]), "--cell", str(paths["cell"]), "--bench", str(paths["bench"])]),
    )

    said = capsys.readouterr().err
    assert codes == (Exit.FILE_OR_COMMAND, Exit.FILE_OR_COMMAND)
    assert said.count("meter is not isolated and is connected to the negative end of channel slip-1; supply (bench.yaml:5)") == 2
