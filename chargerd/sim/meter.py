"""Panels that only look: a meter across the cell and a thermometer on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chargerd.sim.panel import Accuracy, Panel, Setting

if TYPE_CHECKING:
    from chargerd.sim.timeline import Site

PT100_A_per_degC, PT100_B_per_degC2 = 3.9083e-3, -5.775e-7
"""Platinum resistance above 0 °C after IEC 60751: R = 100 ohm * (1 + A t + B t²)."""

FUNCTIONS = {"VOLT": "voltage_V", "TEMP": "temperature_degC", "RES": "resistance_ohm"}
"""Functions of the meter by their SCPI words, with the quantity each reads."""


class Meter(Panel):
    """A meter with its voltage input at the cell's own terminals and a platinum sensor on the cell."""

    function: str
    range_V: float
    cycles: float

    def __init__(self, name: str, node: Site, *, seed: int = 0) -> None:
        settings = {
            "function": Setting("VOLT", words=tuple(FUNCTIONS)),
            "range_V": Setting(10.0, 0.1, 1000.0),
            "cycles": Setting(1.0, 0.02, 100.0),
        }
        super().__init__(name, node, settings, seed=seed)
        self.accuracy = {
            "voltage_V": Accuracy(noise=2e-5, resolution=1e-5),
            "temperature_degC": Accuracy(noise=0.02, resolution=0.01),
            "resistance_ohm": Accuracy(noise=0.005, resolution=0.001),
        }

    def truth(self, quantity: str, now_s: float) -> float:
        """`voltage_V` at the cell, `temperature_degC` and `resistance_ohm` of the sensor, `function` for the set one."""
        at = self.node.look(now_s)
        degC = at.temperature_degC if self.is_attached else self.node.ambient_degC
        ohm = 100.0 * (1.0 + PT100_A_per_degC * degC + PT100_B_per_degC2 * degC * degC)
        return {"voltage_V": at.voltage_V, "temperature_degC": degC, "resistance_ohm": ohm}[quantity]

    def read(self, quantity: str, now_s: float) -> float:
        """As `Panel.read`; the quantity `function` is whatever the meter is set to measure."""
        return super().read(FUNCTIONS[self.function] if quantity == "function" else quantity, now_s)


class Thermometer(Meter):
    """A meter that a bench uses for the temperature alone."""

    def __init__(self, name: str, node: Site, *, seed: int = 0) -> None:
        super().__init__(name, node, seed=seed)
        self.settings["function"] = Setting("TEMP", words=tuple(FUNCTIONS))
        self._restore_defaults()
        self.accuracy["temperature_degC"] = Accuracy(noise=0.1, resolution=0.01)
