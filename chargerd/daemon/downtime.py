"""How long nobody recorded a run, and how long its outputs may have stayed on meanwhile.

Within one boot its clock tells, which nobody sets. Across boots only the wall clock can, and only when a time service had set it
before and has set it again: a computer whose clock does not run on restores an old time, and hours look like seconds.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from chargerd.core.memory import Memory
from chargerd.daemon.clock import Clock
from chargerd.daemon.clock_watch import SUSPENDED_LEAST_S
from chargerd.journal.rowcheck import utc_seconds


@dataclass(frozen=True, slots=True)
class Downtime:
    """What is known of the time since the last row.

    `duration_s` is None when nobody knows. `off_after_s` is how long outputs may have stayed on: until the first proof of off by
    the same boot's clock, else at least the longest a kill takes. Where nothing bounds it, it is what the wall clock says, which
    may be too little. `proven`: they were proven off in this boot.
    """

    duration_s: float | None
    off_after_s: float
    is_bounded: bool
    proven: bool
    suspended: bool | None
    found_on: bool | None
    same_boot: bool | None


def downtime(folder: Path, memory: Memory, last_elapsed_s: float, last_utc: str, clock: Clock, longest_on_s: float) -> Downtime:
    """Return what is known of the time from the last row to now."""
    same_boot = memory.boot_id != "" and memory.boot_id == clock.boot
    last_s = memory.boot_zero_s + last_elapsed_s  # the last row, on its own boot's clock
    wall_s = max(utc_seconds(clock.utc()) - utc_seconds(last_utc), 0.0) if last_utc else 0.0
    duration_s = clock.now_s() - last_s if same_boot else _across_boots_s(memory, last_utc, clock)
    if duration_s is not None and not duration_s >= 0.0:
        duration_s = None
    proofs = [proof for proof in _proofs(folder) if proof.boot_id in (memory.boot_id, clock.boot)]
    after_s = [_after_s(proof, memory, last_s, duration_s, clock) for proof in proofs]
    known_s = [one_s for one_s in after_s if one_s is not None and one_s >= 0.0]
    on_s = min(known_s, default=duration_s)
    exact = any(proof.boot_id == memory.boot_id and proof.boot_s >= last_s for proof in proofs)
    proven = any(p.boot_id == clock.boot and (not same_boot or p.boot_s >= last_s) for p in proofs)
    return Downtime(
        duration_s, round(max(0.0 if exact else longest_on_s, wall_s if on_s is None else on_s), 3), on_s is not None, proven,
        _suspended(memory, clock, same_boot=same_boot), _found_on(proofs, clock, same_boot=same_boot),
        same_boot if memory.boot_id and clock.boot else None,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Proof:
    """One execution of the off plan that proved every output off. `was_on`: what they said before, None where one did not."""

    boot_id: str
    boot_s: float
    was_on: bool | None


def _proofs(folder: Path) -> list[_Proof]:
    """Return the first and the last proof that `off` has left of the plan beside them; none when anything is odd."""
    try:
        result = json.loads((folder / "off-result.json").read_bytes())
        plan_sha256 = hashlib.sha256((folder / "off-plan.json").read_bytes()).hexdigest()
        if result["plan_sha256"] != plan_sha256:
            return []  # of an earlier life
        return [_proof(one) for one in (result, result.get("again")) if one is not None and _is_proven(one)]
    except (OSError, ValueError, KeyError, TypeError):
        return []


def _is_proven(result: dict[str, Any]) -> bool:
    return bool(result["outputs"]) and all(output["verified"] is True for output in result["outputs"])


def _proof(result: dict[str, Any]) -> _Proof:
    said = [output["was_on"] for output in result["outputs"]]
    was_on = True if True in said else None if None in said else False
    return _Proof(str(result["boot_id"]), float(result["boot_s"]), was_on)


def _after_s(proof: _Proof, memory: Memory, last_s: float, duration_s: float | None, clock: Clock) -> float | None:
    """Return how long after the last row that proof came, s; None when nobody knows."""
    if proof.boot_id == memory.boot_id:
        return proof.boot_s - last_s
    return None if duration_s is None else duration_s - (clock.now_s() - proof.boot_s)


def _across_boots_s(memory: Memory, last_utc: str, clock: Clock) -> float | None:
    if not (memory.boot_id and clock.boot and last_utc and memory.synchronised and clock.is_synchronised()):
        return None
    return utc_seconds(clock.utc()) - utc_seconds(last_utc)


def _suspended(memory: Memory, clock: Clock, *, same_boot: bool) -> bool | None:
    """Tell whether the computer slept since; a boot that is over did not, as far as anybody can tell."""
    if not same_boot:
        return False if memory.boot_id else None
    return not clock.now_s() - clock.awake_s() - memory.suspended_s < SUSPENDED_LEAST_S


def _found_on(proofs: list[_Proof], clock: Clock, *, same_boot: bool) -> bool | None:
    """Tell whether an output was on when the computer had started; after a mere crash of the program that is no question."""
    if same_boot:
        return False
    said = [proof.was_on for proof in proofs if proof.boot_id == clock.boot]
    return True if True in said else None if None in said or not said else False
