"""What can go wrong with a simulated bench itself: contacts, leads, outputs and sensors, each at one instant.

Rows of the table of faults (`faults.FAULTS`) that act on a panel alone, so that they can also be armed on panels that no
instrument speaks for (`World.arm` with `panel`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, TypeVar

from chargerd.sim.load import Load
from chargerd.sim.meter import CONVERSION_TIME_S, Meter
from chargerd.sim.panel import Panel
from chargerd.sim.ports import GROUND_ohm, Port
from chargerd.sim.relay import BOOT_S, Relay
from chargerd.sim.resistors import Lead
from chargerd.sim.sensors import HAND_degC
from chargerd.sim.supply import Supply

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from chargerd.sim.faults import Fault

P = TypeVar("P")


class OnPanel(Protocol):
    """What these effects get to work on."""

    @property
    def panel(self) -> Panel:
        """The panel that has the fault."""

    @property
    def values(self) -> Mapping[str, Any]:
        """What the kind takes, defaults filled in."""


class BenchFault(NamedTuple):
    """One row: what it is, the values it takes with their defaults, the panels that can have it, what happens."""

    about: str
    values: Mapping[str, Any]
    on: tuple[type[Panel], ...]
    event: Callable[[OnPanel, float], None]


def _as(kind: type[P], target: OnPanel) -> P:
    """The panel, if it is of the kind that can have this fault.

    Raises:
        TypeError: it is not.
    """
    if not isinstance(target.panel, kind):
        raise TypeError(f"{target.panel.name} is no {kind.__name__.lower()}")
    return target.panel


def check_may_have(panel: Panel, kind: str) -> None:
    """Refuse to arm what would fail when it happens.

    Raises:
        TypeError: this kind of panel cannot have this fault.
    """
    row = BENCH_FAULTS.get(kind)
    if row is not None and not isinstance(panel, row.on):
        raise TypeError(f"{panel.name} is a {type(panel).__name__.lower()} and cannot have {kind!r}")


def sink(target: OnPanel, now_s: float) -> None:
    """A load's input that is off draws."""
    _as(Load, target).sink_secretly(float(target.values["current_A"]), now_s)


def bleed(target: OnPanel, now_s: float) -> None:
    """A supply's output that is off draws."""
    _as(Supply, target).fit(now_s, bleed_ohm=float(target.values["ohm"]))


def crowbar(target: OnPanel, now_s: float) -> None:
    """A supply's over-voltage trips and its thyristor shorts the output."""
    supply = _as(Supply, target)
    supply.fit(now_s, crowbar_ohm=float(target.values["ohm"]))
    supply.trip("ovp", now_s)


def sense(target: OnPanel, now_s: float) -> None:
    """A supply's sense lead is open or reversed."""
    _as(Supply, target).lose_sense(float(target.values["volts"]), now_s)


def weld(target: OnPanel, now_s: float) -> None:
    """A relay's contact stays as it is said."""
    _as(Relay, target).weld(str(target.values["state"]), now_s)


def relay_boot(target: OnPanel, now_s: float) -> None:
    """The computer that drives a relay starts."""
    _as(Relay, target).boot(now_s, float(target.values["boot_s"]), str(target.values["state"]))


def relay_power(target: OnPanel, now_s: float) -> None:
    """A relay's coil loses its supply, or gets it back."""
    _as(Relay, target).power(now_s, on=bool(target.values["on"]))


def wear(target: OnPanel, now_s: float) -> None:
    """A contact, a clip or a lead has another resistance."""
    panel = _as(Lead, target) if isinstance(target.panel, Lead) else _as(Relay, target)
    panel.wear(float(target.values["ohm"]), now_s)


def flicker(target: OnPanel, now_s: float) -> None:
    """A clip or a lead opens again and again for a moment."""
    values = target.values
    _as(Lead, target).flicker(float(values["open_s"]), float(values["every_s"]), int(values["openings"]), now_s)


def ground(target: OnPanel, now_s: float) -> None:
    """An instrument's negative side is tied to the computer's ground."""
    port = target.panel.node
    if not isinstance(port, Port) or port.ground is None:
        raise ValueError(f"{target.panel.name} has no ground to be tied to")
    port.arrive(now_s)
    port.ground.ohm = float(target.values["ohm"])
    port.changed()


def sensor(target: OnPanel, now_s: float) -> None:
    """A sensor is open, shorted or well again."""
    _as(Meter, target).break_sensor(str(target.values["state"]), now_s)


