"""What `dialect new` says: what each question and command means, how a row of each framing is typed, and what is usual."""

from __future__ import annotations

from collections.abc import Mapping

BASES = {
    "source": "scpi-supply", "load": "scpi-load", "meter": "scpi-meter", "thermometer": "scpi-thermometer",
    "switch": "scpi-relays",
}  # fmt: skip
MEANS: Mapping[str, str] = {
    "identity": "who it is",
    "error": "oldest entry of its error queue",
    "events": "standard event register (bit 7: it was switched on)",
    "voltage": "measured voltage, V",
    "current": "measured current, A",
    "temperature": "measured temperature, °C",
    "resistance": "measured resistance, ohm",
    "questionable": "status register: what it regulates, which protection acted",
    "operation": "second status register",
    "mode": "what a load holds constant",
    "power_on": "a setting that says what its output does when the mains returns",
    "output": "whether its output or input is on",
    "voltage_set": "voltage set-point, V",
    "current_set": "current set-point, A",
    "ovp": "over-voltage protection level, V",
    "ovp_enabled": "whether that protection is on",
    "ocp": "over-current protection level, A",
    "ocp_enabled": "whether that protection is on",
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
    "source": ("operation", "power_on", "ovp_enabled", "ocp_enabled", "watchdog"),
    "load": ("operation", "ocp", "ocp_enabled", "power_on", "watchdog"),
    "switch": ("mirror",),
}
OPTIONAL_COMMANDS: Mapping[str, tuple[str, ...]] = {
    "source": ("ovp_enable", "ocp_enable", "clear_protection", "remote", "lock", "watchdog"),
    "load": ("ocp", "ocp_enable", "clear_protection", "remote", "lock", "watchdog"),
    "meter": ("remote",), "thermometer": ("remote",), "switch": ("remote",),
}  # fmt: skip



UNASKED = "unasked"
"""What is typed of a device that prints by itself: an empty answer would be a slip."""

HOW: Mapping[str, str] = {
    "scpi": "  SCPI: write headers with the short form in capitals, such as MEASure:VOLTage? — what is in brackets is usual.\n"
    "  Words all in capitals that have no short form, or numbers with a unit behind them, such as 1.234V: that is `line`.",
    "line": "  Lines of text: the question as it is sent, such as V? and its reply as a pattern, such as V={number}.\n"
    "  A command with its value, such as V={value}, and the acknowledgement it waits for, such as OK. Without one: -.\n"
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
