"""The bench file: instruments and how well they see, channels, wiring, hard limits, air."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from chargerd.config.bench_keys import BENCH, QUANTITIES
from chargerd.config.bench_parts import (
    ContactSpec,
    DeadManSpec,
    ResistorSpec,
    SensorSpec,
    check_cold_junctions,
    contact_of,
    dead_man_of,
    inputs_of,
    protects_of,
    resistors_of,
    sensor_of,
)
from chargerd.config.isolation import check_isolation, check_sharing, check_terminals
from chargerd.config.marked import Faults, read_marked, root_of
from chargerd.config.reader import read_group
from chargerd.config.readers import COMMON, check_readers
from chargerd.config.tables import Given, Values, amount
from chargerd.errors import BenchError, Place
from chargerd.units import DIMENSIONS, Quantity, UnitError, parse

NOWHERE = Place("", 1, 1)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A data sheet's accuracy: ± (`gain` × reading + `offset`), offset in the quantity's base unit."""

    gain: float
    offset: float


@dataclass(frozen=True, slots=True)
class InstrumentSpec:
    """One instrument. Keys of `accuracy` and `resolution`: voltage (V), current (A), temperature (K).

    `inputs`: how the inputs of its reader are to each other, one of `readers.INPUTS`.
    """

    name: str
    address: str
    dialect: str
    identity: str
    voltage_max_V: float | None
    current_max_A: float | None
    accuracy: Mapping[str, Accuracy]
    resolution: Mapping[str, float]
    timeout_s: float = 0.5
    isolated: bool = False
    minimum_voltage_V: float = 0.0
    protects: tuple[str, ...] = ("voltage", "current")
    inputs: str = COMMON
    output: str = ""
    input: str = ""
    every_s: float | None = None
    sensor: SensorSpec | None = None
    shunt_ohm: float | None = None
    contact: ContactSpec | None = None
    place: Place = NOWHERE

    def uncertainty(self, quantity: str, value: float) -> float:
        """Return the standard uncertainty of one reading: √(offset²/3 + resolution²/12 + (gain·value)²/3).

        Limits ±a and a step of width r are taken as uniform distributions (JCGM 100:2008, 4.3.7). 0 for what it does not measure.
        """
        accuracy = self.accuracy.get(quantity, Accuracy(0.0, 0.0))
        step = self.resolution.get(quantity, 0.0)
        return math.sqrt(accuracy.offset**2 / 3 + step**2 / 12 + (accuracy.gain * value) ** 2 / 3)

    def resolves_difference(self, quantity: str) -> float:
        """Return the standard uncertainty of a difference of two readings, in which offset and gain cancel: step/√6."""
        return self.resolution.get(quantity, 0.0) / math.sqrt(6)


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """Who does what on one channel; names as in `instruments`, empty = none.

    `meter`: who measures the cell's voltage, if not the source. `ammeter`: who measures its current, if not source and load.
    `switch`: the relay that isolates the cell. `sense`: a meter across the source's own terminals. `load` may name switched
    resistors instead of an instrument. `taps`: the meters of a string's cells, negative end first.
    """

    name: str
    source: str
    load: str = ""
    meter: str = ""
    thermometer: str = ""
    ambient: str = ""
    ammeter: str = ""
    switch: str = ""
    sense: str = ""
    taps: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """What no cell on this bench may ever see."""

    voltage_max_V: float
    charge_current_max_A: float
    discharge_current_max_A: float
    temperature_max_degC: float


@dataclass(frozen=True, slots=True)
class Wiring:
    """Leads, clips and the fuse at the cell; `tap_ohm`: the resistor at each tap of a string."""

    lead_ohm: float
    clip_mass_g: float
    clip_ohm: float
    fuse_A: float
    tap_ohm: float | None = None


@dataclass(frozen=True, slots=True)
class Ventilation:
    """Where the gas goes: outdoors, or a room of that volume with those openings."""

    outdoors: bool
    room_m3: float = 0.0
    openings_cm2: float = 0.0


