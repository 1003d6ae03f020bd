"""What hangs on a bench beside plain instruments: sensors, relay contacts, power resistors, a dead-man relay."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from chargerd.config.bench_keys import SENSORS
from chargerd.config.marked import Faults
from chargerd.config.readers import COMMON, INPUTS
from chargerd.config.tables import Given, Values
from chargerd.errors import Place
from chargerd.units import UnitError, parse

NOWHERE = Place("", 1, 1)
COLD_JUNCTION_AGE_MAX_S = 60.0
"""A terminal block in a room drifts slowly; its temperature may be so old and no older."""
CONTACT_STATES = ("open", "closed", "unknown")


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """What a thermometer is made of. `table`: (degC, ohm), coldest first. Resistances in ohm, `beta_K` at 25 degC."""

    kind: str
    wires: int = 4
    lead_ohm: float = 0.0
    cold_junction: str = ""
    nominal_ohm: float | None = None
    beta_K: float | None = None
    steinhart_hart: tuple[float, float, float] | None = None
    table: tuple[tuple[float, float], ...] = ()
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class ContactSpec:
    """A relay's contact. `without_power` and `at_boot`: open, closed or unknown."""

    without_power: str
    at_boot: str = "unknown"
    rating_A: float | None = None
    settle_s: float = 0.05


@dataclass(frozen=True, slots=True)
class ResistorSpec:
    """One power resistor of a load, behind its relay. `accuracy` is a fraction of its value."""

    name: str
    load: str
    switch: str
    resistance_ohm: float
    power_W: float
    accuracy: float
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class DeadManSpec:
    """A relay that opens by itself within `drop_out_s` of the last feeding, and the instruments it cuts off."""

    feed: str
    drop_out_s: float
    cuts: tuple[str, ...]
    buzzer: bool
    place: Place = NOWHERE


def sensor_of(values: Values | None, faults: Faults) -> SensorSpec | None:
    """Read an instrument's `sensor:`; faults are noted where they stand."""
    if values is None:
        return None
    kind = values.text("kind")
    if kind and kind not in SENSORS:
        faults.add(values.at("kind"), f"sensor.kind: {kind!r} is none", f"write one of: {', '.join(SENSORS)}")
    constants = _constants(values, faults)
    spec = SensorSpec(
        kind,
        values.count("wires") or 4,
        values.number("lead") or 0.0,
        values.text("cold_junction"),
        values.number("nominal"),
        values.number("beta"),
        constants,
        _table(values, faults),
        values.place,
    )
    _check_sensor(values, spec, faults)
    return spec


def _check_sensor(values: Values, spec: SensorSpec, faults: Faults) -> None:
    is_thermocouple = spec.kind.startswith("thermocouple")
    if is_thermocouple and not spec.cold_junction:
        faults.add(values.place, "sensor: a thermocouple needs a cold_junction", "name the thermometer where its leads end")
    ways = [bool(spec.beta_K), spec.steinhart_hart is not None, bool(spec.table)]
    if spec.kind == "ntc" and sum(ways) != 1:
        faults.add(values.place, "sensor: a thermistor needs one of beta, steinhart_hart or table", "see its data sheet")
    if spec.kind == "ntc" and spec.beta_K and not spec.nominal_ohm:
        faults.add(values.place, "sensor: beta needs nominal", "write nominal: 10 kohm, its resistance at 25 °C")
    belongs = {
        "nominal": "ntc", "beta": "ntc", "steinhart_hart": "ntc", "table": "ntc", "cold_junction": "thermocouple",
    }  # fmt: skip
    for key, owner in belongs.items():
        if values.has(key) and not spec.kind.startswith(owner):
            faults.add(values.at(key), f"sensor.{key}: {spec.kind} has none", "delete it")
    if spec.lead_ohm and spec.wires != 2:
        faults.add(values.at("lead"), "sensor.lead: only two-wire sensors need it", "delete it, or write wires: 2")


def check_cold_junctions(thermometers: Mapping[str, tuple[SensorSpec | None, float | None]], faults: Faults) -> None:
    """Note thermocouples whose leads end nowhere, at another thermocouple, or where the temperature is known too seldom.

    `thermometers`: every instrument's sensor and its period in s.
    """
    for name, (sensor, _) in thermometers.items():
        junction = sensor.cold_junction if sensor is not None else ""
        if sensor is None or not junction:
            continue
        if junction not in thermometers or junction == name:
            known = ", ".join(other for other in thermometers if other != name)
            faults.add(sensor.place, f"sensor.cold_junction: {junction!r} is no other instrument", f"write one of: {known}")
            continue
        other, every_s = thermometers[junction]
        if other is not None and other.cold_junction:
            faults.add(sensor.place, f"sensor.cold_junction: {junction} is a thermocouple itself", "name another kind")
        if every_s is not None and not every_s <= COLD_JUNCTION_AGE_MAX_S / 2:
            faults.add(
                sensor.place, f"sensor.cold_junction: {junction} has a new value too seldom",
                f"write every: {COLD_JUNCTION_AGE_MAX_S / 2:g} s or less at {junction}, or take a faster one",
            )  # fmt: skip


