"""Wire sizes, distances and cautions of the wiring sheet, each number with where it comes from."""

from __future__ import annotations

from dataclasses import dataclass

from chargerd.config.bench import BenchFile
from chargerd.config.safety_time import AIR_m3_per_h_per_A, OPENINGS_cm2_per_m3_per_h
from chargerd.config.sheet.circuit import UNFUSED_MOST_mm
from chargerd.units import words

COPPER_ohm_mm2_per_m = 1 / 58
"""Resistivity of annealed copper at 20 °C (IEC 60028, from memory)."""
CROSS_SECTIONS_mm2 = (0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0)
"""Nominal cross-sections (IEC 60228, from memory); thinner than 0.75 mm² breaks too easily at a clip."""
DENSITY_A_per_mm2 = 5.0
"""Copper lead on a bench, in free air (common practice, no source)."""
PLUME_mm_per_root = 28.8
"""Distance to sparks: d = 28.8 mm · ∛(gassing current in mA) (IEC 62485-2, from memory)."""


@dataclass(frozen=True, slots=True)
class Leads:
    """`cross_section_mm2` for the fuse; `each_m`: the length of each of two leads that has the resistance the file says."""

    cross_section_mm2: float
    each_m: float


def leads(bench: BenchFile) -> Leads:
    """Return the wire for this bench's fuse, and how long it may be."""
    fuse_A = bench.wiring.fuse_A
    section = next(size for size in CROSS_SECTIONS_mm2 if fuse_A / size <= DENSITY_A_per_mm2)
    return Leads(section, bench.wiring.lead_ohm * section / (2 * COPPER_ohm_mm2_per_m))


def plume_mm(bench: BenchFile) -> float:
    """Return how far anything that can spark stays from the vent, were the largest charge current all gas."""
    return float(PLUME_mm_per_root * (bench.limits.charge_current_max_A * 1000) ** (1 / 3))


def wire_advice(bench: BenchFile) -> list[str]:
    """Return what to make the leads of."""
    wire = leads(bench)
    length = f"{wire.each_m:.2f} m" if wire.each_m >= 0.1 else "less than 10 cm: measure it again"
    return [
        (
            f"Power leads, rails and links between cells: stranded copper, {wire.cross_section_mm2:g} mm² for the "
            f"{words(bench.wiring.fuse_A, 'current')} fuse (at most {DENSITY_A_per_mm2:g} A per mm²: common practice, no "
            f"source; "
            "sizes after IEC 60228)."
        ),
        (
            f"The file says {words(bench.wiring.lead_ohm, 'resistance')} for both leads of a cell together. In "
            f"{wire.cross_section_mm2:g} "
            f"mm² copper that is {length} for each of the two (IEC 60028: 1/58 ohm mm²/m at 20 °C). Longer leads: "
            f"thicker, or write "
            "their resistance into the file."
        ),
        (
            f"From the cell to the fuse at most {UNFUSED_MOST_mm} mm, insulated twice, fixed so that it cannot touch the "
            f"other lead: "
            "nothing protects this piece (common practice, no source)."
        ),
        (
            "Measuring leads: 0.25 mm² or more, + and − twisted together, not bundled with power leads (common practice, no "
            "source)."
        ),
        "Red or brown for +, black or blue for −; the wire's number at both of its ends.",
    ]


def placement(bench: BenchFile) -> list[str]:
    """Return where things stand: away from the gas, and what the air must do."""
    metres = plume_mm(bench) / 1000
    current = words(bench.limits.charge_current_max_A, "current")
    air = bench.ventilation
    needed_cm2 = OPENINGS_cm2_per_m3_per_h * AIR_m3_per_h_per_A * bench.limits.charge_current_max_A * max(1, len(bench.channels))
    rows = [
        (
            f"Hydrogen rises. Relays, the dead-man relay, fuse holders, supply, load, computer: at least {metres:.2f} m "
            f"from every vent "
            f"(28.8 mm · ∛mA at {current}, after IEC 62485-2), beside or below the cells, never above them and never in "
            f"one box with them."
        ),
        (
            "Clips go on and come off with every output off and every relay open: the spark is made at the clip, in the "
            "gas. On: rail "
            "end first, cell last. Off: cell first."
        ),
        "Cells stand upright in a tray that does not burn and holds all their liquid; nothing that burns within 1 m.",
    ]
    if air.outdoors:
        return [*rows, "The file says: outdoors. Under a roof, leave it open above the cells: no corner where gas can collect."]
    said = f"{air.openings_cm2:g} cm²" if air.openings_cm2 else "none"
    return [
        *rows,
        f"Air: {air.room_m3:g} m³ with openings of {said}. If all charge current of all channels makes gas, "
        f"{needed_cm2:.2g} cm² are "
        "needed, half of it low and half of it high (IEC 62485-2: 0.05 m³/h per ampere, 28 cm² per m³/h)"
        + ("." if air.openings_cm2 >= needed_cm2 else ": THE FILE SAYS LESS."),
    ]


CAUTIONS = (
    (
        "Gas. Charging makes hydrogen and oxygen, and zinc makes hydrogen even at rest. It burns and can explode. Never "
        "seal a cell, "
        "never block its vent, no closed box; no sparks, flames or smoking near it."
    ),
    (
        "Eyes and skin. The electrolyte damages eyes badly. Goggles and gloves whenever you touch a cell. Splash: 15 "
        "minutes of "
        "water, then a doctor."
    ),
    (
        "Heat. A bad clip, a short or a wrong wire gets hot in seconds and can burn. Resistors get hot in use: mount "
        "them on metal, "
        "away from cells, paper and leads."
    ),
    "Off is not safe by itself. A supply that is off may still be connected to the cell. Disconnect the cell before you work.",
    "Only vented aqueous zinc/carbon cells. Never a sealed, lithium, lead or nickel cell.",
    (
        "Mains wiring, fixed installations and everything connected to a building: local codes and licensed practice, not "
        "this sheet."
    ),
)

BEFORE_POWER = (
    "Every wire tugged, and traced with a finger against the list; numbers on both ends.",
    (
        "Cells disconnected: ohm-meter from + rail to − rail reads open (with every relay open), and every relay's contact "
        "is open."
    ),
    "Polarity at the clips with a hand meter before a cell is connected, and again after.",
    "Each relay by itself: it closes when told, and opens when its board loses power.",
    "Then the bench is proven step by step with nothing connected: `chargerd commission`.",
)
