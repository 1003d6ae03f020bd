"""Thermistors with a negative coefficient (terms of IEC 60539): Steinhart–Hart, one B value, or a table. Temperatures in degC."""

from __future__ import annotations

import math
from itertools import pairwise

ZERO_K = 273.15
NOMINAL_degC = 25.0


def _celsius(inverse_K: float) -> float:
    if not inverse_K > 0.0:
        raise ValueError("beyond every temperature these constants describe")
    return 1.0 / inverse_K - ZERO_K


def steinhart_hart_degC(resistance_ohm: float, a: float, b: float, c: float) -> float:
    """Return t from 1/T = a + b·ln R + c·(ln R)³ (Steinhart and Hart, 1968). Raises ValueError where there is no such T."""
    log = math.log(resistance_ohm)
    return _celsius(a + b * log + c * log**3)


def beta_degC(resistance_ohm: float, nominal_ohm: float, beta_K: float) -> float:
    """Return t from R = R25·exp[B·(1/T − 1/298.15 K)] (IEC 60539-1).

    One B holds near 25 °C only: half a degree off at 60 °C for the usual 10 kΩ part. Constants or a table are better.
    Raises ValueError where there is no such T.
    """
    return _celsius(1.0 / (NOMINAL_degC + ZERO_K) + math.log(resistance_ohm / nominal_ohm) / beta_K)


def table_degC(resistance_ohm: float, table: tuple[tuple[float, float], ...]) -> float:
    """Return t between the neighbours in a falling table of (degC, ohm): ln R is linear in 1/T between them.

    Raises:
        ValueError: outside the table; nothing is extrapolated.
    """
    for (cold_degC, cold_ohm), (warm_degC, warm_ohm) in pairwise(table):
        if warm_ohm <= resistance_ohm <= cold_ohm:
            share = math.log(resistance_ohm / cold_ohm) / math.log(warm_ohm / cold_ohm)
            cold, warm = 1.0 / (cold_degC + ZERO_K), 1.0 / (warm_degC + ZERO_K)
            return 1.0 / (cold + share * (warm - cold)) - ZERO_K
    raise ValueError(f"{resistance_ohm} ohm is outside the table")
