"""Sampling thermometers: sensors of any kind, slow ones by their own period, each value with the age it really has."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from chargerd.core.reading import ABSENT, Measured, Quality
from chargerd.instruments.roles import Instrument
from chargerd.instruments.sample import Sampler
from chargerd.instruments.sensors.sensor import DEGREES, Sensor, SensorFaultError

COLD_JUNCTION_AGE_MAX_S = 60.0
"""A terminal block in a room drifts slowly; older than this, it is not known."""


class ThermometerSampler(Sampler):
    """Asks a thermometer for its sensor's raw value and turns it into degrees. `fault`: what is wrong with the sensor, or ""."""

    def __init__(self, instrument: Instrument, now_s: Callable[[], float]) -> None:
        super().__init__(instrument, now_s)
        self.sensor = Sensor(instrument.spec.sensor or DEGREES)
        self.fault = ""
        self._key = f"{instrument.name}_temperature_degC"
        more = tuple(name for name in ("error", "events") if name in self._questions)
        self._quick = self._idle = (self.sensor.quantity,)
        self._full = (*self._quick, *more)
        self._asked_s: float | None = None
        self._generation = -1
        self._last = ABSENT
        self._last_at_s = 0.0

    @property
    def cold_junction(self) -> str:
        """The thermometer at the end of a thermocouple's leads, "" for other sensors."""
        return self.sensor.spec.cold_junction

    def begin(self, *, full: bool, active: bool) -> None:
        """Begin a sample. A slow sensor is asked no more often than it measures; its last value stands, with its age."""
        super().begin(full=full, active=active)
        every_s = self.instrument.spec.every_s
        is_new = self._generation != self.instrument.connection.generation
        if every_s is not None and not is_new and self._asked_s is not None and self._now_s() - self._asked_s < every_s - 1e-6:
            self.asked = ()

    async def ask(self) -> None:
        """Ask, unless the sensor has nothing new yet. Raises as `Sampler.ask`."""
        if not self.asked:
            return
        await super().ask()
        self._asked_s = self._now_s()
        if self._generation != self.instrument.connection.generation:
            self._generation = self.instrument.connection.generation
            self.sensor.forget()

    def measured(self, known: Mapping[str, Measured] | None = None) -> dict[str, Measured]:
        """Return the temperature with its age, and what else was asked. `known`: other thermometers of this sample."""
        now_s = self._now_s()
        if not self.asked:
            age_s = round(max(0.0, now_s - self._last_at_s), 3)
            return {self._key: self._last._replace(age_s=age_s)}
        inputs = super().measured()
        inputs[self._key] = self._last = self._converted(now_s, known or {})
        self._last_at_s = now_s - self._last.age_s
        return inputs

    def _converted(self, now_s: float, known: Mapping[str, Measured]) -> Measured:
        name = self.sensor.quantity
        raw = self._number(name, now_s)
        self.fault = ""
        if raw.value is None:
            return raw
        cold = known.get(f"{self.cold_junction}_temperature_degC", ABSENT) if self.cold_junction else ABSENT
        try:
            value = self.sensor.temperature_degC(raw.value, now_s, cold.usable(COLD_JUNCTION_AGE_MAX_S))
        except SensorFaultError as fault:
            self.fault = f"{self.instrument.name}: {fault}"
            return Measured(None, raw.age_s, Quality.IMPLAUSIBLE)
        # As old as the oldest thing it rests on.
        return Measured(value, max(raw.age_s, cold.age_s if self.cold_junction else 0.0))

    def reject(self, why: str) -> Measured:
        """Take this sample's value back: it is no measurement."""
        self.fault = f"{self.instrument.name}: {why}"
        self._last = Measured(None, self._last.age_s, Quality.IMPLAUSIBLE)
        return self._last
