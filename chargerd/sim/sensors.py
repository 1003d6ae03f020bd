"""Temperature sensors: what they feel, with a lag, what they show of it, and what goes wrong with them.

A sensor sits on the cell, hangs in the room, or is warmed by a hand. What an instrument gets from it is a resistance, an
e.m.f. or degrees; open, shorted, frozen and just started sensors show what such sensors show, not an error.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, nan
from typing import TYPE_CHECKING

from chargerd.sim.bodies import Body
from chargerd.sim.curves import TYPICAL_NTC, platinum_ohm, thermistor_by_b_ohm, thermistor_ohm, thermocouple_mV

if TYPE_CHECKING:
    from chargerd.sim.timeline import Site

KINDS = ("pt100", "pt1000", "thermocouple-k", "thermocouple-t", "ntc", "degrees")
HAND_degC = 33.0
"""Skin of a warm hand; common experience, no source."""

SHORT_ohm = 0.2
SHORTED_DEGC = {"pt100": -242.0, "pt1000": -242.0, "ntc": 400.0}
"""What an instrument that reckons degrees itself makes of a short: the far end of its curve."""

BROKEN = ("", "open", "short")


@dataclass(frozen=True, slots=True)
class SensorMake:
    """What a sensor is made of and how it is mounted.

    Attributes:
        kind: one of KINDS.
        lag_s: time constant to its surroundings.
        coupling: share of the cell's warmth above the room that reaches it.
        wires: 2, 3 or 4 leads to a resistance.
        lead_ohm: one lead.
        mismatch_ohm: by which the leads of a three-wire sensor differ: all that it does not subtract.
        error_K: by which it reads too much.
        cold_junction_K: by which a thermocouple's terminals are warmer than the room.
        constants: of a thermistor, after Steinhart and Hart.
        nominal_ohm, beta_K: of a thermistor by its B value instead; 0 for the constants.
        power_up_degC: what a sensor of degrees answers before its first conversion; None for an honest one.
        open_degC: what an instrument that reckons degrees itself answers for an open sensor.
    """

    kind: str = "pt100"
    lag_s: float = 0.0
    coupling: float = 1.0
    wires: int = 4
    lead_ohm: float = 0.0
    mismatch_ohm: float = 0.0
    error_K: float = 0.0
    cold_junction_K: float = 0.0
    constants: tuple[float, float, float] = TYPICAL_NTC
    nominal_ohm: float = 0.0
    beta_K: float = 0.0
    power_up_degC: float | None = None
    open_degC: float = inf

    def __post_init__(self) -> None:
        """Refuse what is no sensor.

        Raises:
            ValueError: unknown kind, or a number of wires no sensor has.
        """
        if self.kind not in KINDS:
            raise ValueError(f"no sensor {self.kind!r}; there are {', '.join(KINDS)}")
        if self.wires not in {2, 3, 4}:
            raise ValueError(f"a sensor has 2, 3 or 4 wires, not {self.wires}")


class Sensor(Body):
    """One sensor on a site. Its faults are attributes; the panel that reads it sets them at an instant."""

    def __init__(self, make: SensorMake, site: Site) -> None:
        super().__init__(site.ambient_degC if site.cell is None else site.cell.temperature_degC, make.lag_s)
        self.make = make
        self.site = site
        self.is_attached = True
        self.hand_degC: float | None = None
        self.broken = ""
        self.frozen_degC: float | None = None
        self.is_junction_lost = False
        self.spike_until_s, self.spike_factor = -inf, 1.0
        self.starts_until_s = -inf
        self._sit(site)

    # -- what it feels ------------------------------------------------------------------------------------------

    def _around_degC(self, cell_degC: float) -> float:
        room_degC = self.site.ambient_degC
        if self.hand_degC is not None:
            return self.hand_degC
        return room_degC + self.make.coupling * (cell_degC - room_degC) if self.is_attached else room_degC

    def after(self, dt_s: float, around_degC: float) -> float:
        """As a body in what is around it now: cell, room or hand."""
        return super().after(dt_s, self._around_degC(around_degC))

    def move(self, site: Site) -> None:
        """Be taken to another site; both must have arrived at this instant."""
        if self in self.site.bodies:
            self.site.bodies.remove(self)
            self.site.changed()
        self._sit(site)
        site.changed()

    def _sit(self, site: Site) -> None:
        self.site = site
        if self.lag_s > 0.0:  # what follows at once has nothing to remember
            site.bodies.append(self)

    def felt_degC(self, now_s: float) -> float:
        """Its own temperature at `now_s`."""
        at = self.site.look(now_s)
        return self.after(max(now_s - self.site.now_s, 0.0), at.temperature_degC)

    # -- what it shows ------------------------------------------------------------------------------------------

    def degC(self, now_s: float) -> float:
        """What its element shows as a temperature, its own errors included."""
        degC = self.felt_degC(now_s) + self.make.error_K if self.frozen_degC is None else self.frozen_degC
        return degC * self.spike_factor if now_s < self.spike_until_s else degC

    def ohm(self, now_s: float) -> float:
        """What an ohmmeter reads, leads included: infinite if it is open, and of a sensor that is no resistance."""
        make = self.make
        if self.broken == "open" or make.kind.startswith("thermocouple") or make.kind == "degrees":
            return inf
        leads_ohm = {2: 2.0 * make.lead_ohm, 3: make.mismatch_ohm, 4: 0.0}[make.wires]
        if self.broken == "short":
            return SHORT_ohm + leads_ohm
        degC = self.degC(now_s)
        if make.kind != "ntc":
            return platinum_ohm(degC, 100.0 if make.kind == "pt100" else 1000.0) + leads_ohm
        if make.beta_K > 0.0:
            return thermistor_by_b_ohm(degC, make.nominal_ohm, make.beta_K) + leads_ohm
        return thermistor_ohm(degC, make.constants) + leads_ohm

    @property
    def junction_degC(self) -> float:
        """Where a thermocouple's leads end."""
        return self.site.ambient_degC + self.make.cold_junction_K

    def emf_V(self, now_s: float) -> float:
        """What a voltmeter reads of a thermocouple: infinite if it is open, nothing of any other sensor."""
        if not self.make.kind.startswith("thermocouple"):
            return 0.0
        if self.broken:
            return inf if self.broken == "open" else 0.0  # a short is a junction at the terminals
        letter = self.make.kind[-1]
        return (thermocouple_mV(letter, self.degC(now_s)) - thermocouple_mV(letter, self.junction_degC)) / 1000.0

    def shown_degC(self, now_s: float) -> float:
        """What an instrument that reckons degrees itself answers."""
        make = self.make
        if now_s < self.starts_until_s and make.power_up_degC is not None:
            return make.power_up_degC
        is_couple = make.kind.startswith("thermocouple")
        if self.broken == "open":
            return make.open_degC
        if self.broken == "short":
            return self.junction_degC if is_couple else SHORTED_DEGC.get(make.kind, nan)
        return nan if is_couple and self.is_junction_lost else self.degC(now_s)
