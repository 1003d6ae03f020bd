"""What goes into the engine besides readings (commands) and what comes out of it (events). Both are journal rows.

Every class here is frozen and flat: str, float, int, bool or None, so that a row's detail is its canonical JSON.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from typing import Any, ClassVar, Self


@dataclass(frozen=True, slots=True)
class Record:
    """Base of commands and events. `kind` is the word in the journal's `kind` column.

    `later`: fields that older records do not have; they then hold their default.
    """

    kind: ClassVar[str] = ""
    is_input: ClassVar[bool] = False
    later: ClassVar[frozenset[str]] = frozenset()

    def detail(self) -> str:
        """Return the fields as canonical JSON (sorted keys, no NaN)."""
        return json.dumps(asdict(self), sort_keys=True, separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_detail(cls, text: str) -> Self:
        """Rebuild from canonical JSON. Raises ValueError on unknown or missing fields."""
        raw: Any = json.loads(text)
        names = {field.name for field in fields(cls)}
        if not isinstance(raw, dict) or set(raw) | cls.later != names:
            raise ValueError(f"{cls.kind}: fields {sorted(raw) if isinstance(raw, dict) else raw!r}, expected {sorted(names)}")
        return cls(**raw)


# --- inputs: commands and observations -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Start(Record):
    """A person or a queue asks for the run to begin: IDLE → CHECKING."""

    kind: ClassVar[str] = "start"
    is_input: ClassVar[bool] = True
    by: str = "person"


@dataclass(frozen=True, slots=True)
class CheckPassed(Record):
    """CHECKING has proven everything it must; the current readings with nothing flowing are stored here.

    `zero_…_u_A` is the standard uncertainty of that zero, None where none was measured: then nothing is subtracted. Then, and
    where it proves nothing (`core/zero.py`), the whole of the stated offset stays in the uncertainty of every charge.
    `unattended`: the run may be left alone; else `attended_because` says why not. `resistance_ohm`: by the probe pulse, None
    where it could show none; `probe_charge_Ah` went in at most by it. `clock_set`: whether a time service sets this clock. Of
    these the engine uses the charge alone.
    """

    kind: ClassVar[str] = "check-passed"
    is_input: ClassVar[bool] = True
    later: ClassVar[frozenset[str]] = frozenset(
        {"unattended", "attended_because", "resistance_ohm", "probe_charge_Ah", "clock_set"}
    )
    zero_source_A: float = 0.0
    zero_load_A: float = 0.0
    zero_ammeter_A: float = 0.0
    zero_source_u_A: float | None = None
    zero_load_u_A: float | None = None
    zero_ammeter_u_A: float | None = None
    unattended: bool = False
    attended_because: str = ""
    resistance_ohm: float | None = None
    probe_charge_Ah: float = 0.0
    clock_set: bool | None = None


@dataclass(frozen=True, slots=True)
class CheckFailed(Record):
    """CHECKING found a reason not to start: → IDLE."""

    kind: ClassVar[str] = "check-failed"
    is_input: ClassVar[bool] = True
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Pause(Record):
    """Output off, counters frozen, until `Resume`."""

    kind: ClassVar[str] = "pause"
    is_input: ClassVar[bool] = True
    by: str = "person"


@dataclass(frozen=True, slots=True)
class Resume(Record):
    """Go on after a pause, or after the program ended unexpectedly. Only through CHECKING."""

    kind: ClassVar[str] = "resume"
    is_input: ClassVar[bool] = True
    by: str = "person"


@dataclass(frozen=True, slots=True)
class Answer(Record):
    """A person answers the question of an `ask_person` step; the run goes on through CHECKING. Nothing else ends the waiting."""

    kind: ClassVar[str] = "answer"
    is_input: ClassVar[bool] = True
    by: str = "person"
    text: str = ""


@dataclass(frozen=True, slots=True)
class Stop(Record):
    """End the run early, in order."""

    kind: ClassVar[str] = "stop"
    is_input: ClassVar[bool] = True
    by: str = "person"
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Fault(Record):
    """The shell reports something that must trip the channel: output not verified, link lost, keeper gone, our own bug."""

    kind: ClassVar[str] = "fault"
    is_input: ClassVar[bool] = True
    cause: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Observed(Record):
    """Something was switched and then read back. `what` is on or off for an output, closed or open for the cell's relay.

    `verified` says whether the read-back proved it.
    """

    kind: ClassVar[str] = "observed"
    is_input: ClassVar[bool] = True
    instrument: str = ""
    what: str = ""
    verified: bool = False
    text: str = ""


@dataclass(frozen=True, slots=True)
class Gap(Record):
    """Between two lives of a run nothing was recorded for `duration_s` (None: unknown). Output off was verified at its end.

    `off_after_s` is how long after the last row the outputs may still have been on (worst case); counters are charged for it.
    """

    kind: ClassVar[str] = "gap"
    is_input: ClassVar[bool] = True
    duration_s: float | None = None
    off_after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ClockNoted(Record):
    """By which clocks this life of the run goes on: at its start, and when the wall clock was set or its trust changed.

    `boot_zero_s` is the boot clock at run-relative 0 s, `suspended_s` how long this boot has slept. `wall_s` is the wall clock
    less the boot clock, `before_wall_s` what it was at the last note (None: the first). No decision of the engine uses any of
    it; it tells the next life how long nothing was recorded.
    """

    kind: ClassVar[str] = "clock-noted"
    is_input: ClassVar[bool] = True
    boot_id: str = ""
    boot_zero_s: float = 0.0
    suspended_s: float = 0.0
    synchronised: bool = False
    wall_s: float = 0.0
    before_wall_s: float | None = None


@dataclass(frozen=True, slots=True)
class LeftPaused(Record):
    """The program was started again and did not go on by itself. `reason` says why; `never`: nobody may go on with this run."""

    kind: ClassVar[str] = "left-paused"
    is_input: ClassVar[bool] = True
    reason: str = ""
    never: bool = False


@dataclass(frozen=True, slots=True)
class Tick(Record):
    """Time passed without a reading and something followed from it."""

    kind: ClassVar[str] = "tick"
    is_input: ClassVar[bool] = True


# --- outputs: events ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class StateChanged(Record):
    """The channel's state changed."""

    kind: ClassVar[str] = "state-changed"
    before: str = ""
    after: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class StepStarted(Record):
    """A step began. `voltage_V` is the rung or set-point, None where the step has none."""

    kind: ClassVar[str] = "step-started"
    step: str = ""
    round: int = 0
    activity: str = ""
    voltage_V: float | None = None
    current_A: float | None = None