def sensor_frozen(target: OnPanel, now_s: float) -> None:
    """A sensor shows for ever what it shows now."""
    _as(Meter, target).freeze_sensor(now_s)


def sensor_spike(target: OnPanel, now_s: float) -> None:
    """A sensor shows a multiple of its degrees for a moment."""
    _as(Meter, target).spike(float(target.values["factor"]), float(target.values["lasts_s"]), now_s)


def sensor_restart(target: OnPanel, now_s: float) -> None:
    """A sensor answers its power-up constant until its first conversion."""
    _as(Meter, target).restart_sensor(now_s, float(target.values["conversion_s"]))


def sensor_swap(target: OnPanel, now_s: float) -> None:
    """Two thermometers' sensors sit on each other's cells."""
    other = target.values["other"]
    if not isinstance(other, Meter):
        raise TypeError(f"{target.panel.name}: swapped with what?")
    _as(Meter, target).swap_sensor(other, now_s)


def junction(target: OnPanel, now_s: float) -> None:
    """An instrument does not know its thermocouple's cold junction any more."""
    _as(Meter, target).lose_junction(now_s, lost=bool(target.values["lost"]))


def hand(target: OnPanel, now_s: float) -> None:
    """A person warms a sensor."""
    _as(Meter, target).hold(now_s, float(target.values["degC"]), float(target.values["held_s"]))


@dataclass(slots=True)
class PanelFault:
    """An event armed on a panel that no instrument need speak for. Effects see it as their `OnPanel`."""

    panel: Panel
    fault: Fault
    event: Callable[[Any, float], None]
    has_happened: bool = False

    @property
    def values(self) -> Mapping[str, Any]:
        """What the kind takes, defaults filled in."""
        return self.fault.values

    def happen(self, now_s: float) -> None:
        """The event itself, once: one that concerns two panels is on the agenda of both."""
        if not self.has_happened:
            self.has_happened = True
            self.event(self, now_s)


BENCH_FAULTS: Mapping[str, BenchFault] = {
    "sink": BenchFault("a load that says off draws", {"current_A": 0.3}, (Load,), sink),
    "bleed": BenchFault("a supply that is off draws through its bleeder", {"ohm": 100.0}, (Supply,), bleed),
    "crowbar": BenchFault("over-voltage trips and shorts the output", {"ohm": 0.05}, (Supply,), crowbar),
    "sense": BenchFault("a sense lead is open or reversed: more comes out than is read", {"volts": 1.0}, (Supply,), sense),
    "weld": BenchFault("a contact stays closed, or open, whatever it is told", {"state": "closed"}, (Relay,), weld),
    "relay_boot": BenchFault(
        "the computer that drives a relay starts: its pins float", {"boot_s": BOOT_S, "state": "closed"}, (Relay,), relay_boot
    ),
    "relay_power": BenchFault("a relay's coil loses power, or gets it back", {"on": False}, (Relay,), relay_power),
    "wear": BenchFault("a contact, clip or lead has another resistance", {"ohm": 1.0}, (Lead, Relay), wear),
    "flicker": BenchFault(
        "a clip or lead opens for a moment, again and again", {"open_s": 0.01, "every_s": 10.0, "openings": 10}, (Lead,), flicker
    ),
    "ground": BenchFault("an instrument is not isolated from the computer's ground", {"ohm": GROUND_ohm}, (Panel,), ground),
    "sensor": BenchFault("a temperature sensor is open or short", {"state": "open"}, (Meter,), sensor),
    "sensor_frozen": BenchFault("a temperature sensor stays where it is", {}, (Meter,), sensor_frozen),
    "sensor_spike": BenchFault("a sensor jumps for a moment", {"factor": 1.2, "lasts_s": 0.05}, (Meter,), sensor_spike),
    "sensor_restart": BenchFault(
        "a sensor of degrees answers its power-up constant", {"conversion_s": CONVERSION_TIME_S}, (Meter,), sensor_restart
    ),
    "sensor_swap": BenchFault("two sensors sit on each other's cells", {"other": None}, (Meter,), sensor_swap),
    "junction": BenchFault("a thermocouple's cold junction is not known", {"lost": True}, (Meter,), junction),
    "hand": BenchFault("a warm hand on a temperature sensor", {"degC": HAND_degC, "held_s": 20.0}, (Meter,), hand),
}
"""Every fault of the bench itself. Times are values of their own, for `for_s` belongs to every fault and an event has none."""
