"""Conductors that have a name: leads and clips that wear, power resistors and shunts that drift as their power warms them."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

from chargerd.sim.bodies import Body
from chargerd.sim.panel import Panel

if TYPE_CHECKING:
    from chargerd.sim.ports import ContactPort
    from chargerd.sim.timeline import Terminals

DRIFT_MIN = 1e-5
"""A change of resistance below this share is not worth solving the circuit again."""


class Lead(Panel):
    """A lead, a link or a pair of clips: nothing to set, and it may get loose."""

    def __init__(self, name: str, node: ContactPort, *, ohm: float, seed: int = 0) -> None:
        """A conductor of `ohm` that is `node`."""
        self.node: ContactPort = node
        self._ohm = ohm
        self._openings = 0
        self._open_s = self._every_s = 0.0
        super().__init__(name, node, {}, seed=seed)
        node.ohm = ohm

    def wear(self, ohm: float, now_s: float) -> None:
        """From now on it has this resistance; infinite is off."""
        self.node.arrive(now_s)
        self._ohm = ohm
        self._conduct(ohm)

    def flicker(self, open_s: float, every_s: float, openings: int, now_s: float) -> None:
        """From now on it opens for `open_s` each `every_s`, so many times."""
        self._open_s, self._every_s, self._openings = open_s, every_s, openings
        self._open(now_s)

    def _open(self, at_s: float) -> None:
        self.node.arrive(at_s)
        self._openings -= 1
        self._conduct(inf)
        self.node.schedule(at_s + self._open_s, self._close)
        if self._openings > 0:
            self.node.schedule(at_s + self._every_s, self._open)

    def _close(self, at_s: float) -> None:
        self.node.arrive(at_s)
        self._conduct(self._ohm)

    def _conduct(self, ohm: float) -> None:
        self.node.ohm = ohm if ohm < inf else None
        self.node.changed()

    def truth(self, quantity: str, now_s: float) -> float:
        """`current_A` through it, `voltage_V` across it, `resistance_ohm`."""
        at = self.node.look(now_s)
        ohm = inf if self.node.ohm is None else self.node.ohm
        return {"current_A": at.current_A, "voltage_V": at.voltage_V, "resistance_ohm": ohm}[quantity]


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
