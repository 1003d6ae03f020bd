"""Thermocouples K and T after ITS-90 (NIST Monograph 175 = IEC 60584-1): reference functions, inverted numerically.

A thermocouple measures the difference of two junctions: the *voltages* of cold junction and meter add, never the temperatures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

_K_BELOW = (
    0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08, -0.675090591730e-10,
    -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
)  # fmt: skip
_K_ABOVE = (
    -0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07, 0.318409457190e-09,
    -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
)  # fmt: skip
_K_HUMP = (0.118597600000, -0.118343200000e-03, 126.9686)
"""a0·exp(a1·(t − a2)²), type K above 0 °C only."""
_T_BELOW = (
    0.0, 0.387481063640e-01, 0.441944343470e-04, 0.118443231050e-06, 0.200329735540e-07, 0.901380195590e-09,
    0.226511565930e-10, 0.360711542050e-12, 0.384939398830e-14, 0.282135219250e-16, 0.142515947790e-18, 0.487686622860e-21,
    0.107955392700e-23, 0.139450270620e-26, 0.797951539270e-30,
)  # fmt: skip
_T_ABOVE = (
    0.0, 0.387481063640e-01, 0.332922278800e-04, 0.206182434040e-06, -0.218822568460e-08, 0.109968809280e-10,
    -0.308157587720e-13, 0.454791352900e-16, -0.275129016730e-19,
)  # fmt: skip

LOWEST_degC = -270.0
HIGHEST_degC: Mapping[str, float] = {"K": 1372.0, "T": 400.0}
_EXACT_K = 1e-6
"""Bisection ends within this: far below any meter, and 0.002 K is asked of an inverse."""


def emf_mV(kind: str, temperature_degC: float) -> float:
    """Return the voltage against a reference junction at 0 °C. Raises ValueError outside the reference function."""
    t = temperature_degC
    if not LOWEST_degC <= t <= HIGHEST_degC[kind]:
        raise ValueError(f"{t} °C is outside type {kind}'s {LOWEST_degC:g} to {HIGHEST_degC[kind]:g} °C")
    below, above = (_K_BELOW, _K_ABOVE) if kind == "K" else (_T_BELOW, _T_ABOVE)
    coefficients = below if t < 0.0 else above
    value = 0.0
    for coefficient in reversed(coefficients):
        value = value * t + coefficient
    if kind == "K" and t >= 0.0:
        a0, a1, a2 = _K_HUMP
        value += a0 * math.exp(a1 * (t - a2) ** 2)
    return value


def temperature_degC(kind: str, measured_mV: float, cold_junction_degC: float) -> float:
    """Return the hot junction's temperature. Raises ValueError outside the reference function."""
    wanted_mV = measured_mV + emf_mV(kind, cold_junction_degC)
    low, high = LOWEST_degC, HIGHEST_degC[kind]
    if not emf_mV(kind, low) <= wanted_mV <= emf_mV(kind, high):
        raise ValueError(f"{measured_mV} mV is outside type {kind}")
    while high - low > _EXACT_K:
        middle = 0.5 * (low + high)
        if emf_mV(kind, middle) < wanted_mV:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
