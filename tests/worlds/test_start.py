"""What a start must prove before anything runs, on whole benches: connection, cell, sensor, and what is granted then.

Judged by the simulated panels' own record. The person is a function that answers, and holds a sensor in the simulated world.
"""

from __future__ import annotations

import asyncio
import functools
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from chargerd.config.hygiene import untended
from chargerd.config.unattended import Facts
from chargerd.core.events import CheckFailed, CheckPassed, Observed, Pause, Resume, StateChanged, Stop
from chargerd.core.states import State
from chargerd.daemon.frozen import FrozenRun
from chargerd.daemon.probe_pulse import PULSE_MOST_S, Believed
from chargerd.daemon.starting import Starting
from chargerd.instruments.abilities import abilities_of
from chargerd.sim.cell import Cell
from chargerd.sim.faults import Fault, forever
from chargerd.sim.fixtures import PLOVER, make_cell
from chargerd.sim.world import World
from tests.worlds import switched_bench
from tests.worlds.invariants import assert_safe, unproven_ons
from tests.worlds.programs import charge, discharge, profile, rest
from tests.worlds.world_bench import Ran, Stage, bench_text, run_world

RATED_Ah = 1.5
AMBIENT = (
    '  room:\n    address: memory://world-room\n    dialect: scpi-thermometer\n    identity: "Boathouse,Thermometer,SN8,1.0"\n'
    "    accuracy: {temperature: 0.5 K}\n    resolution: {temperature: 0.01 K}\nchannels:\n"
)
GENTLE = profile(charge("charge: 120 % rated", time="2 min"), rest(), discharge(time="2 min"))


class Person:
    """Answers the same to all that is asked, and warms what he says he warms."""

    def __init__(self, answer: bool = True, does: Callable[[], None] = lambda: None) -> None:
        self.asked: list[str] = []
        self.told: list[str] = []
        self._answer, self._does = answer, does

    def tell(self, text: str) -> None:
        self.told.append(text)

    async def confirm(self, text: str) -> bool:
        self.asked.append(text)
        self._does()
        return self._answer


def holding(world: World, sensor: str = "probe") -> Callable[[], None]:
    def hold() -> None:
        world.arm({"panel": sensor, "kind": "hand", "held_s": 60.0}, asyncio.get_running_loop().time())

    return hold


def facts_of(frozen: FrozenRun, record: frozenset[str] | None = frozenset({"record"})) -> Facts:
    return Facts(
        frozen.bench, frozen.channel, frozen.plan, untended(frozen.profile, frozen.cell, frozen.bench, frozen.plan.limits),
        abilities_of(frozen.bench), record,
    )  # fmt: skip


def attended(frozen: FrozenRun, world: World, **more: object) -> Starting:
    """A start with everything a grant rests on: a person who warms the sensor, a named cell, a record that counts."""
    start = Starting(person=Person(does=holding(world)), named=True, facts=facts_of(frozen))
    return replace(start, **more)  # type: ignore[arg-type]  # fields by name


def passed(ran: Ran) -> CheckPassed:
    (found,) = [record for _, record in ran.records if isinstance(record, CheckPassed)]
    return found


def refused(ran: Ran) -> str:
    """Why it was refused; and then it is IDLE, and nothing but a probe was ever on."""
    (found,) = [record.reason for _, record in ran.records if isinstance(record, CheckFailed)]
    assert (ran.state, "check-passed" in ran.kinds()) == (State.IDLE, False)
    assert unproven_ons(ran) == []
    assert [end_s - start_s <= PULSE_MOST_S for start_s, end_s in ran.source.energised() if end_s is not None] in ([], [True])
    assert not ran.source.conducts
    assert ran.load.energised() == []
    assert ran.world.nodes["slip-1"].charge_in_C <= 0.1 * RATED_Ah * PULSE_MOST_S
    return found


# --- the probe pulse -------------------------------------------------------------------------------------------------------


def test_the_probe_is_at_most_a_tenth_of_the_rating_for_ten_seconds_and_finds_the_cells_resistance(tmp_path: Path) -> None:
    ran = run_world(tmp_path, GENTLE)
    start_s, end_s = ran.source.energised()[0]
    before = ran.heard["supply"][: next(n for n, one in enumerate(ran.heard["supply"]) if one.received == "OUTP ON")]
    currents_A = [float(one.received.split()[1]) for one in before if one.received.startswith("CURR ")]

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert currents_A == [pytest.approx(0.1 * RATED_Ah)]
    assert end_s is not None
    assert end_s - start_s <= PULSE_MOST_S
    ohm = passed(ran).resistance_ohm
    assert ohm is not None
    assert PLOVER.R0 < ohm < PLOVER.R0 + PLOVER.R1 + PLOVER.R2
    assert_safe(ran, 5.0)
    assert ran.replayed().differences == ()


