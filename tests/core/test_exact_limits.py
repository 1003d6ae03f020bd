"""Every detector at its limit exactly: there it keeps quiet, and at the next number a computer knows it trips and says why.

The limits are invented and chosen so that sums and differences are exact in binary; what they are made of is the module's own.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from chargerd.core.detect.sight import CONFIRMS, Frozen, Sight
from chargerd.core.detect.table import DETECTORS
from chargerd.core.limits import Limits, StepBounds, Trip, Zeros
from chargerd.core.observation import Observation
from chargerd.core.protection_memory import ProtectionMemory

LIMITS = Limits(
    voltage_max_V=2.75, voltage_min_V=0.5, charge_current_max_A=2.5, discharge_current_max_A=2.0,
    temperature_max_degC=45.0, temperature_min_degC=5.0, rise_max_K=12.0, slope_max_K_per_min=1.0,
)  # fmt: skip
REST = StepBounds(0)
CHARGE = StepBounds(1, 0.15, 1.85)
DISCHARGE = StepBounds(-1, 0.3, floor_V=0.8)
ISOLATED = StepBounds(1, 0.15, 1.85, zero_max_A=0.010)
SLACK = StepBounds(1, 0.15, 1.85, slack_A=0.030)
NO_SET = StepBounds(1, 0.0, 0.0)
NO_SET_DISCHARGE = StepBounds(-1, 0.0)
ZEROS = Zeros(source_A=0.020, load_A=0.030, ammeter_A=0.040)
APART = Zeros(apart_A=0.25, apart_share=0.0, apart_V=0.25)


def observed(bounds: StepBounds, **values: Any) -> Observation:
    """A healthy reading of a step, in which `values` are altered."""
    charges, discharges = bounds.direction > 0, bounds.direction < 0
    healthy = Observation(
        100.0, 1.5, 0.0, 25.0, None, [1.5], 0.0, 0.0, charges, discharges, int(charges), False, False, False,
        None, None, None, None, None, source_voltage_V=1.5, load_voltage_V=1.5,
    )  # fmt: skip
    return replace(healthy, **values)


@dataclass(frozen=True)
class Case:
    """`put` makes the reading for a value; `limit` is the last healthy one, `beyond` +1 or -1 the way to trip."""

    cause: str
    bounds: StepBounds
    put: Callable[[float], dict[str, Any]]
    limit: float
    beyond: int
    told: float | None = None
    """The limit that is told, where it is another number; the value is told as it was put, or times `sign`."""
    text: str = ""
    sign: int = 1
    zeros: Zeros = ZEROS
    u_A: float = 0.0
    levels: tuple[float | None, float | None] = (2.0, 0.5)
    memory: dict[str, Any] = field(default_factory=dict)
    tells_value: bool = True

    def judge(self, value: float) -> Trip | None:
        memory = ProtectionMemory(**self.memory)
        memory.confirmed = dict.fromkeys(("currents-differ", "hot-contact", "voltages-differ"), CONFIRMS - 1)
        frozen = Frozen(LIMITS, self.zeros, True, 3, self.u_A, *self.levels)
        live = self.bounds.direction != 0
        sight = Sight(observed(self.bounds, **self.put(value)), self.bounds, frozen, memory, live, live, None)
        return DETECTORS[self.cause](sight)


def put(name: str, **others: Any) -> Callable[[float], dict[str, Any]]:
    return lambda value: {**others, name: value}


CEILING_A = 0.15 * (1.0 + 0.10) + 0.010
"""A tenth and 10 mA above the set-point."""
CASES = [
    Case("over-voltage", REST, lambda V: {"voltages_V": [1.5, V]}, 2.75, +1),
    Case("over-voltage", REST, lambda V: {"taps_V": {"cell-1": 1.5, "cell-2": V}}, 2.75, +1, text="cell-2"),
    Case("over-voltage", REST, lambda V: {"taps_V": {"cell-1": None, "cell-2": 1.5}, "voltages_V": [V]}, 5.5, +1),
    Case("reverse-polarity", REST, lambda V: {"voltages_V": [1.5, V]}, -0.10, -1),
    Case("reverse-polarity", REST, lambda V: {"taps_V": {"cell-1": None, "cell-2": V}}, -0.10, -1, text="cell-2"),
    Case("under-voltage", DISCHARGE, lambda V: {"voltages_V": [1.0, V]}, 0.5, -1),
    Case("current-while-off", REST, put("source_current_A"), 0.020, +1, text="source"),
    Case("current-while-off", REST, put("source_current_A"), -0.020, -1, 0.020, "source"),
    Case("current-while-off", CHARGE, put("load_current_A"), 0.030, +1, text="load"),
    Case("current-while-off", CHARGE, put("load_current_A"), -0.050, -1, 0.050, "load", u_A=0.010),
    Case("current-while-off", REST, put("ammeter_A"), 0.040, +1, text="ammeter"),
    Case("current-while-off", REST, put("source_current_A"), 0.050, +1, text="source", u_A=0.010),
    Case("current-while-off", REST, put("ammeter_A"), 0.050, +1, text="ammeter", u_A=0.010),
    Case("over-current", CHARGE, put("source_current_A"), 2.5, +1, text="source"),
    Case("over-current", CHARGE, put("source_current_A"), -2.5, -1, 2.5, "source"),
    Case("over-current", DISCHARGE, put("load_current_A"), 2.0, +1, text="load"),
    Case("over-current", DISCHARGE, put("load_current_A"), -2.0, -1, 2.0, "load"),
    Case("over-current", CHARGE, put("ammeter_A"), 2.5, +1),
    Case("over-current", DISCHARGE, put("ammeter_A"), -2.0, -1, 2.0, sign=-1),
    Case("over-current", CHARGE, put("current_A"), 2.5, +1),
    Case("over-current", DISCHARGE, put("current_A", ammeter_A=None), -2.0, -1, 2.0, sign=-1),
    Case("current-while-isolated", ISOLATED, put("current_A"), 0.020, +1),
    Case("current-while-isolated", ISOLATED, put("current_A"), -0.020, -1, 0.020),
    Case("current-direction", CHARGE, put("current_A"), -0.010, -1, 0.0),
    Case("current-direction", DISCHARGE, put("current_A"), 0.010, +1, 0.0),
    Case("current-direction", SLACK, put("current_A"), -0.030, -1, 0.0),
    Case("current-direction", CHARGE, put("current_A"), -0.050, -1, 0.0, u_A=0.010),
    Case("current-above-set-point", CHARGE, put("current_A"), CEILING_A, +1),
    Case("current-above-set-point", StepBounds(-1, 0.15), put("current_A"), -CEILING_A, -1, CEILING_A, sign=-1),
    Case("current-above-set-point", SLACK, put("current_A"), 0.15 * (1.0 + 0.10) + 0.030, +1),
    Case("current-above-set-point", CHARGE, put("current_A"), 0.15 * (1.0 + 0.10) + 0.050, +1, u_A=0.010),
    Case("currents-differ", CHARGE, put("ammeter_A", others_A=0.0), 0.25, +1, zeros=APART),
    Case("currents-differ", CHARGE, put("ammeter_A", others_A=0.0), -0.25, -1, 0.25, zeros=APART),
    Case("currents-differ", DISCHARGE, put("ammeter_A", others_A=-1.0), -1.5, -1, 0.5, zeros=Zeros(apart_A=0.125, apart_share=0.25), tells_value=False),
    Case("hot-contact", CHARGE, put("source_voltage_V", voltage_V=1.5, current_A=1.0), 1.75, +1, 0.25, tells_value=False),
    Case("hot-contact", CHARGE, put("source_voltage_V", voltage_V=1.5, current_A=0.5), 2.25, +1, 0.25, tells_value=False, zeros=Zeros(lead_ohm=0.5)),
    Case("voltages-differ", CHARGE, put("voltage_V", source_voltage_V=1.0, has_meter=True), 1.25, +1, 0.25, zeros=APART, tells_value=False),
    Case("voltages-differ", DISCHARGE, put("voltage_V", load_voltage_V=1.5, has_meter=True), 1.25, -1, 0.25, zeros=APART, tells_value=False),
    Case("voltages-differ", CHARGE, put("source_voltage_V", voltage_V=2.0, has_meter=True), 1.25, -1, 0.25,
         zeros=Zeros(apart_V=0.25, apart_voltage_share=0.25), tells_value=False),
    Case("set-point-changed", NO_SET, put("source_voltage_set_V"), 0.010, +1, 0.0, "source voltage"),
    Case("set-point-changed", NO_SET, put("source_voltage_set_V"), -0.010, -1, 0.0, "source voltage"),
    Case("set-point-changed", NO_SET, put("source_current_set_A"), 0.010, +1, 0.0, "source current"),
    Case("set-point-changed", NO_SET_DISCHARGE, put("load_current_set_A"), 0.010, +1, 0.0, "load current"),
    Case("protection-level-changed", CHARGE, put("ovp_V"), 0.05, +1, 0.0, "over-voltage protection", levels=(0.0, 0.0)),
    Case("protection-level-changed", CHARGE, put("ocp_A"), -0.05, -1, 0.0, "over-current protection", levels=(0.0, 0.0)),
    Case("over-temperature", REST, put("temperature_degC"), 45.0, +1),
    Case("too-cold", REST, put("temperature_degC"), 5.0, -1),
    Case("temperature-rise", REST, put("temperature_degC"), 32.0, +1, 12.0, memory={"start_degC": 20.0}, tells_value=False),
    Case("temperature-rise", REST, put("temperature_degC", ambient_degC=28.0), 40.0, +1, 12.0, memory={"start_degC": 20.0}, tells_value=False),
    *(
        Case(cause, replace(CHARGE, **{end: 64.0}), lambda _: {}, 80.0, +1, memory={of: "value"})
        for cause, of, end in (
            ("bound-time", "step_s", "time_s"), ("bound-charge", "charge_Ah", "charge_Ah"), ("bound-energy", "energy_Wh", "energy_Wh"),
            ("bound-gas", "gas_charge_Ah", "gas_charge_Ah"), ("bound-gassing-time", "gassing_s", "gassing_s"),
        )
    ),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.cause}, {case.limit:g} {case.text}".rstrip())
def test_at_its_limit_it_keeps_quiet_and_just_beyond_it_trips_and_says_why(case: Case) -> None:
    def judge(value: float) -> Trip | None:
        memory = {name: value if what == "value" else what for name, what in case.memory.items()}
        return replace(case, memory=memory).judge(value)

    beyond = case.limit + case.beyond * 1e-9 if case.cause in COARSE else math.nextafter(case.limit, case.beyond * math.inf)
    trip = judge(beyond)

    assert judge(case.limit) is None
    assert trip is not None
    assert trip.cause == case.cause
    assert trip.limit == pytest.approx(case.limit if case.told is None else case.told, rel=1e-8)
    assert trip.text == case.text
    if case.tells_value:
        assert trip.value == case.sign * beyond


COARSE = {"currents-differ", "hot-contact", "voltages-differ", "temperature-rise"}
"""A difference of two numbers is coarser than they are: a step that it shows."""


def see(cause: str, bounds: StepBounds, memory: ProtectionMemory | None = None, **values: Any) -> Trip | None:
    """One detector's judgement of one reading."""
    seen = {name: value for name, value in values.items() if name not in ("live", "connected", "raise_waits", "zeros", "levels")}
    sight = Sight(
        observed(bounds, **seen), bounds, Frozen(LIMITS, values.get("zeros", ZEROS), True, 3, 0.0, *values.get("levels", (2.0, 0.5))),
        memory or ProtectionMemory(), values.get("live", bounds.direction != 0), False, values.get("connected"), values.get("raise_waits", False),
    )  # fmt: skip
    return DETECTORS[cause](sight)


