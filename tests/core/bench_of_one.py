"""Plans and readings for tests of the core: one supply, one load, one thermometer on one cell. Values are invented."""

from __future__ import annotations

from chargerd.core.engine import Engine
from chargerd.core.events import CheckPassed, Observed, Record, Start
from chargerd.core.limits import Limits
from chargerd.core.plan import Gassing, Plan, Resolves
from chargerd.core.program import Climb, EndSpec, Interrupt, Program, Repeat, Step, StepKind, resolve_rungs
from chargerd.core.reading import ABSENT, ChannelInputs, Measured, Quality, Reading

LIMITS = Limits(
    voltage_max_V=2.75, voltage_min_V=-0.1, charge_current_max_A=2.5, discharge_current_max_A=2.5,
    temperature_max_degC=45.0, temperature_min_degC=5.0, rise_max_K=12.0,
)  # fmt: skip
INPUTS = ChannelInputs("supply", "load", "", "probe")


def charge_step(number: str = "1", *, current_A: float = 0.15, voltage_V: float | None = 1.85, **more: object) -> Step:
    ends = more.pop("ends", (EndSpec("charge", 1.8), EndSpec("time", 14 * 3600.0)))
    return Step(number, StepKind.CHARGE, current_A, voltage_V, ends=ends, sample_every_s=5.0, **more)  # type: ignore[arg-type]


def discharge_step(number: str = "2", *, current_A: float = 0.3, ends: tuple[EndSpec, ...] | None = None) -> Step:
    return Step(
        number, StepKind.DISCHARGE, current_A, sample_every_s=5.0,
        ends=ends or (EndSpec("voltage_below", 0.8), EndSpec("charge", 2.25), EndSpec("time", 8 * 3600.0)),
    )  # fmt: skip


def rest_step(number: str = "1", *, lasts_s: float = 600.0) -> Step:
    return Step(number, StepKind.REST, lasts_s=lasts_s)


def plan_of(*items: Step | Repeat, limits: Limits = LIMITS, inputs: ChannelInputs = INPUTS, **more: object) -> Plan:
    program = Program("test", items)
    gassing = more.pop("gassing", Gassing(current_25_A=0.015))
    return Plan(program, limits, inputs, 1.5, gassing, **more)  # type: ignore[arg-type]


def gentle_program(rated_Ah: float = 1.5, ceiling_V: float = 1.85) -> Program:
    """The shipped gentle formation, written out in numbers."""
    charge = Step(
        "1.1", StepKind.CHARGE, rated_Ah / 10, None, climbs=True, interrupt=Interrupt(300.0, 1.0), sample_every_s=5.0,
        ends=(
            EndSpec("current_below", rated_Ah / 50), EndSpec("plateau_lasts", 600.0), EndSpec("gassing_time", 1200.0),
            EndSpec("gas_charge", 0.05 * rated_Ah), EndSpec("charge", 1.2 * rated_Ah), EndSpec("time", 14 * 3600.0),
        ),
    )  # fmt: skip
    discharge = Step(
        "1.3", StepKind.DISCHARGE, rated_Ah / 5,
        ends=(EndSpec("voltage_below", 0.80), EndSpec("charge", 1.5 * rated_Ah), EndSpec("time", 8 * 3600.0)),
    )  # fmt: skip
    rests = Step("1.2", StepKind.REST, lasts_s=600.0), Step("1.4", StepKind.REST, lasts_s=600.0)
    climb = Climb(resolve_rungs((1.75, 1.80, 1.85, 1.95, 2.05), ceiling_V), 0.95)
    return Program("gentle-formation", (Repeat("1", 10, (charge, rests[0], discharge, rests[1]), climb, 0.02),))


def inputs_of(
    *, voltage_V: float | None = 1.5, current_A: float = 0.0, temperature_degC: float | None = 25.0,
    source_on: bool | None = False, load_on: bool | None = False, regulated: int | None = None, **more: float,
) -> dict[str, Measured]:  # fmt: skip
    """Raw inputs; `current_A` is charge positive and goes to whichever instrument is on. None: that input is absent."""
    if regulated is None:
        regulated = 1 if source_on else 0
    raw: dict[str, float | None] = {
        "supply_voltage_V": voltage_V,
        "supply_current_A": current_A if source_on else 0.0,
        "supply_output": None if source_on is None else float(source_on),
        "supply_regulated": float(regulated),
        "load_current_A": -current_A if load_on else 0.0,
        "load_output": None if load_on is None else float(load_on),
        "probe_temperature_degC": temperature_degC,
        **more,
    }
    return {key: ABSENT if value is None else Measured(value) for key, value in raw.items()}


def begun(plan: Plan) -> Engine:
    """An engine that has passed CHECKING at 0 s."""
    engine = Engine(plan)
    engine.command(Start(), 0.0)
    engine.command(CheckPassed(), 0.0)
    return engine


def energised(plan: Plan, *, voltage_V: float = 1.5) -> Engine:
    """An engine in its first step, with a good reading behind it and its output observed on at 0 s."""
    engine = begun(plan)
    assert engine.take(Reading(0.0, inputs_of(voltage_V=voltage_V)), 0.0) == ()
    which = engine.demand().energise
    assert which != "none"
    assert engine.command(Observed("supply" if which == "source" else "load", "on", verified=True), 0.0) == ()
    return engine


def take(engine: Engine, elapsed_s: float, **inputs: object) -> tuple[Record, ...]:
    """Feed one reading at `elapsed_s`."""
    return engine.take(Reading(elapsed_s, inputs_of(**inputs)), elapsed_s)  # type: ignore[arg-type]


def charging(engine: Engine, elapsed_s: float, current_A: float = 0.15, **inputs: object) -> tuple[Record, ...]:
    """Feed one reading with the source on."""
    return take(engine, elapsed_s, current_A=current_A, source_on=True, **inputs)


STALE = Quality.STALE
RESOLVES_NOTHING = Resolves()
