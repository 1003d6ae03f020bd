"""Detectors of the cell's temperature. Not active on a channel without a thermometer."""

from __future__ import annotations

from chargerd.core.detect.sight import Sight
from chargerd.core.limits import Trip

SLOPE_WINDOW_S = 180.0
SLOPE_POINT_EVERY_S = 15.0
"""Heating is judged over 3 min on points 15 s apart: shorter is noise, longer is late."""


def over_temperature(sight: Sight) -> Trip | None:
    """The cell is hotter than its limit."""
    value_degC, most_degC = sight.seen.temperature_degC, sight.frozen.limits.temperature_max_degC
    if value_degC is None or value_degC <= most_degC:
        return None
    return Trip("over-temperature", value_degC, most_degC)


def too_cold(sight: Sight) -> Trip | None:
    """The cell is colder than its limit. The engine makes a pause of this, for cold harms nothing that is off."""
    value_degC, least_degC = sight.seen.temperature_degC, sight.frozen.limits.temperature_min_degC
    if value_degC is None or value_degC >= least_degC:
        return None
    return Trip("too-cold", value_degC, least_degC)


def temperature_rise(sight: Sight) -> Trip | None:
    """The cell has warmed too far above the room; without a thermometer there, above its own first temperature."""
    seen, m, most_K = sight.seen, sight.memory, sight.frozen.limits.rise_max_K
    if seen.temperature_degC is None:
        return None
    if m.start_degC is None:
        m.start_degC = seen.temperature_degC
    rise_K = seen.temperature_degC - (m.start_degC if seen.ambient_degC is None else seen.ambient_degC)
    return None if rise_K <= most_K else Trip("temperature-rise", rise_K, most_K)


def heating_too_fast(sight: Sight) -> Trip | None:
    """The cell warms faster than its limit over the last three minutes."""
    m, elapsed_s, value_degC = sight.memory, sight.seen.elapsed_s, sight.seen.temperature_degC
    if value_degC is None or (m.slope_s and elapsed_s - m.slope_s[-1] < SLOPE_POINT_EVERY_S):
        return None
    # The oldest point kept is the youngest that is a whole window old, however far apart the readings come.
    while len(m.slope_s) > 1 and elapsed_s - m.slope_s[1] >= SLOPE_WINDOW_S:
        del m.slope_s[0], m.slope_degC[0]
    trip, most = None, sight.frozen.limits.slope_max_K_per_min
    if m.slope_s and elapsed_s - m.slope_s[0] >= SLOPE_WINDOW_S:
        slope_K_per_min = (value_degC - m.slope_degC[0]) * 60.0 / (elapsed_s - m.slope_s[0])
        if not slope_K_per_min < most:
            trip = Trip("heating-too-fast", slope_K_per_min, most)
    m.slope_s.append(elapsed_s)
    m.slope_degC.append(value_degC)
    return trip
