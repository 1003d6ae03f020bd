"""The panel of a simulated power supply: constant current with a voltage limit, over-voltage and over-current trips."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chargerd.sim.panel import Accuracy, Condition, ConflictError, Panel, Setting, Value

if TYPE_CHECKING:
    from chargerd.sim.timeline import Site, Terminals

REGULATION_SLACK = 1e-6
"""Relative distance to the current limit below which the supply counts as limiting current."""


class Supply(Panel):
    """One output of a supply. It delivers current and, as nearly all bench supplies, cannot sink any."""

    SWITCH = "output"

    voltage_set_V: float
    current_set_A: float
    output: bool
    ovp_level_V: float
    ovp_enabled: bool
    ocp_level_A: float
    ocp_enabled: bool
    remote_sense: bool
    power_on_output: str

    def __init__(
        self,
        name: str,
        node: Site,
        *,
        voltage_max_V: float = 30.0,
        current_max_A: float = 3.0,
        lead_ohm: float = 0.02,
        trips_when_limiting: bool = False,
        bleed_ohm: float | None = None,
        crowbar_ohm: float | None = None,
        seed: int = 0,
    ) -> None:
        """An output wired to `node`.

        Args:
            name: of the panel.
            node: the terminals it feeds.
            voltage_max_V: largest voltage set-point; the over-voltage level reaches 10 % further.
            current_max_A: largest current set-point.
            lead_ohm: both leads; without remote sense their drop is missing at the cell.
            trips_when_limiting: an enabled over-current protection trips as soon as the supply limits current,
                instead of above its own level.
            bleed_ohm: what an output that is off still draws from a cell; None for nothing.
            crowbar_ohm: a thyristor that shorts the output when over-voltage trips; None for a supply that lets go.
            seed: of the noise.
        """
        self.lead_ohm = lead_ohm
        self.ovp_tripped = self.ocp_tripped = False
        self.charge_C = 0.0
        self._trips_when_limiting = trips_when_limiting
        self._bleed_ohm, self._crowbar_ohm = bleed_ohm, crowbar_ohm
        self.sense_error_V = 0.0
        self._regulates = 0
        settings = {
            "voltage_set_V": Setting(0.0, 0.0, voltage_max_V, 0.001),
            "current_set_A": Setting(0.1 * current_max_A, 0.0, current_max_A, 0.0005),
            "output": Setting(default=False),
            "ovp_level_V": Setting(1.1 * voltage_max_V, 0.1, 1.1 * voltage_max_V, 0.01),
            "ovp_enabled": Setting(default=True),
            "ocp_level_A": Setting(1.1 * current_max_A, 0.0, 1.1 * current_max_A, 0.001),
            "ocp_enabled": Setting(default=False),
            "remote_sense": Setting(default=False),
            "power_on_output": Setting("OFF", words=("OFF", "LAST", "ON")),
        }
        super().__init__(name, node, settings, seed=seed)
        self.accuracy = {
            "voltage_V": Accuracy(noise=0.0005, resolution=0.0001),
            "current_A": Accuracy(noise=0.0003, resolution=0.0001),
        }
        node.supply = self
        node.changed()

    # -- what it does to the terminals --------------------------------------------------------------------------

    @property
    def is_tripped(self) -> bool:
        """Whether a protection is latched."""
        return self.ovp_tripped or self.ocp_tripped

    @property
    def conducts(self) -> bool:
        """Whether the output really drives its terminals."""
        return (self.output or self.is_stuck_on) and not self.is_tripped

    @property
    def output_shown(self) -> bool:
        """The state of the output as the panel and the wire report it: a trip shows as off."""
        return self.output and not self.is_tripped

    @property
    def lead_drop_ohm(self) -> float:
        """Resistance whose drop is missing at the cell."""
        return 0.0 if self.remote_sense else self.lead_ohm

    @property
    def regulated_V(self) -> float:
        """Voltage it holds where it senses: its set-point, and what an open or reversed sense lead adds to it."""
        return self.voltage_set_V + self.sense_error_V

    @property
    def parallel_ohm(self) -> float | None:
        """What the output that drives nothing still lays across the cell."""
        return self._crowbar_ohm if self.ovp_tripped and self._crowbar_ohm is not None else self._bleed_ohm

    # -- actions ------------------------------------------------------------------------------------------------

    def _refuse(self, key: str, value: Value) -> None:
        if key == "output" and value and self.is_tripped:
            raise ConflictError("a protection is latched")

    def clear_protection(self, now_s: float) -> None:
        """Forget a trip. The output returns to the state it was set to, as the programming manuals of bench supplies
        have it: one that was on before the trip drives the cell again at once.
        """
        self.node.arrive(now_s)
        self.ovp_tripped = self.ocp_tripped = False
        self.changed("clear", now_s)

    def lose_sense(self, error_V: float, now_s: float) -> None:
        """A sense lead opens or is reversed: from now on the output is `error_V` above what it reads. 0 mends it."""
        self.node.arrive(now_s)
        self.sense_error_V = error_V
        self.changed("fault", now_s)

    def fit(self, now_s: float, *, bleed_ohm: float | None = None, crowbar_ohm: float | None = None) -> None:
        """From now on the output that is off draws through a bleeder, the one that tripped through a thyristor."""
        self.node.arrive(now_s)
        self._bleed_ohm = self._bleed_ohm if bleed_ohm is None else bleed_ohm
        self._crowbar_ohm = self._crowbar_ohm if crowbar_ohm is None else crowbar_ohm
        self.changed("fault", now_s)

    def _restore_defaults(self) -> None:
        super()._restore_defaults()
        self.ovp_tripped = self.ocp_tripped = False

    def reset(self, now_s: float) -> None:
        """`*RST`; what the output does at power-on is kept in its memory."""
        kept = self.power_on_output
        super().reset(now_s)
        self.power_on_output = kept

    def reboot(self, now_s: float) -> None:
        """Lose power and come back as `power_on_output` says."""
        kept: dict[str, Value] = {"power_on_output": self.power_on_output}
        if self.power_on_output != "OFF":
            keys = ("voltage_set_V", "current_set_A", "output")
            kept |= {key: self.get(key) for key in keys}
        if self.power_on_output == "ON":
            kept["output"] = True
        super().reboot(now_s)
        for key, value in kept.items():
            setattr(self, key, value)
        self.changed("reboot", now_s)

    # -- protections and readings -------------------------------------------------------------------------------

    def delivered_A(self, terminals: Terminals) -> float:
        """Current out of this output."""
        return terminals.current_A + self.node.drain_A if self.conducts else 0.0

    def voltage_at_output_V(self, terminals: Terminals) -> float:
        """What the supply takes for the voltage where it senses."""
        return terminals.voltage_V + self.lead_drop_ohm * self.delivered_A(terminals) - self._believed_error_V

    @property
    def _believed_error_V(self) -> float:
        return self.sense_error_V if self.conducts else 0.0

    def protection_cause(self, terminals: Terminals) -> str | None:
        """Over-voltage first: it is the one that must not wait, and it sees the true voltage. Asked only while it conducts."""
        current_A = terminals.current_A + self.node.drain_A
        if self.ovp_enabled and terminals.voltage_V + self.lead_drop_ohm * current_A > self.ovp_level_V:
            return "ovp"
        if self.ocp_enabled:
            if self._trips_when_limiting and current_A >= self.current_set_A * (1.0 - REGULATION_SLACK):
                return "ocp"
            if current_A > self.ocp_level_A:
                return "ocp"
        return None

    def trip(self, cause: str, at_s: float) -> None:
        """Latch over-voltage (`ovp`) or over-current (`ocp`)."""
        if cause == "ovp":
            self.ovp_tripped = True
        else:
            self.ocp_tripped = True
        self.seen |= self.conditions()
        self.changed(cause, at_s)

    def note(self, terminals: Terminals, dt_s: float) -> None:
        """Count charge and remember how the output regulates. Called only while it conducts."""
        current_A = terminals.current_A + self.node.drain_A
        self.charge_C += current_A * dt_s
        is_limiting = current_A >= self.current_set_A * (1.0 - REGULATION_SLACK)
        self._regulates = Condition.CC if is_limiting else Condition.CV
        self.seen |= self._regulates

    def conditions(self) -> int:
        """Regulation and latched protections, bits of Condition."""
        shown = self._regulates if self.conducts else 0
        shown |= Condition.OVP if self.ovp_tripped else 0
        return shown | (Condition.OCP if self.ocp_tripped else 0)

    def truth(self, quantity: str, now_s: float) -> float:
        """`voltage_V` where it senses, `current_A` out of the output, `power_W`."""
        at = self.node.look(now_s)
        if quantity == "current_A":
            return self.delivered_A(at)
        voltage_V = self.voltage_at_output_V(at)
        return {"voltage_V": voltage_V, "power_W": voltage_V * self.delivered_A(at)}[quantity]
