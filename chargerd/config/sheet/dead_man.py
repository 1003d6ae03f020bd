"""The dead-man relay as a person builds it: what it is for, how it works, what to buy, how to prove it.

A worked example, computed here from its own formulas; nobody has built this one yet, and the text says so.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence

from chargerd.config.bench import BenchFile
from chargerd.units import words

WIDTH = 118
TOGGLE_s = 0.5
"""The guarding process toggles the line this often (keeper.py)."""
BUFFER_V = 5.0
DIODE_V = 0.3
"""A Schottky diode at microamperes."""
GATE_V = (1.2, 2.5)
"""Between these a logic-level transistor begins to carry a small relay's coil current; parts differ."""
PUMP_F = 10e-6
HOLD_F = 4.7e-6
BLEED_ohm = 820e3


def held_V() -> float:
    """Return the voltage the stage settles at just before the next charge, toggled for ever.

    Each rising edge shares the charge of the pump capacitor with the hold capacitor; between two of them the resistor bleeds it.
    With U = buffer − two diodes: after an edge v' = v + (U − v) · Cp/(Cp + Ch); after two toggles v = v' · exp(−2·t/(R·Ch)).
    """
    share = PUMP_F / (PUMP_F + HOLD_F)
    decay = math.exp(-2 * TOGGLE_s / (BLEED_ohm * HOLD_F))
    return (BUFFER_V - 2 * DIODE_V) * share * decay / (1 - (1 - share) * decay)


def drop_out_s(gate_V: float) -> float:
    """Return how long after the last rising edge the stage has fallen to that gate voltage, from its highest voltage."""
    decay = math.exp(-2 * TOGGLE_s / (BLEED_ohm * HOLD_F))
    return BLEED_ohm * HOLD_F * math.log(held_V() / decay / gate_V)


def text(bench: BenchFile | None = None) -> str:
    """Return the section as plain text, for a bench when one is given."""
    slowest_s, fastest_s = drop_out_s(GATE_V[0]), drop_out_s(GATE_V[1])
    own = [] if bench is None else [*own_lines(bench), ""]
    lines = ["THE DEAD-MAN RELAY", "", *textwrap.wrap(PURPOSE, WIDTH), "", *own, SKETCH, "Rules", *_numbered(RULES)]
    lines += ["", "Example (computed, not yet built by anyone: measure yours)", *_numbered(example_lines(fastest_s, slowest_s))]
    return "\n".join([*lines, "", "Prove it, and again every month", *_numbered(PROOF)])


def _numbered(rows: Sequence[str]) -> Iterator[str]:
    for number, row in enumerate(rows, 1):
        yield from textwrap.wrap(row, WIDTH, initial_indent=f"  {number}. ", subsequent_indent="     ")


PURPOSE = (
    "A supply keeps its last set-point when the computer hangs, crashes or loses power. This relay opens by itself unless the "
    "program keeps toggling one line, which it does only while every running channel is supervised. It is the only thing on "
    "the bench, beside the fuse, that does not need the computer."
)

SKETCH = """\
 pin, toggled every 0.5 s                            coil supply + (12 V, say)
   |                                                         |
   |    buffer, 5 V                                 [emergency stop, normally closed]
   +------|>---[Rs]--||--+--|>|--+-----+-----.               |
   |                 Cp  |   D2  |     |     |          .----+----.
 [10 k]                  |       |     |     |      [coil KD]   D3 (band to +)
   |                     ^ D1   === Ch  [R]  |          '----+----'
   |                     |       |     |     '---[1 k]---gate T1 (n-channel, logic level)
   |                     |       |     |                     |
 ground -----------------+-------+-----+---------------------+------ coil supply −

 source + ------o/ o------ + rail           normally open: closed only while KD has power
                KD 1
 battery + -----o--o---[buzzer]--- battery −
                KD, normally closed: sounds when KD has no power, also when everything is dead
"""

RULES = (
    (
        "A pin that hangs, high or low, must let go: the capacitor Cp passes only changes. Never connect the pin to the "
        "coil's driver."
    ),
    "The contact is normally open and lies in the source's + lead, a second one in the load's: both currents must end.",
    "Leads of a supply's remote sense go through contacts too, or are bridged at the supply's own terminals.",
    (
        "The relay board's contacts lie in series with this relay's. Some boards close theirs while the computer starts; the "
        "dead-man stage needs toggling, which a starting computer does not do."
    ),
    "Take a pin that is pulled down while the computer starts (its manual says which).",
    "The emergency stop opens the coil's supply: it needs no program.",
    "The buzzer hangs on the normally closed contact and on a battery of its own, or it is silent when the mains fail.",
    "Relay, stop and buzzer stand out of the gas, beside or below the cells, never above them.",
)


def example_lines(fastest_s: float, slowest_s: float) -> list[str]:
    """Return the example's parts and what they make."""
    low_V, high_V = GATE_V
    pump, hold, bleed = f"{PUMP_F * 1e6:g} µF", f"{HOLD_F * 1e6:g} µF", f"{BLEED_ohm / 1000:g} kohm"
    return [
        "Simplest: a retriggerable one-shot (timer relay) that starts again at each edge, not at a level, set to 3 s.",
        (
            f"The drawn stage: a buffer of the HCT family on the computer's own 5 V, its input held down by 10 kohm. Rs 1 kohm, "
            f"Cp {pump}, Ch {hold} (film or ceramic, not electrolytic), R {bleed}, D1 and D2 small Schottky diodes, T1 a "
            f"logic-level MOSFET that carries the coil's current at {low_V:g} to {high_V:g} V, D3 a rectifier diode."
        ),
        (
            f"Toggled every {TOGGLE_s:g} s its gate stays above {held_V():.1f} V. After the last edge T1 lets go within "
            f"{fastest_s:.1f} to {slowest_s:.1f} s. A larger R or Ch holds longer. Write the longest time measured as drop_out."
        ),
        "A line over USB instead of a pin: a small controller that toggles such a stage itself while it is fed, and only then.",
    ]


PROOF = (
    (
        "Nothing connected. The program runs: the relay holds. Stop the program: it opens, the buzzer sounds. Time it with "
        "a watch."
    ),
    "Hold the pin high, then low: it opens each time.",
    "Pull the computer's plug: it opens, the buzzer sounds. Switch the computer on: the contact stays open until a run begins.",
    "Press the emergency stop: it opens.",
    "With a lamp in place of the cell: source on, program stopped: the lamp goes out. The same with the load.",
)


def own_lines(bench: BenchFile) -> list[str]:
    """Return what this bench's file says about its dead-man relay."""
    dead_man = bench.dead_man
    if dead_man is None:
        return ["This bench's file has no dead_man: when the computer dies, its outputs stay on."]
    said = [
        f"This bench: fed at {dead_man.feed}, opens within {words(dead_man.drop_out_s, 'time')} of the last toggle.",
        *(f"  contact KD {number}: in the + lead of {name}" for number, name in enumerate(dead_man.cuts, 1)),
    ]
    said.append(
        "  buzzer on its normally closed contact" if dead_man.buzzer else "  no buzzer: nobody hears that everything is dead"
    )
    return said
