"""One reading, seen as this channel: the cell's voltage, current and temperature, and what each output says of itself."""

from __future__ import annotations

from dataclasses import dataclass

from chargerd.core.reading import ChannelInputs, Reading

REGULATED = {0: "off", 1: "cc", 2: "cv", 3: "unregulated"}
"""Meaning of an instrument's `regulated` input, and the words of the `regulated_by` column."""


@dataclass(slots=True)
class Observation:
    """Values usable at this reading; None = missing, never a number.

    `current_A` is charge positive, and exactly zero when both outputs read off. `voltages_V` are all valid voltages of any
    instrument at the cell: any one of them may trip.
    """

    elapsed_s: float
    voltage_V: float | None
    current_A: float | None
    temperature_degC: float | None
    ambient_degC: float | None
    voltages_V: list[float]
    source_current_A: float | None
    load_current_A: float | None
    source_on: bool | None
    load_on: bool | None
    source_regulated: int | None
    source_tripped: bool
    load_tripped: bool
    restarted: bool
    source_voltage_set_V: float | None
    source_current_set_A: float | None
    load_current_set_A: float | None
    ovp_V: float | None
    ocp_A: float | None


class Observer:
    """Turns readings into observations for one channel. Keys are built once: this runs at every sample."""

    __slots__ = ("_ambient", "_has_load", "_inputs", "_load", "_meter", "_source", "_thermometer")

    def __init__(self, inputs: ChannelInputs) -> None:
        self._inputs = inputs
        self._has_load = bool(inputs.load)
        self._meter = f"{inputs.meter or inputs.source}_voltage_V"
        self._source = _keys(inputs.source)
        self._load = _keys(inputs.load)
        self._thermometer = f"{inputs.thermometer}_temperature_degC" if inputs.thermometer else ""
        self._ambient = f"{inputs.ambient}_temperature_degC" if inputs.ambient else ""

    def observe(self, reading: Reading, age_max_s: float, zero_source_A: float, zero_load_A: float) -> Observation:
        """Return what this reading says of the channel; inputs older than `age_max_s` count as missing."""

        def value(key: str) -> float | None:
            item = reading.inputs.get(key)
            return None if item is None else item.usable(age_max_s)

        source, load = self._source, self._load
        voltage_V = value(self._meter)
        source_V = value(source[0])
        voltages = [] if voltage_V is None else [voltage_V]
        if source_V is not None and self._meter != source[0]:
            voltages.append(source_V)
        source_A = value(source[1])
        source_on = _as_bool(value(source[2]))
        load_A: float | None = None
        load_on: bool | None = None
        load_tripped = load_restarted = 0.0
        load_set_A: float | None = None
        if self._has_load:
            load_V = value(load[0])
            if load_V is not None:
                voltages.append(load_V)
            load_A = value(load[1])
            load_on = _as_bool(value(load[2]))
            load_tripped = value(load[4]) or 0.0
            load_restarted = value(load[5]) or 0.0
            load_set_A = value(load[7])
        else:
            load_on = False
        regulated = value(source[3])
        return Observation(
            reading.elapsed_s,
            voltage_V,
            _current(source_A, source_on, zero_source_A, load_A, load_on, zero_load_A),
            value(self._thermometer) if self._thermometer else None,
            value(self._ambient) if self._ambient else None,
            voltages,
            source_A,
            load_A,
            source_on,
            load_on,
            None if regulated is None else int(regulated),
            bool(value(source[4])),
            bool(load_tripped),
            bool(value(source[5]) or load_restarted),
            value(source[6]),
            value(source[7]),
            load_set_A,
            value(source[8]),
            value(source[9]),
        )


def _keys(name: str) -> tuple[str, ...]:
    quantities = (
        "voltage_V", "current_A", "output", "regulated", "tripped", "restarted",
        "voltage_set_V", "current_set_A", "ovp_V", "ocp_A",
    )  # fmt: skip
    return tuple(f"{name}_{quantity}" for quantity in quantities)


def _as_bool(value: float | None) -> bool | None:
    return None if value is None else value != 0.0


def _current(
    source_A: float | None, source_on: bool | None, zero_source_A: float,
    load_A: float | None, load_on: bool | None, zero_load_A: float,
) -> float | None:  # fmt: skip
    """Charge-positive current. An output that reads off carries none; an unknown state or reading makes the current unknown."""
    if source_on is None or load_on is None:
        return None
    total_A = 0.0
    if source_on:
        if source_A is None:
            return None
        total_A += source_A - zero_source_A
    if load_on:
        if load_A is None:
            return None
        total_A -= load_A - zero_load_A
    return total_A
