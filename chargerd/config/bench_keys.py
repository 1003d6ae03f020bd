"""What a bench file may contain: one table, from which checks, JSON Schema and manual come."""

from __future__ import annotations

from chargerd.config.tables import Group, Key

QUANTITIES = {"voltage": "voltage", "current": "current", "temperature": "temperature_difference"}

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
        Key("timeout", "time", "longest wait for an answer", default="500 ms", least="50 ms", most="5 s"),
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
        Key("never_touch", "texts", "outputs the program must leave alone"),
        Key("keep_on", "texts", "outputs that stay on when everything else goes off: a fan, the computer's own supply"),
    ),
)
