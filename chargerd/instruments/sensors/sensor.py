"""A thermometer's sensor: what it is made of, what may be wrong with it, and the temperature when nothing is.

A fault is never a number. An open, shorted or absent sensor must not read as a cold cell, nor the value that some converters
answer before their first conversion as a hot one.
"""

from __future__ import annotations

import math
from enum import StrEnum

from chargerd.config.bench_parts import SensorSpec
from chargerd.errors import InstrumentError
from chargerd.instruments.sensors import platinum, thermistor, thermocouple

ZERO_ohm = {"pt100": 100.0, "pt1000": 1000.0}
OPEN_FACTOR, SHORT_FACTOR = 10.0, 0.1
"""Of a platinum sensor's value at 0 °C: above the one (1 kΩ for a Pt100) it is open, below the other (10 Ω) shorted."""
THERMISTOR_OPEN_ohm, THERMISTOR_SHORT_ohm = 1e6, 50.0
"""A thermistor beyond these is a lead, not −60 °C or +200 °C."""
POWER_UP_degC = (0.0, 85.0)
"""What converters answer before they have converted anything: 0 after power-up without a sensor, 85 of one-wire sensors."""
RAMP_K, RAMP_S, STAY_S = 2.0, 120.0, 600.0
"""Exactly one of these is believed when the last good value, at most `RAMP_S` ago, was at most so far away, and only so long
after the last value that was another one: a sensor that died in a cold room answers 0 for ever."""
COLDEST_degC = -60.0
"""No bench is colder; a shorted platinum sensor shows −242 and an unplugged one often −127 (common practice, no source)."""

DEGREES = SensorSpec("degrees")


class Fault(StrEnum):
    """What may be wrong with a sensor."""

    OPEN = "open circuit"
    SHORT = "short circuit"
    OUT_OF_RANGE = "outside what this sensor can measure"
    POWER_UP = "the value that sensors answer before they have measured"
    COLD_JUNCTION = "its cold junction has no reading"
    FROZEN = "the same value again and again while another thermometer moves"


class SensorFaultError(InstrumentError):
    """A sensor's fault; `fault` says which."""

    def __init__(self, fault: Fault, raw: str) -> None:
        super().__init__(f"{fault} ({raw})")
        self.fault = fault


class Sensor:
    """One sensor. `quantity`: what is to be measured of it: resistance (ohm), voltage (V) or temperature (degC)."""

    def __init__(self, spec: SensorSpec) -> None:
        self.spec = spec
        kind = spec.kind
        self.quantity = "temperature" if kind == "degrees" else "voltage" if kind.startswith("thermocouple") else "resistance"
        self._last_good: tuple[float, float] | None = None
        self._moved_s = -math.inf  # when it last said something that no sensor says before it has measured

    def forget(self) -> None:
        """The link was opened anew: what was good before proves nothing of the first value after."""
        self._last_good = None
        self._moved_s = -math.inf

    def temperature_degC(self, raw: float, now_s: float, cold_junction_degC: float | None = None) -> float:
        """Return the temperature for a raw value in ohm, V or degC, rounded to 7 significant digits.

        Raises:
            SensorFaultError: there is none; nothing is remembered.
        """
        if not math.isfinite(raw):
            raise SensorFaultError(Fault.OPEN, f"{raw}")
        kind = self.spec.kind
        if kind == "degrees":
            value = self._degrees(raw, now_s)
        elif kind == "ntc":
            value = self._thermistor(raw)
        elif kind in ZERO_ohm:
            value = self._platinum(raw, ZERO_ohm[kind])
        else:
            value = self._thermocouple(raw, cold_junction_degC)
        value = float(f"{value:.7g}")
        if not value >= COLDEST_degC:
            raise SensorFaultError(Fault.OUT_OF_RANGE, f"{value:g} °C")
        self._last_good = (now_s, value)
        if value not in POWER_UP_degC:
            self._moved_s = now_s
        return value

    def _degrees(self, raw_degC: float, now_s: float) -> float:
        if raw_degC in POWER_UP_degC:
            last = self._last_good
            is_ramp = last is not None and now_s - last[0] <= RAMP_S and abs(raw_degC - last[1]) <= RAMP_K
            if not (is_ramp and now_s - self._moved_s <= STAY_S):
                raise SensorFaultError(Fault.POWER_UP, f"exactly {raw_degC:.3f} °C")
        return raw_degC

    def _platinum(self, raw_ohm: float, zero_ohm: float) -> float:
        # Three-wire bridges have taken the lead out already; only two wires leave it in.
        ohm = raw_ohm - (self.spec.lead_ohm if self.spec.wires == 2 else 0.0)
        if ohm > OPEN_FACTOR * zero_ohm:
            raise SensorFaultError(Fault.OPEN, f"{raw_ohm:g} ohm")
        if not ohm >= SHORT_FACTOR * zero_ohm:
            raise SensorFaultError(Fault.SHORT, f"{raw_ohm:g} ohm")
        try:
            return platinum.temperature_degC(ohm, zero_ohm)
        except ValueError:
            raise SensorFaultError(Fault.OUT_OF_RANGE, f"{raw_ohm:g} ohm") from None

    def _thermistor(self, raw_ohm: float) -> float:
        spec = self.spec
        ohm = raw_ohm - (spec.lead_ohm if spec.wires == 2 else 0.0)
        if ohm > THERMISTOR_OPEN_ohm:
            raise SensorFaultError(Fault.OPEN, f"{raw_ohm:g} ohm")
        if not ohm >= THERMISTOR_SHORT_ohm:
            raise SensorFaultError(Fault.SHORT, f"{raw_ohm:g} ohm")
        try:
            if spec.steinhart_hart is not None:
                return thermistor.steinhart_hart_degC(ohm, *spec.steinhart_hart)
            if spec.beta_K is not None and spec.nominal_ohm is not None:
                return thermistor.beta_degC(ohm, spec.nominal_ohm, spec.beta_K)
            return thermistor.table_degC(ohm, spec.table)
        except ValueError:
            raise SensorFaultError(Fault.OUT_OF_RANGE, f"{raw_ohm:g} ohm") from None

    def _thermocouple(self, raw_V: float, cold_junction_degC: float | None) -> float:
        if cold_junction_degC is None:
            raise SensorFaultError(Fault.COLD_JUNCTION, f"{raw_V * 1000:g} mV")
        kind = self.spec.kind.rpartition("-")[2].upper()
        try:
            return thermocouple.temperature_degC(kind, raw_V * 1000.0, cold_junction_degC)
        except ValueError:
            raise SensorFaultError(Fault.OUT_OF_RANGE, f"{raw_V * 1000:g} mV") from None
