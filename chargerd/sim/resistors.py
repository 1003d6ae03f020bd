"""Power resistors and shunts: a value, how wrong its label is, and how it drifts as its own power warms it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chargerd.sim.bodies import Body
from chargerd.sim.panel import Panel

if TYPE_CHECKING:
    from chargerd.sim.ports import ContactPort
    from chargerd.sim.timeline import Terminals

DRIFT_MIN = 1e-5
"""A change of resistance below this share is not worth solving the circuit again."""


class Resistor(Panel):
    """A resistor, or a shunt for a meter to be put across: nothing to set, nothing to switch.

    Attributes:
        charge_C: passed from its first net to its second.
        energy_J: turned into heat.
    """

    def __init__(
        self,
        name: str,
        node: ContactPort,
        *,
        ohm: float,
        error: float = 0.0,
        per_K: float = 0.0,
        warming_K_per_W: float = 0.0,
        lag_s: float = 120.0,
        seed: int = 0,
    ) -> None:
        """A resistor that is `node`.

        Args:
            name: of the panel.
            node: the two nets it joins.
            ohm: what its label says.
            error: share by which it really differs when cold: 0.05 is 5 % too large.
            per_K: share by which it grows per kelvin.
            warming_K_per_W: how hot a watt makes it.
            lag_s: time constant of that.
            seed: of the noise.
        """
        self.node: ContactPort = node
        self.cold_ohm = ohm * (1.0 + error)
        self.charge_C = self.energy_J = 0.0
        self._per_K, self._warming_K_per_W = per_K, warming_K_per_W
        super().__init__(name, node, {}, seed=seed)
        self._heat = Body(node.ambient_degC, lag_s)
        node.ohm = self.cold_ohm
        node.panel = self

    @property
    def temperature_degC(self) -> float:
        """Its own, as of the last grid point."""
        return self._heat.temperature_degC

    def note(self, terminals: Terminals, dt_s: float) -> None:
        """Count charge and heat, and drift."""
        power_W = terminals.voltage_V * terminals.current_A
        self.charge_C += terminals.current_A * dt_s
        self.energy_J += power_W * dt_s
        if self._per_K == 0.0 or dt_s == 0.0:
            return
        self._heat.pass_time(dt_s, self.node.ambient_degC + self._warming_K_per_W * power_W)
        warm_ohm = self.cold_ohm * (1.0 + self._per_K * (self._heat.temperature_degC - self.node.ambient_degC))
        if self.node.ohm is not None and abs(warm_ohm - self.node.ohm) > DRIFT_MIN * warm_ohm:
            self.node.drift(warm_ohm)

    def truth(self, quantity: str, now_s: float) -> float:
        """`current_A`, `voltage_V`, `power_W`, `resistance_ohm`, `temperature_degC`."""
        at = self.node.look(now_s)
        return {
            "current_A": at.current_A,
            "voltage_V": at.voltage_V,
            "power_W": at.voltage_V * at.current_A,
            "resistance_ohm": self.node.ohm or self.cold_ohm,
            "temperature_degC": self._heat.temperature_degC,
        }[quantity]
