"""What a sensor shows at a temperature: platinum, thermocouples K and T, thermistors. Forward only, and the drivers' own apart.

Platinum after IEC 60751:2022 (the curve of 1995 and later), thermocouples after ITS-90 (NIST Monograph 175, the same as
IEC 60584-1), thermistors after Steinhart and Hart (1968) or by the B equation of IEC 60539.
"""

from __future__ import annotations

from math import cbrt, exp, sqrt

ZERO_DEGC_K, NOMINAL_K = 273.15, 298.15

PLATINUM_A, PLATINUM_B, PLATINUM_C = 3.9083e-3, -5.775e-7, -4.183e-12

TYPE_K_BELOW = (
    0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06, -0.499048287770e-08, -0.675090591730e-10,
    -0.574103274280e-12, -0.310888728940e-14, -0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22,
)  # fmt: skip
TYPE_K_ABOVE = (
    -0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07, 0.318409457190e-09,
    -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18, 0.971511471520e-22, -0.121047212750e-25,
)  # fmt: skip
TYPE_K_HUMP_mV, TYPE_K_HUMP_per_degC2, TYPE_K_HUMP_degC = 0.118597600000, -0.118343200000e-03, 126.9686
TYPE_T_BELOW = (
    0.0, 0.387481063640e-01, 0.441944343470e-04, 0.118443231050e-06, 0.200329735540e-07, 0.901380195590e-09,
    0.226511565930e-10, 0.360711542050e-12, 0.384939398830e-14, 0.282135219250e-16, 0.142515947790e-18,
    0.487686622860e-21, 0.107955392700e-23, 0.139450270620e-26, 0.797951539270e-30,
)  # fmt: skip
TYPE_T_ABOVE = (
    0.0, 0.387481063640e-01, 0.332922278800e-04, 0.206182434040e-06, -0.218822568460e-08, 0.109968809280e-10,
    -0.308157587720e-13, 0.454791352900e-16, -0.275129016730e-19,
)  # fmt: skip

TYPICAL_NTC = (1.12924e-3, 2.34108e-4, 0.87755e-7)
"""Steinhart–Hart constants of a common 10 kohm curve, from memory."""


def platinum_ohm(degC: float, nominal_ohm: float = 100.0) -> float:
    """Resistance of a platinum sensor that has `nominal_ohm` at 0 °C."""
    share = 1.0 + degC * (PLATINUM_A + degC * PLATINUM_B)
    if degC < 0.0:
        share += PLATINUM_C * (degC - 100.0) * degC**3
    return nominal_ohm * share


def thermocouple_mV(letter: str, degC: float) -> float:
    """E.m.f. of a thermocouple of type `k` or `t` with its other junction at 0 °C."""
    if letter == "k" and degC >= 0.0:
        hump_mV = TYPE_K_HUMP_mV * exp(TYPE_K_HUMP_per_degC2 * (degC - TYPE_K_HUMP_degC) ** 2)
        return _polynomial(TYPE_K_ABOVE, degC) + hump_mV
    above = degC >= 0.0
    return _polynomial({"k": TYPE_K_BELOW, "t": TYPE_T_ABOVE if above else TYPE_T_BELOW}[letter], degC)


def thermistor_ohm(degC: float, constants: tuple[float, float, float] = TYPICAL_NTC) -> float:
    """Resistance of a thermistor with these Steinhart–Hart constants, their closed inverse."""
    a, b, c = constants
    half = (a - 1.0 / (degC + ZERO_DEGC_K)) / (2.0 * c)
    root = sqrt((b / (3.0 * c)) ** 3 + half * half)
    return exp(cbrt(root - half) - cbrt(root + half))


def thermistor_by_b_ohm(degC: float, nominal_ohm: float, beta_K: float) -> float:
    """Resistance of a thermistor that has `nominal_ohm` at 25 °C, by its B value."""
    return nominal_ohm * exp(beta_K * (1.0 / (degC + ZERO_DEGC_K) - 1.0 / NOMINAL_K))


def _polynomial(factors: tuple[float, ...], x: float) -> float:
    value = 0.0
    for factor in reversed(factors):
        value = value * x + factor
    return value