@pytest.mark.parametrize(
    ("cause", "bounds", "key", "since", "exact", "beyond"),
    [("step-voltage", CHARGE, "voltages_V", "above_step_since_s", [1.85 + 0.050], [1.9001]),
     ("over-discharge", DISCHARGE, "voltage_V", "below_floor_since_s", 0.8 - 0.100, 0.6999)],
)  # fmt: skip
def test_two_seconds_beyond_a_steps_own_end_trip_and_not_a_moment_less(cause, bounds, key, since, exact, beyond) -> None:
    def at(elapsed_s: float, value: Any, memory: ProtectionMemory) -> Trip | None:
        return see(cause, bounds, memory, elapsed_s=elapsed_s, current_A=0.1 * bounds.direction, **{key: value})

    memory = ProtectionMemory()
    assert (at(0.0, beyond, memory), getattr(memory, since)) == (None, 0.0)
    assert at(math.nextafter(2.0, 0.0), beyond, memory) is None
    trip = at(2.0, beyond, memory)
    assert trip is not None
    assert (trip.cause, trip.limit) == (cause, exact[0] if isinstance(exact, list) else exact)
    # at the end itself it is healthy, and the time begins anew
    assert (at(3.0, exact, memory), getattr(memory, since)) == (None, None)
    assert (at(4.0, beyond, memory), getattr(memory, since)) == (None, 4.0)


