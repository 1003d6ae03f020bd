"""What `dialect new` says: what each question and command means, how a row of each framing is typed, and what is usual."""

from __future__ import annotations

from collections.abc import Mapping

BASES = {
    "source": "scpi-supply", "load": "scpi-load", "meter": "scpi-meter", "thermometer": "scpi-thermometer",
    "switch": "scpi-relays",
}  # fmt: skip
MEANS: Mapping[str, str] = {
    "identity": "who it is",
    "error": "the last error as a number, 0 for none (SCPI: its error queue)",
    "events": "whether it was switched on since you last asked, bit 7 of *ESR? or the like; few have it",
    "voltage": "measured voltage, V",
    "current": "measured current, A",
    "temperature": "measured temperature, °C",
    "resistance": "measured resistance, ohm",
    "questionable": "status register: what it regulates, which protection acted",
    "operation": "second status register, where what it regulates is not in the first",
    "mode": "what a load holds constant",
    "power_on": "a question for the setting that decides what its output does then",
    "output": "whether its output or input is on",
    "voltage_set": "voltage set-point, V",
    "current_set": "current set-point, A",
    "ovp": "over-voltage protection level, V",
    "ovp_enabled": "whether the over-voltage protection is switched on",
    "ocp": "over-current protection level, A",
    "ocp_enabled": "whether the over-current protection is switched on",
    "watchdog": "seconds of silence after which it switches off by itself",
    "closed": "whether the contact is closed",
    "mirror": "the second contact that proves the first",
    "on": "switch its output or input on",
    "off": "switch its output or input off",
    "ovp_enable": "switch over-voltage protection on",
    "ocp_enable": "switch over-current protection on",
    "clear_protection": "clear a protection that acted",
    "remote": "sent first, so that it obeys the line",
    "lock": "lock its front panel",
    "close": "close the contact",
    "open": "open the contact",
}
OPTIONAL: Mapping[str, tuple[str, ...]] = {
    "source": ("operation", "watchdog"),
    "load": ("operation", "ocp", "watchdog"),
    "switch": ("mirror",),
}
OPTIONAL_COMMANDS: Mapping[str, tuple[str, ...]] = {
    "source": ("clear_protection", "remote", "lock", "watchdog"),
    "load": ("ocp", "clear_protection", "remote", "lock", "watchdog"),
    "meter": ("remote",), "thermometer": ("remote",), "switch": ("remote",),
}  # fmt: skip


PROTECTIONS = ("ovp", "ocp")

UNITS: Mapping[str, str] = {
    "voltage": "V", "current": "A", "temperature": "°C", "resistance": "ohm", "voltage_set": "V", "current_set": "A", "ovp": "V",
    "ocp": "A", "watchdog": "s",
}  # fmt: skip

PRINTED_AS: Mapping[str, str] = {
    "voltage_set": "SV 1.850", "current_set": "SI 0.1500", "ovp": "OV 2.00", "ocp": "OC 0.50", "watchdog": "WD 10",
}  # fmt: skip

DIFFERS = "differs"
"""What is typed of a part that is not the same in every row."""

UNASKED = "unasked"
"""What is typed of a device that prints by itself: an empty answer would be a slip."""

KINDS = """\
How is it spoken to?
  scpi    words with a short form: MEASure:VOLTage? or *IDN?
  line    lines of text of its own: V? answered by V=01.850, or words all in capitals, or numbers with a unit behind them
  modbus  registers with numbers: 40017, 0x10
  bytes   frames of bytes: A5 01 03 A9"""

HOW: Mapping[str, str] = {
    "scpi": "  SCPI: write headers with the short form in capitals, such as MEASure:VOLTage? — what is in brackets is usual.\n"
    "  Words all in capitals that have no short form, or numbers with a unit behind them, such as 1.234V: that is `line`.",
    "line": "  Type questions, answers and commands as the manual prints them: V? then V=01.850, and SV 1.850 to set.\n"
    "  Where that is not enough, an answer is a pattern, V={number} {skip}, and a command SV {value}.\n"
    f"  A device that prints by itself is asked by: {UNASKED}. It cannot say who it is: take its line, with {{word}} where it\n"
    "  never changes and {skip} for the rest: {skip} {word}={skip} for #12 T=+23.4C.",
    "modbus": "  Registers: a question is holding 16, input 16, coil 3 or discrete 3; a command holding 16 {value} or coil 3 1.\n"
    "  Addresses count from 0, in decimal: what a list calls 40017 or 4x0017 is holding 16; 0x10 is 16. Replies are bytes,\n"
    "  function code first, such as 03 02 07 3A, or the whole frame with its check value.\n"
    "  Who it is: a register that holds its model, or one of its limits: what no other instrument of yours answers.",
    "bytes": "  Frames of bytes in hexadecimal: A5 01 03 A9. cc is the check value (A5 01 03 cc), vv a byte of the value;\n"
    "  in a reply ?? is any byte: 5A 03 vv ??. #{output} is the number of the output as a byte.\n"
    "  It cannot say who it is: take a question, and vv where the answer never changes: vv 01 ?? cc.",
}


STATUS_ORDER = ("constant_current", "constant_voltage", "unregulated", "over_voltage", "over_current", "over_temperature")


GROUPS: Mapping[str, tuple[tuple[str, str, tuple[tuple[str, str], ...], str], ...]] = {
    "source": (
        (
            "regulation", "Is there a question that says whether it holds the current or the voltage",
            (("constant_current", "when it holds the current"), ("constant_voltage", "when it holds the voltage"),
             ("unregulated", "when it can hold neither")),
            "Then it is not known which of the two it holds: that a charge has reached its voltage is judged by measuring alone.",
        ),
        (
            "trips", "Is there a question that says whether a protection has acted",
            (("over_voltage", "when over-voltage acted"), ("over_current", "when over-current acted"),
             ("over_temperature", "when it became too hot")),
            "Then a protection that acts shows only as an output that went off or fell, and nobody is told which one it was.",
        ),
    ),
    "load": (
        (
            "regulation", "Is there a question that says that it cannot take the current it was told to",
            (("unregulated", "when it cannot"),),
            "Then a cell too low for this load shows only as a current that is too small.",
        ),
        (
            "trips", "Is there a question that says whether a protection has acted",
            (("over_voltage", "when over-voltage acted"), ("over_current", "when over-current acted"),
             ("over_temperature", "when it became too hot")),
            "Then a protection that acts shows only as an input that went off, and nobody is told which one it was.",
        ),
    ),
}  # fmt: skip
"""Of each role: what is asked of its status, the conditions with their words, and what is lost when there is no such question."""

NEEDED_CONDITIONS = frozenset({"constant_current", "constant_voltage"})
"""Without both, neither off nor the other one could be told."""

CONVENTIONS: Mapping[str, str] = {"A": "scpi-supply", "B": "scpi-supply-operation", "C": "scpi-supply-swapped"}


WORDS: Mapping[str, tuple[str, str, str]] = {
    "mode": ("mode", "its words for constant current", "CURR, CURRENT"),
    "power_on": ("power_on_safe", "its words for an output that stays off", "OFF, RES"),
}


POWER_ON: Mapping[str, tuple[tuple[str, ...], str]] = {
    "source": (("off", "on", "last", "unknown"), "its output"),
    "load": (("off", "on", "last", "unknown"), "its input"),
    "switch": (("open", "closed", "last", "unknown"), "its contact"),
}
