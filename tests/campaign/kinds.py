"""Every kind of fault the simulator knows, on every instrument that can have it: what is armed, and in which variants."""

from __future__ import annotations

from typing import Any

Raw = dict[str, Any]

WIRE: dict[str, Raw] = {
    "hang": {}, "mute": {}, "drop": {"carried_out": True}, "garble": {}, "truncate": {}, "late": {"delay_s": 0.7}, "slow": {},
    "shift": {}, "drip": {}, "duplicate": {}, "echo": {}, "spell": {}, "replace": {}, "flip": {}, "flood": {"bytes": 20_000},
}  # fmt: skip
BY_TIME: dict[str, Raw] = {"refuse": {}, "deaf": {}, "foreign": {}, "swap": {}}
LIES: dict[str, tuple[Raw, ...]] = {
    "unit": ({},), "freeze": ({},), "not_a_number": ({},), "infinite": ({},), "scale": ({}, {"factor": 1.5}),
    "offset": ({}, {"by": 0.2}, {"by": -0.2}), "reading": ({},),
}  # fmt: skip
STATES: dict[str, tuple[Raw, ...]] = {
    "supply": ({"kind": "stale"}, {"kind": "lamp", "condition": "OVP"}, {"kind": "ignore_set"}, {"kind": "ignore_on"}, {"kind": "ignore_off"}),
    "load": ({"kind": "stale"}, {"kind": "lamp", "condition": "OCP"}, {"kind": "ignore_set"}, {"kind": "ignore_on"}, {"kind": "ignore_off"}),
    "meter": (), "probe": (),
    "board": ({"kind": "ignore_on"}, {"kind": "ignore_off"}),
}  # fmt: skip
EVENTS: dict[str, tuple[Raw, ...]] = {
    "supply": (
        {"kind": "stick_on"}, {"kind": "reboot"}, {"kind": "reboot", "output_on": True}, {"kind": "trip"}, {"kind": "trip", "cause": "ocp"},
        {"kind": "panel_switch", "on": False}, {"kind": "panel_switch", "on": True}, {"kind": "panel_set"},
        {"kind": "panel_set", "setting": "current_set_A", "value": 3.0}, {"kind": "change", "setting": "voltage_set_V", "value": 3.0},
        {"kind": "change", "setting": "current_set_A", "value": 2.9}, {"kind": "leads"}, {"kind": "error"}, {"kind": "bleed"}, {"kind": "crowbar"},
        {"kind": "sense"},
    ),
    "load": (
        {"kind": "stick_on"}, {"kind": "reboot"}, {"kind": "reboot", "output_on": True}, {"kind": "trip", "cause": "uvp"},
        {"kind": "panel_switch", "on": False}, {"kind": "panel_switch", "on": True},
        {"kind": "panel_set", "setting": "current_set_A", "value": 2.6}, {"kind": "change"}, {"kind": "leads"}, {"kind": "error"}, {"kind": "sink"},
    ),
    "meter": ({"kind": "reboot"}, {"kind": "leads"}, {"kind": "error"}),
    "probe": ({"kind": "reboot"}, {"kind": "detach"}, {"kind": "error"}, {"kind": "sensor_frozen"}, {"kind": "sensor_spike"},
              {"kind": "sensor", "state": "open"}, {"kind": "sensor", "state": "short"}, {"kind": "sensor_restart"}, {"kind": "hand"}),
    "board": ({"kind": "reboot"}, {"kind": "weld", "state": "closed"}, {"kind": "weld", "state": "open"}, {"kind": "relay_boot"},
              {"kind": "relay_boot", "state": "open"}, {"kind": "relay_power"}, {"kind": "wear"}),
}  # fmt: skip
ON_PANELS: dict[str, tuple[Raw, ...]] = {
    "relay": ({"panel": "clip-slip-1", "kind": "wear", "ohm": 1.0}, {"panel": "clip-slip-1", "kind": "wear", "ohm": 5.0},
              {"panel": "lead-supply", "kind": "wear", "ohm": 1.0}, {"panel": "clip-slip-1", "kind": "flicker"}),
    "plain": (),
}  # fmt: skip
PEERS = {"relay": ("supply", "load", "meter", "probe", "board"), "plain": ("supply", "load", "probe")}
SWAPS = {"supply": "load", "load": "supply", "meter": "probe", "probe": "supply", "board": "supply"}

LEFT_OUT = {
    "wrong_unit": "of Modbus alone: tests/instruments", "wrong_function": "of Modbus alone: tests/instruments",
    "exception": "of Modbus alone: tests/instruments", "identity": "with `swap`, and in tests/worlds/test_link_faults.py",
    "fahrenheit": "as `offset` of a thermometer, and in tests/worlds/test_link_faults.py",
    "ground": "needs two instruments tied to earth: tests/sim", "sensor_swap": "needs two channels with sensors: tests/worlds/test_sensor_faults.py",
    "junction": "of thermocouples: tests/worlds/test_sensor_faults.py",
}  # fmt: skip
"""Kinds that these two benches cannot have, and where they are tried."""


def variants(story: str) -> list[tuple[str, Raw]]:
    """Each fault of a story by a name of its own; without its time."""
    out: list[tuple[str, Raw]] = []
    for peer in PEERS[story]:
        for kind, values in WIRE.items():
            out += [(f"{peer} {kind} once", {"peer": peer, "kind": kind, **values, "times": 1})]
            out += [(f"{peer} {kind} for ever", {"peer": peer, "kind": kind, **values, "times": None})]
        for kind, values in BY_TIME.items():
            more = {"with": SWAPS[peer]} if kind == "swap" else values
            if kind == "swap" and SWAPS[peer] not in PEERS[story]:
                continue
            out += [(f"{peer} {kind} for 6 s", {"peer": peer, "kind": kind, **more, "times": None, "for_s": 6.0})]
            out += [(f"{peer} {kind} for ever", {"peer": peer, "kind": kind, **more, "times": None})]
        if peer != "board":
            for kind, several in LIES.items():
                for number, values in enumerate(several, 1):
                    out += [(f"{peer} {kind} {number} once", {"peer": peer, "kind": kind, **values, "header": "MEAS", "times": 1})]
                    out += [(f"{peer} {kind} {number} for ever", {"peer": peer, "kind": kind, **values, "header": "MEAS", "times": None})]
        for values in STATES[peer]:
            words = " ".join(str(value) for value in values.values())
            out += [(f"{peer} {words} once", {"peer": peer, **values, "times": 1})]
            out += [(f"{peer} {words} for ever", {"peer": peer, **values, "times": None})]
        for values in EVENTS[peer]:
            out += [(f"{peer} {' '.join(str(value) for value in values.values())}", {"peer": peer, **values})]
    out += [(" ".join(str(value) for value in raw.values()), dict(raw)) for raw in ON_PANELS[story]]
    return out