@dataclass(frozen=True, slots=True)
class MqttSpec:
    """The broker, and the first word of every topic."""

    host: str
    port: int
    prefix: str


@dataclass(frozen=True, slots=True)
class BenchFile:
    """A checked bench file. `places`: where each limit, the fuse and the ventilation stand, for messages that name both files."""

    name: str
    about: str
    data_dir: Path
    instruments: Mapping[str, InstrumentSpec]
    channels: Mapping[str, ChannelSpec]
    limits: BenchLimits
    wiring: Wiring
    ventilation: Ventilation
    mqtt: MqttSpec | None
    never_touch: tuple[str, ...]
    keep_on: tuple[str, ...]
    resistors: tuple[ResistorSpec, ...]
    dead_man: DeadManSpec | None
    places: Mapping[str, Place]
    path: Path
    text: str
    sha256: str


def load_bench(path: Path | str, content: bytes | None = None) -> BenchFile:
    """Read and check one bench file. `content`: a frozen copy, see `read_marked`.

    Raises:
        BenchError: with every fault, each as `file:line:column: what; what to write instead`.
    """
    faults = Faults()
    marked = read_marked(Path(path), faults, content)
    values = read_group(BENCH, root_of(marked, faults, BenchError), "", faults)
    instruments = {name: _instrument(name, given, faults) for name, given in values.named("instruments").items()}
    check_cold_junctions({name: (one.sensor, one.every_s) for name, one in instruments.items()}, faults)
    resistors = resistors_of(values.named("resistors"), instruments, faults)
    banks = {resistor.load for resistor in resistors}
    channels = {name: _channel(name, given, instruments, banks, faults) for name, given in values.named("channels").items()}
    dead_man = dead_man_of(values.sub("dead_man"), instruments, faults)
    _check(values, faults)
    check_isolation(instruments, channels, faults, [resistor.switch for resistor in resistors])
    check_readers(instruments, channels, faults)
    places = {name: given.place for name, given in values.named("channels").items()}
    check_sharing(channels, places, faults)
    check_terminals(channels, places, faults)
    faults.raise_as(BenchError)
    parts = _Parts(instruments, channels, resistors, dead_man)
    return _built(values, parts, marked.path, marked.text, marked.sha256)


@dataclass(frozen=True, slots=True)
class _Parts:
    instruments: Mapping[str, InstrumentSpec]
    channels: Mapping[str, ChannelSpec]
    resistors: tuple[ResistorSpec, ...]
    dead_man: DeadManSpec | None


def parse_accuracy(text: str, quantity: str) -> Accuracy:
    """Read `0.05 % + 5 mV`, `5 mV` or `0.1 %`.

    Raises:
        UnitError: it is none of these.
    """
    gain, offset, seen = 0.0, 0.0, set()
    for part in re.split(r" \+ ", text):
        kind = "percent" if part.rstrip().endswith("%") else QUANTITIES[quantity]
        if kind in seen:
            raise UnitError(f"{text!r} is no accuracy", f"write gain + offset, for example {accuracy_example(quantity)}")
        seen.add(kind)
        value = parse(part, kind).value
        if value < 0:
            raise UnitError(f"{part!r} is negative", "an accuracy is written without ±")
        gain, offset = (value, offset) if kind == "percent" else (gain, value)
    return Accuracy(gain, offset)


def accuracy_example(quantity: str) -> str:
    """Return how an accuracy of that quantity may look."""
    return {"voltage": "0.05 % + 5 mV", "current": "0.1 % + 2 mA", "temperature": "0.5 K"}[quantity]


_ADDRESS = re.compile(r"[a-z][a-z0-9+.-]*://\S+|(TCPIP|USB|ASRL|GPIB|VXI|PXI)[^\s:]*::\S+")


