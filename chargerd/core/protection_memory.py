"""What protection remembers between readings: plain numbers, part of the run's memory and of its checkpoints."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class ProtectionMemory:
    """Protection's own sums and counters. `owed_Ah`: charge from before the next step began that is counted to it."""

    step_s: float = 0.0
    charge_Ah: float = 0.0
    energy_Wh: float = 0.0
    gas_charge_Ah: float = 0.0
    gassing_s: float = 0.0
    owed_Ah: float = 0.0
    last_s: float | None = None
    last_A: float = 0.0
    last_V: float = 0.0
    last_gas_A: float = 0.0
    last_gassing: bool = False
    above_step_since_s: float | None = None
    below_floor_since_s: float | None = None
    start_degC: float | None = None
    slope_s: list[float] = field(default_factory=list)
    slope_degC: list[float] = field(default_factory=list)
    missed: int = 0
    confirmed: dict[str, int] = field(default_factory=dict)
