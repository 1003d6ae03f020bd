"""Protection: judges the same readings as the program, imports nothing from it, runs after it, and can only reduce.

Every comparison is written so that a missing or non-finite value never passes as healthy, and any one valid sensor may trip.
Protection keeps its own sums: rectangles of the larger current, so that they are never below the truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from chargerd.core.observation import Observation, missing_inputs
from chargerd.core.protection_memory import ProtectionMemory
from chargerd.core.zero import NOTHING_STATED, StatedZero

STEP_VOLTAGE_MARGIN_V = 0.050
STEP_VOLTAGE_FOR_S = 2.0
"""A charge whose voltage stands 50 mV above its step's limit for 2 s is not being limited: the source is not obeying."""
FLOOR_MARGIN_V = 0.100
"""A discharge that goes this far below its own end was not ended in time."""
REVERSED_V = -0.10
"""An open cell reading below this is connected the wrong way round."""
SET_POINT_SHARE = 0.10
SET_POINT_FLOOR_A = 0.010
"""Current above its set-point by a tenth and 10 mA is not being limited."""
OFF_CURRENT_FLOOR_A = 0.010
"""With outputs off, a current above this (and above 5 × what the bench resolves) still flows."""
SLOPE_WINDOW_S = 180.0
SLOPE_POINT_EVERY_S = 15.0
"""Heating is judged over 3 min on points 15 s apart: shorter is noise, longer is late."""
BOUND_FACTOR = 1.25
"""A bound is this many times the step's own end: crossing it proves that the end did not work."""
SET_POINT_VOLTAGE_TOLERANCE_V = 0.010
APART_CONFIRMS = 3
"""Readings running in which two instruments must disagree about the current before the run trips; a hot contact the same."""
CONTACT_HEAT_W = 0.25
"""Heat in clips and contacts, beyond what the leads are written to have, at which 2 g of copper alloy get hot in minutes."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Effective hard limits of a run: the tightest of profile, cell and bench, frozen at start. Magnitudes.

    `rise_max_K` is above the room (an ambient thermometer, else the cell's own temperature at start). `temperature_*` limits
    are not active on a channel without a thermometer.
    """

    voltage_max_V: float
    voltage_min_V: float
    charge_current_max_A: float
    discharge_current_max_A: float
    temperature_max_degC: float
    temperature_min_degC: float
    rise_max_K: float
    slope_max_K_per_min: float = 1.0


@dataclass(frozen=True, slots=True)
class Zeros:
    """The largest readings that still count as no current, A: what each instrument's data sheet allows it, at least 10 mA.

    So much an energised reading may be wrong by, too, until a zero was measured that proves something. `source`, `load`,
    `ammeter`: what the data sheets say, by which a zero is judged. `apart_A` and `apart_share` of the current are the most by
    which ammeter and source or load may differ. `lead_ohm`: leads and shunt between source and cell.
    """

    source_A: float = OFF_CURRENT_FLOOR_A
    load_A: float = OFF_CURRENT_FLOOR_A
    ammeter_A: float = OFF_CURRENT_FLOOR_A
    source: StatedZero = NOTHING_STATED
    load: StatedZero = NOTHING_STATED
    ammeter: StatedZero = NOTHING_STATED
    apart_A: float = 2 * OFF_CURRENT_FLOOR_A
    apart_share: float = 0.02
    lead_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class StepBounds:
    """What protection knows of the present step: only numbers to compare with. `direction` is +1 charge, −1 discharge, 0 off.

    `current_set_A` is the present set-point, `current_most_A` the most it may become while the step lasts. `zero_max_A`: the
    relay to the cell is open, and this much may be an instrument's zero. None: the step has no such set-point or end.
    `slack_A`: what the channel's current may be wrong by.
    """

    direction: int
    current_set_A: float = 0.0
    voltage_set_V: float | None = None
    floor_V: float | None = None
    time_s: float | None = None
    charge_Ah: float | None = None
    energy_Wh: float | None = None
    gas_charge_Ah: float | None = None
    current_most_A: float = 0.0
    zero_max_A: float | None = None
    slack_A: float = SET_POINT_FLOOR_A


