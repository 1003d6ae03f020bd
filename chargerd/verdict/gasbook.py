"""Where charge went into gas: the estimate made during each charge, its volumes at worst, the water it cost.

The estimate rests on voltage and current alone and may be far off; the loss of the closed cycle stands beside it, and a
scale is the better judge.
"""

from __future__ import annotations

from dataclasses import dataclass

ELEMENTARY_CHARGE_C = 1.602176634e-19
AVOGADRO_PER_MOL = 6.02214076e23
FARADAY_C_PER_MOL = ELEMENTARY_CHARGE_C * AVOGADRO_PER_MOL
"""Both factors are exact since the SI of 2019 (CODATA 2018 and later): 96485.33212… C/mol."""
GAS_CONSTANT_J_PER_MOL_K = 8.31446261815324
"""Exact as well (CODATA 2018): Boltzmann's constant times Avogadro's."""
ATMOSPHERE_PA = 101325.0
WATER_G_PER_MOL = 18.015
"""IUPAC conventional atomic weights, H 1.008 and O 15.999."""

ROUTINE_SHARE = 0.05
"""A routine charge should put no more than this share of its charge into gas (the project's own default)."""


def molar_volume_L(temperature_degC: float) -> float:
    """Return the volume of one mole of an ideal gas at one atmosphere, L."""
    return 1000.0 * GAS_CONSTANT_J_PER_MOL_K * (temperature_degC + 273.15) / ATMOSPHERE_PA


def hydrogen_L(charge_Ah: float, temperature_degC: float = 25.0) -> float:
    """Return the dry hydrogen that charge can make at most, L (Faraday: two electrons a molecule)."""
    return charge_Ah * 3600.0 / (2.0 * FARADAY_C_PER_MOL) * molar_volume_L(temperature_degC)


def oxygen_L(charge_Ah: float, temperature_degC: float = 25.0) -> float:
    """Return the dry oxygen that charge can make at most, L (Faraday: four electrons a molecule)."""
    return charge_Ah * 3600.0 / (4.0 * FARADAY_C_PER_MOL) * molar_volume_L(temperature_degC)


def water_g(charge_Ah: float) -> float:
    """Return the water electrolysed by that charge, g (Faraday: two electrons a molecule)."""
    return charge_Ah * 3600.0 / (2.0 * FARADAY_C_PER_MOL) * WATER_G_PER_MOL


@dataclass(frozen=True, slots=True)
class Gas:
    """Of one charge, or of all charges of a run: estimated gas charge, times above the threshold, and what follows at worst."""

    step: str
    round: int
    gas_charge_Ah: float
    gassing_s: float
    gassing_terminal_s: float
    charge_in_Ah: float
    hydrogen_L: float
    oxygen_L: float
    water_g: float

    @property
    def share(self) -> float | None:
        """Return the estimated gas charge as a fraction of the charge put in, None when none was."""
        return self.gas_charge_Ah / self.charge_in_Ah if self.charge_in_Ah > 0.0 else None


def gas_of(step: str, number: int, gas_charge_Ah: float, gassing_s: float, gassing_terminal_s: float, charge_in_Ah: float) -> Gas:
    """Return the book entry of one charge."""
    return Gas(step, number, gas_charge_Ah, gassing_s, gassing_terminal_s, charge_in_Ah,
               hydrogen_L(gas_charge_Ah), oxygen_L(gas_charge_Ah), water_g(gas_charge_Ah))  # fmt: skip


def sum_of(entries: list[Gas]) -> Gas:
    """Return the sum over all charges of a run."""
    return gas_of(
        "",
        0,
        sum(entry.gas_charge_Ah for entry in entries),
        sum(entry.gassing_s for entry in entries),
        sum(entry.gassing_terminal_s for entry in entries),
        sum(entry.charge_in_Ah for entry in entries),
    )