def test_a_charge_that_drives_no_current_is_not_judged_by_its_voltage_and_one_of_unknown_current_is() -> None:
    for current_A, since_s in ((0.010, None), (0.0101, 0.0), (None, 0.0)):
        memory = ProtectionMemory()
        see("step-voltage", CHARGE, memory, elapsed_s=0.0, voltages_V=[1.95], current_A=current_A)
        assert memory.above_step_since_s == since_s


@pytest.mark.parametrize("count", [1, 2])
def test_instruments_that_contradict_each_other_are_believed_twice(count: int) -> None:
    for cause, values in (
        ("currents-differ", {"ammeter_A": 1.0, "others_A": 0.0}),
        ("hot-contact", {"source_voltage_V": 2.5, "voltage_V": 1.5, "current_A": 1.0}),
        ("voltages-differ", {"source_voltage_V": 1.0, "voltage_V": 1.5, "has_meter": True, "zeros": APART}),
    ):
        memory = ProtectionMemory()
        assert [see(cause, CHARGE, memory, **values) for _ in range(count)] == [None] * count
        assert memory.confirmed == {cause: count}


@pytest.mark.parametrize(
    ("cause", "values"),
    [
        ("currents-differ", {"ammeter_A": 1.0, "others_A": None}),
        ("currents-differ", {"ammeter_A": None, "others_A": 1.0}),
        ("currents-differ", {"ammeter_A": 1.0, "others_A": 0.0, "live": False}),
        ("hot-contact", {"source_voltage_V": None, "voltage_V": 1.5, "current_A": 1.0}),
        ("hot-contact", {"source_voltage_V": 2.5, "voltage_V": None, "current_A": 1.0}),
        ("hot-contact", {"source_voltage_V": 2.5, "voltage_V": 1.5, "current_A": None}),
        ("hot-contact", {"source_voltage_V": 2.5, "voltage_V": 1.5, "current_A": 1.0, "live": False}),
        ("voltages-differ", {"source_voltage_V": 1.0, "voltage_V": 1.5, "has_meter": False, "zeros": APART}),
        ("voltages-differ", {"source_voltage_V": None, "voltage_V": 1.5, "has_meter": True, "zeros": APART}),
        ("voltages-differ", {"source_voltage_V": 1.0, "voltage_V": None, "has_meter": True, "zeros": APART}),
        ("voltages-differ", {"source_voltage_V": 1.0, "voltage_V": 1.5, "has_meter": True, "zeros": Zeros()}),
        ("voltages-differ", {"source_voltage_V": 1.0, "voltage_V": 1.5, "has_meter": True, "zeros": APART, "live": False}),
    ],
)
def test_what_one_of_two_instruments_does_not_say_is_no_contradiction(cause: str, values: dict[str, Any]) -> None:
    memory = ProtectionMemory()

    assert [see(cause, CHARGE, memory, **values) for _ in range(4)] == [None] * 4


