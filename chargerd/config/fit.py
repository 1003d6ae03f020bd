"""Whether a profile, a cell and a bench fit together. Every misfit is noted, naming both places where two numbers disagree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from chargerd.config.bench import BenchFile, ChannelSpec, InstrumentSpec
from chargerd.config.cell import CellFile
from chargerd.config.inputs import uncertainty_on
from chargerd.config.marked import Faults
from chargerd.config.profile import ProfileFile, ProfileStep
from chargerd.config.safety_time import AIR_m3_per_h_per_A, OPENINGS_cm2_per_m3_per_h, SafetyTime, hang_s, reaction
from chargerd.config.tables import Values
from chargerd.core.ends import ENDS
from chargerd.core.limits import Limits
from chargerd.core.program import Step
from chargerd.core.trend import WINDOWS
from chargerd.errors import Place
from chargerd.units import brief, words

RESOLVED = 3.0
"""An end or limit must be this many standard uncertainties wide, or the bench would decide by its own noise."""

_LOWER, _UPPER = -1.0, 1.0
LIMIT_ROWS: Mapping[str, tuple[str, float, str]] = {
    "voltage_max": ("voltage_max_V", _UPPER, "voltage"),
    "voltage_min": ("voltage_min_V", _LOWER, "voltage"),
    "charge_current": ("charge_current_max_A", _UPPER, "current"),
    "discharge_current": ("discharge_current_max_A", _UPPER, "current"),
    "temperature_max": ("temperature_max_degC", _UPPER, "temperature"),
    "temperature_min": ("temperature_min_degC", _LOWER, "temperature"),
    "rise": ("rise_max_K", _UPPER, "temperature_difference"),
}
"""Key → field of core.limits.Limits, which side it bounds, its dimension."""

_BENCH_LIMITS = {
    "voltage_max": ("voltage", "voltage_max_V"),
    "charge_current": ("charge_current", "charge_current_max_A"),
    "discharge_current": ("discharge_current", "discharge_current_max_A"),
    "temperature_max": ("temperature", "temperature_max_degC"),
}


def short(place: Place) -> str:
    """Return a place as other messages name it: file name and line."""
    return f"{Path(place.path).name}:{place.line}"


@dataclass(slots=True)
class Fit:
    """The three files, the channel, the limits that follow, and everything that does not fit.

    `unproven`: the instrument whose zero is supposed to prove nothing. `proven`: what a commissioning record that counts says.
    """

    profile: ProfileFile
    cell: CellFile
    bench: BenchFile
    channel: ChannelSpec
    faults: Faults = field(default_factory=Faults)
    unproven: str = ""
    proven: frozenset[str] = frozenset()

    def source(self) -> InstrumentSpec:
        """Return the supply."""
        return self.bench.instruments[self.channel.source]

    def instrument(self, quantity: str, direction: int = 1) -> InstrumentSpec | None:
        """Return who measures that quantity while the source (direction +1) or the load (-1) is on.

        None also where resistors without a shunt set the current.
        """
        name = {
            "voltage": self.channel.meter or self.channel.source,
            "temperature": self.channel.thermometer,
            "current": self.channel.ammeter or (self.channel.load if direction < 0 else self.channel.source),
        }[quantity]
        return self.bench.instruments.get(name)

    def carrier(self, direction: int) -> InstrumentSpec | None:
        """Return what the current flows through: the source (+1) or the load (-1), None for a bank of resistors."""
        return self.bench.instruments.get(self.channel.load if direction < 0 else self.channel.source)

    def absolute(self, values: Values, key: str) -> float | None:
        """Return a value of the profile for this cell, None when it is not there or a word."""
        quantity = values.quantity(key)
        return None if quantity is None else quantity.absolute(self.cell.rated_Ah)


def effective_limits(fit: Fit) -> tuple[Limits, dict[str, Place]]:
    """Return the tightest of profile, cell and bench, and where each stands. A looser one is a fault: it was meant."""
    numbers: dict[str, float] = {}
    places: dict[str, Place] = {}
    for key, (name, side, dimension) in LIMIT_ROWS.items():
        number, place = float(getattr(fit.cell.limits, name)), fit.cell.places[key]
        if key in _BENCH_LIMITS:
            bench_key, bench_name = _BENCH_LIMITS[key]
            of_bench = float(getattr(fit.bench.limits, bench_name))
            if number > of_bench:
                fit.faults.add(
                    place,
                    f"limits.{key}: {words(number, dimension)} is above this bench's limit "
                    f"{words(of_bench, dimension)} ({short(fit.bench.places[bench_key])})",
                    f"write at most {words(of_bench, dimension)}",
                )
                number, place = of_bench, fit.bench.places[bench_key]
        own = fit.profile.limits
        tighter = fit.absolute(own, key) if own is not None else None
        if own is not None and tighter is not None:
            if (tighter - number) * side > 0:
                fit.faults.add(
                    own.at(key),
                    f"limits.{key}: {words(tighter, dimension)} is {'above' if side > 0 else 'below'} this "
                    f"cell's limit {words(number, dimension)} ({short(place)})",
                    "a profile may only be tighter",
                )
            else:
                number, place = tighter, own.at(key)
        numbers[name], places[key] = number, place
    return Limits(**numbers), places


def check_step(fit: Fit, written: ProfileStep, step: Step, limits: Limits, places: Mapping[str, Place]) -> None:
    """Note what of one step the cell may not bear or the bench cannot do or see."""
    if not step.direction or (step.isolated and not fit.channel.switch):
        return
    if fit.channel.taps:
        fit.faults.add(
            written.values.place,
            f"step {step.number}: channel {fit.channel.name} is a string, and this version charges and discharges single cells",
            "read the string with rests, or take the taps out of the channel for one cell",
        )
        return
    if step.direction < 0 and not fit.channel.load:
        fit.faults.add(
            written.values.place,
            f"step {step.number}: a discharge needs a load, and channel {fit.channel.name} has none",
            "add a load to the bench, or take a profile without a discharge; stored: not tested",
        )
        return
    _check_current(fit, written, step, limits, places)
    if step.voltage_V is not None:
        check_voltage(fit, written.values, "voltage", step.voltage_V, limits, places)
    for end in step.ends:
        if end.kind in WINDOWS:
            continue  # a difference, in which offsets cancel: judged by fit_kinds
        _check_end(fit, written, step, end.kind, end.value)
        if ENDS[end.kind].dimension in {"voltage", "temperature"}:
            _check_end_limit(fit, written, end.kind, end.value, limits, places)


def _check_current(fit: Fit, written: ProfileStep, step: Step, limits: Limits, places: Mapping[str, Place]) -> None:
    values, name = written.values, written.values.name_of("current")
    said = words(step.current_A, "current")
    key = "charge_current" if step.direction > 0 else "discharge_current"
    limit_A = float(getattr(limits, LIMIT_ROWS[key][0]))
    at = values.at("current")
    if step.current_A > limit_A:
        fit.faults.add(
            at,
            f"{name}: {said} is above this cell's limit {words(limit_A, 'current')} ({short(places[key])})",
            f"write at most {words(limit_A, 'current')}",
        )
    spec = fit.carrier(step.direction)
    if spec is not None and spec.current_max_A is not None and step.current_A > spec.current_max_A:
        fit.faults.add(
            at,
            f"{name}: {said} is more than {spec.name} can do ({words(spec.current_max_A, 'current')}, {short(spec.place)})",
            "write less, or take a larger instrument",
        )
    fuse_A = fit.bench.wiring.fuse_A
    if 1.25 * step.current_A > fuse_A * (1 + 1e-9):
        fit.faults.add(
            at,
            f"{name}: {said} is too much for the fuse {words(fuse_A, 'current')} ({short(fit.bench.places['fuse'])})",
            f"write less, or fit a fuse of {words(1.25 * step.current_A, 'current')} or a little more and write it there",
        )
    meter = fit.instrument("current", step.direction)
    if meter is not None:
        _resolved(fit, at, name, step.current_A, meter, "current")


def check_voltage(fit: Fit, values: Values, key: str, voltage_V: float, limits: Limits, places: Mapping[str, Place]) -> None:
    """Note a charging voltage above the hard limit, too close under it, or above what this cell may see unattended."""
    at, name, said = values.at(key), values.name_of(key), words(voltage_V, "voltage")
    limit_V, spec = limits.voltage_max_V, fit.instrument("voltage")
    room_V = RESOLVED * spec.uncertainty("voltage", voltage_V) if spec is not None else 0.0
    if voltage_V > limit_V:
        fit.faults.add(
            at,
            f"{name}: {said} is above this cell's limit {words(limit_V, 'voltage')} ({short(places['voltage_max'])})",
            f"write at most {words(limit_V - room_V, 'voltage')}",
        )
    elif voltage_V + room_V > limit_V:
        fit.faults.add(
            at,
            f"{name}: {said} leaves no room under the limit {words(limit_V, 'voltage')} "
            f"({short(places['voltage_max'])}) for what the bench resolves",
            f"write at most {words(limit_V - room_V, 'voltage')}",
        )
    if voltage_V > fit.cell.top_charging_V + 1e-9 and not fit.profile.attended:
        why = (
            f"50 mV under its gassing threshold, {short(fit.cell.places['threshold'])}"
            if fit.cell.gassing.measured
            else "its gassing threshold is unmeasured"
        )
        fit.faults.add(
            at,
            f"{name}: {said} is above this cell's top charging voltage {words(fit.cell.top_charging_V, 'voltage')} ({why})",
            "write top_charging_voltage or less, measure the threshold, or stay with it and write attended: yes",
        )
    rating_V = fit.source().voltage_max_V
    if rating_V is not None and voltage_V > rating_V:
        fit.faults.add(at, f"{name}: {said} is more than {fit.channel.source} can give", "take a larger supply")


def _resolved(fit: Fit, at: Place, name: str, value: float, spec: InstrumentSpec, quantity: str) -> None:
    uncertainty = uncertainty_on(fit.channel, spec, quantity, value, fit.unproven)
    if abs(value) < RESOLVED * uncertainty:
        fit.faults.add(
            at,
            f"{name}: {words(value, quantity)} is less than 3 × what {spec.name} resolves "
            f"({brief(uncertainty, quantity, 2)})",
            f"use {brief(RESOLVED * uncertainty * 1.05, quantity, 2)} or a better meter",
        )


def _check_end(fit: Fit, written: ProfileStep, step: Step, key: str, value: float) -> None:
    """Note an end the bench cannot see, or that is reached at once."""
    ends, quantity = written.ends, ENDS[key].dimension
    assert ends is not None
    if quantity in {"current", "voltage", "temperature"}:
        spec = fit.instrument(quantity, step.direction)
        if spec is None and quantity == "temperature":
            fit.faults.add(
                ends.at(key), f"{key}: channel {fit.channel.name} has no thermometer", "add one to the bench, or delete this end"
            )
        elif spec is not None and quantity != "temperature":
            _resolved(fit, ends.at(key), key, value, spec, quantity)
    if key == "current_below" and value >= step.current_A:
        fit.faults.add(
            ends.at(key),
            f"{key}: {words(value, 'current')} is not below the step's current {words(step.current_A, 'current')}",
            "write a smaller current",
        )
    load = fit.bench.instruments.get(fit.channel.load)
    if key == "voltage_below" and load is not None and value < load.minimum_voltage_V:
        fit.faults.add(
            ends.at(key),
            f"{key}: {words(value, 'voltage')} is lower than {load.name} can go "
            f"({words(load.minimum_voltage_V, 'voltage')}, {short(load.place)})",
            f"write at least {words(load.minimum_voltage_V, 'voltage')}; the capacity's window is cut to it",
        )


def _check_end_limit(fit: Fit, written: ProfileStep, key: str, value: float, limits: Limits, places: Mapping[str, Place]) -> None:
    """An end at or beyond a hard limit would be a trip, never an end."""
    ends, dimension = written.ends, ENDS[key].dimension
    assert ends is not None
    spec = fit.instrument(dimension)
    room = RESOLVED * spec.uncertainty(dimension, value) if spec is not None else 0.0
    limit_key = "temperature_max" if dimension == "temperature" else "voltage_min" if key == "voltage_below" else "voltage_max"
    name, side, _ = LIMIT_ROWS[limit_key]
    limit = float(getattr(limits, name))
    if (value - limit) * side + room > 0:
        most = words(_two_decimals(limit - side * room), dimension)
        fit.faults.add(
            ends.at(key),
            f"{key}: {words(value, dimension)} is too close to this cell's limit {words(limit, dimension)} "
            f"({short(places[limit_key])})",
            f"write {most} or {'less' if side > 0 else 'more'}",
        )


def _two_decimals(value: float) -> float:
    return round(value, 2)


def check_air(fit: Fit, steps: Iterable[Step]) -> None:
    """Note openings too small for the gas of the largest charge current: 0.05 m³/h of air for each ampere (IEC 62485-2)."""
    air = fit.bench.ventilation
    largest_A = max((step.current_A for step in steps if step.direction > 0 and not step.isolated), default=0.0)
    needed_cm2 = OPENINGS_cm2_per_m3_per_h * AIR_m3_per_h_per_A * largest_A
    if not air.outdoors and air.openings_cm2 < needed_cm2:
        fit.faults.add(
            fit.bench.places["ventilation"],
            f"ventilation: openings of {air.openings_cm2:.3g} cm2 are too small for {words(largest_A, 'current')}, all of "
            "which may make hydrogen",
            f"open at least {needed_cm2:.2g} cm2 above and below, and write it; or charge outdoors",
        )


def check_rise(fit: Fit, limits: Limits, places: Mapping[str, Place]) -> None:
    """Note a rise limit that the thermometer cannot see."""
    spec = fit.instrument("temperature")
    if spec is not None:
        both_K = 2**0.5 * spec.uncertainty("temperature", 0.0)
        if limits.rise_max_K < RESOLVED * both_K:
            fit.faults.add(
                places["rise"],
                f"limits.rise: {words(limits.rise_max_K, 'temperature_difference')} is less than 3 × what "
                f"{spec.name} resolves ({both_K:.2g} K)",
                f"use {RESOLVED * both_K:.2g} K or a better thermometer",
            )


def check_sampling(fit: Fit, written: ProfileStep, step: Step, time: SafetyTime, missed_max: int, current_A: float) -> None:
    """Note a step that is sampled too slowly for what its current can heat, or whose current is too large to be left alone."""
    act, half_s, values = reaction(fit.bench, fit.channel), time.half_s, written.values
    limit = f"half of the time until {time.first} at {words(current_A, 'current')} is {brief(half_s, 'time', 2)}"
    slowest_s = act.slowest_sampling_s(half_s, missed_max)
    if step.sample_every_s > slowest_s:
        took = act.worst_s(step.sample_every_s, missed_max)
        what = f"{values.name_of('sample_every')}: every {words(step.sample_every_s, 'time')} is too slow"
        remedy = (
            f"write {words(float(int(slowest_s * 2)) / 2, 'time')} or less"
            if slowest_s >= 0.5
            else "write a smaller current, or clips and instruments that react faster"
        )
        fit.faults.add(
            values.at("sample_every"),
            f"{what}: readings then switch off within {brief(took, 'time', 2)}, {limit}",
            remedy,
        )
    guard_s, guard = hang_s(fit.bench, fit.channel, dead_man_proven="dead-man" in fit.proven)
    if not fit.profile.attended and guard_s > half_s:
        fit.faults.add(
            values.at("current"),
            f"{values.name_of('current')}: when the program hangs, {guard} switches off within {words(guard_s, 'time')}, {limit}",
            "write a smaller current, or stay with it and write attended: yes",
        )
