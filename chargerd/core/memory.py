"""All the engine remembers. Folding a journal rebuilds it exactly; a checkpoint is its canonical JSON."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from chargerd.core.gas import GasMeter
from chargerd.core.plateau import Plateau
from chargerd.core.protection_memory import ProtectionMemory
from chargerd.core.states import State
from chargerd.core.tally import Tally
from chargerd.core.trend import Trend


@dataclass(slots=True)
class Position:
    """Where in the program: index of the item, index of the step within a repeat, round (from 1; 0 outside repeats), rung."""

    item: int = 0
    index: int = 0
    round: int = 0
    rung: int = 0
    rung_top: int = 0
    round_in_Ah: float = 0.0
    round_out_Ah: float = 0.0
    last_capacity_Ah: float | None = None
    last_rung: int = -1


@dataclass(slots=True)
class Opening:
    """A current interruption in progress (`open_s` set), and when the next one is due."""

    next_s: float | None = None
    open_s: float | None = None
    before_V: float = 0.0
    before_A: float = 0.0
    first_V: float | None = None
    first_s: float = 0.0


@dataclass(slots=True)
class Probe:
    """A connection check in progress: voltage before the probe, at its end, and at the first reading after it."""

    before_V: float | None = None
    during_V: float | None = None
    during_A: float | None = None
    after_V: float | None = None


@dataclass(slots=True)
class Memory:
    """State, position, sums and counters of one run."""

    state: str = State.IDLE.value
    reason: str = ""
    begun: bool = False
    elapsed_s: float = 0.0
    last_reading_s: float | None = None
    last_good_s: float | None = None
    missing: list[str] = field(default_factory=list)
    missed: int = 0
    live: bool = False
    connected: bool = False
    step_started_s: float = 0.0
    step_paused_s: float = 0.0
    paused_at_s: float | None = None
    resistance_ohm: float | None = None
    resistance_s: float = 0.0
    resistance_trusted: bool = False
    gas_before_Ah: float = 0.0
    zero_source_A: float = 0.0
    zero_load_A: float = 0.0
    zero_ammeter_A: float = 0.0
    zero_source_u_A: float | None = None
    zero_load_u_A: float | None = None
    zero_ammeter_u_A: float | None = None
    trip_cause: str = ""
    last_live_A: float = 0.0
    parting: bool = False
    raise_waits: bool = False
    set_A: float = 0.0
    set_V: float | None = None
    ramp_from_V: float | None = None
    ramp_from_s: float = 0.0
    start_degC: float | None = None
    asked_s: float | None = None
    answered: bool = False
    boot_id: str = ""
    boot_zero_s: float = 0.0
    suspended_s: float = 0.0
    synchronised: bool = False
    zero_sum_A: float = 0.0
    zero_squares_A2: float = 0.0
    zero_count: int = 0
    confirmed: dict[str, int] = field(default_factory=dict)
    position: Position = field(default_factory=Position)
    opening: Opening = field(default_factory=Opening)
    tally: Tally = field(default_factory=Tally)
    gas: GasMeter = field(default_factory=GasMeter)
    plateau: Plateau = field(default_factory=Plateau)
    probe: Probe = field(default_factory=Probe)
    voltage_trend: Trend = field(default_factory=Trend)
    fall_trend: Trend = field(default_factory=Trend)
    temperature_trend: Trend = field(default_factory=Trend)
    protection: ProtectionMemory = field(default_factory=ProtectionMemory)

    @property
    def gas_total_Ah(self) -> float:
        """Estimated gas charge of the whole run: of earlier charges and of the present one."""
        return self.gas_before_Ah + self.gas.charge_Ah

    def to_json(self) -> str:
        """Return canonical JSON; floats in their shortest text that reads back identical."""
        return json.dumps(asdict(self), sort_keys=True, separators=(",", ":"), allow_nan=False)


_PARTS: dict[str, type[Any]] = {
    "position": Position,
    "opening": Opening,
    "tally": Tally,
    "gas": GasMeter,
    "plateau": Plateau,
    "probe": Probe,
    "voltage_trend": Trend,
    "fall_trend": Trend,
    "temperature_trend": Trend,
    "protection": ProtectionMemory,
}


def memory_from_json(text: str) -> Memory:
    """Rebuild memory from a checkpoint. Raises ValueError when a field is missing or unknown."""
    raw: Any = json.loads(text)
    if not isinstance(raw, dict) or set(raw) != {f.name for f in fields(Memory)}:
        raise ValueError("checkpoint: not the memory of this engine version")
    for name, part in _PARTS.items():
        if set(raw[name]) != {f.name for f in fields(part)}:
            raise ValueError(f"checkpoint: {name} is not that of this engine version")
        raw[name] = part(**raw[name])
    return Memory(**raw)
