"""Platinum resistance thermometers after IEC 60751 (Ed. 3:2022).

R(t) = R0·[1 + A·t + B·t² + C·(t − 100)·t³], the last term only below 0 °C.
"""

from __future__ import annotations

import math

A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Coefficients of IEC 60751, 5.2, in 1/°C, 1/°C² and 1/°C⁴."""

LOWEST_degC, HIGHEST_degC = -200.0, 850.0
"""Where the formula holds."""


def ratio(temperature_degC: float) -> float:
    """Return R(t)/R0. Raises ValueError outside −200 to 850 °C."""
    t = temperature_degC
    if not LOWEST_degC <= t <= HIGHEST_degC:
        raise ValueError(f"{t} °C is outside {LOWEST_degC:g} to {HIGHEST_degC:g} °C")
    below = C * (t - 100.0) * t**3 if t < 0.0 else 0.0
    return 1.0 + A * t + B * t * t + below


def temperature_degC(resistance_ohm: float, zero_ohm: float) -> float:
    """Return the temperature of a sensor of `zero_ohm` at 0 °C. Raises ValueError outside −200 to 850 °C.

    Above 0 °C in closed form; below, Newton on the fourth-degree form (the quadratic alone is 2.4 K wrong at −200 °C).
    """
    wanted = resistance_ohm / zero_ohm
    if not ratio(LOWEST_degC) - 1e-9 <= wanted <= ratio(HIGHEST_degC) + 1e-9:
        raise ValueError(f"{resistance_ohm} ohm is outside the range of this sensor")
    t = (-A + math.sqrt(A * A - 4.0 * B * (1.0 - wanted))) / (2.0 * B)
    if wanted >= 1.0:
        return t
    for _ in range(8):
        value = 1.0 + A * t + B * t * t + C * (t - 100.0) * t**3
        slope = A + 2.0 * B * t + C * (4.0 * t**3 - 300.0 * t * t)
        t -= (value - wanted) / slope
    return t