@pytest.mark.parametrize(
    ("cause", "bounds", "values"),
    [
        ("under-voltage", CHARGE, {"voltages_V": [0.1]}),
        ("under-voltage", DISCHARGE, {"voltages_V": [0.1], "live": False}),
        ("step-voltage", CHARGE, {"voltages_V": [2.0], "current_A": 0.1, "live": False}),
        ("step-voltage", StepBounds(1, 0.15), {"voltages_V": [2.0], "current_A": 0.1}),
        ("step-voltage", CHARGE, {"voltages_V": []}),
        ("over-discharge", DISCHARGE, {"voltage_V": 0.1, "live": False}),
        ("over-discharge", StepBounds(-1, 0.3), {"voltage_V": 0.1}),
        ("over-discharge", DISCHARGE, {"voltage_V": None}),
        ("current-direction", CHARGE, {"current_A": -1.0, "live": False}),
        ("current-direction", CHARGE, {"current_A": None}),
        ("current-direction", ISOLATED, {"current_A": -1.0}),
        ("current-direction", REST, {"current_A": -1.0, "live": True}),
        ("current-above-set-point", ISOLATED, {"current_A": 1.0}),
        ("current-above-set-point", CHARGE, {"current_A": None}),
        ("current-while-isolated", CHARGE, {"current_A": 1.0}),
        ("current-while-isolated", ISOLATED, {"current_A": None}),
        ("set-point-changed", CHARGE, {"source_voltage_set_V": 9.0, "live": False}),
        ("set-point-changed", CHARGE, {"source_voltage_set_V": 9.0, "raise_waits": True}),
        ("set-point-changed", CHARGE, {"load_current_set_A": 9.0}),
        ("set-point-changed", DISCHARGE, {"source_voltage_set_V": 9.0}),
        ("set-point-changed", DISCHARGE, {"source_current_set_A": 9.0}),
        ("protection-level-changed", CHARGE, {"ovp_V": 9.0, "live": False}),
        ("protection-level-changed", CHARGE, {"ovp_V": 9.0, "levels": (None, None)}),
        ("load-mode-changed", DISCHARGE, {"load_regulated": 3, "load_on": False}),
        ("load-mode-changed", DISCHARGE, {"load_regulated": 3, "load_on": True, "live": False}),
        ("load-mode-changed", DISCHARGE, {"load_regulated": 2, "load_on": True}),
        ("source-found-on", CHARGE, {"source_on": True}),
        ("load-found-on", DISCHARGE, {"load_on": True}),
        ("load-found-off", DISCHARGE, {"load_on": None}),
        ("load-found-off", DISCHARGE, {"load_on": False, "live": False}),
        ("source-and-load-on", CHARGE, {"source_on": True, "load_on": False}),
        ("source-and-load-on", DISCHARGE, {"source_on": False, "load_on": True}),
        ("relay-found-closed", REST, {"relay_closed": True, "connected": True}),
        ("relay-found-closed", REST, {"relay_closed": True, "connected": None}),
        ("relay-found-closed", REST, {"relay_closed": None, "connected": False}),
        ("relay-found-open", REST, {"relay_closed": False, "connected": False}),
        ("relay-found-open", REST, {"relay_closed": False, "connected": None}),
        ("relay-found-open", REST, {"relay_closed": None, "connected": True}),
        ("current-while-off", CHARGE, {"ammeter_A": 1.0}),
        ("current-while-off", DISCHARGE, {"ammeter_A": 1.0}),
        ("current-while-off", REST, {"source_current_A": 1.0, "source_on": None}),
    ],
)  # fmt: skip
def test_what_is_another_detectors_or_not_known_it_leaves_alone(cause: str, bounds: StepBounds, values: dict[str, Any]) -> None:
    assert see(cause, bounds, **values) is None


