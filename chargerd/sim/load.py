"""The panel of a simulated electronic load."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chargerd.sim.laws import Law, discharge, power, resistance
from chargerd.sim.panel import Accuracy, Condition, ConflictError, Panel, Setting, Value

if TYPE_CHECKING:
    from chargerd.sim.timeline import Site, Terminals

SHORT_OHM = 0.02
"""What the terminals of the load are when it shorts them."""


class Load(Panel):
    """Draws a constant current, or acts as a resistance, a power or a short. Its currents are positive numbers."""

    SWITCH = "input"

    input: bool
    mode: str
    current_set_A: float
    resistance_set_ohm: float
    power_set_W: float
    working_voltage_min_V: float
    ocp_level_A: float
    ocp_enabled: bool
    uvp_level_V: float
    uvp_enabled: bool

    def __init__(
        self,
        name: str,
        node: Site,
        *,
        current_max_A: float = 10.0,
        working_voltage_min_V: float = 0.0,
        lead_ohm: float = 0.02,
        seed: int = 0,
    ) -> None:
        """A load wired to `node`.

        Args:
            name: of the panel.
            node: the terminals it draws from.
            current_max_A: largest current set-point.
            working_voltage_min_V: it lets go below this voltage at its own terminals.
            lead_ohm: both leads.
            seed: of the noise.
        """
        self.ocp_tripped = self.uvp_tripped = False
        self.charge_C = 0.0
        self.hidden_A = 0.0
        self.lead_ohm = lead_ohm
        settings = {
            "input": Setting(default=False),
            "mode": Setting("CURR", words=("CURR", "RES", "POW", "SHOR")),
            "current_set_A": Setting(0.0, 0.0, current_max_A, 0.0005),
            "resistance_set_ohm": Setting(1000.0, 0.1, 10000.0, 0.01),
            "power_set_W": Setting(0.0, 0.0, 100.0, 0.001),
            "working_voltage_min_V": Setting(working_voltage_min_V, 0.0, 10.0, 0.001),
            "ocp_level_A": Setting(1.1 * current_max_A, 0.0, 1.1 * current_max_A, 0.001),
            "ocp_enabled": Setting(default=False),
            "uvp_level_V": Setting(0.0, 0.0, 60.0, 0.001),
            "uvp_enabled": Setting(default=False),
        }
        super().__init__(name, node, settings, seed=seed)
        self.accuracy = {
            "voltage_V": Accuracy(noise=0.0005, resolution=0.0001),
            "current_A": Accuracy(noise=0.0003, resolution=0.0001),
        }
        node.load = self
        node.changed()

    # -- what it does to the terminals --------------------------------------------------------------------------

    @property
    def is_tripped(self) -> bool:
        """Whether a protection is latched."""
        return self.ocp_tripped or self.uvp_tripped

    @property
    def conducts(self) -> bool:
        """Whether the input really draws from its terminals."""
        return (self.input or self.is_stuck_on or self.hidden_A > 0.0) and not self.is_tripped

    @property
    def input_shown(self) -> bool:
        """The state of the input as the panel and the wire report it."""
        return self.input and not self.is_tripped

    @property
    def mode_now(self) -> str:
        """How it draws: as set, or a constant current that a faulty input draws while it shows off."""
        return "CURR" if self._is_sinking_secretly else self.mode

    @property
    def drawn_set_A(self) -> float:
        """What it draws at constant current."""
        return self.hidden_A if self._is_sinking_secretly else self.current_set_A

    @property
    def _is_sinking_secretly(self) -> bool:
        return self.hidden_A > 0.0 and not (self.input or self.is_stuck_on)

    def sink_secretly(self, current_A: float, now_s: float) -> None:
        """From now on the input that is off, and says so, draws this current. 0 mends it."""
        self.node.arrive(now_s)
        self.hidden_A = current_A
        self.changed("fault", now_s)

    @property
    def law(self) -> Law:
        """What a cell sees with this load alone on it."""
        if self.mode_now == "CURR":
            floor_V, lead_ohm = self.working_voltage_min_V, self.lead_ohm
            return discharge(self.drawn_set_A, working_voltage_min_V=floor_V, lead_ohm=lead_ohm)
        if self.mode_now == "POW":
            return power(-self.power_set_W)
        return resistance(self.shown_ohm + self.lead_ohm)

    @property
    def shown_ohm(self) -> float:
        """What it is as a resistance, or as a short."""
        return self.resistance_set_ohm if self.mode == "RES" else SHORT_OHM

    @property
    def demand_A(self) -> float:
        """What it draws from a supply on the same terminals; by modes other than constant current, at the last voltage."""
        if self.mode_now == "CURR":
            return self.drawn_set_A
        voltage_V = max(self.node.last.voltage_V, 0.0)
        if self.mode_now == "POW":
            return self.power_set_W / voltage_V if voltage_V > 0.1 else 0.0
        return voltage_V / self.shown_ohm

    # -- actions ------------------------------------------------------------------------------------------------

    def _refuse(self, key: str, value: Value) -> None:
        if key == "input" and value and self.is_tripped:
            raise ConflictError("a protection is latched")

    def clear_protection(self, now_s: float) -> None:
        """Forget a trip; the input returns to the state it was set to."""
        self.node.arrive(now_s)
        self.ocp_tripped = self.uvp_tripped = False
        self.changed("clear", now_s)

    def _restore_defaults(self) -> None:
        super()._restore_defaults()
        self.ocp_tripped = self.uvp_tripped = False

    # -- protections and readings -------------------------------------------------------------------------------

    def drawn_A(self, terminals: Terminals) -> float:
        """Current into this load."""
        if not self.conducts:
            return 0.0
        supply = self.node.supply
        return self.node.drain_A if supply is not None and supply.conducts else -terminals.current_A

    def protection_cause(self, terminals: Terminals) -> str | None:
        """Over-current above its level; under-voltage below its level. Asked only while it conducts."""
        if self.ocp_enabled and self.drawn_A(terminals) > self.ocp_level_A:
            return "ocp"
        if self.uvp_enabled and terminals.voltage_V < self.uvp_level_V:
            return "uvp"
        return None

    def trip(self, cause: str, at_s: float) -> None:
        """Latch over-current (`ocp`) or under-voltage (`uvp`)."""
        if cause == "uvp":
            self.uvp_tripped = True
        else:
            self.ocp_tripped = True
        self.seen |= self.conditions()
        self.changed(cause, at_s)

    def note(self, terminals: Terminals, dt_s: float) -> None:
        """Count charge. Called only while it conducts."""
        self.charge_C += self.drawn_A(terminals) * dt_s
        self.seen |= Condition.CC

    def conditions(self) -> int:
        """Constant current while it draws; over-current. An under-voltage trip shows as unregulated."""
        shown = Condition.CC if self.conducts else 0
        shown |= Condition.OCP if self.ocp_tripped else 0
        return shown | (Condition.UNREGULATED if self.uvp_tripped else 0)

    def truth(self, quantity: str, now_s: float) -> float:
        """`voltage_V` at its own terminals, `current_A` into the input, `power_W`."""
        at = self.node.look(now_s)
        current_A = self.drawn_A(at)
        voltage_V = at.voltage_V - self.lead_ohm * current_A
        return {"voltage_V": voltage_V, "current_A": current_A, "power_W": voltage_V * current_A}[quantity]
