"""What must hold of every run, whatever was wrong with the bench: judged by the panels' own record and the bytes they heard."""

from __future__ import annotations

import re

from chargerd.core.events import Observed
from chargerd.core.states import State
from chargerd.sim.panel import Panel
from tests.worlds.world_bench import OPENED, Ran

OFF_TAKES_S = 4.0
"""Two outputs, a command and its proof each, and one retry, half a second for a question."""
ANNOUNCED_FOR_S = 60.0
MILLISECOND_S = 1e-3
SET = re.compile(r"(VOLT|CURR|VOLT:PROT|CURR:PROT) ([0-9.]+)")
PROVEN_BEFORE_ON = {"supply": {"VOLT", "CURR", "VOLT:PROT", "CURR:PROT"}, "load": {"CURR", "CURR:PROT"}}


def intervals(panel: Panel, until_s: float) -> list[tuple[float, float]]:
    return [(start_s, until_s if end_s is None else end_s) for start_s, end_s in panel.energised()]


def together_s(ran: Ran) -> float:
    """The longest time that source and load truly conducted together."""
    sources, loads = (intervals(panel, ran.ended_s) for panel in (ran.source, ran.load))
    return max((min(a[1], b[1]) - max(a[0], b[0]) for a in sources for b in loads), default=0.0)


def on_without_leave(ran: Ran) -> list[str]:
    """When, after a pass, an output truly conducted although the channel was not running and nobody said so.

    Excused is only what was tried to be switched off within the last minute and announced as not proven off.
    """
    faults = []
    for look in ran.looks:
        if look.state is State.RUNNING:
            continue
        for name, is_on in (("supply", look.source_on), ("load", look.load_on)):
            if is_on and not is_announced(ran, name, look.time_s):
                faults.append(f"{name} at {look.time_s}")
    return faults


def is_announced(ran: Ran, name: str, time_s: float) -> bool:
    """Whether the last word on that output before an instant was, less than a minute ago, that it could not be proven off."""
    said = [(at_s, record) for at_s, record in ran.records if isinstance(record, Observed) and record.instrument == name]
    last = [(at_s, record) for at_s, record in said if at_s <= time_s + MILLISECOND_S]
    return bool(last) and last[-1][1].what == "off" and not last[-1][1].verified and time_s - last[-1][0] <= ANNOUNCED_FOR_S


def unproven_bytes(ran: Ran) -> list[str]:
    """Messages an instrument heard on a link on which it had not yet said rightly who it is."""
    faults = []
    for name, log in ran.heard.items():
        expected = next(one.identity for one in ran.frozen.bench.instruments.values() if one.address.endswith(f"world-{name}"))
        proven = False
        for exchange in log:
            if exchange.received == OPENED:
                proven = False
            elif exchange.received == "*IDN?":
                proven = exchange.replied == expected.encode() + b"\n"
            elif not proven:
                faults.append(f"{name} at {exchange.time_s}: {exchange.received}")
    return faults


def unproven_ons(ran: Ran) -> list[str]:
    """Switchings on that were sent before set-points and protection levels had been read back as written on that link."""
    faults = []
    for name, needed in PROVEN_BEFORE_ON.items():
        written: dict[str, float] = {}
        proven: set[str] = set()
        for exchange in ran.heard[name]:
            said = exchange.received
            match = SET.fullmatch(said)
            if said == OPENED:
                written, proven = {}, set()
            elif match:
                written[match[1]] = float(match[2])
                proven.discard(match[1])
            elif said.removesuffix("?") in written and said.endswith("?"):
                header = said.removesuffix("?")
                if same(exchange.replied, written[header]):
                    proven.add(header)
                else:
                    proven.discard(header)
            elif said in ("OUTP ON", "INP ON") and not needed <= proven:
                faults.append(f"{name} at {exchange.time_s}: without {sorted(needed - proven)}")
    return faults


def same(reply: bytes, value: float) -> bool:
    try:
        return abs(float(reply) - value) <= 0.0011
    except ValueError:
        return False


def assert_safe(ran: Ran, every_s: float) -> None:
    """Never on without leave or unannounced, never both on, nothing written or switched on unproven."""
    assert unproven_bytes(ran) == []
    assert unproven_ons(ran) == []
    assert together_s(ran) <= every_s + OFF_TAKES_S
    assert on_without_leave(ran) == []
