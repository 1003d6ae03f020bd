"""What each kind of step asks of cell and bench beyond its current and voltage, and ends that are slopes, falls and rises."""

from __future__ import annotations

from chargerd.config.fit import RESOLVED, Fit
from chargerd.config.inputs import uncertainty_on, zeros_of
from chargerd.config.profile import ProfileStep
from chargerd.core.ends import ENDS
from chargerd.core.limits import Limits
from chargerd.core.plan import Resolves
from chargerd.core.program import EndSpec, Step, StepKind
from chargerd.core.trend import WINDOWS, window_s
from chargerd.units import words

PROBE_STEPS = 10.0
"""A probe must be this many of the bench's current steps, or what flows says nothing of what was asked."""
ZERO_ROOM = 3.0
"""With a welded relay the whole current limit flows; it must stand well clear of what may be a zero."""


def check_kind(fit: Fit, written: ProfileStep, step: Step, limits: Limits) -> None:
    """Note what of one step, or part of one, this bench cannot do or see."""
    if step.kind is StepKind.ZERO_CURRENT:
        _check_zero(fit, written, step)
    elif step.kind is StepKind.CONNECTION_CHECK:
        _check_probe(fit, written, step)
    if step.power_W is not None:
        _check_power(fit, written, step, step.power_W)
    if step.resistance_ohm is not None:
        _check_resistance(fit, written, step, step.resistance_ohm)
    if written.ends is not None:
        for end in step.ends:
            _check_change(fit, written, step, end, limits)


def _check_zero(fit: Fit, written: ProfileStep, step: Step) -> None:
    zeros = zeros_of(fit.channel, fit.bench)
    zero_max_A = zeros.source_A if step.sign > 0 else zeros.load_A
    if not fit.channel.switch:
        fit.faults.add(
            written.values.place,
            f"step {written.number}: a zero current needs a relay between the cell and everything else, and channel "
            f"{fit.channel.name} has none",
            "add a relay to the bench and name it with `switch:` in the channel, or delete the step",
        )
    elif step.current_A < ZERO_ROOM * zero_max_A * (1 - 1e-9):
        fit.faults.add(
            written.values.at("current"),
            f"zero_current.current: {words(step.current_A, 'current')} cannot be told from this bench's zero, which may be "
            f"{words(zero_max_A, 'current')}",
            f"write {words(ZERO_ROOM * zero_max_A, 'current')} or more",
        )


def _check_probe(fit: Fit, written: ProfileStep, step: Step) -> None:
    at, source, meter = written.values.at("current"), fit.source(), fit.instrument("voltage")
    assert meter is not None
    least_A = PROBE_STEPS * source.resolution.get("current", 0.0)
    highest_ohm = step.window_ohm[1]
    seen_A = RESOLVED * meter.resolves_difference("voltage") / highest_ohm
    if step.current_A < max(least_A, seen_A) * (1 - 1e-9):
        fit.faults.add(
            at,
            f"connection_check.current: {words(step.current_A, 'current')} is less than this bench can judge a connection by",
            f"write {words(max(least_A, seen_A), 'current')} or more",
        )


def _check_power(fit: Fit, written: ProfileStep, step: Step, power_W: float) -> None:
    """A discharge must be able to keep its power down to its last voltage; a charge must not be too small to be seen."""
    floor_V = step.end("voltage_below")
    at = written.values.at("power")
    said = words(power_W, "power")
    if step.direction < 0 and floor_V is not None and not power_W <= step.current_A * floor_V * (1 + 1e-9):
        fit.faults.add(
            at,
            f"discharge.power: {said} needs {words(power_W / floor_V, 'current')} at {words(floor_V, 'voltage')}, more than the "
            f"step's current {words(step.current_A, 'current')}",
            f"write at most {words(step.current_A * floor_V, 'power')}, or a larger current",
        )
    _check_least(fit, written, step, "power", power_W / fit.cell.limits.voltage_max_V)


def _check_resistance(fit: Fit, written: ProfileStep, step: Step, ohm: float) -> None:
    floor_V = step.end("voltage_below")
    if floor_V is not None:
        _check_least(fit, written, step, "resistance", floor_V / ohm)


def _check_least(fit: Fit, written: ProfileStep, step: Step, key: str, least_A: float) -> None:
    """The smallest current that follows must be one that the bench resolves."""
    spec = fit.instrument("current", step.direction)
    values = written.values
    if spec is not None and least_A < RESOLVED * uncertainty_on(fit.channel, spec, "current", least_A, fit.unproven):
        fit.faults.add(
            values.at(key),
            f"{values.name_of(key)}: {values.given[key].text} comes down to {words(least_A, 'current')}, less than "
            f"3 × what {spec.name} resolves",
            "write a stronger one, or take a better instrument",
        )


def _check_change(fit: Fit, written: ProfileStep, step: Step, end: EndSpec, limits: Limits) -> None:
    """An end that is a difference or a slope: 3 × the uncertainty over its window, and the window within the step."""
    dimension = ENDS[end.kind].dimension
    is_warming = end.kind.startswith("temperature") and end.kind != "temperature_above"
    if end.kind not in WINDOWS and not is_warming:
        return
    assert written.ends is not None
    at, said = written.ends.at(end.kind), f"{end.kind}: {words(end.value, dimension)}"
    quantity = "temperature" if is_warming else "voltage"
    spec = fit.instrument(quantity)
    if spec is None:
        missing = f"{end.kind}: channel {fit.channel.name} has no thermometer"
        fit.faults.add(at, missing, "add one to the bench, or delete this end")
        return
    u = spec.resolves_difference(quantity)
    base = "temperature_difference" if is_warming else "voltage"
    if end.kind in ("voltage_falls_by", "temperature_rise_above") and end.value < RESOLVED * u:
        fit.faults.add(
            at,
            f"{said} is less than 3 × what {spec.name} resolves ({words(float(f'{u:.2g}'), base)})",
            f"use {words(float(f'{RESOLVED * u * 1.05:.2g}'), base)} or a better meter",
        )
    most = {"temperature_rise_above": limits.rise_max_K, "temperature_slope_above": limits.slope_max_K_per_min}.get(end.kind)
    if most is not None and end.value >= most:
        limit = words(most, dimension)
        fit.faults.add(at, f"{said} is not below the limit {limit} that trips", f"write less than {limit}")
    if end.kind in WINDOWS:
        _check_window(fit, written, step, end, said)


def _check_window(fit: Fit, written: ProfileStep, step: Step, end: EndSpec, said: str) -> None:
    assert written.ends is not None
    voltage, temperature = fit.instrument("voltage"), fit.instrument("temperature")
    resolves = Resolves(
        voltage_V=0.0 if voltage is None else voltage.resolves_difference("voltage"),
        temperature_K=0.0 if temperature is None else temperature.resolves_difference("temperature"),
    )
    needs_s, longest_s = window_s(end.kind, end.value, resolves), WINDOWS[end.kind][1]
    needs = words(round(needs_s), "time")
    lasts_s = step.lasts_s or step.end("time") or 0.0
    if needs_s > longest_s:
        fit.faults.add(
            written.ends.at(end.kind),
            f"{said} is seen by this bench over {needs} only, the longest window is {words(longest_s, 'time')}",
            f"write {words(float(f'{end.value * needs_s / longest_s * 1.05:.2g}'), ENDS[end.kind].dimension)} or more, "
            "or take a better meter",
        )
    elif needs_s >= lasts_s:
        fit.faults.add(
            written.ends.at(end.kind),
            f"{said} is judged over {needs}, and the step lasts no longer than {words(lasts_s, 'time')}",
            "write a longer time, or delete this end",
        )
