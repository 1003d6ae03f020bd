"""Snapshots of the invented boathouse bench for the tests of this folder."""

from __future__ import annotations

import dataclasses
from typing import Any

from chargerd.core.demand import Activity, Demand, Energise
from chargerd.core.derived import Derived
from chargerd.core.program import EndSpec, Step, StepKind
from chargerd.status.outlook import NextEnd, Outlook
from chargerd.status.snapshot import Ages, Output, Snapshot, Subject, make_snapshot

SUBJECT = Subject("boathouse", "north", "plover-01", "gentle-formation", "20250504T020000Z_plover-01", simulated=True)
DERIVED = Derived(
    "RUNNING", "1.1", 3, "charge", "cv", 1.851, 0.043, 23.4, 0.41, 0.2, 0.73, 0.31, 60.0, 75.0, 0.0034, 0.42,
)  # fmt: skip
DEMAND = Demand(Energise.SOURCE, Activity.CHARGE, 10.0, 5.0, 1.85, 0.15)
OFF_OUTPUT = Output(on=False, verified=True, by="state and current of supply and load")
STEP = Step(
    "1.1", StepKind.CHARGE, 0.15, 1.85, sample_every_s=5.0,
    ends=(EndSpec("current_below", 0.03), EndSpec("charge", 1.8), EndSpec("time", 50400.0)),
)  # fmt: skip


def sample(**changes: Any) -> Snapshot:
    """A charging plover; `changes` are fields of the snapshot, of its derived columns or of its subject."""
    snapshot = make_snapshot(
        SUBJECT, DERIVED, DEMAND,
        seq=7, utc="2025-05-04T02:14:05.123Z", elapsed_s=4512.0, valid_for_s=15.0, ages=Ages(0.1, 0.1, 0.5), rounds=10,
        outlook=Outlook(NextEnd("current_below", 0.043, 0.03, 2400.0), 2400.0, -1),
        output=Output(on=True, verified=True, by="state and set-points of the supply"),
    )  # fmt: skip
    derived = {key: changes.pop(key) for key in list(changes) if key in Derived._fields}
    subject_names = {field.name for field in dataclasses.fields(Subject)}
    subject = {key: changes.pop(key) for key in list(changes) if key in subject_names}
    return dataclasses.replace(
        snapshot,
        derived=snapshot.derived._replace(**derived),
        subject=dataclasses.replace(snapshot.subject, **subject),
        **changes,
    )
