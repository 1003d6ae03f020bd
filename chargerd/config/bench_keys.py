"""What a bench file may contain: one table, from which checks, JSON Schema and manual come."""

from __future__ import annotations

from chargerd.config.tables import Group, Key

QUANTITIES = {"voltage": "voltage", "current": "current", "temperature": "temperature_difference"}

SENSORS = ("pt100", "pt1000", "thermocouple-k", "thermocouple-t", "ntc", "degrees")
"""What a thermometer may be made of: platinum after IEC 60751, thermocouples after IEC 60584-1, a thermistor, or degrees."""

_SENSOR = Group(
    "sensor",
    (
        Key("kind", "name", f"what it is: {', '.join(SENSORS)}", True),
        Key("wires", "count", "leads to a resistance sensor: 2, 3 or 4", default="4", least="2", most="4"),
        Key("lead", "resistance", "both leads of a two-wire sensor together; it is subtracted", default="0 ohm", most="20 ohm"),
        Key("cold_junction", "name", "the thermometer where a thermocouple's leads end"),
        Key("nominal", "resistance", "a thermistor's resistance at 25 °C", least="100 ohm", most="1000 kohm"),
        Key("beta", "thermistor_b", "a thermistor's B value", least="2000 K", most="6000 K"),
        Key("steinhart_hart", "texts", "a thermistor's three constants a, b, c (1/T = a + b ln R + c (ln R)^3)"),
        Key("table", "texts", "a thermistor's points, coldest first, for example [0 °C = 32.65 kohm, 25 °C = 10 kohm]"),
    ),
)
_CONTACT = Group(
    "contact",
    (
        Key("without_power", "name", "what the contact does when its coil has no power: open or closed", True),
        Key("at_boot", "name", "what it does while the computer starts: open, closed or unknown", default="unknown"),
        Key("rating", "current", "the most the contact may carry and break", least="10 mA"),
        Key("settle", "time", "from the command to a still contact", default="50 ms", least="1 ms", most="2 s"),
    ),
)

_INSTRUMENT = Group(
    "instrument",
    (
        Key("address", "text", "where it is, for example tcp://192.168.1.20:5025", True),
        Key("dialect", "name", "how this model spells its commands", True),
        Key("identity", "text", "what it answers when asked who it is; another answer is refused", True),
        Key(
            "ratings",
            "group",
            "the most it can give or take",
            group=Group(
                "ratings",
                (
                    Key("voltage", "voltage", "highest voltage", least="0.1 V"),
                    Key("current", "current", "largest current", least="1 mA"),
                ),
            ),
        ),
        Key(
            "accuracy",
            "group",
            "its data sheet's accuracy, `gain % + offset` or one of both",
            group=Group("accuracy", tuple(Key(name, "text", f"accuracy of its {name}") for name in QUANTITIES)),
        ),
        Key(
            "resolution",
            "group",
            "its smallest step",
            group=Group(
                "resolution", tuple(Key(name, kind, f"smallest step of its {name}") for name, kind in QUANTITIES.items())
            ),
        ),
        Key("protects", "texts", "which protections of its own a supply has: voltage, current; left out: both"),
        Key("timeout", "time", "longest wait for an answer", default="500 ms", least="50 ms", most="5 s"),
        Key("output", "name", "which of its outputs, as the instrument counts them"),
        Key("input", "name", "which of its inputs, as a scanning meter or a sensor line counts them"),
        Key(
            "inputs",
            "name",
            "how the inputs of its reader are to each other: common (their negative terminals are joined inside), differential "
            "or isolated; two common ones at different taps short what lies between",
            default="common",
        ),
        Key(
            "every",
            "time",
            "how often a slow sensor gives a new value; left out: it is asked at every sample",
            least="100 ms",
            most="60 s",
        ),
        Key("sensor", "group", "what a thermometer is made of; left out: the instrument answers degrees", group=_SENSOR),
        Key("shunt", "resistance", "a meter across this resistor measures current", least="0.0001 ohm", most="100 ohm"),
        Key("contact", "group", "the contact of a relay", group=_CONTACT),
        Key("isolated", "flag", "whether its terminals float free of earth and of the other instruments", default="no"),
        Key(
            "minimum_voltage",
            "voltage",
            "lowest voltage at which a load still holds its current",
            default="0 V",
            least="0 V",
            most="10 V",
        ),
    ),
)

