"""`clear`: a trip is cleared with a reason, and one by heat only when the cell has had time to cool."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from chargerd.cli.main import main
from chargerd.core.causes import COOLING_S
from chargerd.errors import Exit
from chargerd.journal.ledger import ChannelLedger


def latched(data: Path, cause: str, ago_s: float) -> None:
    utc = (datetime.now(UTC) - timedelta(seconds=ago_s)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    with ChannelLedger.open(data, "slip-1") as ledger:
        ledger.tripped(utc, "a-run", cause)


def clear(data: Path) -> int:
    return main(["clear", "slip-1", "--data", str(data), "--reason", "looked at it"])


@pytest.mark.parametrize(
    ("cause", "ago_s", "may"),
    [
        ("over-temperature", COOLING_S - 60.0, False),
        ("over-temperature", COOLING_S + 1.0, True),
        ("over-voltage", 1.0, True),
        ("a-cause-of-an-older-version", 1.0, True),
    ],
)
def test_a_hot_cell_rests_before_its_trip_is_cleared(
    cause: str, ago_s: float, may: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    latched(tmp_path, cause, ago_s)

    assert clear(tmp_path) == (Exit.OK if may else Exit.REFUSED)
    with ChannelLedger.open(tmp_path, "slip-1") as ledger:
        assert (ledger.latched() is None) is may
    if not may:
        assert "the cell is hotter than its limit; its trip of" in capsys.readouterr().err