def _instrument(name: str, values: Values, faults: Faults) -> InstrumentSpec:
    address = values.text("address")
    if address and not _ADDRESS.fullmatch(address):
        faults.add(
            values.at("address"),
            f"{values.label}.address: {address!r} is no address",
            "write for example tcp://192.168.1.20:5025 or serial:///dev/ttyUSB0?baud=9600",
        )
    accuracies: dict[str, Accuracy] = {}
    given = values.sub("accuracy")
    for quantity, one in (given.given if given is not None else {}).items():
        try:
            accuracies[quantity] = parse_accuracy(str(one.value), quantity)
        except UnitError as error:
            faults.add(one.place, f"accuracy.{quantity}: {error.what}", error.remedy)
    resolution = values.sub("resolution")
    ratings = values.sub("ratings")
    timeout_s, minimum_V = values.number("timeout"), values.number("minimum_voltage")
    return InstrumentSpec(
        name=name,
        address=address,
        dialect=values.text("dialect"),
        identity=values.text("identity"),
        voltage_max_V=ratings.number("voltage") if ratings is not None else None,
        current_max_A=ratings.number("current") if ratings is not None else None,
        accuracy=accuracies,
        resolution=_resolutions(resolution, faults) if resolution is not None else {},
        timeout_s=0.5 if timeout_s is None else timeout_s,
        isolated=values.flag("isolated"),
        minimum_voltage_V=0.0 if minimum_V is None else minimum_V,
        protects=protects_of(values, faults),
        inputs=inputs_of(values, faults),
        output=values.text("output"),
        input=values.text("input"),
        every_s=values.number("every"),
        sensor=sensor_of(values.sub("sensor"), faults),
        shunt_ohm=values.number("shunt"),
        contact=contact_of(values.sub("contact"), faults),
        place=values.place,
    )


def _resolutions(values: Values, faults: Faults) -> dict[str, float]:
    found: dict[str, float] = {}
    for quantity, given in values.given.items():
        found[quantity] = amount(given)
        # A hundredth of a rating would be a step of a cell, not of an instrument.
        if values.need_absolute(quantity, 0.0) <= 0:
            faults.add(given.place, f"resolution.{quantity}: {given.text} is no instrument's step", "write for example 1 mA")
    return found


_ROLES: dict[str, tuple[str, ...]] = {
    "source": ("voltage", "current"),
    "load": ("current",),
    "voltage": ("voltage",),
    "temperature": ("temperature",),
    "ambient": ("temperature",),
    "current": ("current",),
    "switch": (),
    "sense": ("voltage",),
}
"""Role → what its instrument must say about its accuracy and resolution, so that ends can be compared with them."""


def _channel(
    name: str, values: Values, instruments: Mapping[str, InstrumentSpec], banks: set[str], faults: Faults
) -> ChannelSpec:
    for role, quantities in _ROLES.items():
        one = values.text(role)
        if not one or (role == "load" and one in banks):
            continue
        if one not in instruments:
            known = ", ".join(instruments) or "none"
            faults.add(values.at(role), f"{values.label}.{role}: there is no instrument {one!r}", f"write one of: {known}")
            continue
        _judge_role(values, role, quantities, instruments[one], faults)
    source, load, voltage = values.text("source"), values.text("load"), values.text("voltage")
    if load and load == source:
        faults.add(values.at("load"), f"{values.label}.load: {load} is the source already", "name the load, or delete the line")
    if load and voltage == load and load != source:
        what = f"{values.label}.voltage: the load measures across its own leads"
        faults.add(values.at("voltage"), what, f"write {source} or a meter")
    thermometer, ambient = values.text("temperature"), values.text("ambient")
    if ambient and ambient == thermometer:
        faults.add(values.at("ambient"), f"{values.label}.ambient: {ambient} measures the cell", "name another one")
    ammeter, switch = values.text("current"), values.text("switch")
    if ammeter and ammeter in instruments and instruments[ammeter].shunt_ohm is None:
        faults.add(values.at("current"), f"{values.label}.current: {ammeter} has no shunt", "write shunt: 0.1 ohm at the meter")
    if switch and switch in instruments and instruments[switch].contact is None:
        faults.add(values.at("switch"), f"{values.label}.switch: {switch} has no contact", "write contact: {without_power: open}")
    taps = _texts(values.items("taps"))
    for item in values.items("taps"):
        if item.value not in instruments:
            faults.add(item.place, f"{values.label}.taps: there is no instrument {item.value!r}", "name the meter of that cell")
    meter = "" if voltage in {source, load} else voltage
    return ChannelSpec(name, source, load, meter, thermometer, ambient, ammeter, switch, values.text("sense"), taps)


