"""What the engine worked out at one reading: the first columns of the readings file."""

from __future__ import annotations

from typing import NamedTuple


class Derived(NamedTuple):
    """Derived columns. State, step, round and activity are those in force *while* the reading was taken.

    Charge and energy count over the run; `gassing_s` (IR-free), `gassing_terminal_s` and `gas_charge_Ah` since the present (or
    last) charge began. `regulated_by` is off, cc, cv or unregulated. None: not known at this reading.
    """

    state: str
    step: str
    round: int
    activity: str
    regulated_by: str
    voltage_V: float | None
    current_A: float | None
    temperature_degC: float | None
    charge_in_Ah: float
    charge_out_Ah: float
    energy_in_Wh: float
    energy_out_Wh: float
    gassing_s: float
    gassing_terminal_s: float
    gas_charge_Ah: float
    resistance_ohm: float | None