@dataclass(frozen=True, slots=True)
class StepEnded(Record):
    """A step reached one of its ends."""

    kind: ClassVar[str] = "step-ended"
    step: str = ""
    round: int = 0
    end: str = ""
    value: float = 0.0
    limit: float = 0.0
    elapsed_s: float = 0.0
    charge_Ah: float = 0.0
    energy_Wh: float = 0.0
    gassing_s: float = 0.0
    gas_charge_Ah: float = 0.0
    voltage_V: float | None = None
    current_A: float | None = None
    temperature_degC: float | None = None


@dataclass(frozen=True, slots=True)
class RoundEnded(Record):
    """A round of a repeat ended. Efficiency is None when no charge went in."""

    kind: ClassVar[str] = "round-ended"
    round: int = 0
    rung_V: float | None = None
    charge_in_Ah: float = 0.0
    charge_out_Ah: float = 0.0
    coulombic_efficiency: float | None = None


@dataclass(frozen=True, slots=True)
class SteppedBack(Record):
    """The climb goes back: the rung below is from now on the last one."""

    kind: ClassVar[str] = "stepped-back"
    round: int = 0
    from_V: float = 0.0
    to_V: float | None = None
    coulombic_efficiency: float = 0.0


@dataclass(frozen=True, slots=True)
class RepeatEnded(Record):
    """A repeat is over, and why: `capacity_within`, `rounds`, or `loses charge at its lowest voltage`."""

    kind: ClassVar[str] = "repeat-ended"
    rounds: int = 0
    end: str = ""


@dataclass(frozen=True, slots=True)
class ResistanceMeasured(Record):
    """A current interruption gave a resistance: at the first sample after opening, and at the last before closing."""

    kind: ClassVar[str] = "resistance-measured"
    resistance_ohm: float = 0.0
    after_s: float = 0.0
    resistance_end_ohm: float = 0.0
    end_after_s: float = 0.0
    current_A: float = 0.0
    accepted: bool = True


@dataclass(frozen=True, slots=True)
class ConnectionChecked(Record):
    """A probe pulse said whether the cell is connected as it must be. `resistance_ohm` from the step of voltage at its end."""

    kind: ClassVar[str] = "connection-checked"
    passed: bool = False
    before_V: float | None = None
    during_V: float | None = None
    after_V: float | None = None
    current_A: float | None = None
    resistance_ohm: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class ZeroMeasured(Record):
    """Mean current reading of an instrument that was on with the relay to the cell open; subtracted from now on if accepted.

    `u_A` is its standard uncertainty, None without a reading, and in records from before it was stored.
    """

    kind: ClassVar[str] = "zero-measured"
    later: ClassVar[frozenset[str]] = frozenset({"u_A"})
    instrument: str = ""
    current_A: float | None = None
    readings: int = 0
    accepted: bool = False
    u_A: float | None = None


@dataclass(frozen=True, slots=True)
class ReadingLost(Record):
    """A judged input was missing or not usable at this reading."""

    kind: ClassVar[str] = "reading-lost"
    name: str = ""
    missed: int = 0


@dataclass(frozen=True, slots=True)
class ReadingFound(Record):
    """A judged input is back."""

    kind: ClassVar[str] = "reading-found"
    name: str = ""


@dataclass(frozen=True, slots=True)
class Tripped(Record):
    """A limit or bound acted, or a fault was reported. The first one is the cause; the run is over."""

    kind: ClassVar[str] = "tripped"
    cause: str = ""
    value: float | None = None
    limit: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class ProgramEnded(Record):
    """The program came to its end."""

    kind: ClassVar[str] = "program-ended"
    reason: str = ""


_ALL: tuple[type[Record], ...] = (
    Start, CheckPassed, CheckFailed, Pause, Resume, Answer, Stop, Fault, Observed, Gap, ClockNoted, LeftPaused, Tick,
    StateChanged, StepStarted, StepEnded, RoundEnded, SteppedBack, RepeatEnded, ResistanceMeasured,
    ConnectionChecked, ZeroMeasured, ReadingLost, ReadingFound, Tripped, ProgramEnded,
)  # fmt: skip
RECORDS: dict[str, type[Record]] = {record.kind: record for record in _ALL}

Event = Record
Command = Record
