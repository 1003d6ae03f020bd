"""One fault of any kind, on any instrument, at any instant: what contacts, source and load may never do, from their own logs."""

from __future__ import annotations

import itertools
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import Phase as Phases
from hypothesis import strategies as st

from chargerd.sim.faults import forever
from tests.worlds.programs import charge, discharge, profile, rest
from tests.worlds.test_switching import OFF_BUDGET_S, Phase, both_on_s, outputs, relay_of, run
from tests.worlds.world_bench import Ran, conducts_at

PROGRAM = profile(
    charge(time="1 min", interrupt="interrupt: {every: 30 s, lasts: 1 s}"), rest("90 s"), discharge(time="1 min"), rest("30 s"),
    charge(time="1 min"),
)  # fmt: skip
TAKES_S = 310.0
KINDS: dict[str, dict[str, Any]] = {
    "hang": {}, "mute": {}, "drop": {}, "refuse": {}, "garble": {}, "truncate": {}, "late": {"delay_s": 1.0}, "duplicate": {},
    "freeze": {}, "not_a_number": {}, "ignore_set": {}, "ignore_on": {}, "ignore_off": {}, "identity": {},
    "reboot": {"output_on": True}, "panel_switch": {"on": True}, "error": {"number": -220, "text": "Parameter error"},
}  # fmt: skip
HAPPEN_ONCE = ("reboot", "panel_switch", "error")
SLACK_S = 3.0
"""Passes are at most 2 s apart, and a relay settles."""


def hot_closings(ran: Ran) -> list[float]:
    """When a contact that the program told to close did so while source or load truly conducted."""
    closings = [entry.time_s for entry in relay_of(ran).output_log if entry.on and entry.cause == "command"]
    return [at_s for at_s in closings if any(conducts_at(panel, at_s) for panel in outputs(ran))]


def energised_through_s(ran: Ran, after_s: float) -> float:
    """For how long after an instant source or load still conducted through a closed contact."""
    panels = [relay_of(ran), *outputs(ran)]
    changes = sorted({after_s, ran.ended_s, *(e.time_s for one in panels for e in one.output_log if e.time_s > after_s)})
    spans = itertools.pairwise(changes)
    return sum(
        end - start for start, end in spans
        if conducts_at(relay_of(ran), start) and any(conducts_at(one, start) for one in outputs(ran))
    )  # fmt: skip


@settings(
    max_examples=24, deadline=None, derandomize=True, phases=[Phases.explicit, Phases.generate],
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
@given(
    where=st.sampled_from(["supply", "load", "board"]),
    kind=st.sampled_from(sorted(KINDS)),
    at_s=st.floats(0.0, TAKES_S),
    lasts_s=st.sampled_from([2.0, 12.0, 1e6]),
    meter=st.booleans(),
)
def test_one_fault_of_any_kind_never_closes_onto_current_and_never_leaves_the_cell_on(
    where: str, kind: str, at_s: float, lasts_s: float, meter: bool
) -> None:
    if where == "board" and kind == "error":
        kind = "mute"
    when = {"at_s": at_s} if kind in HAPPEN_ONCE else {"at_s": at_s, "for_s": lasts_s}
    fault = forever(kind, **when, **KINDS[kind])
    with tempfile.TemporaryDirectory() as folder:
        ran = run(Path(folder), Phase(PROGRAM, 0.0), faults=((where, fault),), bench={"meter": meter}, until_s=TAKES_S + 120.0)

        assert hot_closings(ran) == []
        assert both_on_s(ran) <= OFF_BUDGET_S + SLACK_S
        if ran.trips():
            assert energised_through_s(ran, ran.trips()[0][0]) <= OFF_BUDGET_S + SLACK_S
        assert not (relay_of(ran).contact_closed and any(panel.conducts for panel in outputs(ran)) and ran.state.value != "RUNNING")
