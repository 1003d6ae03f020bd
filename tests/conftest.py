"""For every test: in CI a skipped peer test is a failure, and elsewhere what was skipped is said at the end."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from chargerd.instruments.transports import serial_bus
from chargerd.instruments.transports.unanswered import Unanswered


@pytest.fixture(autouse=True)
def new_ptys_owe_nothing() -> Iterator[None]:
    """The kernel gives a new pty the number of an old one: what that one's device had not answered is no concern of it."""
    yield
    for bus in serial_bus._LAST.values():
        bus.unanswered = Unanswered()


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    """Turn the skip of a test that needs another program into a failure where all of them must be there."""
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("CI") and item.get_closest_marker("peer") and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"a peer test may not be skipped in CI: {reason}"