@pytest.mark.parametrize(
    ("cause", "bounds", "values", "text"),
    [
        ("source-found-on", CHARGE, {"source_on": True, "live": False}, ""),
        ("source-found-on", DISCHARGE, {"source_on": True}, ""),
        ("source-found-on", REST, {"source_on": True, "live": True}, ""),
        ("load-found-on", REST, {"load_on": True, "live": True}, ""),
        ("load-found-on", DISCHARGE, {"load_on": True, "live": False}, ""),
        ("load-found-off", DISCHARGE, {"load_on": False}, ""),
        ("load-mode-changed", DISCHARGE, {"load_regulated": 3}, ""),
        ("source-and-load-on", CHARGE, {"source_on": True, "load_on": True}, ""),
        ("instrument-protection", CHARGE, {"source_tripped": True}, "source"),
        ("instrument-protection", CHARGE, {"load_tripped": True}, "load"),
        ("instrument-restarted", REST, {"restarted": True}, ""),
        ("relay-contradicts", REST, {"relay_doubt": "cell-relay"}, "cell-relay"),
        ("relay-found-closed", REST, {"relay_closed": True, "connected": False}, ""),
        ("relay-found-open", REST, {"relay_closed": False, "connected": True}, ""),
    ],
)
def test_what_instruments_say_of_themselves_trips_at_once(cause: str, bounds: StepBounds, values: dict[str, Any], text: str) -> None:
    assert see(cause, bounds, **values) == Trip(cause, None, None, text)


def test_a_set_point_may_differ_by_a_fiftieth_where_that_is_more() -> None:
    bounds = StepBounds(1, 2.0, 1.85)

    assert see("set-point-changed", bounds, source_current_set_A=2.039) is None
    assert see("set-point-changed", bounds, source_current_set_A=1.961) is None
    for read_A in (2.041, 1.959):
        assert see("set-point-changed", bounds, source_current_set_A=read_A) == Trip("set-point-changed", read_A, 2.0, "source current")


