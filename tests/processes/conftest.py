"""A bench process per test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from .bench_process import Bench


@pytest.fixture
def make_bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    with ExitStack() as stack:

        def make(name: str = "bench", **options: Any) -> Bench:
            bench = Bench(tmp_path / name, **options)
            stack.callback(bench.close)
            return bench

        yield make


@pytest.fixture
def bench(make_bench: Callable[..., Bench]) -> Bench:
    return make_bench()
