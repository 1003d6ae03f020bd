"""The engine under anything that may be said to it, in any order: what must hold after every word (Hypothesis, stateful)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule, run_state_machine_as_test

from chargerd.core.demand import Demand, Energise
from chargerd.core.engine import Engine
from chargerd.core.events import (
    CheckFailed,
    CheckPassed,
    Fault,
    Gap,
    Observed,
    Pause,
    ProgramEnded,
    Record,
    Resume,
    Start,
    StateChanged,
    StepEnded,
    Stop,
    Tripped,
)
from chargerd.core.program import Repeat
from chargerd.core.reading import ABSENT, Reading
from chargerd.core.states import TRANSITIONS, State
from tests.campaign.result import Result, core_seconds
from tests.core.bench_of_one import charge_step, discharge_step, inputs_of, plan_of, rest_step

MISSED_MAX = 3
LEASE_EXTRA_S = 5.0
WITHOUT_A_VALUE = ("time", "lasts", "answered")
"""Ends that a missing value may not hold up: time goes by all the same."""
PLAN = plan_of(Repeat("1", 3, (charge_step("1.1"), rest_step("1.2", lasts_s=30.0), discharge_step("1.3"))), rest_step("2", lasts_s=20.0))
DT_S = st.one_of(st.floats(0.1, 6.0), st.sampled_from([1.0, 5.0, 5.0, 5.0, 19.9, 20.1, 600.0]))


class EngineMachine(RuleBasedStateMachine):
    """A shell that obeys, or does not, and a bench that answers, or does not."""

    @initialize()
    def begin(self) -> None:
        self.engine = Engine(PLAN)
        self.now_s = 0.0
        self.good_s = -1.0
        self.trips = 0
        self.energised = Energise.NONE
        self.states = [State.IDLE]
        self.step_key: tuple[Any, ...] = ()
        self.sums: tuple[float, ...] = ()
        self.lease_s = -1.0
        self.say(Start())

    def say(self, record: Record) -> None:
        before = self.engine.memory_json()
        try:
            self.heard(self.engine.command(record, self.now_s))
        except KeyError:
            # What the state does not allow changes nothing but the time.
            assert self.engine.memory_json().replace(f'"elapsed_s":{self.engine.memory.elapsed_s}', "") == before.replace(
                f'"elapsed_s":{self.elapsed_of(before)}', ""
            )

    @staticmethod
    def elapsed_of(text: str) -> str:
        return text.split('"elapsed_s":')[1].split(",", maxsplit=1)[0]

    def heard(self, events: tuple[Record, ...]) -> None:
        for event in events:
            if isinstance(event, Tripped):
                self.trips += 1
            if isinstance(event, StateChanged):
                assert event.after in TRANSITIONS[State(event.before)].values()
                self.states.append(State(event.after))
            if isinstance(event, (StepEnded, ProgramEnded)):
                assert self.states[-1] is State.RUNNING or isinstance(event, StepEnded)

    # --- what may happen ---------------------------------------------------------------------------------------------------

    @rule(dt_s=DT_S, voltage_V=st.one_of(st.none(), st.floats(0.7, 1.9), st.floats(-0.5, 3.0)), current_A=st.one_of(st.none(), st.floats(0.0, 0.31)),
          warm_degC=st.one_of(st.none(), st.floats(24.0, 26.0), st.floats(0.0, 60.0)), obeys=st.sampled_from([True, True, True, True, False, None]))  # fmt: skip
    def read(self, dt_s: float, voltage_V: float | None, current_A: float | None, warm_degC: float | None, obeys: bool | None) -> None:
        self.now_s = round(self.now_s + dt_s, 3)
        source, load = self.energised is Energise.SOURCE, self.energised is Energise.LOAD
        signed_A = (current_A or 0.0) * (1.0 if source else -1.0)
        raw = inputs_of(
            voltage_V=voltage_V, temperature_degC=warm_degC, current_A=signed_A, source_on=source if obeys else None if obeys is None else not source,
            load_on=load,
        )  # fmt: skip
        if current_A is None:
            raw |= {"supply_current_A": ABSENT, "load_current_A": ABSENT}
        events = self.engine.take(Reading(self.now_s, raw), self.now_s)
        if not self.engine.memory.missing:
            self.good_s = self.now_s
        else:
            ended = [event.end for event in events if isinstance(event, StepEnded)]
            assert all(end in WITHOUT_A_VALUE for end in ended), ended
        self.heard(events)

    @rule(dt_s=DT_S)
    def tick(self, dt_s: float) -> None:
        self.now_s = round(self.now_s + dt_s, 3)
        self.heard(self.engine.tick(self.now_s))

    @rule(verified=st.sampled_from([True, True, True, False]))
    def carry_out(self, verified: bool) -> None:
        """The shell does what is demanded and says how it went."""
        wanted = self.demand().energise
        if wanted is self.energised:
            return
        if self.energised is not Energise.NONE:
            self.say(Observed("supply" if self.energised is Energise.SOURCE else "load", "off", verified=verified))
            self.energised = Energise.NONE
        elif wanted is not Energise.NONE:
            self.say(Observed("supply" if wanted is Energise.SOURCE else "load", "on", verified=verified))
            self.energised = wanted if verified else Energise.NONE

    @rule(record=st.sampled_from([CheckPassed(), CheckPassed(), CheckPassed(), CheckFailed("no"), Pause(), Resume(), Stop(), Fault("link-lost", "gone"), Start()]))
    def command(self, record: Record) -> None:
        self.say(record)

    @precondition(lambda self: self.states[-1] in (State.RUNNING, State.PAUSED, State.TRIPPED))
    @rule(off_after_s=st.floats(0.0, 60.0))
    def gap(self, off_after_s: float) -> None:
        """The program died and a new life of it reads its journal: everything is off, and nothing goes on by itself."""
        was = self.states[-1]
        self.energised = Energise.NONE
        self.say(Gap(None, round(off_after_s, 3)))
        assert self.engine.state is (State.TRIPPED if was is State.TRIPPED else State.PAUSED)

    @rule()
    def recover(self) -> None:
        """A checkpoint in between changes nothing."""
        twin = Engine(PLAN)
        twin.load_memory(self.engine.memory_json())
        assert (twin.demand(), twin.deadline_s(), twin.memory_json()) == (self.engine.demand(), self.engine.deadline_s(), self.engine.memory_json())

    # --- what must hold ----------------------------------------------------------------------------------------------------

    def demand(self) -> Demand:
        return self.engine.demand()

    @invariant()
    def energy_is_a_lease(self) -> None:
        if not hasattr(self, "engine"):
            return
        demand = self.demand()
        if demand.energise is Energise.NONE:
            self.lease_s = -1.0
            return
        assert self.engine.state is State.RUNNING
        assert self.trips == 0
        assert demand.valid_until_s <= self.good_s + MISSED_MAX * demand.sample_every_s + LEASE_EXTRA_S + 1e-9
        if self.lease_s >= 0.0 and self.engine.memory.missing:
            assert demand.valid_until_s <= self.lease_s + 1e-9
        self.lease_s = demand.valid_until_s

    @invariant()
    def a_trip_is_for_good(self) -> None:
        if not hasattr(self, "engine"):
            return
        assert self.trips <= 1
        assert (self.engine.state is State.TRIPPED) == (self.trips == 1)
        assert all(after is State.TRIPPED for before, after in pairwise(self.states) if before is State.TRIPPED)

    @invariant()
    def budgets_never_shrink(self) -> None:
        if not hasattr(self, "engine"):
            return
        m = self.engine.memory
        key = (self.engine.step.number, m.position.round, m.step_started_s)
        p = m.protection
        sums = (p.step_s, p.charge_Ah, p.energy_Wh, p.gas_charge_Ah, p.gassing_s)
        if key == self.step_key:
            assert all(now >= before - 1e-12 for before, now in zip(self.sums, sums, strict=True))
        self.step_key, self.sums = key, sums


def stateful(examples: int, steps: int, seed: int, jobs: int) -> Result:
    """So many stories of so many words each."""
    del jobs
    began_s, result = core_seconds(), Result()
    from hypothesis import seed as seeded

    machine = seeded(seed)(type("Seeded", (EngineMachine,), {}))
    try:
        run_state_machine_as_test(
            machine,
            settings=settings(
                max_examples=examples, stateful_step_count=steps, deadline=None, database=None, phases=[Phase.generate, Phase.shrink],
                suppress_health_check=list(HealthCheck),
            ),
        )
    except AssertionError as broken:
        notes = getattr(broken, "__notes__", [])
        result.found.append(f"{broken!r}: " + "\n".join(notes)[-2000:])
    result.add(stories=examples, words_each=steps)
    result.core_s = core_seconds() - began_s
    return result