_CHANNEL = Group(
    "channel",
    (
        Key("source", "name", "the supply", True),
        Key("load", "name", "the load; without one nothing is discharged and capacity is not tested"),
        Key("voltage", "name", "who measures the cell's voltage: the source, or a meter at the cell", True),
        Key("temperature", "name", "the thermometer at the cell; without one temperature limits are not active"),
        Key("ambient", "name", "the thermometer of the room"),
        Key("current", "name", "who measures the cell's current: a meter with a shunt; left out: source and load themselves"),
        Key("switch", "name", "the relay between the cell and everything else; open whenever nothing is asked of the cell"),
        Key("sense", "name", "a meter across the source's own terminals, for what leads and clips drop"),
        Key("taps", "texts", "of a string: the meters of its cells, the cell at the negative end first"),
    ),
)

_RESISTOR = Group(
    "resistor",
    (
        Key("load", "name", "the load it is a part of: a name that a channel's `load` says", True),
        Key("switch", "name", "the relay that connects it", True),
        Key("resistance", "resistance", "its measured value, leads included", True, least="0.1 ohm", most="10 kohm"),
        Key("power", "power", "the most it may turn into heat for hours", True, least="0.1 W"),
        Key("accuracy", "percent", "how well its value is known, warm", default="1 %", most="20 %"),
    ),
)

BENCH = Group(
    "bench",
    (
        Key("bench", "name", "name of the bench", True),
        Key("about", "text", "what a reader should know"),
        Key("data", "text", "folder for runs and ledgers, from this file's folder", True),
        Key("instruments", "named", "the instruments by name", True, group=_INSTRUMENT),
        Key("channels", "named", "the channels by name: one cell with its instruments each", True, group=_CHANNEL),
        Key("resistors", "named", "power resistors that make a load, each behind a relay", group=_RESISTOR),
        Key(
            "limits",
            "group",
            "what no cell on this bench may ever see",
            True,
            group=Group(
                "limits",
                (
                    Key("voltage", "voltage", "highest voltage", True, most="60 V"),
                    Key("charge_current", "current", "largest charge current", True),
                    Key("discharge_current", "current", "largest discharge current", True),
                    Key("temperature", "temperature", "hottest a cell may get", True, least="20 °C", most="60 °C"),
                ),
            ),
        ),
        Key(
            "wiring",
            "group",
            "leads, clips and fuse: they set how fast a fault gets hot",
            True,
            group=Group(
                "wiring",
                (
                    Key("lead", "resistance", "resistance of both leads together", True, most="10 ohm"),
                    Key("clip_mass", "mass", "metal of one clip", default="2 g", least="0.2 g", most="100 g"),
                    Key(
                        "clip_resistance",
                        "resistance",
                        "how bad a clip's contact may get",
                        default="0.5 ohm",
                        least="0.01 ohm",
                        most="5 ohm",
                    ),
                    Key("fuse", "current", "the fuse at the cell", True, least="0.1 A", most="30 A"),
                    Key("tap_resistor", "resistance", "the resistor at the cell's end of each tap lead", least="10 ohm"),
                ),
            ),
        ),
        Key(
            "ventilation",
            "group",
            "where the gas goes",
            True,
            group=Group(
                "ventilation",
                (
                    Key("outdoors", "flag", "outdoors or under an open roof", default="no"),
                    Key("room", "volume", "air in the room or enclosure", least="1 L"),
                    Key("openings", "area", "free openings to the outside, above and below together", default="0 cm2"),
                ),
            ),
        ),
        Key(
            "mqtt",
            "group",
            "where status is published",
            group=Group(
                "mqtt",
                (
                    Key("host", "text", "name or address of the broker", True),
                    Key("port", "count", "its port", default="1883", least="1", most="65535"),
                    Key("prefix", "name", "first word of every topic", True),
                ),
            ),
        ),
        Key("never_touch", "texts", "outputs the program must leave alone: an instrument here, or ADDRESS output N"),
        Key("keep_on", "texts", "outputs that stay on when everything else goes off: a fan, the computer's own supply"),
        Key(
            "dead_man",
            "group",
            "a relay that opens by itself when nobody feeds it",
            group=Group(
                "dead_man",
                (
                    Key("feed", "text", "what is fed: line:///dev/NAME or gpio:///dev/gpiochipN?line=NUMBER", True),
                    Key("drop_out", "time", "how long after a feeding it has opened", default="5 s", least="1 s", most="30 s"),
                    Key("cuts", "texts", "the instruments whose leads it opens", True),
                    Key("buzzer", "flag", "whether a buzzer hangs on its normally closed contact", default="no"),
                ),
            ),
        ),
    ),
)
