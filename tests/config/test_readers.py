"""Inputs of one reader: which benches would short a cell or a shunt inside it, and what is told of those that may be built."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.cli.main import main
from chargerd.config.bench import BenchFile, load_bench
from chargerd.config.isolation import isolation_notes
from chargerd.config.readers import reader_notes
from chargerd.config.sheet.lists import warnings
from chargerd.errors import BenchError, Exit

HEAD = "bench: boathouse\nabout: An INVENTED bench.\ndata: data\ninstruments:\n"
TAIL = """\
limits: {voltage: 21 V, charge_current: 1 A, discharge_current: 1 A, temperature: 50 °C}
wiring: {lead: 0.05 ohm, fuse: 1 A, tap_resistor: 1 kohm}
ventilation: {outdoors: yes}
"""
SEES = "accuracy: {voltage: 5 mV, current: 2 mA}, resolution: {voltage: 1 mV, current: 1 mA}, ratings: {voltage: 30 V, current: 3 A}"
NAMES = ("supply", "supply-b", "a", "b", "c", "shunt")
"""Lines 5 to 10: two supplies, then three inputs of one reader, and a fourth across a shunt."""
REMEDY = (
    "; take a reader whose inputs are differential or isolated from each other, or one for each; write inputs: differential or "
    "inputs: isolated at every input only if its data sheet says so"
)

STRING = "  row: {source: supply, voltage: supply, taps: [a, b, c]}\n"
SHUNTED = "  slip: {source: supply, voltage: a, current: shunt}\n"
APART = "  one: {source: supply, voltage: supply, taps: [a, b]}\n  two: {source: supply-b, voltage: c}\n"
"""Two circuits of their own that only the reader joins; the tap of `b` is above cell 1 of the first."""


def bench_of(folder: Path, channels: str, inputs: str = "", earthed: tuple[str, ...] = (), at: dict[str, str] | None = None) -> BenchFile:
    """A bench whose reader has four inputs; `inputs`: what each says of them; `at`: inputs that say something else."""
    lines = []
    for number, name in enumerate(NAMES):
        is_input = not name.startswith("supply")
        said = (at or {}).get(name, inputs) if is_input else ""
        address = "5030" if is_input else str(5000 + number)
        lines.append(
            f'  {name}: {{address: "tcp://127.0.0.1:{address}", dialect: scpi-meter-scan, identity: "B,{address},1,1", {SEES}, '
            f"isolated: {'no' if name in earthed else 'yes'}{f', input: {100 + number}' if is_input else ''}"
            f"{f', inputs: {said}' if said else ''}{', shunt: 0.1 ohm' if name == 'shunt' else ''}}}\n"
        )
    path = folder / "bench.yaml"
    path.write_text(f"{HEAD}{''.join(lines)}channels:\n{channels}{TAIL}", encoding="utf-8")
    return load_bench(path)


def refused(folder: Path, channels: str, inputs: str = "", earthed: tuple[str, ...] = (), at: dict[str, str] | None = None) -> list[str]:
    """The faults of such a bench, as `line: what`, without the remedy they all share."""
    with pytest.raises(BenchError) as error:
        bench_of(folder, channels, inputs, earthed, at)
    faults = []
    for fault in error.value.faults:
        place, _, said = fault.replace(f"{folder}/", "").partition(": ")
        assert said.endswith(REMEDY)
        faults.append(f"{place.split(':')[1]}: {said.removesuffix(REMEDY)}")
    return faults


JOINED = "inputs that share a common are joined inside the reader, and"


@pytest.mark.parametrize("inputs", ["", "common"])
def test_taps_on_inputs_that_share_a_common_short_a_cell(tmp_path: Path, inputs: str) -> None:
    """Not stated is common, however well the whole reader floats of earth."""
    assert refused(tmp_path, STRING, inputs) == [
        (f"8: b is connected to tap 1 of channel row, and a (bench.yaml:7), of the same reader, to the negative end of channel row: {JOINED} "
        "cell 1 would be short-circuited"),
        (f"9: c is connected to tap 2 of channel row, and a (bench.yaml:7), of the same reader, to the negative end of channel row: {JOINED} "
        "cells 1 to 2 would be short-circuited"),
    ]


@pytest.mark.parametrize("inputs", ["differential", "isolated"])
def test_taps_on_inputs_of_their_own_are_allowed(tmp_path: Path, inputs: str) -> None:
    assert bench_of(tmp_path, STRING, inputs).instruments["b"].inputs == inputs


def test_one_input_that_says_nothing_speaks_for_the_whole_reader(tmp_path: Path) -> None:
    assert len(refused(tmp_path, STRING, "isolated", at={"shunt": ""})) == 2


def test_a_cell_and_its_shunt_on_one_common_bridge_the_shunt(tmp_path: Path) -> None:
    assert refused(tmp_path, SHUNTED) == [
        (f"7: a is connected to the negative end of channel slip, and shunt (bench.yaml:10), of the same reader, to the negative rail: {JOINED} "
        "the shunt would be bridged and the current read wrong")
    ]


def test_one_potential_of_each_circuit_may_be_joined_by_a_common(tmp_path: Path) -> None:
    bench = bench_of(tmp_path, APART.replace("[a, b]", "[a]"))

    assert reader_notes(bench.instruments, bench.channels) == [
        "a, c: inputs of one reader that share a common; allowed at one potential: connect them nowhere else"
    ]


def test_a_common_and_the_earth_together_short_what_neither_does_alone(tmp_path: Path) -> None:
    """`b` joins tap 1 of the first circuit to the second, which the supplies join to the foot of the first."""
    far = APART.replace("[a, b]", "[b]").replace("taps: [b]", "taps: [other, b]")
    other = HEAD + '  other: {address: "tcp://127.0.0.1:5040", dialect: scpi-meter, identity: "B,O,1,1", isolated: yes, accuracy: {voltage: 5 mV}, resolution: {voltage: 1 mV}}\n'
    for earthed, faults in (((), 0), (("supply",), 0), (("supply", "supply-b"), 1)):
        with pytest.raises(BenchError):  # writes the file, without the instrument that is still missing
            bench_of(tmp_path, far, earthed=earthed)
        path = tmp_path / "bench.yaml"
        path.write_text(path.read_text(encoding="utf-8").replace(HEAD, other), encoding="utf-8")
        if not faults:
            load_bench(path)
            continue
        with pytest.raises(BenchError, match=r"c is connected to the negative end of channel two, and b .*of the same reader, to tap 1") as error:
            load_bench(path)
        assert len(error.value.faults) == faults


def test_what_the_earth_shorts_already_is_told_once(tmp_path: Path) -> None:
    with pytest.raises(BenchError) as error:
        bench_of(tmp_path, STRING, earthed=("a", "b", "c"))

    assert [fault.count("through earth") for fault in error.value.faults] == [1, 1]


def test_one_pair_of_terminals_at_two_places_is_told_as_such(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="a would be connected across cell 1 of channel row and across cell 2"):
        bench_of(tmp_path, STRING.replace("[a, b, c]", "[a, a]"))


def test_a_word_that_is_none_is_told_with_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="inputs: 'floating'; write common, differential or isolated"):
        bench_of(tmp_path, STRING, "floating")


def test_the_builder_is_told_what_the_wiring_rests_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    floating = bench_of(tmp_path, STRING, "isolated")
    prove = "a, b, c: inputs of one reader, isolated from each other by the file; prove it with an ohmmeter between their negative terminals"
    assert reader_notes(floating.instruments, floating.channels) == [prove]
    assert isolation_notes(floating.instruments, floating.channels) == ["row: nothing ties it to earth, by the file; keep it so"]
    assert f"Inputs: {prove}." in warnings(floating)

    bench_of(tmp_path, STRING, "differential")
    assert main(["check", str(tmp_path / "bench.yaml")]) == Exit.OK
    assert "inputs: a, b, c: differential inputs of one reader; no terminal may leave the common-mode range" in capsys.readouterr().out


def test_check_and_wiring_refuse_taps_on_a_common(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    refused(tmp_path, STRING)

    codes = [main([verb, str(tmp_path / "bench.yaml")]) for verb in ("check", "wiring")]

    assert codes == [Exit.FILE_OR_COMMAND, Exit.FILE_OR_COMMAND]
    assert capsys.readouterr().err.count("cell 1 would be short-circuited") == 2
