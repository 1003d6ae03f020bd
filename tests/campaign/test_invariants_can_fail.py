"""Each invariant holds of a run without faults, and is broken by a record in which exactly that was planted."""

from __future__ import annotations

import copy
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from chargerd.core.events import StateChanged, StepEnded, Tripped
from chargerd.core.states import State
from chargerd.sim.panel import Switched
from chargerd.sim.wire import Exchange
from tests.campaign.judge import INVARIANTS, Case, judge
from tests.campaign.script import Script
from tests.campaign.story import Truth, drive
from tests.worlds.world_bench import OPENED

NOTHING = Script("relay")
ONE_LOST = Script("relay", faults=({"peer": "supply", "kind": "mute", "times": 1},))
CHARGES_S = (40.0, 140.0)
"""Within the first charge of the story."""


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> Case:
    ran, live = drive("relay", tmp_path_factory.mktemp("honest"))
    return Case(ran, NOTHING, live.truths)


@pytest.fixture
def case(honest: Case) -> Case:
    """A copy whose records, logs and looks may be changed."""
    ran = replace(
        honest.ran, records=list(honest.ran.records), looks=list(honest.ran.looks), heard={name: list(log) for name, log in honest.ran.heard.items()},
        world=copy.copy(honest.ran.world),
    )  # fmt: skip
    ran.world.panels = {name: copy.copy(panel) for name, panel in ran.world.panels.items()}
    for panel in ran.world.panels.values():
        panel.output_log = list(panel.output_log)
    return Case(ran, honest.script, honest.truths)


def test_a_run_without_faults_breaks_none(honest: Case) -> None:
    assert honest.ran.state is State.COMPLETE
    assert judge(honest.ran, NOTHING, honest.truths) == []


def relook(case: Case, change: Callable[[Truth], Truth]) -> None:
    case.looks[:] = [change(at) for at in case.looks]


def during(at: Truth) -> bool:
    return CHARGES_S[0] <= at.time_s <= CHARGES_S[1]


def trip(case: Case) -> None:
    case.ran.records.append((100.0, Tripped("over-voltage")))


def paused_and_on(case: Case) -> None:
    kept = [(at_s, record) for at_s, record in case.ran.records if not isinstance(record, StateChanged) or at_s < 1.0]
    case.ran.records[:] = [*kept, (60.0, StateChanged("RUNNING", "PAUSED"))]


def both(case: Case) -> None:
    case.outputs["load"].output_log = list(case.outputs["supply"].output_log)


def unread(case: Case) -> None:
    case.ran.heard["supply"] = [exchange for exchange in case.ran.heard["supply"] if exchange.received != "VOLT?"]


def nameless(case: Case) -> None:
    case.ran.heard["supply"].insert(20, Exchange(50.0, OPENED, b""))


def beyond(case: Case) -> None:
    relook(case, lambda at: at._replace(voltage_V=3.0) if during(at) else at)


def hot(case: Case) -> None:
    relook(case, lambda at: at._replace(temperature_degC=70.0) if during(at) else at)


def blind(case: Case) -> None:
    relook(case, lambda at: at._replace(missing=True) if during(at) else at)


def shrunk(case: Case) -> None:
    number = next(number for number, at in enumerate(case.looks) if during(at))
    case.looks[number] = case.looks[number]._replace(sums=(1e6, 1.0, 1.0, 1.0, 1e6))


def ended_on_nothing(case: Case) -> None:
    case.__dict__["events"] = [{"kind": "step-ended", "detail": '{"end":"current_below"}', "after_seq": "5"}]
    case.__dict__["rows"] = [{**row, "voltage_V": "absent"} if row["seq"] == "5" else row for row in case.rows]


def uncounted(case: Case) -> None:
    relook(case, lambda at: at._replace(sums=(at.sums[0], 0.0, *at.sums[2:])))


def too_much(case: Case) -> None:
    case.ran.heard["supply"].append(Exchange(100.0, "VOLT 3.100", b""))


def panel_off(case: Case) -> None:
    log = case.outputs["supply"].output_log
    number = next(number for number, entry in enumerate(log) if not entry.on and entry.time_s > CHARGES_S[0])
    log[number] = Switched(log[number].time_s, on=False, cause="panel")


def misread(case: Case) -> None:
    case.__dict__["rows"] = [{**row, "voltage_V": "1.9"} if row["seq"] == "60" else row for row in case.rows]


def second_cause(case: Case) -> None:
    trip(case)
    trip(case)


def one_lost(case: Case) -> None:
    trip(case)
    case.script = ONE_LOST


def endless(case: Case) -> None:
    number = next(number for number, (_, record) in enumerate(case.ran.records) if isinstance(record, StepEnded) and record.step == "2")
    del case.ran.records[number]


def fan_touched(case: Case) -> None:
    case.ran.world.panels["fan"] = case.outputs["supply"]


def left_on(case: Case) -> None:
    for panel in (case.outputs["supply"], case.relay):
        assert panel is not None
        panel.output_log.append(Switched(case.ran.ended_s - 1.0, on=True, cause="fault"))


def torn(case: Case) -> None:
    folder = case.ran.folder.parent / "torn"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(case.ran.folder, folder)
    with (folder / "readings.csv").open("ab") as file:
        file.write(b"1,2,3")
    case.ran.folder = folder


PLANTED: dict[str, tuple[Callable[[Case], Any], ...]] = {
    "INV-01": (paused_and_on,), "INV-02": (both,), "INV-03": (unread,), "INV-04": (nameless,), "INV-05": (beyond, hot), "INV-06a": (blind,),
    "INV-06b": (shrunk,), "INV-06c": (ended_on_nothing,), "INV-07": (trip,), "INV-08": (uncounted,), "INV-11": (too_much,), "INV-14": (panel_off,),
    "INV-19": (misread,), "INV-22": (torn,), "INV-23": (second_cause,), "INV-25": (one_lost,), "INV-31": (endless,), "INV-32": (fan_touched,),
    "INV-33": (left_on,),
}  # fmt: skip


@pytest.mark.parametrize("name", INVARIANTS)
def test_a_planted_break_is_found(name: str, case: Case) -> None:
    _, look = INVARIANTS[name]
    assert list(look(case)) == []
    for plant in PLANTED[name]:
        doctored = Case(copy.copy(case.ran), case.script, case.truths)
        plant(doctored)
        assert list(look(doctored)) != []


def test_the_folder_of_a_run_is_where_it_says(honest: Case) -> None:
    assert (Path(honest.ran.folder) / "readings.csv").exists()
