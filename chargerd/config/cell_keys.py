"""What a cell file may contain: one table, from which checks, JSON Schema and manual come."""

from __future__ import annotations

from chargerd.config.tables import Group, Key

_LIMIT_KEYS = (
    Key(
        "voltage_max",
        "voltage",
        "highest voltage at the cell, ever",
        least="1 V",
        most="3 V",
        why="no vented zinc/carbon cell is charged above 3 V",
    ),
    Key(
        "voltage_min",
        "voltage",
        "lowest voltage at the cell, ever; a fresh cell begins near 0 V",
        default="-0.1 V",
        least="-0.5 V",
        most="1.2 V",
    ),
    Key("charge_current", "current", "largest charge current", most="100 A"),
    Key("discharge_current", "current", "largest discharge current", most="100 A"),
    Key(
        "temperature_max",
        "temperature",
        "hottest the cell may get",
        least="20 °C",
        most="60 °C",
        why="above 60 °C one leaves and ventilates",
    ),
    Key(
        "temperature_min",
        "temperature",
        "coldest the cell may be charged or discharged",
        default="0 °C",
        least="-20 °C",
        most="30 °C",
    ),
    Key(
        "rise",
        "temperature_difference",
        "how much warmer than the room the cell may get",
        default="12 K",
        least="2 K",
        most="20 K",
    ),
)


def tightening_keys() -> tuple[Key, ...]:
    """Return the same limits with none required and no default: what a profile may tighten."""
    return tuple(Key(key.name, key.kind, key.meaning, least=key.least, most=key.most, why=key.why) for key in _LIMIT_KEYS)


_LIMITS = Group(
    "limits",
    tuple(
        Key(key.name, key.kind, key.meaning, not key.default, key.default, key.least, key.most, key.why) for key in _LIMIT_KEYS
    ),
)

_RATED = Group(
    "rated",
    (
        Key(
            "capacity",
            "charge",
            "capacity the cell is believed to have, in the window below",
            True,
            least="1 mAh",
            most="1000 Ah",
        ),
        Key("window", "list", "from the voltage at end of charge to the voltage at end of discharge", True, of="voltage"),
        Key("current", "current", "discharge current of that capacity", default="C/10"),
        Key("measured", "flag", "whether the capacity was measured on this cell; otherwise it is provisional", default="no"),
    ),
)

_GASSING = Group(
    "gassing",
    (
        Key(
            "threshold",
            "voltage",
            "voltage at 25 °C, free of the ohmic drop, above which the cell gasses",
            default="unmeasured",
            least="1.5 V",
            most="2.6 V",
            words=("unmeasured",),
        ),
        Key(
            "coefficient",
            "temperature_coefficient",
            "how the threshold moves with temperature",
            default="-4 mV/K",
            least="-10 mV/K",
            most="0 mV/K",
        ),
        Key(
            "current",
            "current",
            "gas current at the threshold and 25 °C; a hundredth of the rated capacity per hour unless given",
        ),
        Key("decade", "voltage", "volts for ten times the gas current", default="120 mV", least="20 mV", most="300 mV"),
    ),
)

CELL = Group(
    "cell",
    (
        Key("cell", "name", "name of the cell; run folders and ledgers carry it", True),
        Key("about", "text", "what a reader should know"),
        Key("made", "date", "day it was made", True),
        Key("vented", "flag", "must be yes: a sealed cell would burst", True),
        Key("ingredients", "free", "mass of each ingredient, each salt with its hydrate", True, of="mass"),
        Key("mass", "mass", "mass of the whole wet cell, case included", True, least="1 g", most="100 kg"),
        Key(
            "dimensions",
            "group",
            "outer dimensions, kept with the record",
            group=Group(
                "dimensions",
                (
                    Key("length", "length", "outer length"),
                    Key("width", "length", "outer width"),
                    Key("height", "length", "outer height"),
                    Key("diameter", "length", "outer diameter of a round cell"),
                ),
            ),
        ),
        Key("areas", "free", "areas by name, kept with the record, for example electrode: 160 cm2", of="area"),
        Key("rated", "group", "rated capacity and its window", True, group=_RATED),
        Key("limits", "group", "hard limits; a run may tighten them, never loosen", True, group=_LIMITS),
        Key("gassing", "group", "how the cell gasses", group=_GASSING),
        Key(
            "resistance",
            "list",
            "smallest and largest resistance believed of it with its clips on; a connection check refuses others",
            of="resistance",
            least="0.001 ohm",
            most="100 ohm",
        ),
        Key("costs", "free", "what was paid, by name", of="money"),
        Key("notes", "texts", "remarks; dated facts belong into the cell's ledger"),
    ),
)
