"""The engine: decides what the outputs of one channel may do. This is the code that may energise.

Five calls, no clock, no I/O. `take`, `command` and `tick` feed it and return what followed (records for the journal); `demand`
says what the instruments may do now and until when; `deadline_s` when it wants the next reading. Equal plans and equal inputs
give equal memory: a journal of the inputs is the state.
"""

from __future__ import annotations

from chargerd.core import parts, setpoint
from chargerd.core.account import ACTIVITY, Account, begin_trends, derive, step_ended
from chargerd.core.bounds import RESTING, frozen, gasses, step_bounds
from chargerd.core.causes import NOT_VERIFIED
from chargerd.core.contact import BROKE_OFF, broke_off
from chargerd.core.deadline import LEASE_EXTRA_S, WATCH_EVERY_S, deadline_s, lapsed, note_missing, valid_until_s
from chargerd.core.demand import Activity, Demand, Energise, off_demand
from chargerd.core.detect.protection import Protection
from chargerd.core.ends import StepView, judge_ends
from chargerd.core.events import (
    Answer,
    CheckPassed,
    Command,
    Event,
    Fault,
    Gap,
    Observed,
    ProgramEnded,
    StateChanged,
    StepEnded,
    StepStarted,
    Tripped,
)  # fmt: skip
from chargerd.core.gap import NOTES, charge_gas, note, paused_from_s
from chargerd.core.gas import law_current_A
from chargerd.core.interruption import due, first_due_s, take_interruption
from chargerd.core.limits import Trip
from chargerd.core.memory import Memory, memory_from_json
from chargerd.core.observation import Observation, Observer, missing_inputs
from chargerd.core.plan import Plan, probe_current_A
from chargerd.core.program import Step, StepKind
from chargerd.core.reading import Reading
from chargerd.core.relay import rests_connected
from chargerd.core.resumption import INTERRUPTED, TOO_COLD
from chargerd.core.states import State, next_state
from chargerd.core.walk import Walk


