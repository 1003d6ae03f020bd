"""What a bench cannot know, by the fault that takes the knowledge away. Each reason is printed in the safety case.

An excuse is narrow: one fault, the quantities it hides, the invariants that then cannot be judged by them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.campaign.script import Raw, Script

LIES = ("unit", "freeze", "scale", "offset", "reading", "fahrenheit", "stale")
NO_CHECK = ("garble", "flip", "truncate", "replace", "spell")
ONE_MESSAGE = (
    "hang", "mute", "drop", "garble", "truncate", "late", "slow", "shift", "duplicate", "echo", "flood", "drip", "not_a_number", "infinite",
    "spell", "replace", "flip",
)  # fmt: skip
MEASURES = {
    "plain": {"supply": {"voltage_V", "current_A"}, "load": {"current_A"}, "probe": {"temperature_degC"}},
    "relay": {"supply": {"current_A"}, "load": {"current_A"}, "probe": {"temperature_degC"}},
}
"""What nobody else measures, by story and instrument; the voltage of `relay` is measured by meter and supply, and any one may trip."""
SHOWS = {"supply": {"voltage_V", "current_A"}, "load": {"current_A", "voltage_V"}, "meter": {"voltage_V"}, "probe": {"temperature_degC"}}


@dataclass(frozen=True)
class Excuse:
    """Why, for these kinds of fault, something cannot be judged."""

    kinds: tuple[str, ...]
    what: str
    reason: str


EXCUSES = (
    Excuse(LIES, "what only the lying instrument measures", "one instrument that lies within its range cannot be told from an honest one without a second that measures the same"),
    Excuse(NO_CHECK, "the value of that reply", "SCPI replies carry no check value: a changed digit is a number like any other, until the next reading"),
    Excuse(("detach", "sensor_frozen", "hand", "sensor_spike", "sensor_restart", "sensor"), "the cell's temperature", "one thermometer that is not on the cell reads something else; the warm-hand proof before the run stands for it, and a second sensor or a thermal cut-out is advised"),
    Excuse(("sense", "leads"), "the voltage and current recorded", "leads off, or a sense lead open: what the instrument shows is not the cell's"),
    Excuse(("sink",), "source and load together, current recorded", "a load that says off is asked for its current at each full reading only, every 60 s; found there it trips"),
    Excuse(("bleed", "stick_on", "crowbar"), "the current recorded and counted", "an output that says off and 0 A while a current flows is found by the voltage only; without a relay the fuse remains"),
    Excuse(("deaf",), "the order of bytes and links (INV-04)", "what was written to a port that did not read arrives later, over a link that was proven when it was written"),
    Excuse(("foreign",), "messages of the other program (INV-04, INV-19, INV-25)", "they are its, not ours"),
    Excuse(("an excursion of the cell",), "values recorded (INV-19)", "while the world moves fast, a scan that waits for silent instruments spans seconds of it; and a heater beside the cell warms its sensor"),
    Excuse(("reboot", "wear"), "the recorded voltage of a meter (INV-19)", "an instrument that starts anew, or a worn contact, shows something else for a moment"),
)  # fmt: skip


@dataclass
class Blind:
    """`quantities` protection cannot know, `readings` that may be recorded wrongly, `invariants` that cannot be judged at all."""

    quantities: set[str] = field(default_factory=set)
    readings: set[str] = field(default_factory=set)
    invariants: set[str] = field(default_factory=set)
    lag_K: float = 0.5
    """A thermometer's own accuracy."""


def blind_of(script: Script) -> Blind:
    blind = Blind()
    for raw in script.faults:
        _hide(blind, script.story, raw)
    if script.excursions:
        blind.invariants.add("INV-19")
    return blind


def _hide(blind: Blind, story: str, raw: Raw) -> None:
    kind, where = raw["kind"], raw.get("peer") or raw.get("panel")
    if kind in LIES or kind in NO_CHECK:
        blind.readings |= SHOWS.get(where, set())
        blind.quantities |= MEASURES.get(story, MEASURES["plain"]).get(where, set())
    elif kind in ("detach", "sensor_frozen", "hand", "sensor_spike", "sensor_restart", "sensor"):
        blind.readings.add("temperature_degC")
        blind.quantities.add("temperature_degC")
    elif kind in ("sense", "leads", "reboot", "wear", "flicker"):
        blind.readings |= {"voltage_V", "current_A"}
        if kind in ("sense", "leads"):
            blind.quantities |= {"voltage_V", "current_A"}
    elif kind in ("sink", "bleed", "stick_on", "crowbar"):
        blind.readings |= {"voltage_V", "current_A"}
        blind.invariants |= {"INV-08"} | ({"INV-01", "INV-02", "INV-03"} if kind == "sink" else set())
    elif kind == "deaf":
        blind.invariants.add("INV-04")
    elif kind == "foreign":
        blind.invariants |= {"INV-04"}
        blind.readings |= SHOWS.get(where, set())


def nuisance_is_wrong(script: Script) -> bool:
    """Whether nothing but one message was lost, or answered with what is no value."""
    if script.excursions or script.acts or len(script.faults) != 1:
        return False
    (raw,) = script.faults
    return raw["kind"] in ONE_MESSAGE and raw["kind"] != "replace" and raw.get("times", 1) == 1 and "for_s" not in raw