def test_the_slope_is_taken_over_the_youngest_point_that_is_a_whole_window_old() -> None:
    """Points each 15 s and no closer; after ten minutes of 0.99 K/min the reading at 600 s is compared with the one at 420 s."""
    memory = ProtectionMemory()
    for at_s in range(0, 600, 5):
        assert see("heating-too-fast", REST, memory, elapsed_s=float(at_s), temperature_degC=25.0 + 0.99 * at_s / 60.0) is None
    assert memory.slope_s == [float(at_s) for at_s in range(405, 600, 15)]
    last_degC = 25.0 + 0.99 * 420 / 60.0
    exact_degC = last_degC + 3.0

    trip = see("heating-too-fast", REST, replace_memory(memory), elapsed_s=600.0, temperature_degC=exact_degC + 0.001)
    assert trip is not None
    assert trip.value == pytest.approx(1.0 + 0.001 / 3.0)
    assert trip.limit == 1.0
    assert see("heating-too-fast", REST, replace_memory(memory), elapsed_s=600.0, temperature_degC=exact_degC - 0.001) is None
    assert see("heating-too-fast", REST, replace_memory(memory), elapsed_s=599.9, temperature_degC=99.0) is None


def test_a_point_half_a_second_too_young_is_not_the_windows_beginning() -> None:
    """3 K within 20.5 s, then 0.4 K within 179.5 s: over the 200 s it is 1.02 K/min."""
    memory, found = ProtectionMemory(), []
    for at_s, value_degC in ((0.0, 25.0), (20.5, 28.0), (200.0, 28.4)):
        found.append(see("heating-too-fast", REST, memory, elapsed_s=at_s, temperature_degC=value_degC))

    assert found[:2] == [None, None]
    assert found[2] == Trip("heating-too-fast", pytest.approx(1.02), 1.0)


def test_of_points_far_apart_the_younger_one_is_compared() -> None:
    """Readings 200 s apart: cold for the first, and 1.2 K/min over the second; over both it would be 0.6."""
    memory, found = ProtectionMemory(), []
    for at_s, value_degC in ((0.0, 25.0), (200.0, 25.0), (400.0, 29.0)):
        found.append(see("heating-too-fast", REST, memory, elapsed_s=at_s, temperature_degC=value_degC))

    assert found == [None, None, Trip("heating-too-fast", pytest.approx(1.2), 1.0)]


def test_a_meter_that_may_not_differ_at_all_may_still_agree() -> None:
    memory = ProtectionMemory()
    exact = Zeros(apart_V=0.0)

    assert [see("voltages-differ", CHARGE, memory, source_voltage_V=1.5, has_meter=True, zeros=exact) for _ in range(4)] == [None] * 4


def replace_memory(memory: ProtectionMemory) -> ProtectionMemory:
    return replace(memory, slope_s=list(memory.slope_s), slope_degC=list(memory.slope_degC))


def test_the_first_temperature_is_the_start_and_stays_it() -> None:
    memory = ProtectionMemory()
    see("temperature-rise", REST, memory, temperature_degC=20.0)
    see("temperature-rise", REST, memory, temperature_degC=25.0)

    assert memory.start_degC == 20.0
    assert see("temperature-rise", REST, memory, temperature_degC=None) is None
    assert see("temperature-rise", REST, memory, temperature_degC=33.0) == Trip("temperature-rise", 13.0, 12.0)


def test_readings_missing_are_counted_while_a_step_energises_and_said_in_words() -> None:
    memory, frozen = ProtectionMemory(), Frozen(LIMITS, ZEROS, True, 3, 0.0, 2.0, 0.5)

    def lost(*, watched: bool, **values: Any) -> Trip | None:
        return DETECTORS["reading-lost"](Sight(observed(CHARGE, **values), CHARGE, frozen, memory, True, watched, None))

    gone: dict[str, Any] = {"voltage_V": None, "temperature_degC": None}
    assert [lost(watched=True, **gone) for _ in range(3)] == [None] * 3
    assert memory.missed == 3
    assert lost(watched=True, **gone) == Trip("reading-lost", 4.0, 3.0, "voltage, temperature")
    assert (lost(watched=False, **gone), memory.missed) == (None, 0)
    assert [lost(watched=True, **gone) for _ in range(3)] == [None] * 3
    assert (lost(watched=True), memory.missed) == (None, 0)
