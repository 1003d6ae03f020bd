"""The record of a bench that was proven: what it is bound to, when it counts, what it proves. Written by `commission`."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from chargerd.config.bench import BenchFile
from chargerd.errors import BenchError

VERSION = 1
VALID_DAYS = 180
"""Half a year: leads, clips and contacts age, and instruments are calibrated by the year (common practice, no source)."""

INVENTED_MAKER = "Boathouse"
"""No maker of that name exists: an instrument that bears it is simulated."""

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


@dataclass(frozen=True, slots=True)
class Proof:
    """One thing proven, or not: on which instrument, what, whether it `passed`, `failed` or was `not here`, and what was seen."""

    instrument: str
    check: str
    result: str
    said: str


@dataclass(frozen=True, slots=True)
class Record:
    """One channel's record.

    `identities`: as the instruments answered. `proven`: the words readiness knows ("record", "over-current", "watchdog",
    "boot:RELAY"). `numbers`: what was measured, with the unit in the name, for the verdict's uncertainty.
    """

    utc: str
    bench: str
    bench_sha256: str
    channel: str
    simulated: bool
    identities: Mapping[str, str]
    proven: frozenset[str]
    numbers: Mapping[str, float] = field(default_factory=dict)
    proofs: tuple[Proof, ...] = ()


def is_simulated(bench: BenchFile) -> bool:
    """Tell whether any instrument of the bench is a simulated one: by its address on this computer, or its invented maker."""
    return any(
        spec.address.startswith("memory://")
        or any(f"://{host}:" in spec.address for host in LOOPBACK)
        or spec.identity.startswith(f"{INVENTED_MAKER},")
        for spec in bench.instruments.values()
    )


def record_text(record: Record) -> str:
    """Return the record as the file holds it: JSON with a digest of all the rest. It finds damage, not forgery."""
    content: dict[str, Any] = {
        "version": VERSION,
        "utc": record.utc,
        "bench": record.bench,
        "bench_sha256": record.bench_sha256,
        "channel": record.channel,
        "simulated": record.simulated,
        "identities": dict(record.identities),
        "proven": sorted(record.proven),
        "numbers": dict(record.numbers),
        "proofs": [[proof.instrument, proof.check, proof.result, proof.said] for proof in record.proofs],
    }
    return json.dumps({**content, "digest": _digest(content)}, indent=1, ensure_ascii=True) + "\n"


def record_of(text: str, where: str) -> Record:
    """Read a record. Raises BenchError: damaged, changed by hand, or of another version."""
    try:
        content = json.loads(text)
        digest = content.pop("digest")
        is_whole = content["version"] == VERSION and digest == _digest(content)
        record = Record(
            content["utc"], content["bench"], content["bench_sha256"], content["channel"], content["simulated"] is not False,
            content["identities"], frozenset(content["proven"]), content["numbers"],
            tuple(Proof(*row) for row in content["proofs"]),
        )  # fmt: skip
    except (ValueError, KeyError, TypeError, AttributeError) as fault:
        raise _unusable(where, repr(fault)) from None
    if not is_whole:
        raise _unusable(where, "its digest does not fit its content")
    return record


def _unusable(where: str, why: str) -> BenchError:
    return BenchError((f"{where}: this commissioning record cannot be used ({why}); run chargerd commission again",))


def _digest(content: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True, ensure_ascii=True).encode("ascii")).hexdigest()


def why_not(record: Record, bench: BenchFile, channel: str, now: datetime) -> list[str]:
    """Return why this record does not count for that channel of that bench now; empty: it counts."""
    reasons = []
    if record.channel != channel:
        reasons.append(f"it is for channel {record.channel}")
    if record.bench_sha256 != bench.sha256:
        reasons.append("the bench file was changed since")
    if record.simulated and not is_simulated(bench):
        reasons.append("it was made with simulated instruments, and this bench is real")
    expected = {name: _plain(spec.identity) for name, spec in bench.instruments.items() if name in record.identities}
    changed = [name for name, identity in record.identities.items() if expected.get(name) != _plain(identity)]
    if changed:
        reasons.append(f"another instrument is there now: {', '.join(changed)}")
    reasons += _age_faults(record.utc, now)
    return reasons


def _age_faults(utc: str, now: datetime) -> list[str]:
    try:
        age = now - datetime.fromisoformat(utc).astimezone(UTC)
    except ValueError:
        return [f"its date {utc!r} is none"]
    if age < timedelta(days=-1):
        return ["it is from the future: the clock of this computer was wrong then, or is now"]
    if not age <= timedelta(days=VALID_DAYS):
        return [f"it is {age.days} days old, more than {VALID_DAYS}"]
    return []


def _plain(identity: str) -> str:
    return ",".join(part.strip(" ") for part in identity.split(","))
