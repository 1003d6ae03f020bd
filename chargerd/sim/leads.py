"""What can be wrong between an instrument and a simulated cell, and the noise on what is read.

The cell keeps its own truth; `Leads` says what an instrument at the other end of the wires drives and reads.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp
from random import Random
from typing import TYPE_CHECKING, NamedTuple

from chargerd.sim.laws import REST, Law, constant_current

if TYPE_CHECKING:
    from chargerd.sim.cell import Cell

OPEN_ohm = 1e9
"""An open lead: a supply then reads its own voltage limit and no current."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """How the leads are connected. The defaults are good leads.

    Attributes:
        is_reversed: plus on minus.
        is_open: a lead that carries current has come off.
        is_sense_off: voltage is read at the instrument, so the leads' drop adds to it.
        lead_ohm: both leads together; a law that senses before the leads has it too (`laws.charge`).
        loose_ohm: extra resistance of an intermittent contact, while it is bad.
        loose_good_s, loose_bad_s: how long on average it stays good, and bad.
    """

    is_reversed: bool = False
    is_open: bool = False
    is_sense_off: bool = False
    lead_ohm: float = 0.0
    loose_ohm: float = 0.0
    loose_good_s: float = 20.0
    loose_bad_s: float = 5.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Standard deviations of what is read."""

    voltage_V: float = 0.5e-3
    current_A: float = 0.3e-3
    temperature_K: float = 0.1


class Seen(NamedTuple):
    """What an instrument reads at one instant."""

    voltage_V: float
    current_A: float
    temperature_degC: float


class Leads:
    """A cell as seen through its leads. `wiring` may be changed at any time; the next step or `apply` feels it."""

    __slots__ = ("_contact_ohm", "_is_bad", "_law", "_random", "cell", "noise", "wiring")

    def __init__(self, cell: Cell, wiring: Wiring | None = None, *, noise: Noise | None = None, seed: int = 0) -> None:
        """Connect a cell; the same seed gives the same noise and the same breaks."""
        self.cell = cell
        self.wiring = wiring or Wiring()
        self.noise = noise or Noise()
        self._random = Random(seed)
        self._is_bad = False
        self._contact_ohm = cell.contact_ohm
        self._law = REST

    def apply(self, law: Law) -> None:
        """Connect something else at the instrument's end; no time passes."""
        self.step(0.0, law)

    def step(self, dt_s: float, law: Law) -> None:
        """Let the cell take one step under what reaches it of `law`. A loose contact makes or breaks between steps."""
        wiring = self.wiring
        if wiring.loose_ohm > 0.0:
            # Random telegraph: each state ends after an exponentially distributed time.
            stay_s = wiring.loose_bad_s if self._is_bad else wiring.loose_good_s
            if self._random.random() > exp(-dt_s / stay_s):
                self._is_bad = not self._is_bad
        else:
            self._is_bad = False
        self.cell.contact_ohm = self._contact_ohm + (wiring.loose_ohm if self._is_bad else 0.0)
        self._law = law
        self.cell.step(dt_s, self._reaching(law))

    @property
    def current_A(self) -> float:
        """Current the instrument drives, in its own sign."""
        return -self.cell.current_A if self.wiring.is_reversed else self.cell.current_A

    @property
    def voltage_V(self) -> float:
        """Voltage where the instrument senses it, in its own sign."""
        wiring = self.wiring
        cell_V = -self.cell.voltage_V if wiring.is_reversed else self.cell.voltage_V
        if wiring.is_open:
            # What is left behind the open lead: a source shows its limit, a resistor or a current sink nothing.
            return 0.0 if self._is_dead(self._law) else cell_V + self.current_A * (OPEN_ohm + self._law.series_ohm)
        return cell_V + self.current_A * wiring.lead_ohm if wiring.is_sense_off else cell_V

    def read(self) -> Seen:
        """One noisy reading; asking never changes the cell."""
        gauss, noise = self._random.gauss, self.noise
        return Seen(
            self.voltage_V + gauss(0.0, noise.voltage_V),
            self.current_A + gauss(0.0, noise.current_A),
            self.cell.temperature_degC + gauss(0.0, noise.temperature_K),
        )

    def _reaching(self, law: Law) -> Law:
        wiring, cell = self.wiring, self.cell
        if wiring.is_open:
            if self._is_dead(law):
                return REST
            law = replace(law, series_ohm=law.series_ohm + OPEN_ohm)
        if not wiring.is_reversed:
            return law
        if law.power_W is not None:
            return constant_current(-law.current_A(-cell.electrode_voltage_V, cell.resistance_ohm))
        return law.mirrored()

    @staticmethod
    def _is_dead(law: Law) -> bool:
        """Whether an open lead leaves this law without any voltage of its own."""
        return law.is_fixed_current or law.power_W is not None
