"""What a simulated cell is made of: its parameters, and the table that inverts its open-circuit law.

All values are invented or guessed within ranges found in the literature; only measuring a real cell can replace them.
Not here: what the cell does (`cell`), the named cells of the boathouse (`fixtures`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache
from math import exp

GAS_CONSTANT_J_per_mol_K = 8.314
REFERENCE_K = 298.15
ZERO_DEGC_K = 273.15
TABLE_POINTS = 2001
LOWEST_TABLE_V, HIGHEST_TABLE_V = -1.5, 4.0
"""Reach of the table. Beyond it the double layer alone counts, so a straight line goes on without error."""


@dataclass(frozen=True, slots=True)
class CellParameters:
    """A zinc/carbon hybrid cell at 25 °C, formed. The defaults are *plover*, the invented reference cell.

    Names are the symbols of the equations in `cell`; each comment gives the unit and the meaning.
    """

    C: float = 3960.0  # F, double layer of the positive: 26.4 g of activated carbon at 150 F/g
    qr: float = 752.0  # C, redox shoulder of the positive
    Ur: float = 1.35  # V, its middle
    sr: float = 0.08  # V, its width
    Uimm: float = 1.05  # V against zinc, where carbon sits when it is first wetted
    dUdT: float = -0.3e-3  # V/K, of the positive
    Un0: float = 1.05  # V, of the negative without any zinc
    qn: float = 12.8  # C, zinc that covers the negative
    zmax: float = 14760.0  # C, all zinc ions of the electrolyte
    ce_zn: float = 0.98  # zinc plated per charge passed
    nz: float = 12.0  # how sharply hydrogen takes over as the zinc ions run out
    icorr: float = 1.6e-3  # A, corrosion of zinc at rest
    R0: float = 0.375  # ohm, contacts and electrolyte
    R1: float = 0.05  # ohm, interface
    tau1: float = 3.0  # s
    R2: float = 0.0625  # ohm, redistribution in the pores
    tau2: float = 900.0  # s
    EaR: float = 16e3  # J/mol, activation of the resistances, about 2 %/K
    iref: float = 15e-3  # A, gas current at Uref
    Uref: float = 2.10  # V
    bdec: float = 0.120  # V per decade, Tafel slope of the gas
    Eag: float = 53e3  # J/mol, twice the gas for 10 K
    dUg: float = -1.9e-3  # V/K, of the oxygen potential near pH 4.5
    Rleak: float = 500.0  # ohm, loss of charge at the positive
    Eal: float = 40e3  # J/mol, activation of leak and corrosion
    Cth: float = 208.0  # J/K
    hA: float = 0.30  # W/K, to the room
    AR: float = 0.92  # unformed cell: resistances times 1 + AR ...
    nR: float = 1.2  # ... fading over so many equivalent cycles
    AC: float = 0.35  # unformed cell: capacity times 1 - AC ...
    nC: float = 1.2  # ... fading over so many equivalent cycles
    Cnom: float = 5400.0  # C, nominal capacity (1.5 Ah): counts equivalent cycles
    kcyc: float = 2e-4  # capacity lost per equivalent cycle
    kox: float = 1.25e-3  # capacity lost per Ah of gas at the positive
    kRox: float = 6.25e-3  # resistance gained per Ah of gas at the positive
    w0: float = 37.6  # g, water at the start
    evap: float = 0.0  # g/h, drying out
    Rsh: float = 1e12  # ohm, internal short
    Rcon: float = 0.0  # ohm, bad contact in series

    def __post_init__(self) -> None:
        """Refuse what the equations divide by or take a root of.

        Raises:
            ValueError: if a quantity that must be positive is not, or one other than a potential or a temperature
                coefficient is negative.
        """
        either_sign = {"dUdT", "dUg", "Ur", "Uimm", "Uref"}
        may_be_zero = {"qr", "ce_zn", "nz", "icorr", "R1", "R2", "EaR", "iref", "Eag", "Eal", "AR", "AC"}
        may_be_zero |= {"kcyc", "kox", "kRox", "evap", "Rcon"}
        for name in (field.name for field in fields(self)):
            value = getattr(self, name)
            if name not in either_sign and not (value > 0.0 or (value == 0.0 and name in may_be_zero)):
                raise ValueError(f"{name} must be above zero, or at least not below")

    def scaled(self, factor: float) -> CellParameters:
        """The same chemistry in a cell `factor` times the size.

        Charges, currents, masses and heat go with the size, resistances and what is counted per ampere-hour against
        it; potentials, times and slopes stay.
        """
        larger = ("C", "qr", "qn", "zmax", "icorr", "iref", "Cth", "hA", "Cnom", "w0", "evap")
        smaller = ("R0", "R1", "R2", "Rleak", "kox", "kRox", "Rsh", "Rcon")
        changes = {name: getattr(self, name) * factor for name in larger}
        changes |= {name: getattr(self, name) / factor for name in smaller}
        return replace(self, **changes)


@dataclass(frozen=True, slots=True)
class Constants:
    """What follows from the parameters alone, computed once and shared by all cells made of them."""

    potential_V: tuple[float, ...]  # of the positive, on a uniform grid of its charge
    first_C: float  # charge of the first grid point
    points_per_C: float
    immersion_C: float  # charge of the positive when it was wetted, which is where stored charge counts from


def positive_charge_C(parameters: CellParameters, potential_V: float) -> float:
    """Charge of the positive at a potential: double layer plus one redox couple with a logistic isotherm."""
    x = (potential_V - parameters.Ur) / parameters.sr
    bound = 1.0 / (1.0 + exp(-x)) if x > 0.0 else exp(x) / (1.0 + exp(x))
    return parameters.C * potential_V + parameters.qr * bound


@lru_cache(maxsize=128)
def constants_of(parameters: CellParameters) -> Constants:
    """Invert Q(U) on a uniform grid of charge, where interpolation finds U and dU/dQ without a search."""
    first_C = positive_charge_C(parameters, LOWEST_TABLE_V)
    step_C = (positive_charge_C(parameters, HIGHEST_TABLE_V) - first_C) / (TABLE_POINTS - 1)
    potentials = [LOWEST_TABLE_V]
    for point in range(1, TABLE_POINTS):
        # dQ/dU is never less than C, which brackets the next point.
        low_V, high_V = potentials[-1], potentials[-1] + step_C / parameters.C
        potentials.append(_inverse_V(parameters, first_C + point * step_C, low_V, high_V))
    return Constants(tuple(potentials), first_C, 1.0 / step_C, positive_charge_C(parameters, parameters.Uimm))


def _inverse_V(parameters: CellParameters, charge_C: float, low_V: float, high_V: float) -> float:
    """Newton's method kept inside a bracket that shrinks with each step."""
    potential_V = high_V if parameters.qr == 0.0 else 0.5 * (low_V + high_V)
    for _ in range(60):
        excess_C = positive_charge_C(parameters, potential_V) - charge_C
        if excess_C > 0.0:
            high_V = potential_V
        else:
            low_V = potential_V
        # 2 sech x is the slope of the logistic in a form that cannot overflow.
        x = min(abs(potential_V - parameters.Ur) / (2.0 * parameters.sr), 300.0)
        slope_F = parameters.C + parameters.qr / parameters.sr / (exp(x) + exp(-x)) ** 2
        next_V = potential_V - excess_C / slope_F
        if not low_V <= next_V <= high_V:
            next_V = 0.5 * (low_V + high_V)
        if abs(next_V - potential_V) < 1e-14:
            return next_V
        potential_V = next_V
    return potential_V
