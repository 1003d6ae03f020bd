"""An output goes by one name: cells that hang on it under two would be joined, and no check of sharing would see it."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargerd.config.bench import load_bench
from chargerd.errors import BenchError
from tests.worlds import switched_bench

TWO = switched_bench.text(mirror=False, load="", channels=2)


def test_one_supply_by_two_names_is_refused(tmp_path: Path) -> None:
    begin, end = TWO.index("  supply:\n"), TWO.index("  probe:\n")
    text = TWO[:end] + TWO[begin:end].replace("  supply:", "  supply-b:") + TWO[end:]
    text = text.replace("slip-2: {source: supply, voltage: supply", "slip-2: {source: supply-b, voltage: supply-b")
    (tmp_path / "bench.yaml").write_text(text.replace(", switch: relay-2", ""), encoding="utf-8")

    with pytest.raises(BenchError, match="supply-b and supply are the same"):
        load_bench(tmp_path / "bench.yaml")


def test_one_relay_by_two_names_is_refused(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text(TWO.replace("output: 2", "output: 1"), encoding="utf-8")

    with pytest.raises(BenchError, match="relay-2 and relay are the same"):
        load_bench(tmp_path / "bench.yaml")


def test_two_outputs_of_one_instrument_are_two(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text(TWO, encoding="utf-8")

    assert list(load_bench(tmp_path / "bench.yaml").channels) == ["slip-1", "slip-2"]