def shorted(_: Path) -> Cell:
    """A cell that is a piece of wire: hardly any resistance and, fresh, hardly a voltage."""
    return Cell(replace(PLOVER, R0=1e-4, R1=1e-4, R2=1e-4, C=50_000.0), ambient_degC=25.0, fresh=True)


OPEN = ("supply", forever("leads", at_s=0.0))
ZERO_SHOWN = ("supply", forever("reading", quantity="voltage_V", value=0.0))
"""A supply that shows no negative voltage, on a cell that is the wrong way round: 0.00 V whatever flows."""
NEGATIVE = ("supply", forever("reading", quantity="voltage_V", value=-1.4))
BELIEVED = Believed((0.2, 1.0))

REFUSED: dict[str, tuple[tuple[tuple[str, Fault], ...], Believed, str]] = {
    "a lead that is off": ((OPEN,), Believed(), "a lead or a clip is off"),
    "a cell the wrong way round on a supply that shows no negative voltage": ((ZERO_SHOWN,), Believed(), "the wrong way round"),
    "a cell the wrong way round on one that does": ((NEGATIVE,), Believed(), "the wrong way round; swap its leads"),
    "a resistance above the cell file's window": ((), Believed((0.01, 0.2)), "believes 0.01 to 0.2 ohm: clean and press the clips"),
    "a resistance below it": ((), Believed((0.6, 2.0)), "is this cell shorted, or another one?"),
    "more than twice its last resistance": ((), Believed(last_ohm=0.15), "0.150 ohm at this cell's last start"),
    "less than half of it": ((), Believed(last_ohm=0.9), "is it another cell, or a bad clip?"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_the_probe_refuses(what: str, tmp_path: Path) -> None:
    faults, believed, said = REFUSED[what]
    ran = run_world(tmp_path, GENTLE, faults=faults, starting=lambda frozen, world: Starting(believed=believed), until_s=60.0)

    assert said in refused(ran)


def test_shorted_leads_on_no_voltage_are_refused(tmp_path: Path) -> None:
    ran = run_world(tmp_path, GENTLE, cell=shorted(tmp_path), until_s=60.0)

    assert "shorted" in refused(ran)


@pytest.mark.parametrize(
    "believed", [Believed((0.2, 1.0)), Believed(last_ohm=0.3), Believed(last_ohm=0.7), Believed(last_ohm=0.05, may_differ=True)]
)
def test_the_twin_that_is_believed_completes(believed: Believed, tmp_path: Path) -> None:
    ran = run_world(tmp_path, GENTLE, starting=lambda frozen, world: Starting(believed=believed))

    assert (ran.state, ran.cause) == (State.COMPLETE, "")


def test_after_a_pause_the_resistance_of_the_start_is_what_is_believed(tmp_path: Path) -> None:
    """Somebody exchanged the cell in the pause: its contact is four times worse."""
    def pause(stage: Stage) -> None:
        stage.channel.ask(Pause(by="test"))

    def exchange(stage: Stage) -> None:
        cell = stage.world.nodes["slip-1"].cell
        assert cell is not None
        cell.contact_ohm = 1.2
        stage.channel.ask(Resume(by="test"))

    ran = run_world(tmp_path, GENTLE, acts=((30.0, pause), (40.0, exchange)), until_s=120.0)
    failed = [record.reason for _, record in ran.records if isinstance(record, CheckFailed)]

    assert len(failed) == 1
    assert "at this cell's last start: is it another cell, or a bad clip?" in failed[0]


def test_a_cell_that_stands_at_the_top_gets_no_probe_and_is_not_left_alone(tmp_path: Path) -> None:
    ran = run_world(tmp_path, GENTLE, stored_Ah=1.07, starting=attended, until_s=400.0)

    assert ran.trips() == []
    assert passed(ran).resistance_ohm is None
    assert passed(ran).attended_because == "Attended only, stay within reach: the cell's connection is not proven"


@pytest.mark.parametrize(("offset", "is_sent"), [("5 mA", True), ("7 mA", False)])
def test_a_probe_that_the_bench_cannot_tell_from_nothing_is_not_sent(offset: str, is_sent: bool, tmp_path: Path) -> None:
    """C/10 of 200 mAh are 20 mA; without a zero, twice the offset and two steps of 1 mA may flow: 12 mA, and 16 mA."""
    small = {
        "  capacity: 1.5 Ah": "  capacity: 200 mAh", "  charge_current: 2.5 A": "  charge_current: 0.5 A",
        "  discharge_current: 2.5 A": "  discharge_current: 0.5 A",
    }  # fmt: skip
    gentle = profile(charge("charge: 120 % rated", current="60 mA", time="1 min"), rest())
    supply, rest_of_it = bench_text().split("  load:\n", 1)
    text = re.sub(r"current: 0.1 % \+ \d mA", f"current: 0.1 % + {offset}", supply) + "  load:\n" + rest_of_it
    assert f"+ {offset}" in text
    ran = run_world(tmp_path, gentle, cell_edit=small, bench=text, starting=attended, until_s=300.0)

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert (passed(ran).resistance_ohm is not None, len(ran.source.energised())) == ((True, 2) if is_sent else (False, 1))


def test_a_run_that_only_rests_sends_no_probe(tmp_path: Path) -> None:
    ran = run_world(tmp_path, profile(rest("1 min")), starting=attended)

    assert (ran.state, ran.source.energised()) == (State.COMPLETE, [])
    assert passed(ran).unattended is True


def test_behind_a_relay_the_probe_goes_through_it_and_it_opens_again(tmp_path: Path) -> None:
    ran = run_world(
        tmp_path, GENTLE, cell=make_cell("plover", stored_Ah=0.5), bench=switched_bench.text(),
        world_of=functools.partial(switched_bench.world),
    )  # fmt: skip
    ohm = passed(ran).resistance_ohm

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert ohm is not None
    assert PLOVER.R0 < ohm < PLOVER.R0 + PLOVER.R1 + PLOVER.R2


# --- the warm hand ---------------------------------------------------------------------------------------------------------


def test_d4_a_hand_on_the_sensor_is_seen_and_the_run_is_granted(tmp_path: Path) -> None:
    people: list[Person] = []

    def start(frozen: FrozenRun, world: World) -> Starting:
        people.append(Person(does=holding(world)))
        return attended(frozen, world, person=people[0])

    ran = run_world(tmp_path, GENTLE, starting=start)

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert (passed(ran).unattended, passed(ran).attended_because) == (True, "")
    assert len(people[0].asked) == 1
    assert "Is the sensor probe fixed to this cell?" in people[0].asked[0]
    assert "rose by" in people[0].told[0]
    assert ran.replayed().differences == ()


def test_d4_a_sensor_that_fell_off_and_reads_the_room_is_refused(tmp_path: Path) -> None:
    """The person warms where the sensor should be, and it stays as it is."""
    ran = run_world(
        tmp_path, GENTLE, starting=lambda frozen, world: attended(frozen, world, person=Person()), until_s=200.0
    )

    assert "it is not at this cell, it is exchanged with another, or it is stuck" in refused(ran)


def two_sensors(cell: Cell) -> World:
    from chargerd.sim.benches import bench_of

    thermometer = {"kind": "thermometer", "behaviour": "scpi-thermometer"}
    return bench_of({
        "seed": 1, "keeps_log": True,
        "instruments": {
            "supply": {"kind": "supply", "behaviour": "scpi-supply", "identity": "Boathouse,Source 3A,SN1,1.0"},
            "load": {"kind": "load", "behaviour": "scpi-load", "identity": "Boathouse,Sink 10A,SN2,1.0"},
            "probe": {**thermometer, "identity": "Boathouse,Thermometer,SN6,1.0"},
            "room": {**thermometer, "identity": "Boathouse,Thermometer,SN8,1.0"},
        },
        "channels": {"slip-1": {"cell": cell, "source": "supply", "load": "load", "temperature": "probe", "ambient": "room"}},
    })  # fmt: skip


def with_room() -> str:
    text = switched_bench.text(meter=False)
    text = text.replace("channels:\n", AMBIENT).replace("switch: relay", "ambient: room")
    return text[: text.index("  relay:\n")] + text[text.index("  room:\n") :]


@pytest.mark.parametrize(("warmed", "is_right"), [("probe", True), ("room", False)])
def test_d5_a_hand_shows_which_sensor_is_whose(warmed: str, is_right: bool, tmp_path: Path) -> None:
    """The person warms the sensor at the cell; when it is the other thermometer that rises, their leads are exchanged."""
    ran = run_world(
        tmp_path, GENTLE, cell=make_cell("plover", stored_Ah=0.5), bench=with_room(), world_of=two_sensors, until_s=500.0,
        starting=lambda frozen, world: attended(frozen, world, person=Person(does=holding(world, warmed))),
    )  # fmt: skip

    if is_right:
        assert (ran.state, passed(ran).unattended) == (State.COMPLETE, True)
    else:
        assert "they are exchanged" in refused(ran)


@pytest.mark.parametrize(
    ("more", "because"),
    [({"person": None}, "no warm hand on the thermometer"), ({"person": Person(answer=False)}, "no warm hand on the thermometer"),
     ({"named": False}, "nobody has named the cell")],
    ids=["nobody there", "nobody does it", "nobody names it"],
)  # fmt: skip
def test_what_nobody_shows_makes_it_attended_only_and_it_runs(more: dict[str, object], because: str, tmp_path: Path) -> None:
    ran = run_world(tmp_path, GENTLE, starting=lambda frozen, world: attended(frozen, world, **more))

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert (passed(ran).unattended, passed(ran).attended_because) == (False, f"Attended only, stay within reach: {because}")


def test_a_stop_while_the_person_is_asked_ends_in_order_at_once(tmp_path: Path) -> None:
    stopped = asyncio.Event()

    class Gone(Person):
        async def confirm(self, text: str) -> bool:
            await asyncio.Event().wait()
            return await super().confirm(text)

    def stop(stage: Stage) -> None:
        stage.channel.ask(Stop(by="test", reason="gone home"))
        stopped.set()

    ran = run_world(
        tmp_path, GENTLE, acts=((20.0, stop),), until_s=60.0,
        starting=lambda frozen, world: attended(frozen, world, person=Gone(), stopped=stopped),
    )  # fmt: skip

    assert [(record.after, record.reason) for _, record in ran.records if isinstance(record, StateChanged)] == [
        ("CHECKING", "test"), ("STOPPED", "gone home"),
    ]  # fmt: skip
    assert (ran.source.energised(), ran.ended_s < 25.0) == ([], True)
    assert [one.verified for _, one in ran.records if isinstance(one, Observed) and one.what == "off"][:2] == [True, True]


@pytest.mark.parametrize(("reopened", "unattended"), [(False, True), (True, False)])
def test_a_pause_asks_for_no_second_hand_and_a_sensor_whose_link_was_opened_anew_is_not_proven(
    reopened: bool, unattended: bool, tmp_path: Path
) -> None:
    people: list[Person] = []

    def start(frozen: FrozenRun, world: World) -> Starting:
        people.append(Person(does=holding(world)))
        return attended(frozen, world, person=people[0])

    faults = (("probe", forever("mute", at_s=60.0, for_s=3.0)),) if reopened else ()
    acts = ((90.0, lambda stage: stage.channel.ask(Pause(by="test"))), (95.0, lambda stage: stage.channel.ask(Resume(by="test"))))
    ran = run_world(tmp_path, GENTLE, starting=start, faults=faults, acts=acts)
    checks = [record for _, record in ran.records if isinstance(record, CheckPassed)]

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert [check.unattended for check in checks] == [True, unattended]
    assert len(people[0].asked) == 1


def test_a_granted_run_that_goes_on_by_itself_needs_no_person(tmp_path: Path) -> None:
    ran = run_world(
        tmp_path, GENTLE, starting=lambda frozen, world: attended(frozen, world, person=None, named=False, goes_on=True)
    )

    assert (ran.state, passed(ran).unattended) == (State.COMPLETE, True)


# --- what may be written when nobody is there ----------------------------------------------------------------------------


@pytest.mark.parametrize(("record", "may"), [(frozenset({"record"}), False), (None, True)])
def test_inv11_what_is_not_harmless_is_not_written_in_a_run_that_is_left_alone(
    record: frozenset[str] | None, may: bool, tmp_path: Path
) -> None:
    """A bug of ours demands 0.9 A of a run planned at 0.15 A: within the hard limits, and not harmless for a day."""

    def bug(stage: Stage) -> None:
        stage.engine.memory.set_A = 0.9

    ran = run_world(
        tmp_path, GENTLE, acts=((30.0, bug),), until_s=200.0,
        starting=lambda frozen, world: attended(frozen, world, facts=facts_of(frozen, record)),
    )  # fmt: skip
    written_A = [float(one.received.split()[1]) for one in ran.heard["supply"] if one.received.startswith("CURR ")]

    assert (max(written_A) == 0.9) is may
    if not may:
        assert ran.cause == "on-not-verified"
        assert "it may" in ran.trips()[0][1].text
        assert not ran.source.conducts


def test_inv11_nothing_above_the_hard_limits_is_ever_written(tmp_path: Path) -> None:
    def bug(stage: Stage) -> None:
        stage.engine.memory.set_A = 2.6

    ran = run_world(tmp_path, GENTLE, acts=((30.0, bug),), until_s=200.0)
    written_A = [float(one.received.split()[1]) for one in ran.heard["supply"] if one.received.startswith("CURR ")]

    assert max(written_A) == 0.15
    assert (ran.cause, ran.source.conducts) == ("on-not-verified", False)
    assert "above the hard limit 2.5 A; not written" in ran.trips()[0][1].text
