"""What must hold of every run, whatever was wrong with the bench: judged by the panels' own record and the bytes they heard."""

from __future__ import annotations

import re

from chargerd.core.states import State
from chargerd.sim.panel import Panel
from tests.worlds.world_bench import OPENED, Ran

OFF_TAKES_S = 4.0
"""Two outputs, a command and its proof each, and one retry, half a second for a question."""
SET = re.compile(r"(VOLT|CURR|VOLT:PROT|CURR:PROT) ([0-9.]+)")
PROVEN_BEFORE_ON = {"supply": {"VOLT", "CURR", "VOLT:PROT", "CURR:PROT"}, "load": {"CURR", "CURR:PROT"}}


def intervals(panel: Panel, until_s: float) -> list[tuple[float, float]]:
    return [(start_s, until_s if end_s is None else end_s) for start_s, end_s in panel.energised()]


def together_s(ran: Ran) -> float:
    """The longest time that source and load truly conducted together."""
    sources, loads = (intervals(panel, ran.ended_s) for panel in (ran.source, ran.load))
    return max((min(a[1], b[1]) - max(a[0], b[0]) for a in sources for b in loads), default=0.0)


def on_without_leave(ran: Ran) -> list[float]:
    """When, after a pass, an output truly conducted although the channel was not running."""
    return [look.time_s for look in ran.looks if look.state is not State.RUNNING and (look.source_on or look.load_on)]


def unproven_bytes(ran: Ran) -> list[str]:
    """Messages an instrument heard on a link on which it had not yet said rightly who it is."""
    faults = []
    for name, log in ran.heard.items():
        expected = ran.frozen.bench.instruments[name].identity.encode() + b"\n"
        proven = False
        for exchange in log:
            if exchange.received == OPENED:
                proven = False
            elif exchange.received == "*IDN?":
                proven = exchange.replied == expected
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


def assert_safe(ran: Ran, every_s: float, *, may_be_stuck: bool = False) -> None:
    """INV-01 to INV-04 of a run. `may_be_stuck`: the fault leaves no way to switch off, so only trying is asked for."""
    assert unproven_bytes(ran) == []
    assert unproven_ons(ran) == []
    assert together_s(ran) <= every_s + OFF_TAKES_S
    if not may_be_stuck:
        assert on_without_leave(ran) == []
