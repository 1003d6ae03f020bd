"""One reading, seen as this channel: the cell's voltage, current and temperature, and what each output says of itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from chargerd.core.reading import ChannelInputs, Reading

REGULATED = {0: "off", 1: "cc", 2: "cv", 3: "unregulated"}
"""Meaning of an instrument's `regulated` input, and the words of the `regulated_by` column."""


@dataclass(slots=True)
class Observation:
    """Values usable at this reading; None = missing, never a number.

    `current_A` is charge positive, and exactly zero when both outputs read off. `voltages_V` are all valid voltages of any
    instrument at the cell or on its leads: any one of them may trip. `relay_closed` is what the cell's relay says of itself
    (None also without one), `relay_doubt` the first relay whose second contact contradicts it. `isolated`: the relay is
    open and nobody measures on the cell's side of it, so that there is no voltage to miss. `ammeter_A` is the ammeter's own
    reading and `others_A` what source and load say at the same time; both charge positive, zeros subtracted.
    `source_voltage_V` and `load_voltage_V` are what they measure at their own end of the leads, `has_meter`: who measures the
    cell's voltage is neither of them; `by_resistors`: the load is resistors, which
    hold no current. `taps_V`: of a string, each cell's own voltage by its meter, None where it is missing or too old.
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
    relay_closed: bool | None = None
    relay_doubt: str = ""
    isolated: bool = False
    ammeter_A: float | None = None
    others_A: float | None = None
    source_voltage_V: float | None = None
    by_resistors: bool = False
    taps_V: dict[str, float | None] = field(default_factory=dict)
    load_voltage_V: float | None = None
    load_regulated: int | None = None
    has_meter: bool = False


class Observer:
    """Turns readings into observations for one channel. Keys are built once: this runs at every sample."""

    __slots__ = (
        "_ambient", "_ammeter", "_bank", "_has_load", "_inputs", "_load", "_meter", "_relays", "_source", "_taps", "_thermometer",
    )  # fmt: skip

    def __init__(self, inputs: ChannelInputs) -> None:
        self._inputs = inputs
        self._has_load = bool(inputs.load)
        self._ammeter = f"{inputs.ammeter}_current_A"
        self._bank = [(f"{part.switch}_closed", part.resistance_ohm) for part in inputs.bank]
        names = [name for name in (inputs.switch, *(part.switch for part in inputs.bank)) if name]
        self._relays = [(name, f"{name}_closed", f"{name}_mirror") for name in names]
        self._meter = f"{inputs.meter or inputs.source}_voltage_V"
        self._taps = [(name, f"{name}_voltage_V") for name in inputs.taps]
        self._source = _keys(inputs.source)
        self._load = _keys(inputs.load)
        self._thermometer = f"{inputs.thermometer}_temperature_degC" if inputs.thermometer else ""
        self._ambient = f"{inputs.ambient}_temperature_degC" if inputs.ambient else ""

    def observe(
        self, reading: Reading, age_max_s: float, zero_source_A: float, zero_load_A: float, zero_ammeter_A: float = 0.0
    ) -> Observation:
        """Return what this reading says of the channel; inputs older than `age_max_s` count as missing."""

        def value(key: str) -> float | None:
            item = reading.inputs.get(key)
            return None if item is None else item.usable(age_max_s)

        source = self._source
        voltage_V = value(self._meter)
        source_V = value(source[0])
        voltages = [] if voltage_V is None else [voltage_V]  # also what is not the cell's: too high is too high anywhere
        if source_V is not None and self._meter != source[0]:
            voltages.append(source_V)
        source_A = value(source[1])
        source_on = _as_bool(value(source[2]))
        relay_closed = _as_bool(value(self._relays[0][1])) if self._inputs.switch else None
        if self._inputs.switch and relay_closed is not True and not self._inputs.meter:
            voltage_V = None  # the source's leads end at an open contact: what it reads is not the cell
        load_V, load_A, load_on, load_tripped, load_restarted, load_set_A = self._see_load(value, voltage_V)
        if load_V is not None:
            voltages.append(load_V)
        regulated, load_regulated = value(source[3]), value(self._load[3]) if self._has_load else None
        current_A = others_A = _current(source_A, source_on, zero_source_A, load_A, load_on, zero_load_A)
        ammeter_A = value(self._ammeter) if self._inputs.ammeter else None
        if self._inputs.ammeter:
            ammeter_A = None if ammeter_A is None else ammeter_A - zero_ammeter_A
            is_known = source_on is not None and load_on is not None
            current_A = 0.0 if source_on is False and load_on is False else ammeter_A if is_known else None
        return Observation(
            reading.elapsed_s,
            voltage_V,
            current_A,
            value(self._thermometer) if self._thermometer else None,
            value(self._ambient) if self._ambient else None,
            voltages,
            source_A,
            load_A,
            source_on,
            load_on,
            None if regulated is None else int(regulated),
            bool(value(source[4])),
            load_tripped,
            bool(value(source[5])) or load_restarted,
            value(source[6]),
            value(source[7]),
            load_set_A,
            value(source[8]),
            value(source[9]),
            relay_closed,
            next((name for name, closed, mirror in self._relays if _contradict(value(closed), value(mirror))), ""),
            bool(self._inputs.switch) and relay_closed is False and not self._inputs.meter,
            ammeter_A,
            others_A,
            source_V,
            bool(self._bank),
            {name: value(key) for name, key in self._taps},
            load_V,
            None if load_regulated is None else int(load_regulated),
            bool(self._inputs.meter),
        )


    def _see_load(
        self, value: Callable[[str], float | None], voltage_V: float | None
    ) -> tuple[float | None, float | None, bool | None, bool, bool, float | None]:
        """Return what the load says: voltage, current, on, tripped, restarted, set-point. Without a load nothing is on."""
        if self._has_load:
            load = self._load
            return (
                value(load[0]), value(load[1]), _as_bool(value(load[2])),
                bool(value(load[4])), bool(value(load[5])), value(load[7]),
            )  # fmt: skip
        if not self._bank:
            return None, None, False, False, False, None
        load_on, load_A = _of_bank([(_as_bool(value(key)), ohm) for key, ohm in self._bank], voltage_V)
        return None, load_A, load_on, False, False, None


def _keys(name: str) -> tuple[str, ...]:
    quantities = (
        "voltage_V", "current_A", "output", "regulated", "tripped", "restarted",
        "voltage_set_V", "current_set_A", "ovp_V", "ocp_A",
    )  # fmt: skip
    return tuple(f"{name}_{quantity}" for quantity in quantities)


def _as_bool(value: float | None) -> bool | None:
    return None if value is None else value != 0.0


def _contradict(closed: float | None, mirror: float | None) -> bool:
    return closed is not None and mirror is not None and (closed != 0.0) != (mirror != 0.0)


def _of_bank(parts: list[tuple[bool | None, float]], voltage_V: float | None) -> tuple[bool | None, float | None]:
    """What a load of switched resistors does: on when any contact is closed, and then the cell's voltage over each of them.

    One closed contact is enough to be on; off needs all of them known to be open.
    """
    if any(closed for closed, _ in parts):
        unknown = voltage_V is None or any(closed is None for closed, _ in parts)
        return True, None if unknown or voltage_V is None else sum(voltage_V / ohm for closed, ohm in parts if closed)
    return (None, None) if any(closed is None for closed, _ in parts) else (False, 0.0)


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


def missing_inputs(seen: Observation, *, has_thermometer: bool, has_relay: bool = False) -> list[str]:
    """Return the names of what supervision needs and this reading lacks."""
    missing = []
    if seen.voltage_V is None and not seen.isolated:
        missing.append("voltage")
    if seen.current_A is None:
        missing.append("current")
    if has_thermometer and seen.temperature_degC is None:
        missing.append("temperature")
    if seen.source_on is None:
        missing.append("source state")
    if seen.load_on is None:
        missing.append("load state")
    if has_relay and seen.relay_closed is None:
        missing.append("relay state")
    return missing + [name for name, voltage_V in seen.taps_V.items() if voltage_V is None]