class Engine:
    """One run on one channel."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._observer = Observer(plan.inputs)
        self._protection = Protection(frozen(plan))
        self._account = Account(plan)
        self._set_memory(Memory())
        self.derived = derive(self.memory, self.step, None)
        self.view = StepView(0.0)

    # --- memory --------------------------------------------------------------------------------------------------------

    def _set_memory(self, memory: Memory) -> None:
        self.memory = memory
        self._protection.memory = memory.protection
        self._walk = Walk(self.plan.program, memory.position)
        self._enter()

    def memory_json(self) -> str:
        """Return the whole memory as canonical JSON."""
        return self.memory.to_json()

    def load_memory(self, text: str) -> None:
        """Take over a checkpoint's memory. Raises ValueError when it is not one of this engine version."""
        self._set_memory(memory_from_json(text))
        self.derived = derive(self.memory, self.step, None)

    def _enter(self) -> None:
        """Work out what follows from the position: the step, its voltage and bounds."""
        self.step: Step = self._walk.step()
        self.voltage_set_V: float | None = self._walk.voltage_V()
        self._bind()

    def _bind(self) -> None:
        """Tell protection the present set-points."""
        m, step = self.memory, self.step
        voltage_V = m.set_V if step.ramp_V_per_h is not None else self.voltage_set_V
        current_A = m.set_A if step.follows else step.current_A
        self._bounds = step_bounds(step, voltage_V, current_A, self.plan.zeros, parts.slack_A(m, step, self.plan))

    @property
    def state(self) -> State:
        """The channel's state."""
        return State(self.memory.state)

    # --- inputs --------------------------------------------------------------------------------------------------------

    def take(self, reading: Reading, now_s: float) -> tuple[Event, ...]:
        """Take one reading and return what followed from it. `now_s` is the reading's run-relative time."""
        m = self.memory
        running = m.state == State.RUNNING
        period_s = self.step.sample_every_s if running else WATCH_EVERY_S
        age_max_s = self.plan.missed_max * period_s + LEASE_EXTRA_S
        seen = self._observer.observe(reading, age_max_s, m.zero_source_A, m.zero_load_A, m.zero_ammeter_A)
        m.elapsed_s = m.last_reading_s = now_s
        m.parting = m.parting and not (seen.source_on is False and seen.load_on is False)
        events: list[Event] = []
        late = lapsed(m, self.step, self.plan.missed_max, now_s)
        thermometer, relay = bool(self.plan.inputs.thermometer), bool(self.plan.inputs.switch)
        note_missing(m, missing_inputs(seen, has_thermometer=thermometer, has_relay=relay), now_s, events)
        interrupted = m.opening.open_s is not None
        self.view = view = self._account.take(m, self.step, self.voltage_set_V, seen, running=running, interrupted=interrupted)
        self.derived = derive(m, self.step, seen)
        trip = self._judge(seen, view, running=running, interrupted=interrupted)
        # Nothing is raised on half a reading: from this whole one on, what is read back must be what is wanted.
        m.raise_waits = m.raise_waits and bool(m.missing)
        if late is not None and (trip is None or trip.cause == TOO_COLD):
            trip = late
        if trip is not None and trip.cause == TOO_COLD:
            # Cold harms nothing that is off: the run waits for a person, it does not trip.
            if running:
                self._change("pause", TOO_COLD, events)
                self._hold(now_s)
        elif trip is not None:
            self._trip(trip, events)
        elif running:
            self._go_on(seen, view, now_s, events, interrupted=interrupted)
        elif m.state == State.PAUSED and parts.overdue(m, self.step, now_s):
            self._change("stop", f"nobody answered in time: {self.step.question}", events)
        return tuple(events)

    def command(self, record: Command, now_s: float) -> tuple[Event, ...]:
        """Take one command or observation and return what followed. Raises KeyError when the state does not allow it."""
        m = self.memory
        m.elapsed_s = max(m.elapsed_s, now_s)
        events: list[Event] = []
        if isinstance(record, Observed):
            self._observe_switch(record, now_s, events)
        elif isinstance(record, Fault):
            self._trip(Trip(record.cause, None, None, record.text), events)
        elif isinstance(record, Gap):
            self._gap(record, now_s, events)
        elif isinstance(record, NOTES):
            note(m, record)
        else:
            reason = str(getattr(record, "reason", "") or getattr(record, "by", ""))
            if isinstance(record, Answer) and m.asked_s is None:
                raise KeyError(record.kind)
            self._change("resume" if isinstance(record, Answer) else record.kind, reason, events)
            m.answered = m.answered or isinstance(record, Answer)
            if isinstance(record, CheckPassed):
                self._checked(record, now_s, events)
                self._protection.charge_for_probe(record.probe_charge_Ah)
            elif record.kind == "pause":
                self._hold(now_s)
        return tuple(events)

    def tick(self, now_s: float) -> tuple[Event, ...]:
        """Time passed without a reading. Events follow only when the lease of a live output lapsed; else nothing changes."""
        late = lapsed(self.memory, self.step, self.plan.missed_max, now_s)
        events: list[Event] = []
        if late is not None:
            self.memory.elapsed_s = max(self.memory.elapsed_s, now_s)
            self._trip(late, events)
        return tuple(events)

    # --- outputs -------------------------------------------------------------------------------------------------------

    def demand(self) -> Demand:
        """Return what the instruments may do now: off unless a running step, a good reading and a live lease say otherwise."""
        m = self.memory
        if m.state != State.RUNNING:
            return off_demand(Activity.OFF, WATCH_EVERY_S)
        step, every_s = self.step, self.step.sample_every_s
        inputs, wanted = self.plan.inputs, not step.isolated
        if not step.direction:
            return off_demand(ACTIVITY[step.kind], every_s, connected=rests_connected(inputs, step, m))
        if m.opening.open_s is not None:
            return off_demand(Activity.INTERRUPTION, every_s, connected=True)
        until_s = valid_until_s(m, step, self.plan.missed_max)
        late, charging = m.elapsed_s > until_s, step.direction > 0
        if late or (m.missing and not m.live):
            return off_demand(Activity.REST, every_s, connected=m.connected and wanted and not late)
        unset = not m.set_A > 0.0 or (step.ramp_V_per_h is not None and m.set_V is None)
        if m.parting or unset or (inputs.switch and m.connected != wanted):
            # First the relay, with everything off, then a reading through it.
            return off_demand(Activity.REST, every_s, connected=wanted and not m.parting)
        return Demand(
            energise=Energise.SOURCE if charging else Energise.LOAD,
            activity=ACTIVITY[step.kind],
            valid_until_s=until_s,
            sample_every_s=every_s,
            voltage_set_V=m.set_V if charging else None,
            current_set_A=m.set_A,
            ovp_V=self.plan.ovp_V,
            ocp_A=self.plan.ocp_A,
            connected=wanted,
            isolated=step.isolated,
        )

    def deadline_s(self) -> float:
        """Return when the next reading is wanted, run-relative s (0 = at once)."""
        return deadline_s(self.memory, self.step)

    # --- one reading ---------------------------------------------------------------------------------------------------

    def _judge(self, seen: Observation, view: StepView, *, running: bool, interrupted: bool) -> Trip | None:
        m = self.memory
        if m.state == State.TRIPPED:
            return None
        live = running and m.live and not interrupted
        watched = running and self.step.direction != 0
        gas_A = law_current_A(self.plan.gassing, view.ir_free_V, seen.temperature_degC) if live else 0.0
        gassing = live and gasses(self.plan, view.ir_free_V, seen)
        bounds, connected = self._bounds if running else RESTING, m.connected if self.plan.inputs.switch else None
        return self._protection.judge(
            seen, bounds, live=live, watched=watched, gas_A=gas_A, gassing=gassing, connected=connected,
            raise_waits=m.raise_waits,
        )  # fmt: skip

    def _go_on(self, seen: Observation, view: StepView, now_s: float, events: list[Event], *, interrupted: bool) -> None:
        """Control proper: interruptions, a panel that switched the source off, and the ends of the step."""
        m, step = self.memory, self.step
        if interrupted:
            assert step.interrupt is not None
            take_interruption(m, step.interrupt, seen, now_s, events)
            return
        if m.live and step.direction > 0 and seen.source_on is False:
            # A person at the instrument outranks the program; it is never switched on again by itself.
            self._change("pause", "switched off at its panel", events)
            self._hold(now_s)
            return
        if broke_off(m, step, seen):
            # Leads off a cell look like a full one. A person looks; it is never called done, and never goes on by itself.
            self._change("pause", BROKE_OFF, events)
            self._hold(now_s)
            return
        if step.group:
            parts.watch(m, step, seen)
        reached = judge_ends(step, view, m.confirmed)
        if reached is not None:
            spec, value = reached
            self._end_step(step_ended(m, step, view, spec.kind, value, spec.value), now_s, events)
        if self.step.follows and m.state == State.RUNNING and setpoint.follow(m, self.step, self.voltage_set_V, seen):
            self._bind()
        if reached is None and due(m, step, seen, now_s):
            m.live = False

    def _end_step(self, ended: StepEnded, now_s: float, events: list[Event]) -> None:
        """A part says what it showed before the step goes on; what speaks against going on waits for a person."""
        walk = self._walk
        said, why = parts.conclude(self.memory, self.step, self.plan, last=not walk.part_follows())
        events.append(ended)
        events.extend(said)
        if why:
            self._change("pause", why, events)
            self._hold(now_s)
            return
        if self.step.group and ended.end != "lasts":
            walk.skip_group()  # an end of the whole step, not of this part alone
        self._next_step(now_s, events)

    def _next_step(self, now_s: float, events: list[Event]) -> None:
        tally = self.memory.tally
        more = self._walk.advance(tally.charge_in_Ah, tally.charge_out_Ah, events)
        if more:
            self._begin_step(now_s, events)
        else:
            events.append(ProgramEnded("program complete"))
            self.memory.live = False
            self._change("program-ended", "program complete", events)

    def _begin_step(self, now_s: float, events: list[Event]) -> None:
        m = self.memory
        before = self.step
        self._enter()
        step = self.step
        setpoint.begin(m, step, self.voltage_set_V)
        self._bind()
        # An output that goes on in the same direction stays on: only its set-points change. Any other goes off, and is seen
        # off before the relay to the cell may move.
        m.parting = m.live and step.isolated != before.isolated
        m.live = m.live and (step.direction, step.isolated) == (before.direction, before.isolated)
        m.raise_waits = bool(m.missing)
        m.step_started_s, m.step_paused_s = now_s, 0.0
        m.confirmed.clear()
        m.last_live_A = 0.0
        m.tally.start_step()
        self._protection.start_step()
        begin_trends(m, step, self.plan)
        if step.kind is StepKind.CONNECTION_CHECK and not (before.group == step.group and before.number < step.number):
            m.probe = type(m.probe)()
        m.opening.open_s, m.opening.next_s = None, first_due_s(now_s, step.interrupt)
        activity = ACTIVITY[step.kind].value
        events.append(StepStarted(step.number, m.position.round, activity, self.voltage_set_V, step.current_A or None))
        if step.kind is StepKind.ASK_PERSON:
            self._ask(now_s, events)

    def _ask(self, now_s: float, events: list[Event]) -> None:
        """Wait with everything off. Only an answer leads on, and only through CHECKING; without one in time the run stops."""
        m = self.memory
        m.asked_s = now_s
        self._change("pause", self.step.question, events)
        self._hold(now_s)

    # --- commands ------------------------------------------------------------------------------------------------------

    def _change(self, cause: str, reason: str, events: list[Event]) -> None:
        m = self.memory
        after = next_state(State(m.state), cause)
        if after.value != m.state:
            events.append(StateChanged(m.state, after.value, reason))
        m.state = after.value
        m.reason = reason
        if after is not State.RUNNING:
            m.live = False

    def _trip(self, trip: Trip, events: list[Event]) -> None:
        m = self.memory
        if m.state == State.TRIPPED:
            return
        m.trip_cause = trip.cause
        events.append(Tripped(trip.cause, trip.value, trip.limit, trip.text))
        self._change("trip", trip.cause, events)

    def _observe_switch(self, record: Observed, now_s: float, events: list[Event]) -> None:
        m = self.memory
        if not record.verified:
            self._trip(Trip(NOT_VERIFIED[record.what], None, None, f"{record.instrument}: {record.text}"), events)
        elif record.what in ("closed", "open"):
            m.connected = record.what == "closed"
        elif record.what == "on":
            m.live = m.state == State.RUNNING
            if m.live and self.step.group:
                m.step_started_s, m.step_paused_s = now_s, 0.0  # a pulse lasts from its switching on
        elif self.demand().energise is Energise.NONE:
            m.live = False

    def _checked(self, record: CheckPassed, now_s: float, events: list[Event]) -> None:
        m = self.memory
        parts.take_zeros(m, record)
        self._bind()
        m.connected = False  # CHECKING ends with the relay proven open
        if not m.begun:
            m.begun = True
            self._walk.begin(m.tally.charge_in_Ah, m.tally.charge_out_Ah)
            self._begin_step(now_s, events)
            return
        if m.paused_at_s is not None:
            paused_s = now_s - m.paused_at_s
            m.step_paused_s += paused_s
            m.plateau.skip(paused_s)
            m.gas.skip(paused_s)
            m.paused_at_s = None
        m.opening.open_s, m.opening.next_s = None, first_due_s(now_s, self.step.interrupt)
        if self.step.kind is StepKind.ASK_PERSON:
            self._answered(now_s, events)
        elif self.step.group:
            self._walk.rewind_group()  # half a pulse says nothing: its whole step is done again
            self._begin_step(now_s, events)

    def _answered(self, now_s: float, events: list[Event]) -> None:
        m, step = self.memory, self.step
        asked_s, m.asked_s = m.asked_s, None
        if not m.answered:
            self._ask(now_s, events)  # somebody resumed the run without an answer
            return
        m.answered = False
        events.append(step_ended(m, step, self.view, "answered", 0.0 if asked_s is None else now_s - asked_s, step.lasts_s))
        self._next_step(now_s, events)

    def _hold(self, now_s: float) -> None:
        """Freeze timers and counters until the run goes on."""
        m = self.memory
        m.live = False
        m.last_live_A = 0.0
        m.confirmed.clear()
        m.opening.open_s = None
        if m.paused_at_s is None:
            m.paused_at_s = now_s
        m.tally.forget()
        m.gas.forget()
        for trend in (m.voltage_trend, m.fall_trend, m.temperature_trend):
            trend.restart()
        if self.step.follows:
            setpoint.begin(m, self.step, self.voltage_set_V)
            self._bind()
        self._protection.forget()

    def _gap(self, record: Gap, now_s: float, events: list[Event]) -> None:
        """Between two lives of a run: charge the counters for the worst, hold, wait. A pause keeps its reason, and its maker."""
        m = self.memory
        m.connected = False
        if m.state == State.RUNNING:
            charge_gas(m, self.step, self.plan, self.voltage_set_V, record.off_after_s)
            self._protection.charge_for_gap(record.off_after_s, self._bounds)
        elif m.state == State.CHECKING:  # its probe may have been on when the program ended
            self._protection.charge_for_probe(probe_current_A(self.plan) * record.off_after_s / 3600.0, begun=m.begun)
        if m.state in (State.RUNNING, State.CHECKING):
            self._hold(paused_from_s(m, self.step, record, now_s))
            self._change("interrupted", INTERRUPTED, events)
