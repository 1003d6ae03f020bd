"""Where commissioning records lie, and whether the one there counts."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from chargerd.config.bench import BenchFile
from chargerd.config.commissioned import Record, record_of, why_not
from chargerd.errors import RefusedError


def record_path(bench: BenchFile, channel: str) -> Path:
    """Return where the channel's record is kept."""
    return bench.data_dir / "commissioning" / f"{channel}.json"


def load_record(bench: BenchFile, channel: str) -> Record | None:
    """Return the channel's record, None when there is none. Raises BenchError on a damaged one, RefusedError on an unreadable."""
    path = record_path(bench, channel)
    try:
        text = path.read_text(encoding="ascii", errors="replace")
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as fault:
        raise RefusedError(f"{path}: this record cannot be read: {fault.strerror}") from fault
    return record_of(text, str(path))


def standing(record: Record, bench: BenchFile, channel: str) -> list[str]:
    """Return why the record does not count now; empty: it counts."""
    reasons = why_not(record, bench, channel, datetime.now(UTC))
    return reasons if "record" in record.proven else ["something failed", *reasons]


def proven(bench: BenchFile, channel: str) -> frozenset[str] | None:
    """Return what a record that counts has proven, None when none counts. Raises BenchError when it is damaged."""
    return standing_of(bench, channel).proven


class Standing(NamedTuple):
    """What a commissioning record has proven, None when none counts, and then why not ("" when there is none at all)."""

    proven: frozenset[str] | None
    why_not: str = ""


def standing_of(bench: BenchFile, channel: str) -> Standing:
    """Return what the channel's record is worth now. Raises BenchError when it is damaged."""
    record = load_record(bench, channel)
    if record is None:
        return Standing(None)
    reasons = standing(record, bench, channel)
    return Standing(None, f"the one of {record.utc} does not count: {'; '.join(reasons)}") if reasons else Standing(record.proven)
