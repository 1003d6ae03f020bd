"""What a profile may contain: one table, from which checks, JSON Schema and manual come. End keys come from `core.ends.ENDS`."""

from __future__ import annotations

from dataclasses import replace

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
    "voltage_falls_by": ("2 mV", "500 mV", "less is noise, more is no bend but a fault"),
    "temperature_rise_above": ("0.5 K", "20 K", "no cell may ever warm by more"),
    "temperature_slope_above": ("0.02 K/min", "3 K/min", "slower is the room, faster is a trip"),
    "voltage_slope_below": ("0.1 mV/h", "5 V/h", "slower than this no ordinary bench sees"),
    "voltage_slope_above": ("50 mV/h", "20 V/h", "slower is an ordinary discharge"),
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
_SAMPLE_FAST = replace(_SAMPLE, default="1 s")
_POWER = Key(
    "power",
    "power",
    "constant power instead: the current is set anew at each reading from the measured voltage, at most `current`",
    least="1 mW",
)
_TIMED = Key("lasts", "time", "how long", True, least="500 ms", most="1 h")
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
        Key("ends_when", "group", "what ends the rest sooner", group=end_group(StepKind.REST)),
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
        _POWER,
        Key(
            "ramp",
            "voltage_rate",
            "how fast the voltage set-point rises, from the cell's own voltage up to `voltage`; left out: at once",
            least="1 mV/h",
            most="10 V/h",
            why="faster is a step, not a ramp",
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
        Key("current", "current", "discharge current; with power or resistance: the most it may be", True),
        _POWER,
        Key(
            "resistance",
            "resistance",
            "constant resistance instead: the current is set anew at each reading to the measured voltage over this",
            least="0.1 ohm",
            most="10 kohm",
        ),
        _SAMPLE,
        Key("ends_when", "group", "the first of these ends the step", True, group=end_group(StepKind.DISCHARGE)),
    ),
    foreign={
        "voltage": "a discharge ends at a voltage: write ends_when: {voltage_below: 0.80 V, …}",
        "interrupt": "interruptions belong to a charge",
    },
)

_PULSE = Group(
    "pulse",
    (
        Key(
            "discharge",
            "group",
            "a discharge of that length",
            group=Group("discharge", (Key("current", "current", "its current", True), _TIMED)),
        ),
        Key(
            "charge",
            "group",
            "a charge of that length",
            group=Group(
                "charge",
                (
                    Key("current", "current", "its current", True),
                    Key("voltage", "voltage", "voltage it is limited at", default=TOP_WORD, words=(TOP_WORD,)),
                    _TIMED,
                ),
            ),
        ),
        Key("rest", "group", "output off for that long", group=Group("rest", (_TIMED,))),
    ),
    single=True,
)
_PULSES = Group(
    "pulses",
    (
        Key("train", "items", "the pulses in order; two in one direction follow each other without a gap", True, group=_PULSE),
        _SAMPLE_FAST,
        Key("ends_when", "group", "what ends all of them early", group=end_group(StepKind.PULSES)),
    ),
    foreign={"rounds": "put the pulses into a repeat", "current": "each pulse has its own"},
)
_CONNECTION_CHECK = Group(
    "connection_check",
    (
        Key("current", "current", "charge current of the probe", default="C/50"),
        Key("voltage", "voltage", "voltage the probe is limited at", default=TOP_WORD, words=(TOP_WORD,)),
        Key("lasts", "time", "length of the probe, and of reading before and after", default="10 s", least="3 s", most="60 s"),
        _SAMPLE_FAST,
    ),
)
_ZERO_CURRENT = Group(
    "zero_current",
    (
        Key("voltage", "voltage", "voltage of the source with the relay open", default=TOP_WORD, words=(TOP_WORD,)),
        Key("current", "current", "current limit, which never flows", default="C/20"),
        Key("lasts", "time", "how long each instrument is on", default="30 s", least="10 s", most="10 min"),
        _SAMPLE_FAST,
    ),
)
_ASK_PERSON = Group(
    "ask_person",
    (
        Key("question", "text", "what the person is asked; `chargerd resume RUN --answer TEXT` answers", True),
        Key("within", "time", "without an answer in this time the run is stopped", default="24 h", least="1 min", most="31 d"),
    ),
)

_STEP_KEYS = (
    Key("rest", "group", "output off, everything read", group=_REST),
    Key("charge", "group", "constant current, then constant voltage", group=_CHARGE),
    Key("constant_voltage", "group", "hold a voltage", group=_CONSTANT_VOLTAGE),
    Key("discharge", "group", "constant current, power or resistance out of the cell, into the load", group=_DISCHARGE),
    Key("pulses", "group", "short charges and discharges of fixed length, for resistance", group=_PULSES),
    Key("connection_check", "group", "a small probe: polarity, open leads, contact resistance", group=_CONNECTION_CHECK),
    Key("zero_current", "group", "what the instruments read with the relay to the cell open", group=_ZERO_CURRENT),
    Key("ask_person", "group", "wait with everything off until a person answers", group=_ASK_PERSON),
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
        Key(
            "next_visit",
            "time",
            "how long until somebody looks after it: so long set-points that nothing would switch off must be harmless",
            default="24 h",
            least="1 h",
            most="168 h",
            why="a bench that nobody sees for a week is forgotten",
        ),
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
