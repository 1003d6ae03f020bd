"""Detectors of voltage: the cell's, each cell's of a string, and what instruments say of the same one."""

from __future__ import annotations

from chargerd.core.detect.sight import Sight
from chargerd.core.limits import REVERSED_V, Trip

STEP_MARGIN_V = 0.050
STEP_FOR_S = 2.0
"""A charge whose voltage stands 50 mV above its step's limit for 2 s is not being limited: the source is not obeying."""
FLOOR_MARGIN_V = 0.100
"""A discharge that goes this far below its own end was not ended in time."""


def over_voltage(sight: Sight) -> Trip | None:
    """Any voltage above the hard limit; of a string each cell by itself, for the whole may be far below its own."""
    most_V = sight.frozen.limits.voltage_max_V
    for name, voltage_V in sight.seen.taps_V.items():
        if voltage_V is not None and not voltage_V <= most_V:
            return Trip("over-voltage", voltage_V, most_V, name)
    most_V *= max(1, len(sight.seen.taps_V))
    for voltage_V in sight.seen.voltages_V:
        if not voltage_V <= most_V:
            return Trip("over-voltage", voltage_V, most_V)
    return None


def reverse_polarity(sight: Sight) -> Trip | None:
    """Any voltage that only a cell connected the wrong way round, or driven below zero, shows."""
    for name, tap_V in sight.seen.taps_V.items():
        if tap_V is not None and not tap_V >= REVERSED_V:
            return Trip("reverse-polarity", tap_V, REVERSED_V, name)
    for voltage_V in sight.seen.voltages_V:
        if not voltage_V >= REVERSED_V:
            return Trip("reverse-polarity", voltage_V, REVERSED_V)
    return None


def under_voltage(sight: Sight) -> Trip | None:
    """Any voltage below the hard limit of a discharge of the cell."""
    if not sight.discharging or sight.bounds.zero_max_A is not None:
        return None
    least_V = sight.frozen.limits.voltage_min_V
    low_V = next((voltage_V for voltage_V in sight.seen.voltages_V if not voltage_V >= least_V), None)
    return None if low_V is None else Trip("under-voltage", low_V, least_V)


def step_voltage(sight: Sight) -> Trip | None:
    """A charge that stands above its own step's voltage while current flows."""
    seen, bounds, m = sight.seen, sight.bounds, sight.memory
    if not seen.voltages_V or not sight.charging or bounds.voltage_set_V is None:
        return None
    ceiling_V, highest_V = bounds.voltage_set_V + STEP_MARGIN_V, max(seen.voltages_V)
    flows = seen.current_A is None or seen.current_A > sight.frozen.off_A
    if highest_V <= ceiling_V or not flows:
        # Without current it is the cell itself that stands above a lower step: the source drives nothing.
        m.above_step_since_s = None
    elif m.above_step_since_s is None:
        m.above_step_since_s = seen.elapsed_s
    elif seen.elapsed_s - m.above_step_since_s >= STEP_FOR_S:
        return Trip("step-voltage", highest_V, ceiling_V)
    return None


def over_discharge(sight: Sight) -> Trip | None:
    """A discharge that goes on below its own end."""
    seen, bounds, m = sight.seen, sight.bounds, sight.memory
    if seen.voltage_V is None or not sight.discharging or bounds.floor_V is None:
        return None
    floor_V = bounds.floor_V - FLOOR_MARGIN_V
    if seen.voltage_V >= floor_V:
        m.below_floor_since_s = None
    elif m.below_floor_since_s is None:
        m.below_floor_since_s = seen.elapsed_s
    elif seen.elapsed_s - m.below_floor_since_s >= STEP_FOR_S:
        return Trip("over-discharge", seen.voltage_V, floor_V)
    return None


def voltages_differ(sight: Sight) -> Trip | None:
    """A meter at the cell that reads more than the source which charges it, or less than the load which drains it.

    Leads and contacts only ever lose voltage on the way; what they lose is judged by its heat. Three readings running.
    """
    seen, zeros = sight.seen, sight.frozen.zeros
    far_V = seen.source_voltage_V if sight.charging else seen.load_voltage_V if sight.discharging else None
    apart_V = 0.0
    if far_V is not None and seen.voltage_V is not None and zeros.apart_V is not None:
        apart_V = (seen.voltage_V - far_V) * sight.bounds.direction
        apart_V -= zeros.apart_voltage_share * abs(seen.voltage_V)
    known = zeros.apart_V is not None and seen.has_meter
    doubt = known and not apart_V <= (zeros.apart_V or 0.0)
    if sight.confirmed("voltages-differ", doubt=doubt):
        return Trip("voltages-differ", apart_V, zeros.apart_V)
    return None
