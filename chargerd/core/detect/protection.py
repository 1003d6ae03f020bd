"""Protection of one channel: its own sums, and the detectors one after the other. It imports nothing of the program."""

from __future__ import annotations

from chargerd.core.detect import table
from chargerd.core.detect.sight import Frozen, Sight
from chargerd.core.limits import StepBounds, Trip
from chargerd.core.observation import Observation
from chargerd.core.protection_memory import ProtectionMemory


class Protection:
    """Judges one channel. `judge` returns the first trip of a reading, or None.

    Its sums are rectangles of the larger of two readings, so that they are never below the truth.
    """

    __slots__ = ("_detectors", "_frozen", "memory")

    def __init__(self, frozen: Frozen) -> None:
        self._frozen = frozen
        self._detectors = tuple(table.DETECTORS.values())
        self.memory = ProtectionMemory()

    def start_step(self) -> None:
        """Begin the sums of a step anew."""
        m = self.memory
        m.step_s = m.energy_Wh = m.gassing_s = 0.0
        m.charge_Ah = m.gas_charge_Ah = m.owed_Ah
        m.owed_Ah = 0.0
        m.above_step_since_s = m.below_floor_since_s = None

    def forget(self) -> None:
        """The time up to the next reading is not this step's (pause)."""
        m = self.memory
        m.last_s = m.above_step_since_s = m.below_floor_since_s = None

    def charge_for_gap(self, off_after_s: float, bounds: StepBounds) -> None:
        """Count a gap at its worst: the larger of the last current and the step's own flowed until off was verified.

        The step's own, because the last reading may come from before a switching on. All of a charge may be gas.
        """
        m = self.memory
        worst_Ah = max(abs(m.last_A), bounds.current_set_A, bounds.current_most_A) * off_after_s / 3600.0
        m.charge_Ah += worst_Ah
        m.energy_Wh += worst_Ah * max(m.last_V, 0.0)
        if bounds.direction > 0:
            m.gas_charge_Ah += worst_Ah
            m.gassing_s += off_after_s if m.last_gassing else 0.0
        m.step_s += off_after_s

    def charge_for_probe(self, worst_Ah: float, *, begun: bool = True) -> None:
        """Count what CHECKING's probe pulse may have put in, which no reading saw: to the first step when none has begun.

        All of it may be gas.
        """
        m = self.memory
        if not begun:
            m.owed_Ah += worst_Ah
            return
        m.charge_Ah += worst_Ah
        m.gas_charge_Ah += worst_Ah

    def judge(
        self, seen: Observation, bounds: StepBounds, *, live: bool, watched: bool, gas_A: float, gassing: bool = False,
        connected: bool | None = None, raise_waits: bool = False,
    ) -> Trip | None:  # fmt: skip
        """Judge one reading; see `Sight`. `gas_A` is the gas law's current at it, `gassing` whether it is above the threshold."""
        self._count(seen, bounds, live=live, gas_A=gas_A, gassing=gassing)
        sight = Sight(seen, bounds, self._frozen, self.memory, live, watched, connected, raise_waits)
        for detect in self._detectors:
            trip = detect(sight)
            if trip is not None:
                return trip
        return None

    def _count(self, seen: Observation, bounds: StepBounds, *, live: bool, gas_A: float, gassing: bool) -> None:
        m = self.memory
        # A live output whose current nobody read may carry all that it was set to: the last one may be of before it went on.
        unknown_A = max(abs(m.last_A), bounds.current_set_A) if live else m.last_A
        current_A = unknown_A if seen.current_A is None else seen.current_A
        voltage_V = m.last_V if seen.voltage_V is None else seen.voltage_V
        known = seen.voltage_V is not None and seen.current_A is not None
        if m.last_s is not None:
            passed_s = seen.elapsed_s - m.last_s
            worst_A = max(abs(m.last_A), abs(current_A))
            m.step_s += passed_s
            m.charge_Ah += worst_A * passed_s / 3600.0
            m.energy_Wh += worst_A * max(m.last_V, voltage_V, 0.0) * passed_s / 3600.0
            if bounds.direction > 0:
                m.gas_charge_Ah += min(max(m.last_gas_A, gas_A), worst_A) * passed_s / 3600.0
                m.gassing_s += passed_s if m.last_gassing and (gassing or not known) else 0.0
        m.last_s = seen.elapsed_s if bounds.direction else None  # rests and pauses are not the step's
        m.last_A = current_A
        m.last_V = voltage_V
        # Without a voltage the gas is not known: it goes on as it was, for a missing reading never means less of it.
        m.last_gas_A = 0.0 if not live else gas_A if known else m.last_gas_A
        m.last_gassing = live and (gassing if known else m.last_gassing)
