"""Sampling thermometers: sensors of any kind, slow ones by their own period, each value with the age it really has."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from chargerd.config.bench_parts import COLD_JUNCTION_AGE_MAX_S
from chargerd.core.reading import ABSENT, Measured, Quality
from chargerd.instruments.roles import Instrument
from chargerd.instruments.sample import Sampler
from chargerd.instruments.sensors.sensor import DEGREES, Fault, Sensor, SensorFaultError


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
        """Begin a sample. A slow sensor is asked no more often than it measures; its last value stands, with its age.

        A last value that was none is no reason to wait: one lost reply would be counted as lost at every sample until then.
        """
        super().begin(full=full, active=active)
        every_s = self.instrument.spec.every_s
        is_new = self._generation != self.instrument.connection.generation
        if every_s is None or is_new or self._asked_s is None or self._last.quality is not Quality.GOOD:
            return
        if self._now_s() - self._asked_s < every_s - 1e-6:
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
            if name in self.replies:  # it did answer, and that was no number
                what = Fault.OPEN if raw.quality is Quality.IMPLAUSIBLE else "no reading"
                self.fault = f"{self.instrument.name}: {what} (by the instrument's own word)"
            return raw
        cold = known.get(f"{self.cold_junction}_temperature_degC", ABSENT) if self.cold_junction else ABSENT
        try:
            value = self.sensor.temperature_degC(raw.value, now_s, cold.usable(COLD_JUNCTION_AGE_MAX_S))
        except SensorFaultError as fault:
            self.fault = f"{self.instrument.name}: {fault}"
            return Measured(None, raw.age_s, Quality.IMPLAUSIBLE)
        # The cold junction's own age does not count beside its limit: a terminal block in a room drifts slowly.
        return Measured(value, raw.age_s)

    def reject(self, why: str) -> Measured:
        """Take this sample's value back: it is no measurement."""
        self.fault = f"{self.instrument.name}: {why}"
        self._last = Measured(None, self._last.age_s, Quality.IMPLAUSIBLE)
        return self._last
