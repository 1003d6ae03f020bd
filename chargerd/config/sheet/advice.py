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


def source_A(bench: BenchFile, name: str) -> float:
    """Return the most a source can drive: its rating."""
    return bench.instruments[name].current_max_A or 0.0


def source_V(bench: BenchFile) -> float:
    """Return the highest voltage a contact or fuse may have to break: a source out of control gives its rating."""
    ratings = (bench.instruments[channel.source].voltage_max_V or 0.0 for channel in bench.channels.values())
    return max(bench.limits.voltage_max_V, *ratings)


def leads(bench: BenchFile) -> Leads:
    """Return the wire for the largest current this bench can drive, and how long it may be.

    That is the fuse's, or a source's rating where it is more: the lead from source to rail is not behind the fuse.
    """
    most_A = max(bench.wiring.fuse_A, *(source_A(bench, channel.source) for channel in bench.channels.values()))
    section = next((size for size in CROSS_SECTIONS_mm2 if most_A / size <= DENSITY_A_per_mm2), CROSS_SECTIONS_mm2[-1])
    return Leads(section, bench.wiring.lead_ohm * section / (2 * COPPER_ohm_mm2_per_m))


def plume_mm(bench: BenchFile) -> float:
    """Return how far anything that can spark stays from the vent, were the largest charge current all gas."""
    return float(PLUME_mm_per_root * (bench.limits.charge_current_max_A * 1000) ** (1 / 3))


def wire_advice(bench: BenchFile) -> list[str]:
    """Return what to make the leads of."""
    wire = leads(bench)
    section = f"{wire.cross_section_mm2:g} mm²"
    length = f"{wire.each_m:.2f} m" if wire.each_m >= 0.1 else "less than 10 cm: measure it again"
    return [
        (
            f"Power leads, rails and links between cells: stranded copper, {section}, for the fuse of "
            f"{words(bench.wiring.fuse_A, 'current')} and for what the supply can drive before it (at most "
            f"{DENSITY_A_per_mm2:g} A per mm²: common practice, no source; sizes after IEC 60228)."
        ),
        (
            f"The file says {words(bench.wiring.lead_ohm, 'resistance')} for both leads of a cell together. In {section} copper "
            f"that is {length} for each of the two (IEC 60028: 1/58 ohm mm²/m at 20 °C). Longer leads: thicker, or write their "
            f"resistance into the file."
        ),
        (
            f"From the cell to the fuse at most {UNFUSED_MOST_mm} mm, insulated twice, fixed so that it cannot touch the other "
            f"lead: nothing protects this piece (common practice, no source)."
        ),
        *_OTHER_LEADS,
    ]


_OTHER_LEADS = (
    "Measuring leads: 0.25 mm² or more, + and − twisted together, away from power leads (common practice, no source).",
    "Red or brown for +, black or blue for −; the wire's number at both of its ends.",
)


def placement(bench: BenchFile) -> list[str]:
    """Return where things stand: away from the gas, and what the air must do."""
    current = words(bench.limits.charge_current_max_A, "current")
    far = (
        f"Hydrogen rises. Relays, the dead-man relay, supply, load, computer: at least {plume_mm(bench) / 1000:.2f} m from every "
        f"vent (28.8 mm · ∛mA at {current}, after IEC 62485-2), beside or below the cells, never above them or in one box."
    )
    return [far, *_NEAR_THE_CELL, _air(bench)]


_NEAR_THE_CELL = (
    (
        "The fuse is near the cell because the cell itself feeds a short: an enclosed cartridge in a closed holder, beside the "
        "cell or below its vent; changed only with the cell disconnected."
    ),
    (
        "Clips go on and come off with every output off and every relay open: the spark is made at the clip, in the gas. On: "
        "rail end first, cell last. Off: cell first."
    ),
    "Cells stand upright in a tray that does not burn and holds all their liquid; nothing that burns within 1 m.",
)


def _air(bench: BenchFile) -> str:
    """Return whether the openings are enough if all charge current of all channels makes gas."""
    air = bench.ventilation
    if air.outdoors:
        return "The file says: outdoors. Under a roof, leave it open above the cells: no corner where gas can collect."
    gassing_A = bench.limits.charge_current_max_A * sum(max(1, len(channel.taps)) for channel in bench.channels.values())
    needed_cm2 = OPENINGS_cm2_per_m3_per_h * AIR_m3_per_h_per_A * gassing_A
    enough = "." if air.openings_cm2 >= needed_cm2 else ": THE FILE SAYS LESS."
    return (
        f"Air: {air.room_m3:g} m³ with openings of {air.openings_cm2:g} cm². If all charge current of all cells makes gas, "
        f"{needed_cm2:.2g} cm² are needed, half of it low and half of it high (IEC 62485-2: 0.05 m³/h per ampere and cell, "
        f"28 cm² per m³/h){enough}"
    )


CAUTIONS = (
    (
        "Gas. Charging makes hydrogen and oxygen, and zinc makes hydrogen even at rest. It burns and can explode. Never seal a "
        "cell, never block its vent, no closed box; no sparks, flames or smoking near it."
    ),
    (
        "Eyes and skin. The electrolyte damages eyes badly. Goggles and gloves whenever you touch a cell. Splash: 15 minutes of "
        "water, then a doctor."
    ),
    (
        "Heat. A bad clip, a short or a wrong wire gets hot in seconds and can burn. Resistors get hot in use: mount them on "
        "metal, away from cells, paper and leads."
    ),
    "Off is not safe by itself. A supply that is off may still be connected to the cell. Disconnect the cell before you work.",
    "Only vented aqueous zinc/carbon cells. Never a sealed, lithium, lead or nickel cell.",
    "Mains wiring, fixed installations, everything connected to a building: local codes and licensed practice, not this sheet.",
)

BEFORE_POWER = (
    "Every wire tugged, and traced with a finger against the list; numbers on both ends.",
    (
        "Cells disconnected, everything off: an ohm-meter from + rail to − rail reads no short (a supply that is off may show "
        "a few hundred ohms), and every relay's contact is open."
    ),
    "Polarity at the clips with a hand meter before a cell is connected, and again after.",
    "Each relay by itself: it closes when told, and opens when its board loses power.",
    "Then the bench is proven step by step with nothing connected: `chargerd commission`.",
)
