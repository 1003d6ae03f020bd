"""Detectors of current: too much, the wrong way, where none may be, and instruments that do not agree about it."""

from __future__ import annotations

from chargerd.core.detect.sight import Sight
from chargerd.core.limits import SET_POINT_FLOOR_A, Trip

SET_POINT_SHARE = 0.10
"""Current above its set-point by a tenth and 10 mA is not being limited."""
CONTACT_HEAT_W = 0.25
"""Heat in clips and contacts, beyond what the leads are written to have, at which 2 g of copper alloy get hot in minutes."""


def current_while_off(sight: Sight) -> Trip | None:
    """A current through something that says it is off."""
    seen, off_A, zeros = sight.seen, sight.frozen.off_A, sight.frozen.zeros
    all_off = seen.source_on is False and seen.load_on is False
    for raw_A, is_on, zero_A, name in (
        (seen.source_current_A, seen.source_on, max(off_A, zeros.source_A), "source"),
        (seen.load_current_A, seen.load_on, max(off_A, zeros.load_A), "load"),
        (seen.ammeter_A, not all_off, max(off_A, zeros.ammeter_A), "ammeter"),
    ):
        if is_on is False and raw_A is not None and not abs(raw_A) <= zero_A:
            return Trip("current-while-off", raw_A, zero_A, name)
    return None


def over_current(sight: Sight) -> Trip | None:
    """A current above the hard limit, by any instrument: while one is mute the channel's is not known, the other's still is."""
    seen, limits = sight.seen, sight.frozen.limits
    for raw_A, most_A, name in (
        (seen.source_current_A, limits.charge_current_max_A, "source"),
        (seen.load_current_A, limits.discharge_current_max_A, "load"),
    ):
        if raw_A is not None and not abs(raw_A) <= most_A:
            return Trip("over-current", raw_A, most_A, name)
    for signed_A in (seen.ammeter_A, seen.current_A):
        if signed_A is None:
            continue
        if not signed_A <= limits.charge_current_max_A:
            return Trip("over-current", signed_A, limits.charge_current_max_A)
        if not -signed_A <= limits.discharge_current_max_A:
            return Trip("over-current", -signed_A, limits.discharge_current_max_A)
    return None


def current_while_isolated(sight: Sight) -> Trip | None:
    """A current although the relay to the cell is open."""
    current_A, zero_max_A = _driven_A(sight), sight.bounds.zero_max_A
    if current_A is None or zero_max_A is None:
        return None
    # A zero that was measured before is subtracted already, hence twice: from the one end of the band to the other.
    most_A = 2.0 * zero_max_A
    return None if abs(current_A) <= most_A else Trip("current-while-isolated", current_A, most_A)


def current_direction(sight: Sight) -> Trip | None:
    """A current against the direction of the step."""
    current_A = _driven_A(sight)
    if current_A is None or sight.bounds.zero_max_A is not None:
        return None
    along_A = current_A * sight.bounds.direction
    if not along_A >= -max(sight.frozen.off_A, sight.bounds.slack_A):
        return Trip("current-direction", current_A, 0.0)
    return None


def current_above_set_point(sight: Sight) -> Trip | None:
    """A current above what was set."""
    current_A, bounds, frozen = _driven_A(sight), sight.bounds, sight.frozen
    if current_A is None or bounds.zero_max_A is not None:
        return None
    slack_A = max(SET_POINT_FLOOR_A, 5.0 * frozen.current_u_A, bounds.slack_A)
    ceiling_A = bounds.current_set_A * (1.0 + SET_POINT_SHARE) + slack_A
    along_A = current_A * bounds.direction
    return None if along_A <= ceiling_A else Trip("current-above-set-point", along_A, ceiling_A)


def _driven_A(sight: Sight) -> float | None:
    """The current of a live output, None when nothing is live or it is not known."""
    return sight.seen.current_A if sight.live and sight.bounds.direction else None


def currents_differ(sight: Sight) -> Trip | None:
    """An ammeter that does not agree with source and load, at three readings running."""
    seen, zeros = sight.seen, sight.frozen.zeros
    apart_A = most_A = 0.0
    if sight.live and seen.ammeter_A is not None and seen.others_A is not None:
        most_A = zeros.apart_A + zeros.apart_share * abs(seen.ammeter_A)
        apart_A = seen.ammeter_A - seen.others_A
    if sight.confirmed("currents-differ", doubt=not abs(apart_A) <= most_A):
        return Trip("currents-differ", apart_A, most_A)
    return None


def hot_contact(sight: Sight) -> Trip | None:
    """What is lost between the source's terminals and a meter at the cell: a loose clip or a worn contact gets hot."""
    seen, lost_W = sight.seen, 0.0
    source_V, cell_V, current_A = seen.source_voltage_V, seen.voltage_V, seen.current_A
    if sight.charging and source_V is not None and cell_V is not None and current_A is not None:
        lost_W = (source_V - cell_V - sight.frozen.zeros.lead_ohm * current_A) * current_A
    if sight.confirmed("hot-contact", doubt=not lost_W <= CONTACT_HEAT_W):
        return Trip("hot-contact", lost_W, CONTACT_HEAT_W)
    return None