class Trip(NamedTuple):
    """One limit or bound crossed."""

    cause: str
    value: float | None
    limit: float | None
    text: str = ""


class Protection:
    """Judges one channel. `judge` returns the first trip of a reading, or None."""

    __slots__ = ("_current_u_A", "_has_thermometer", "_limits", "_missed_max", "_ocp_A", "_ovp_V", "_zeros", "memory")

    def __init__(
        self, limits: Limits, *, has_thermometer: bool, missed_max: int, current_u_A: float,
        ovp_V: float | None, ocp_A: float | None, zeros: Zeros | None = None,
    ) -> None:  # fmt: skip
        self._limits = limits
        self._zeros = zeros or Zeros()
        self._has_thermometer, self._missed_max, self._current_u_A = has_thermometer, missed_max, current_u_A
        # A plan that never charges has no voltage level: then neither is written to the source, and neither expected of it.
        self._ovp_V, self._ocp_A = ovp_V, None if ovp_V is None else ocp_A
        self.memory = ProtectionMemory()

    def start_step(self) -> None:
        """Begin the sums of a step anew."""
        m = self.memory
        m.step_s = m.charge_Ah = m.energy_Wh = m.gas_charge_Ah = 0.0
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
        m.gas_charge_Ah += worst_Ah if bounds.direction > 0 else 0.0
        m.step_s += off_after_s

    def judge(
        self, seen: Observation, bounds: StepBounds, *, live: bool, watched: bool, gas_A: float, connected: bool | None = None
    ) -> Trip | None:
        """Judge one reading.

        `live`: an output is wanted on and was switched on before this reading. `watched`: the step energises, so its readings
        must not go missing. `gas_A` is the gas law's current at this reading. `connected`: how the cell's relay was last
        switched, None without one. Voltages, relays and temperatures are judged always.
        """
        self._count(seen, bounds, live=live, gas_A=gas_A)
        return (
            self._taps(seen)
            or self._voltage(seen, bounds, live=live)
            or self._outputs(seen, bounds, live=live)
            or _relay(seen, connected)
            or self._current(seen, bounds, live=live)
            or self._ammeter(seen, live=live)
            or self._contacts(seen, bounds, live=live)
            or self._temperature(seen)
            or self._bound(bounds)
            or self._missing(seen, watched=watched, connected=connected)
        )

    def _count(self, seen: Observation, bounds: StepBounds, *, live: bool, gas_A: float) -> None:
        m = self.memory
        current_A = m.last_A if seen.current_A is None else seen.current_A
        voltage_V = m.last_V if seen.voltage_V is None else seen.voltage_V
        if m.last_s is not None:
            hours = (seen.elapsed_s - m.last_s) / 3600.0
            worst_A = max(abs(m.last_A), abs(current_A))
            m.step_s += seen.elapsed_s - m.last_s
            m.charge_Ah += worst_A * hours
            m.energy_Wh += worst_A * max(m.last_V, voltage_V, 0.0) * hours
            if bounds.direction > 0:
                m.gas_charge_Ah += min(max(m.last_gas_A, gas_A), worst_A) * hours
        m.last_s = seen.elapsed_s if bounds.direction else None  # rests and pauses are not the step's
        m.last_A = current_A
        m.last_V = voltage_V
        # Without a voltage the gas is not known: it goes on as it was, for a missing reading never means less of it.
        m.last_gas_A = 0.0 if not live else m.last_gas_A if seen.voltage_V is None or seen.current_A is None else gas_A

    def _taps(self, seen: Observation) -> Trip | None:
        """Judge each cell of a string by itself: the whole may be far below its limit while one cell is above its own."""
        for name, voltage_V in seen.taps_V.items():
            if voltage_V is not None and not voltage_V <= self._limits.voltage_max_V:
                return Trip("over-voltage", voltage_V, self._limits.voltage_max_V, name)
            if voltage_V is not None and not voltage_V >= REVERSED_V:
                return Trip("reverse-polarity", voltage_V, REVERSED_V, name)
        return None

    def _voltage(self, seen: Observation, bounds: StepBounds, *, live: bool) -> Trip | None:
        limits, m = self._limits, self.memory
        most_V = limits.voltage_max_V * max(1, len(seen.taps_V))  # of a string, as many times a cell's
        for voltage_V in seen.voltages_V:
            if not voltage_V <= most_V:
                return Trip("over-voltage", voltage_V, most_V)
            if not voltage_V >= REVERSED_V:
                return Trip("reverse-polarity", voltage_V, REVERSED_V)
            if not voltage_V >= limits.voltage_min_V and (live and bounds.direction < 0 and bounds.zero_max_A is None):
                return Trip("under-voltage", voltage_V, limits.voltage_min_V)
        if seen.voltages_V and live and bounds.direction > 0 and bounds.voltage_set_V is not None:
            ceiling_V = bounds.voltage_set_V + STEP_VOLTAGE_MARGIN_V
            highest_V = max(seen.voltages_V)
            flows = seen.current_A is None or seen.current_A > max(OFF_CURRENT_FLOOR_A, 5.0 * self._current_u_A)
            if highest_V <= ceiling_V or not flows:
                # Without current it is the cell itself that stands above a lower step: the source drives nothing.
                m.above_step_since_s = None
            elif m.above_step_since_s is None:
                m.above_step_since_s = seen.elapsed_s
            elif seen.elapsed_s - m.above_step_since_s >= STEP_VOLTAGE_FOR_S:
                return Trip("step-voltage", highest_V, ceiling_V)
        if seen.voltage_V is not None and live and bounds.direction < 0 and bounds.floor_V is not None:
            floor_V = bounds.floor_V - FLOOR_MARGIN_V
            if seen.voltage_V >= floor_V:
                m.below_floor_since_s = None
            elif m.below_floor_since_s is None:
                m.below_floor_since_s = seen.elapsed_s
            elif seen.elapsed_s - m.below_floor_since_s >= STEP_VOLTAGE_FOR_S:
                return Trip("over-discharge", seen.voltage_V, floor_V)
        return None

    def _current(self, seen: Observation, bounds: StepBounds, *, live: bool) -> Trip | None:
        limits = self._limits
        off_A, zeros = max(OFF_CURRENT_FLOOR_A, 5.0 * self._current_u_A), self._zeros
        all_off = seen.source_on is False and seen.load_on is False
        for raw_A, is_on, zero_A, name in (
            (seen.source_current_A, seen.source_on, max(off_A, zeros.source_A), "source"),
            (seen.load_current_A, seen.load_on, max(off_A, zeros.load_A), "load"),
            (seen.ammeter_A, not all_off, max(off_A, zeros.ammeter_A), "ammeter"),
        ):
            if is_on is False and raw_A is not None and not abs(raw_A) <= zero_A:
                return Trip("current-while-off", raw_A, zero_A, name)
        # Each instrument by itself as well: while one is mute the channel's current is not known, the other's still is.
        for raw_A, most_A, name in (
            (seen.source_current_A, limits.charge_current_max_A, "source"),
            (seen.load_current_A, limits.discharge_current_max_A, "load"),
        ):
            if raw_A is not None and not abs(raw_A) <= most_A:
                return Trip("over-current", raw_A, most_A, name)
        for signed_A in (seen.ammeter_A, seen.current_A):
            if signed_A is None:
                continue
            if not signed_A <= limits.charge_current_max_A:
                return Trip("over-current", signed_A, limits.charge_current_max_A)
            if not -signed_A <= limits.discharge_current_max_A:
                return Trip("over-current", -signed_A, limits.discharge_current_max_A)
        return self._driven(seen.current_A, bounds, off_A) if live and bounds.direction else None

    def _driven(self, current_A: float | None, bounds: StepBounds, off_A: float) -> Trip | None:
        """Judge the current of a live output against its direction and set-point."""
        if current_A is None:
            return None
        if bounds.zero_max_A is not None:
            # A zero that was measured before is subtracted already, hence twice: from the one end of the band to the other.
            most_A = 2.0 * bounds.zero_max_A
            return None if abs(current_A) <= most_A else Trip("current-while-isolated", current_A, most_A)
        along_A = current_A * bounds.direction
        if not along_A >= -max(off_A, bounds.slack_A):
            return Trip("current-direction", current_A, 0.0)
        slack_A = max(SET_POINT_FLOOR_A, 5.0 * self._current_u_A, bounds.slack_A)
        ceiling_A = bounds.current_set_A * (1.0 + SET_POINT_SHARE) + slack_A
        if not along_A <= ceiling_A:
            return Trip("current-above-set-point", along_A, ceiling_A)
        return None

    def _ammeter(self, seen: Observation, *, live: bool) -> Trip | None:
        """Judge the ammeter against source and load: three readings running, for they are not read at the same instant."""
        m, zeros = self.memory, self._zeros
        if not live or seen.ammeter_A is None or seen.others_A is None:
            m.apart = 0
            return None
        most_A = zeros.apart_A + zeros.apart_share * abs(seen.ammeter_A)
        apart_A = seen.ammeter_A - seen.others_A
        m.apart = 0 if abs(apart_A) <= most_A else m.apart + 1
        return Trip("currents-differ", apart_A, most_A) if m.apart >= APART_CONFIRMS else None

    def _contacts(self, seen: Observation, bounds: StepBounds, *, live: bool) -> Trip | None:
        """Judge what is lost between the source's terminals and a meter at the cell: a loose clip or a worn contact gets hot."""
        m, source_V, cell_V, current_A = self.memory, seen.source_voltage_V, seen.voltage_V, seen.current_A
        if not live or bounds.direction <= 0 or source_V is None or cell_V is None or current_A is None:
            m.hot = 0
            return None
        lost_W = (source_V - cell_V - self._zeros.lead_ohm * current_A) * current_A
        m.hot = 0 if lost_W <= CONTACT_HEAT_W else m.hot + 1
        return Trip("hot-contact", lost_W, CONTACT_HEAT_W) if m.hot >= APART_CONFIRMS else None

    def _temperature(self, seen: Observation) -> Trip | None:
        limits, m = self._limits, self.memory
        value_degC = seen.temperature_degC
        if value_degC is None:
            return None
        if m.start_degC is None:
            m.start_degC = value_degC
        if not value_degC <= limits.temperature_max_degC:
            return Trip("over-temperature", value_degC, limits.temperature_max_degC)
        if not value_degC >= limits.temperature_min_degC:
            return Trip("too-cold", value_degC, limits.temperature_min_degC)
        room_degC = m.start_degC if seen.ambient_degC is None else seen.ambient_degC
        if not value_degC - room_degC <= limits.rise_max_K:
            return Trip("temperature-rise", value_degC - room_degC, limits.rise_max_K)
        return self._slope(seen.elapsed_s, value_degC)

    def _slope(self, elapsed_s: float, value_degC: float) -> Trip | None:
        m = self.memory
        if m.slope_s and elapsed_s - m.slope_s[-1] < SLOPE_POINT_EVERY_S:
            return None
        # The oldest point kept is the youngest that is a whole window old, however far apart the readings come.
        while len(m.slope_s) > 1 and elapsed_s - m.slope_s[1] >= SLOPE_WINDOW_S:
            del m.slope_s[0], m.slope_degC[0]
        trip = None
        if m.slope_s and elapsed_s - m.slope_s[0] >= SLOPE_WINDOW_S:
            slope_K_per_min = (value_degC - m.slope_degC[0]) * 60.0 / (elapsed_s - m.slope_s[0])
            if not slope_K_per_min < self._limits.slope_max_K_per_min:
                trip = Trip("heating-too-fast", slope_K_per_min, self._limits.slope_max_K_per_min)
        m.slope_s.append(elapsed_s)
        m.slope_degC.append(value_degC)
        return trip

    def _outputs(self, seen: Observation, bounds: StepBounds, *, live: bool) -> Trip | None:
        if seen.source_on and seen.load_on:
            return Trip("source-and-load-on", None, None)
        if seen.source_on and not (live and bounds.direction > 0):
            return Trip("source-found-on", None, None)
        if seen.load_on and not (live and bounds.direction < 0):
            return Trip("load-found-on", None, None)
        if seen.source_tripped or seen.load_tripped:
            return Trip("instrument-protection", None, None, "source" if seen.source_tripped else "load")
        if seen.restarted:
            return Trip("instrument-restarted", None, None)
        if live and bounds.direction < 0 and seen.load_on is False:
            return Trip("load-found-off", None, None)
        return self._read_backs(seen, bounds) if live else None

    def _read_backs(self, seen: Observation, bounds: StepBounds) -> Trip | None:
        tolerance_A = max(SET_POINT_FLOOR_A, 0.02 * bounds.current_set_A)
        if bounds.direction > 0:
            if _differs(seen.source_voltage_set_V, bounds.voltage_set_V, SET_POINT_VOLTAGE_TOLERANCE_V):
                return Trip("set-point-changed", seen.source_voltage_set_V, bounds.voltage_set_V, "source voltage")
            if _differs(seen.source_current_set_A, bounds.current_set_A, tolerance_A):
                return Trip("set-point-changed", seen.source_current_set_A, bounds.current_set_A, "source current")
        elif _differs(seen.load_current_set_A, bounds.current_set_A, tolerance_A):
            return Trip("set-point-changed", seen.load_current_set_A, bounds.current_set_A, "load current")
        if self._ovp_V is None:
            return None  # nothing ever charges in this run: the source's levels were not written
        if _differs(seen.ovp_V, self._ovp_V, 0.05):
            return Trip("protection-level-changed", seen.ovp_V, self._ovp_V, "over-voltage protection")
        if _differs(seen.ocp_A, self._ocp_A, 0.05):
            return Trip("protection-level-changed", seen.ocp_A, self._ocp_A, "over-current protection")
        return None

    def _bound(self, bounds: StepBounds) -> Trip | None:
        m = self.memory
        for cause, value, end in (
            ("bound-time", m.step_s, bounds.time_s),
            ("bound-charge", m.charge_Ah, bounds.charge_Ah),
            ("bound-energy", m.energy_Wh, bounds.energy_Wh),
            ("bound-gas", m.gas_charge_Ah, bounds.gas_charge_Ah),
        ):
            if end is not None and not value <= BOUND_FACTOR * end:
                return Trip(cause, value, BOUND_FACTOR * end)
        return None

    def _missing(self, seen: Observation, *, watched: bool, connected: bool | None) -> Trip | None:
        """Readings needed to supervise an energising step. Counted over readings running; one good reading ends the count."""
        m = self.memory
        missing = missing_inputs(seen, has_thermometer=self._has_thermometer, has_relay=connected is not None)
        if not missing or not watched:
            m.missed = 0
            return None
        m.missed += 1
        if m.missed > self._missed_max:
            return Trip("reading-lost", float(m.missed), float(self._missed_max), ", ".join(missing))
        return None


def _relay(seen: Observation, connected: bool | None) -> Trip | None:
    """Judge the relays against what was done to them last. A state that is not known is judged as missing, not here."""
    if seen.relay_doubt:
        return Trip("relay-contradicts", None, None, seen.relay_doubt)
    if connected is None or seen.relay_closed is None or seen.relay_closed == connected:
        return None
    return Trip("relay-found-closed" if seen.relay_closed else "relay-found-open", None, None)


def _differs(read: float | None, written: float | None, tolerance: float) -> bool:
    """A read-back that was not asked at this reading (None) says nothing; one that was must agree."""
    return read is not None and written is not None and not abs(read - written) <= tolerance
