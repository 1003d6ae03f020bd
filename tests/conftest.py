"""For every test: in CI a skipped peer test is a failure, and elsewhere what was skipped is said at the end."""

from __future__ import annotations

import os

import pytest


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    """Turn the skip of a test that needs another program into a failure where all of them must be there."""
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("CI") and item.get_closest_marker("peer") and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"a peer test may not be skipped in CI: {reason}"
