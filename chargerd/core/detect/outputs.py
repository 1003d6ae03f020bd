"""Detectors of what outputs and relays say of themselves, against what was done to them last."""

from __future__ import annotations

from chargerd.core.detect.sight import Sight
from chargerd.core.limits import SET_POINT_FLOOR_A, Trip

UNREGULATED = 3
"""What `observation.REGULATED` calls an output in a mode that is not asked of it."""
SET_POINT_TOLERANCE_V = 0.010
LEVEL_TOLERANCE = 0.05
"""A protection level read back this far (V or A) from what was written has been changed."""


def source_and_load_on(sight: Sight) -> Trip | None:
    """Both outputs at once: one feeds the other."""
    return Trip("source-and-load-on", None, None) if sight.seen.source_on and sight.seen.load_on else None


def source_found_on(sight: Sight) -> Trip | None:
    """A source that is on although nobody wants it on."""
    return Trip("source-found-on", None, None) if sight.seen.source_on and not sight.charging else None


def load_found_on(sight: Sight) -> Trip | None:
    """A load that is on although nobody wants it on."""
    return Trip("load-found-on", None, None) if sight.seen.load_on and not sight.discharging else None


def load_found_off(sight: Sight) -> Trip | None:
    """A load that has gone off by itself."""
    return Trip("load-found-off", None, None) if sight.discharging and sight.seen.load_on is False else None


def load_mode_changed(sight: Sight) -> Trip | None:
    """A load that draws in another way than with a constant current."""
    found = sight.discharging and sight.seen.load_on and sight.seen.load_regulated == UNREGULATED
    return Trip("load-mode-changed", None, None) if found else None


def instrument_protection(sight: Sight) -> Trip | None:
    """An instrument's own protection has acted."""
    seen = sight.seen
    if not (seen.source_tripped or seen.load_tripped):
        return None
    return Trip("instrument-protection", None, None, "source" if seen.source_tripped else "load")


def instrument_restarted(sight: Sight) -> Trip | None:
    """An instrument lost power: nothing that was written to it holds any more."""
    return Trip("instrument-restarted", None, None) if sight.seen.restarted else None


def set_point_changed(sight: Sight) -> Trip | None:
    """A set-point of a live output that is not what was written."""
    seen, bounds = sight.seen, sight.bounds
    if not sight.live or sight.raise_waits:
        return None
    tolerance_A = max(SET_POINT_FLOOR_A, 0.02 * bounds.current_set_A)
    if bounds.direction > 0:
        if _differs(seen.source_voltage_set_V, bounds.voltage_set_V, SET_POINT_TOLERANCE_V):
            return Trip("set-point-changed", seen.source_voltage_set_V, bounds.voltage_set_V, "source voltage")
        if _differs(seen.source_current_set_A, bounds.current_set_A, tolerance_A):
            return Trip("set-point-changed", seen.source_current_set_A, bounds.current_set_A, "source current")
    elif _differs(seen.load_current_set_A, bounds.current_set_A, tolerance_A):
        return Trip("set-point-changed", seen.load_current_set_A, bounds.current_set_A, "load current")
    return None


def protection_level_changed(sight: Sight) -> Trip | None:
    """A protection level inside the source that is not what was written."""
    seen, frozen = sight.seen, sight.frozen
    if not sight.live or frozen.ovp_V is None:
        return None  # nothing ever charges in this run: the source's levels were not written
    if _differs(seen.ovp_V, frozen.ovp_V, LEVEL_TOLERANCE):
        return Trip("protection-level-changed", seen.ovp_V, frozen.ovp_V, "over-voltage protection")
    if _differs(seen.ocp_A, frozen.ocp_A, LEVEL_TOLERANCE):
        return Trip("protection-level-changed", seen.ocp_A, frozen.ocp_A, "over-current protection")
    return None


def relay_contradicts(sight: Sight) -> Trip | None:
    """A relay whose second contact says otherwise."""
    doubt = sight.seen.relay_doubt
    return Trip("relay-contradicts", None, None, doubt) if doubt else None


def relay_found_closed(sight: Sight) -> Trip | None:
    """The cell's relay is closed although it was opened. A state that is not known is judged as missing, not here."""
    found = sight.connected is False and sight.seen.relay_closed is True
    return Trip("relay-found-closed", None, None) if found else None


def relay_found_open(sight: Sight) -> Trip | None:
    """The cell's relay is open although it was closed."""
    found = sight.connected is True and sight.seen.relay_closed is False
    return Trip("relay-found-open", None, None) if found else None


def _differs(read: float | None, written: float | None, tolerance: float) -> bool:
    """A read-back that was not asked at this reading (None) says nothing; one that was must agree."""
    return read is not None and written is not None and not abs(read - written) <= tolerance
