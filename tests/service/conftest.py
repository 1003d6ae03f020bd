"""A bench process per test, as in `tests/processes`."""

from tests.processes.conftest import bench, make_bench

__all__ = ["bench", "make_bench"]