def _judge_role(values: Values, role: str, quantities: tuple[str, ...], spec: InstrumentSpec, faults: Faults) -> None:
    label = f"{values.label}.{role}"
    for quantity in quantities:
        if quantity not in spec.accuracy or quantity not in spec.resolution:
            faults.add(
                values.at(role),
                f"{label}: {spec.name} does not say how well it sees {quantity}",
                f"write its accuracy ({quantity}: {accuracy_example(quantity)}) and resolution from its data sheet",
            )
    if spec.sensor is not None and "temperature" not in quantities:
        faults.add(values.at(role), f"{label}: {spec.name} has a sensor", "name it at temperature, or delete its sensor")
    if role in {"source", "load"} and (spec.voltage_max_V is None or spec.current_max_A is None):
        faults.add(values.at(role), f"{label}: {spec.name} has no ratings", "write ratings: {voltage: 30 V, current: 3 A}")


def _check(values: Values, faults: Faults) -> None:
    for key in ("instruments", "channels"):
        if values.has(key) and not values.named(key):
            faults.add(values.at(key), f"{key}: none is there", "write at least one, by its name")
    for name in ("limits", "wiring"):
        group = values.sub(name)
        for key, given in (group.given if group is not None else {}).items():
            if isinstance(given.value, Quantity) and (given.value.relative or given.value.value < 0):
                faults.add(
                    given.place,
                    f"{name}.{key}: {given.text} belongs to a cell, not to a bench",
                    f"write for example {DIMENSIONS[given.value.dimension].example}",
                )
    air = values.sub("ventilation")
    if air is not None and not air.flag("outdoors") and not air.has("room"):
        faults.add(air.place, "ventilation: neither outdoors nor a room", "write outdoors: yes, or room: 30 m3, openings: 20 cm2")


def _built(values: Values, parts: _Parts, path: Path, text: str, digest: str) -> BenchFile:
    """Build the model from values without faults."""
    limits, wiring, air, mqtt = (values.sub(key) for key in ("limits", "wiring", "ventilation", "mqtt"))
    assert limits is not None
    assert wiring is not None
    assert air is not None
    return BenchFile(
        name=values.text("bench"),
        about=values.text("about"),
        data_dir=path.parent / values.text("data"),
        instruments=parts.instruments,
        channels=parts.channels,
        limits=BenchLimits(
            limits.need("voltage"), limits.need("charge_current"), limits.need("discharge_current"), limits.need("temperature")
        ),
        wiring=Wiring(
            wiring.need("lead"),
            wiring.need("clip_mass"),
            wiring.need("clip_resistance"),
            wiring.need("fuse"),
            wiring.number("tap_resistor"),
        ),
        ventilation=Ventilation(air.flag("outdoors"), air.number("room") or 0.0, air.number("openings") or 0.0),
        mqtt=None if mqtt is None else MqttSpec(mqtt.text("host"), mqtt.count("port") or 1883, mqtt.text("prefix")),
        never_touch=_texts(values.items("never_touch")),
        keep_on=_texts(values.items("keep_on")),
        resistors=parts.resistors,
        dead_man=parts.dead_man,
        places={"ventilation": air.place} | {key: group.at(key) for group in (limits, wiring, air) for key in group.given},
        path=path,
        text=text,
        sha256=digest,
    )


def _texts(items: list[Given]) -> tuple[str, ...]:
    return tuple(str(item.value) for item in items)
