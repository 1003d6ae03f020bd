"""Panels that only look: a meter across two points of the bench, and a thermometer with its sensor."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from chargerd.sim.panel import Accuracy, Panel, Setting
from chargerd.sim.sensors import BROKEN, HAND_degC, Sensor, SensorMake

if TYPE_CHECKING:
    from collections.abc import Mapping

    from chargerd.sim.timeline import Site

FUNCTIONS = {"VOLT": "voltage_V", "TEMP": "temperature_degC", "RES": "resistance_ohm"}
"""Functions of the meter by their SCPI words, with the quantity each reads."""

DIGITAL_STEP_K = 0.0625
"""Step of one-wire sensors; a sixteenth of a degree, common practice, no source."""

CONVERSION_TIME_S = 0.75
"""How long such a sensor takes for its first conversion."""


class Meter(Panel):
    """A meter with its voltage input at the cell's own terminals, or across a shunt, and a sensor on the cell."""

    function: str
    range_V: float
    cycles: float

    def __init__(
        self,
        name: str,
        node: Site,
        *,
        shunt_ohm: float = 0.0,
        sensor: Mapping[str, Any] | None = None,
        seed: int = 0,
    ) -> None:
        """A meter.

        Args:
            name: of the panel.
            node: where its voltage input is.
            shunt_ohm: what the label of the shunt says across which it is; 0 for none.
            sensor: what `SensorMake` takes; a four-wire Pt100 without lag if left out.
            seed: of the noise.
        """
        settings = {
            "function": Setting("VOLT", words=tuple(FUNCTIONS)),
            "range_V": Setting(10.0, 0.1, 1000.0),
            "cycles": Setting(1.0, 0.02, 100.0),
        }
        super().__init__(name, node, settings, seed=seed)
        self.shunt_ohm = shunt_ohm
        self.sensor = Sensor(SensorMake(**(sensor or {})), node)
        self.accuracy = {
            "voltage_V": Accuracy(noise=2e-5, resolution=1e-5),
            "emf_V": Accuracy(noise=5e-7, resolution=1e-7),
            "temperature_degC": Accuracy(noise=0.02, resolution=0.01),
            "resistance_ohm": Accuracy(noise=0.005, resolution=0.001),
        }
        if self.sensor.make.power_up_degC is not None:
            self.accuracy["temperature_degC"] = Accuracy(resolution=DIGITAL_STEP_K)
            self.sensor.starts_until_s = CONVERSION_TIME_S

    def truth(self, quantity: str, now_s: float) -> float:
        """`voltage_V` at its input, `current_A` by the label of its shunt; of the sensor `temperature_degC` (as reckoned by
        the instrument), `resistance_ohm` and `emf_V`.
        """
        self.node.advance_to(now_s)  # what is due here may be due to the sensor, wherever it is
        self.sensor.site.advance_to(now_s)
        if quantity == "temperature_degC":
            return self.sensor.shown_degC(now_s)
        if quantity == "resistance_ohm":
            return self.sensor.ohm(now_s)
        if quantity == "emf_V":
            return self.sensor.emf_V(now_s)
        voltage_V = self.node.look(now_s).voltage_V
        if quantity == "current_A" and self.shunt_ohm > 0.0:
            return voltage_V / self.shunt_ohm
        return {"voltage_V": voltage_V}[quantity]

    def read(self, quantity: str, now_s: float) -> float:
        """As `Panel.read`; the quantity `function` is whatever the meter is set to measure."""
        return super().read(FUNCTIONS[self.function] if quantity == "function" else quantity, now_s)

    # -- what happens to the sensor -----------------------------------------------------------------------------

    def detach(self, now_s: float) -> None:
        """The sensor falls off the cell and feels the room from now on."""
        super().detach(now_s)
        self.sensor.site.arrive(now_s)
        self.sensor.is_attached = False

    def hold(self, now_s: float, degC: float = HAND_degC, for_s: float = 20.0) -> None:
        """A hand warms the sensor for a while."""
        self.sensor.site.arrive(now_s)
        self.sensor.hand_degC = degC
        self.sensor.site.schedule(now_s + for_s, self._let_go)

    def _let_go(self, at_s: float) -> None:
        self.sensor.site.arrive(at_s)
        self.sensor.hand_degC = None

    def break_sensor(self, how: str, now_s: float) -> None:
        """From now on the sensor is `open` or `short`; "" mends it.

        Raises:
            ValueError: for anything else.
        """
        if how not in BROKEN:
            raise ValueError(f"a sensor is open or short, not {how!r}")
        self.sensor.site.arrive(now_s)
        self.sensor.broken = how

    def freeze_sensor(self, now_s: float) -> None:
        """From now on the sensor shows what it shows now."""
        self.sensor.site.arrive(now_s)
        self.sensor.frozen_degC = self.sensor.degC(now_s)

    def lose_junction(self, now_s: float, *, lost: bool = True) -> None:
        """The instrument does not know its cold junction any more."""
        self.sensor.site.arrive(now_s)
        self.sensor.is_junction_lost = lost

    def spike(self, factor: float, for_s: float, now_s: float) -> None:
        """For a while the sensor shows `factor` times its degrees."""
        self.sensor.site.arrive(now_s)
        self.sensor.spike_until_s, self.sensor.spike_factor = now_s + for_s, factor

    def restart_sensor(self, now_s: float, for_s: float = CONVERSION_TIME_S) -> None:
        """The sensor loses power and starts again: until its first conversion it answers its power-up constant."""
        self.sensor.site.arrive(now_s)
        self.sensor.starts_until_s = now_s + for_s

    def reboot(self, now_s: float) -> None:
        """As every panel; a sensor it powers starts again."""
        super().reboot(now_s)
        self.restart_sensor(now_s)

    def swap_sensor(self, other: Meter, now_s: float) -> None:
        """The two meters' sensors were put on each other's cells."""
        here, there = self.sensor.site, other.sensor.site
        here.arrive(now_s)
        there.arrive(now_s)
        self.sensor.move(there)
        other.sensor.move(here)


class Thermometer(Meter):
    """A meter that a bench uses for the temperature alone: its voltage input, too, is the sensor's if that is a thermocouple."""

    def __init__(self, name: str, node: Site, *, sensor: Mapping[str, Any] | None = None, seed: int = 0) -> None:
        super().__init__(name, node, sensor=sensor, seed=seed)
        self.settings["function"] = Setting("TEMP", words=tuple(FUNCTIONS))
        self._restore_defaults()
        if self.sensor.make.power_up_degC is None:
            self.accuracy["temperature_degC"] = Accuracy(noise=0.1, resolution=0.01)
        if self._is_thermocouple:
            self.accuracy["voltage_V"] = self.accuracy["emf_V"]

    @property
    def _is_thermocouple(self) -> bool:
        return self.sensor.make.kind.startswith("thermocouple")

    def truth(self, quantity: str, now_s: float) -> float:
        """As a meter's; `voltage_V` of a thermocouple is its e.m.f."""
        return super().truth("emf_V" if quantity == "voltage_V" and self._is_thermocouple else quantity, now_s)