def _constants(values: Values, faults: Faults) -> tuple[float, float, float] | None:
    items = values.items("steinhart_hart")
    if not items:
        return None
    numbers = [_constant(item, faults) for item in items]
    if len(numbers) != 3:  # a, b, c
        faults.add(values.at("steinhart_hart"), "sensor.steinhart_hart: three constants are needed", "write [a, b, c]")
        return None
    return numbers[0], numbers[1], numbers[2]


def _constant(item: Given, faults: Faults) -> float:
    text = str(item.value)
    if not re.fullmatch(r"-?[0-9]+(\.[0-9]+)?(e-?[0-9]{1,2})?", text):
        faults.add(item.place, f"sensor.steinhart_hart: {text!r} is no number", "write for example 1.12924e-3")
        return math.nan
    return float(text)


def _table(values: Values, faults: Faults) -> tuple[tuple[float, float], ...]:
    points = []
    for item in values.items("table"):
        left, equals, right = str(item.value).partition(" = ")
        if not equals:
            faults.add(item.place, f"sensor.table: {item.value!r} is no point", "write for example 25 °C = 10 kohm")
            continue
        try:
            points.append((parse(left, "temperature").value, parse(right, "resistance").value))
        except UnitError as error:
            faults.add(item.place, f"sensor.table: {error.what}", error.remedy)
    falls = all(a[0] < b[0] and a[1] > b[1] for a, b in pairwise(points))
    if points and (len(points) < 2 or not falls):
        faults.add(values.at("table"), "sensor.table: no falling table", "two points or more, warmer is fewer ohm")
    return tuple(points)


def contact_of(values: Values | None, faults: Faults) -> ContactSpec | None:
    """Read an instrument's `contact:`; faults are noted where they stand."""
    if values is None:
        return None
    for key, states in (("without_power", CONTACT_STATES[:2]), ("at_boot", CONTACT_STATES)):
        if values.text(key) not in ("", *states):
            faults.add(values.at(key), f"contact.{key}: {values.text(key)!r}", f"write {' or '.join(states)}")
    settle_s = values.number("settle")
    return ContactSpec(
        values.text("without_power"), values.text("at_boot"), values.number("rating"), 0.05 if settle_s is None else settle_s
    )


def resistors_of(named: Mapping[str, Values], instruments: Mapping[str, object], faults: Faults) -> tuple[ResistorSpec, ...]:
    """Read `resistors:`; each hangs on a relay of its own that is an instrument of the bench."""
    found: list[ResistorSpec] = []
    for name, values in named.items():
        spec = ResistorSpec(
            name, values.text("load"), values.text("switch"), values.number("resistance") or math.nan,
            values.number("power") or math.nan, values.number("accuracy") or 0.0, values.place,
        )  # fmt: skip
        if spec.switch and spec.switch not in instruments:
            faults.add(values.at("switch"), f"{values.label}.switch: there is no instrument {spec.switch!r}", "name its relay")
        if spec.load in instruments:
            faults.add(values.at("load"), f"{values.label}.load: {spec.load} is an instrument", "choose a name of its own")
        if spec.switch and any(spec.switch == other.switch for other in found):
            faults.add(values.at("switch"), f"{values.label}.switch: {spec.switch} connects another resistor", "one relay each")
        found.append(spec)
    return tuple(found)


def dead_man_of(values: Values | None, instruments: Mapping[str, object], faults: Faults) -> DeadManSpec | None:
    """Read `dead_man:`; faults are noted where they stand."""
    if values is None:
        return None
    cuts = tuple(str(item.value) for item in values.items("cuts"))
    for item in values.items("cuts"):
        if item.value not in instruments:
            faults.add(item.place, f"dead_man.cuts: there is no instrument {item.value!r}", "name what its contact cuts off")
    drop_out_s = values.number("drop_out")
    return DeadManSpec(values.text("feed"), 5.0 if drop_out_s is None else drop_out_s, cuts, values.flag("buzzer"), values.place)


def protects_of(values: Values, faults: Faults) -> tuple[str, ...]:
    """Read which of a supply's own protections there are; said by nobody, both."""
    if not values.has("protects"):
        return "voltage", "current"
    for item in values.items("protects"):
        if item.value not in ("voltage", "current"):
            faults.add(item.place, f"{values.label}.protects: {item.value!r}", "write voltage, current, both, or []")
    return tuple(str(item.value) for item in values.items("protects"))


def inputs_of(values: Values, faults: Faults) -> str:
    """Read how the inputs of a reader are to each other; said by nobody, they share a common."""
    said = values.text("inputs") or COMMON
    if said not in INPUTS:
        faults.add(values.at("inputs"), f"{values.label}.inputs: {said!r}", f"write {', '.join(INPUTS[:-1])} or {INPUTS[-1]}")
    return said
