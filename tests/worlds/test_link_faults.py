"""Every fault of instruments and their links that the simulator knows, for one message, for a while and for ever, in charge, in discharge and at rest.

Once: nothing that passes may end a run, and the charge must be right. For ever: the run ends with the stated state and cause and
the outputs truly off in time. Where the fault takes away every way of switching off (a dead link, an output that sticks), the
trip must come in time and off must be tried and announced until the end; then the guard, the relay and the person remain.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import pytest

from chargerd.core.contact import BROKE_OFF
from chargerd.core.events import Observed, Stop
from chargerd.daemon.channel import FULL_EVERY_S, RETRY_OFF_S
from chargerd.sim.bench_faults import BENCH_FAULTS
from chargerd.sim.faults import FAULTS, Fault, fault_of
from tests.worlds.invariants import assert_safe
from tests.worlds.programs import EVERY_S, charge, discharge, profile, rest
from tests.worlds.world_bench import Ran, conducts_at, run_world

PROGRAM = profile(charge(time="3 min"), rest("150 s"), discharge(time="3 min"), rest())
"""Charge to 180 s, rest to 330 s, discharge to 510 s, rest to 570 s, counted from the end of CHECKING."""
IN_mAh, OUT_mAh = 0.15 * 180.0 / 3.6, 0.30 * 180.0 / 3.6
ONE_PERIOD_mAh = 0.30 * EVERY_S / 3.6
STAGES = {"charge": ("supply", 62.5), "discharge": ("load", 392.5), "rest": ("supply", 222.5)}
STOP_S, UNTIL_S = 700.0, 800.0
SWITCHING_TAKES_S = 1.0
PROBED_S = 1.2
"""CHECKING has sent its probe pulse by then, and the program has not begun."""
CHECKS_S = 1.4
"""So much later than at 0 s the program begins."""


@dataclass(frozen=True)
class Outcome:
    """How a run ends: its state, the first cause (a pause's reason where it paused), and how long the judgement takes.

    `stuck`: nothing on this wire can switch off. `unseen`: why this program cannot see that the reading is wrong.
    """

    state: str
    cause: str = ""
    takes_s: float = 0.0
    stuck: bool = False
    unseen: str = ""


DONE = Outcome("COMPLETE")
LOST = Outcome("TRIPPED", "reading-lost", 3 * EVERY_S)
DEAD = Outcome("TRIPPED", "reading-lost", 3 * EVERY_S, stuck=True)
SCAN_S = 2.5
"""What a sample costs while an instrument is silent: a question, its retry and opening a new link, half a second each and more."""
LATER = Outcome("TRIPPED", "reading-lost", 107.5 + CHECKS_S + 3 * (EVERY_S + SCAN_S))
"""At rest readings may be missing; the discharge that begins 107.5 s later must not, so it never begins."""
WIRE = (DONE, DONE, DONE, DEAD, DEAD, LATER)
NO_VALUE = (DONE, DONE, DONE, LOST, LOST, LATER)
REVERSED = Outcome("TRIPPED", "reverse-polarity")
NO_ON = Outcome("TRIPPED", "on-not-verified")
NO_START = Outcome("IDLE")
"""Refused in CHECKING: a probe that cannot be sent as it was meant is not sent."""
NO_OFF = Outcome("TRIPPED", "off-not-verified", stuck=True)
READ_BACK = Outcome("TRIPPED", "set-point-changed", FULL_EVERY_S)
PROTECTED = Outcome("TRIPPED", "instrument-protection")
LOAD_OFF = Outcome("TRIPPED", "load-found-off")
RESTARTED = Outcome("TRIPPED", "instrument-restarted", FULL_EVERY_S)
STUCK_LATER = Outcome("TRIPPED", "off-not-verified", 117.5, stuck=True)
OPEN_LEADS = Outcome("TRIPPED", "over-discharge", max(EVERY_S, 2.0))
FROZEN = Outcome("TRIPPED", "off-not-verified", 117.5, unseen="a frozen current shows only when off is to be proven")
STALE = Outcome("TRIPPED", "off-not-verified", 117.5, unseen="a set-point that stays as it was written is what is expected")
HOT = Outcome("TRIPPED", "over-temperature")
BROKEN = Outcome("STOPPED", BROKE_OFF, 2.0)
"""Paused at the third reading without current, a second apart; a person stops it later."""

OUTCOMES: dict[str, tuple[Outcome, ...]] = {
    # once: in charge, in discharge, at rest; for ever: the same three.
    "hang": WIRE,
    "mute": WIRE,
    "drop": WIRE,
    "refuse": (DEAD, DEAD, LATER, DEAD, DEAD, LATER),  # by time only: once is for ever
    "garble": WIRE,
    "truncate": WIRE,
    "late": WIRE,
    "duplicate": WIRE,
    "replace": WIRE,
    "flood": WIRE,
    "slow": WIRE,
    "shift": (DONE, DONE, DONE, LOST, LOST, LATER),  # off is sent, and its answer comes one question late: carried out all the same
    "drip": WIRE,
    "echo": WIRE,
    "flip": WIRE,
    "spell": WIRE,
    "deaf": (DEAD, DEAD, LATER) * 2,  # by time only
    "swap": (DEAD, DEAD, LATER) * 2,  # by time only; the identity is asked before the first write, so the other is never written to
    "foreign": (DONE,) * 6,  # an unknown header of another program's leaves an error and nothing else
    "stale": (DONE, DONE, DONE, STALE, STALE, DONE),
    "lamp": (DONE, DONE, DONE, PROTECTED, PROTECTED, PROTECTED),
    "unit": (DONE, DONE, DONE, LOST, LOST, Outcome("TRIPPED", "current-while-off")),
    "fahrenheit": (HOT,) * 6,
    "freeze": (DONE, DONE, DONE, FROZEN, FROZEN, DONE),
    "not_a_number": NO_VALUE,
    "infinite": NO_VALUE,
    # One voltage below -0.1 V ends the run: any one valid reading may trip.
    "scale": (REVERSED,) * 6,
    "offset": (DONE, DONE, DONE,
               Outcome("TRIPPED", "current-above-set-point"), Outcome("TRIPPED", "current-above-set-point"),
               Outcome("TRIPPED", "current-while-off")),
    "reading": (DONE, DONE, DONE, BROKEN, BROKEN, Outcome("TRIPPED", "over-discharge", 112.5)),
    "ignore_set": (DONE, DONE, DONE, NO_START, NO_ON, NO_ON),
    "ignore_on": (DONE, DONE, DONE, NO_ON, NO_ON, NO_ON),
    "ignore_off": (DONE, DONE, DONE, NO_OFF, NO_OFF, NO_OFF),
    "identity": (DONE, DONE, DONE, Outcome("TRIPPED", "reading-lost", FULL_EVERY_S + 3 * EVERY_S, stuck=True),
                 Outcome("TRIPPED", "reading-lost", FULL_EVERY_S + 3 * EVERY_S, stuck=True), LATER),
    "stick_on": (STUCK_LATER, STUCK_LATER, DONE, STUCK_LATER, STUCK_LATER, DONE),
    "reboot": (RESTARTED, LOAD_OFF, RESTARTED) * 2,
    "trip": (PROTECTED, LOAD_OFF, PROTECTED) * 2,
    "panel_switch": (Outcome("STOPPED", "switched off at its panel"), LOAD_OFF, Outcome("TRIPPED", "source-found-on")) * 2,
    # At rest the set-points are written anew before the next switching on.
    "panel_set": (READ_BACK, READ_BACK, DONE) * 2,
    "change": (READ_BACK, PROTECTED, DONE) * 2,
    "leads": (BROKEN, OPEN_LEADS, Outcome("TRIPPED", "over-discharge", 112.5)) * 2,
    "detach": (DONE,) * 6,  # 0.2 K of warming: on such steps a thermometer in the room cannot be told from one on the cell
    "error": (DONE,) * 6,
}  # fmt: skip

KINDS = [kind for kind, row in FAULTS.items() if row.needs != "units" and kind not in BENCH_FAULTS]
"""What an instrument that is no Modbus unit can have; what befalls the bench itself wants relays and sensors of its own."""

CASES = [
    (kind, stage, times)
    for kind in KINDS
    for times in ("once", "forever")
    for stage in STAGES
]
LIES = {"unit", "freeze", "not_a_number", "infinite", "scale", "offset", "reading"}
ON_THE_WIRE = ("hang", "mute", "drop", "refuse", "garble", "truncate", "late", "duplicate", "replace", "flood", "not_a_number",
               "shift", "drip", "echo", "spell")
ON_AT_S = {"charge": 0.0, "discharge": 330.0, "rest": 330.0}
OFF_AT_S = {"charge": 180.0, "discharge": 510.0, "rest": 180.0}


def placed(kind: str, stage: str, **more: Any) -> tuple[str, Fault, float]:
    """The fault at that stage, by instrument, and from when on it matters."""
    instrument, at_s = STAGES[stage]
    values: dict[str, Any] = {"kind": kind, "at_s": at_s, **more}
    matters_s = at_s
    if kind in LIES:
        values["header"] = "MEAS"
    elif kind == "identity":
        values["header"] = "*IDN"
    elif kind in ("detach", "fahrenheit"):
        instrument = "probe"
    elif kind == "lamp":
        values["condition"] = "OCP" if instrument == "load" else "OVP"
    elif kind == "swap":
        values["with"] = "supply" if instrument == "load" else "load"
    elif kind in ("ignore_set", "ignore_on"):
        instrument = "supply" if stage == "charge" else "load"
        began_s = 0.0 if kind == "ignore_set" else PROBED_S
        values |= {"header": "CURR 0." if kind == "ignore_set" else " ON", "at_s": began_s if stage == "charge" else 170.0}
        matters_s = ON_AT_S[stage]
    elif kind == "ignore_off":
        values |= {"header": " OFF", "at_s": 170.0 if stage == "rest" else at_s}
        matters_s = OFF_AT_S[stage]
    elif kind == "panel_set" and instrument == "load":
        values |= {"setting": "current_set_A", "value": 0.2}
    elif kind == "change" and instrument == "supply":
        values |= {"setting": "current_set_A", "value": 0.1}
    elif kind == "panel_switch":
        values["on"] = stage == "rest"
    elif kind == "trip" and instrument == "load":
        values["cause"] = "uvp"
    return instrument, fault_of(values), matters_s


def run(tmp_path: Any, instrument: str, fault: Fault) -> Ran:
    stop = ((STOP_S, lambda stage: stage.channel.ask(Stop(by="test"))),)
    return run_world(tmp_path, PROGRAM, faults=((instrument, fault),), acts=stop, until_s=UNTIL_S)


def assert_right_charge(ran: Ran, gap_in_mAh: float = 0.0, gap_out_mAh: float = 0.0) -> None:
    """What flowed is what the program says, and what the journal says flowed is what flowed, to one sampling period.

    Between good readings more than three periods apart nothing is integrated; that gap is told in `gap_s`.
    """
    node, tally = ran.world.nodes["slip-1"], ran.engine.memory.tally
    assert node.charge_in_C / 3.6 == pytest.approx(IN_mAh, abs=ONE_PERIOD_mAh)
    assert node.charge_out_C / 3.6 == pytest.approx(OUT_mAh, abs=ONE_PERIOD_mAh)
    assert tally.charge_in_Ah * 1000.0 + gap_in_mAh == pytest.approx(node.charge_in_C / 3.6, abs=ONE_PERIOD_mAh)
    assert tally.charge_out_Ah * 1000.0 + gap_out_mAh == pytest.approx(node.charge_out_C / 3.6, abs=ONE_PERIOD_mAh)


def assert_off_tried_and_announced(ran: Ran) -> None:
    """Off was tried and said not to be proven every ten seconds and its time-outs, and the channel never left it at that."""
    assert not ran.is_over
    tries_s = [time_s for time_s, record in ran.records if isinstance(record, Observed) and record.what == "off" and not record.verified]
    assert tries_s != []
    assert ran.ended_s - tries_s[-1] <= 2 * RETRY_OFF_S
    assert max(b - a for a, b in pairwise(tries_s)) <= 2 * RETRY_OFF_S


def test_every_fault_has_its_outcomes() -> None:
    assert set(OUTCOMES) == set(KINDS)
    assert {kind: len(row) for kind, row in OUTCOMES.items()} == dict.fromkeys(KINDS, 6)


@pytest.mark.parametrize(("kind", "stage", "times"), CASES)
def test_the_run_ends_as_stated(kind: str, stage: str, times: str, tmp_path: Any) -> None:
    outcome = OUTCOMES[kind][(0 if times == "once" else 3) + list(STAGES).index(stage)]
    instrument, fault, at_s = placed(kind, stage, times=1 if times == "once" else None)

    ran = run(tmp_path, instrument, fault)

    reasons = [record.reason for _, record in ran.records if record.kind == "state-changed" and record.after == "PAUSED"]  # type: ignore[attr-defined]
    assert (ran.state.value, ran.cause or "".join(reasons)) == (outcome.state, outcome.cause)
    assert_safe(ran, EVERY_S)
    if ran.trips():
        assert ran.trips()[0][0] - at_s <= EVERY_S + outcome.takes_s + SWITCHING_TAKES_S
    if outcome.stuck:
        assert_off_tried_and_announced(ran)
    elif outcome.state != "COMPLETE":
        off_s = ran.off_s(at_s)
        assert off_s is not None
        assert off_s - at_s <= EVERY_S + outcome.takes_s + SWITCHING_TAKES_S
        assert not conducts_at(ran.source, ran.ended_s)
        assert not conducts_at(ran.load, ran.ended_s)
    elif not outcome.unseen:
        assert_right_charge(ran)


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("kind", ON_THE_WIRE)
def test_an_outage_of_two_readings_is_no_reason_to_end_a_run(kind: str, stage: str, tmp_path: Any) -> None:
    instrument, fault, _ = placed(kind, stage, times=None, for_s=2 * EVERY_S)

    ran = run(tmp_path, instrument, fault)

    assert (ran.state.value, ran.cause) == ("COMPLETE", "")
    assert_safe(ran, EVERY_S)
    gap_s = ran.engine.memory.tally.gap_s
    assert gap_s <= 4 * EVERY_S
    gap_mAh = gap_s * {"charge": 0.15, "discharge": 0.30, "rest": 0.0}[stage] / 3.6
    assert_right_charge(ran, *((gap_mAh, 0.0) if stage == "charge" else (0.0, gap_mAh)))


@pytest.mark.parametrize("stage", ["charge", "discharge"])
def test_what_a_person_switched_off_at_the_panel_stays_off(stage: str, tmp_path: Any) -> None:
    instrument, fault, at_s = placed("panel_switch", stage)

    ran = run(tmp_path, instrument, fault)

    assert [entry for panel in (ran.source, ran.load) for entry in panel.output_log if entry.on and entry.time_s > at_s] == []
    assert conducts_at(ran.world.panels[instrument], at_s - 1.0)
    # What it says of itself is no proof: it is told to go off, too, and its current is looked at.
    proofs = [(time_s, record) for time_s, record in ran.records if isinstance(record, Observed) and record.what == "off" and time_s > at_s]
    assert proofs != []
    assert proofs[0][0] - at_s <= EVERY_S + SWITCHING_TAKES_S
    assert all(record.verified for _, record in proofs)
