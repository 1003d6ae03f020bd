"""What a profile may contain: one table, from which checks, JSON Schema and manual come. End keys come from `core.ends.ENDS`."""

from __future__ import annotations

from chargerd.config.cell_keys import tightening_keys
from chargerd.config.tables import Group, Key
from chargerd.core.ends import ENDS
from chargerd.core.program import StepKind

SAMPLE_EVERY_DEFAULT = "10 s"
SAMPLE_EVERY_MOST = "60 s"
"""A journal row, a beat's age and the status must stay fresh, however slow the step."""

CLIMB_WORD = "climb"
TOP_WORD = "top_charging_voltage"
CEILING_WORD = "gassing_threshold"

END_BOUNDS = {
    "charge": ("1 mAh or 1 % rated", "1000 Ah or 200 % rated", "no cell takes more than twice its rating"),
    "gas_charge": ("", "100 Ah or 25 % rated", "a quarter of the rating is more gas than a whole formation should make"),
    "gassing_time": ("", "4 h", "even an equalising charge gasses for less"),
    "time": ("10 s", "200 h", "longer steps are better split"),
    "plateau_lasts": ("1 min", "10 h", "shorter is noise"),
}
"""End → least, most and why, beside what the cell's and bench's limits say. Slips by ten are caught here."""


def end_group(kind: StepKind) -> Group:
    """Return the ends a step of that kind may have."""
    rows = [row for row in ENDS.values() if kind in row.steps]
    other = {row.key: f"{row.key} ends {_kinds(row.steps)}" for row in ENDS.values() if kind not in row.steps}
    keys = []
    for row in rows:
        least, most, why = END_BOUNDS.get(row.key, ("", "", ""))
        keys.append(Key(row.key, row.dimension, row.meaning, row.key in {"time", "charge"}, "", least, most, why))
    return Group(f"{kind}.ends_when", tuple(keys), foreign=other)


def _kinds(kinds: frozenset[StepKind]) -> str:
    return "a " + " or a ".join(sorted(kind.value.replace("_", " ") for kind in kinds)) + " only; delete it here"


_SAMPLE = Key(
    "sample_every",
    "time",
    "how often everything is read and written",
    default=SAMPLE_EVERY_DEFAULT,
    least="500 ms",
    most=SAMPLE_EVERY_MOST,
    why="the record and the watchers must stay fresh",
)
_INTERRUPT = Key(
    "interrupt",
    "group",
    "short openings of the circuit, for the resistance",
    group=Group(
        "interrupt",
        (
            Key("every", "time", "from one opening to the next", True, least="30 s", most="1 h"),
            Key("lasts", "time", "how long it stays open", True, least="200 ms", most="10 s"),
        ),
    ),
)

_REST = Group(
    "rest",
    (
        Key("lasts", "time", "how long", True, least="1 s", most="31 d"),
        _SAMPLE,
    ),
)
_CHARGE = Group(
    "charge",
    (
        Key("current", "current", "charge current", True),
        Key(
            "voltage",
            "voltage",
            "voltage the charge is held at once it is reached; `climb`: the rung of the enclosing repeat; "
            "`top_charging_voltage`: 1.85 V, or 50 mV under a measured gassing threshold",
            True,
            words=(TOP_WORD, CLIMB_WORD),
        ),
        _INTERRUPT,
        _SAMPLE,
        Key("ends_when", "group", "the first of these ends the step", True, group=end_group(StepKind.CHARGE)),
    ),
)
_CONSTANT_VOLTAGE = Group(
    "constant_voltage",
    (
        Key("voltage", "voltage", "voltage to hold", True, words=(TOP_WORD,)),
        Key("current", "current", "the most current it may take", True),
        _INTERRUPT,
        _SAMPLE,
        Key("ends_when", "group", "the first of these ends the step", True, group=end_group(StepKind.CONSTANT_VOLTAGE)),
    ),
)
_DISCHARGE = Group(
    "discharge",
    (
        Key("current", "current", "discharge current", True),
        _SAMPLE,
        Key("ends_when", "group", "the first of these ends the step", True, group=end_group(StepKind.DISCHARGE)),
    ),
    foreign={
        "voltage": "a discharge ends at a voltage: write ends_when: {voltage_below: 0.80 V, …}",
        "interrupt": "interruptions belong to a charge",
    },
)

_STEP_KEYS = (
    Key("rest", "group", "output off, everything read", group=_REST),
    Key("charge", "group", "constant current, then constant voltage", group=_CHARGE),
    Key("constant_voltage", "group", "hold a voltage", group=_CONSTANT_VOLTAGE),
    Key("discharge", "group", "constant current out of the cell, into the load", group=_DISCHARGE),
)
_INNER = Group(
    "step",
    _STEP_KEYS,
    single=True,
    foreign={"repeat": "a repeat inside a repeat is not known; write the rounds one after the other"},
)

_REPEAT = Group(
    "repeat",
    (
        Key("rounds", "count", "how many rounds at most", True, least="1", most="1000"),
        Key(
            "climb",
            "group",
            "charging voltages, one rung higher each round",
            group=Group(
                "climb",
                (
                    Key("voltage", "list", "the rungs, lowest first", True, of="voltage"),
                    Key(
                        "ceiling",
                        "voltage",
                        "no rung goes above it; `gassing_threshold`: 1.85 V while unmeasured, then 50 mV under it",
                        default=CEILING_WORD,
                        words=(CEILING_WORD,),
                    ),
                    Key(
                        "step_back_when",
                        "group",
                        "when to go a rung lower",
                        group=Group(
                            "step_back_when",
                            (
                                Key(
                                    "coulombic_efficiency_below",
                                    "percent",
                                    "a round, not the first, that gives back less than this",
                                    True,
                                    least="50 %",
                                    most="100 %",
                                ),
                            ),
                        ),
                    ),
                ),
            ),
        ),
        Key(
            "ends_when",
            "group",
            "what ends the rounds early",
            group=Group(
                "repeat.ends_when",
                (
                    Key(
                        "capacity_within",
                        "percent",
                        "two rounds running agree within this; with a climb, on its last rung only",
                        True,
                        least="0.1 %",
                        most="20 %",
                    ),
                ),
            ),
        ),
        Key("steps", "items", "the steps of a round", True, group=_INNER),
    ),
)

PROFILE = Group(
    "profile",
    (
        Key("profile", "name", "name of the profile; run folders carry it", True),
        Key("about", "text", "what it does, in a sentence"),
        Key("attended", "flag", "whether a person must stay with it", default="no"),
        Key("limits", "group", "hard limits tighter than the cell's", group=Group("limits", tightening_keys())),
        Key(
            "steps",
            "items",
            "what to do, in order",
            True,
            group=Group("item", (*_STEP_KEYS, Key("repeat", "group", "steps done in rounds", group=_REPEAT)), single=True),
        ),
    ),
)
