"""The contract of each role as one table, and its runner. Outputs are proven off before, between and after the checks."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from chargerd.errors import InstrumentError, LinkError
from chargerd.instruments.contract import steps
from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import Instrument, Output

Run = Callable[[Instrument], Awaitable[str]]


class Result(StrEnum):
    """What came of a check. Not here: there is nothing to prove; unproven: there is, and this could not."""

    PASSED = "passed"
    FAILED = "FAILED"
    NOT_HERE = "not here"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class Check:
    """One row: what is proven, of which roles, and how.

    `changes`: it writes something, so nothing may be connected. `energises`: what is switched on meanwhile; empty: nothing.
    """

    name: str
    proves: str
    roles: frozenset[str]
    run: Run
    changes: bool = True
    energises: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One check on one instrument. `said`: what was seen, or what is wrong, or why it says nothing here."""

    instrument: str
    check: str
    result: Result
    said: str


class Watch(Protocol):
    """Somebody who follows the checks as they are made."""

    def begins(self, check: Check) -> None:
        """Told before the first byte of a check is sent."""

    def ended(self, finding: Finding) -> None:
        """Told what came of a check, or why it was not tried."""


class _Nobody:
    def begins(self, check: Check) -> None:
        del check

    def ended(self, finding: Finding) -> None:
        del finding


_ALL = frozenset({"source", "load", "meter", "thermometer", "switch"})
_OUTPUTS = frozenset({"source", "load"})
_SOURCE = frozenset({"source"})
_SWITCH = frozenset({"switch"})
_TRIAL = f"{steps.TRIAL_V:g} V, {steps.TRIAL_A:g} A"
_TRIP = f"{steps.ABOVE_TRIP_V:g} V, {steps.TRIAL_A:g} A"

CHECKS: tuple[Check, ...] = (
    Check("identity", "it says who it is", _ALL, steps.identity, changes=False),
    Check("off", "off is off, by state and current", _OUTPUTS, steps.off),
    Check("open terminals", "nothing is connected", _OUTPUTS, steps.open_terminals, changes=False),
    Check("questions", "every question is answered in its grammar", _ALL, steps.questions, changes=False),
    Check("plausible", "what it measures can be", _ALL - _OUTPUTS - {"switch"}, steps.plausible, changes=False),
    Check("error queue", "a refused command is seen", _ALL, steps.error_queue, changes=False),
    Check("power-on state", "off stays off through a power failure", _OUTPUTS, steps.power_on, changes=False),
    Check("set-points", "what is written is read back", _OUTPUTS, steps.set_points),
    Check("protection levels", "its own protection is written and read back", _OUTPUTS, steps.protection_levels),
    Check("on and off", "on is on at a small value, and off is off again", _OUTPUTS, steps.energised, energises=_TRIAL),
    Check("deliberate trip", "its own over-voltage protection acts", _SOURCE, steps.deliberate_trip, energises=_TRIP),
    Check("contact", "it opens and closes", _SWITCH, steps.contact, energises="its contact closes"),
    Check("reopened link", "a link opened anew finds the same instrument", _ALL, steps.reopened, changes=False),
)
"""In this order. After a failed `identity` nothing more is sent; after a failed `off`, `open terminals` or `on and off` nothing
that changes anything is tried."""

FATAL = frozenset({"identity", "off", "open terminals", "on and off"})

AT_THE_END = Check("off at the end", "whatever was switched on is off again", _OUTPUTS | _SWITCH, steps.off_at_last)
"""Made at last whatever came before; who stops the others makes this one."""


async def run_contract(instrument: Instrument, checks: Iterable[Check] = CHECKS, watch: Watch | None = None) -> list[Finding]:
    """Run every check that applies. Never raises for what instruments do; an output is off, or said not to be, at the end.

    Who cancels it makes `AT_THE_END` with `one_check`.
    """
    watch = watch or _Nobody()
    findings: list[Finding] = []
    broken = ""
    for check in checks:
        if instrument.dialect.role not in check.roles:
            continue
        if broken and check.changes:
            findings.append(Finding(instrument.name, check.name, Result.NOT_HERE, f"not tried, because {broken!r} failed"))
            watch.ended(findings[-1])
            continue
        finding = await one_check(instrument, check, watch)
        findings.append(finding)
        if finding.result is Result.FAILED and check.name in FATAL:
            broken = broken or check.name
        if broken == "identity" and not instrument.connection.has_answered:
            return findings  # silent, or another one: nothing more is said to it, and nothing was sent that could be on
    if isinstance(instrument, (Output, Switch)):
        findings.append(await one_check(instrument, AT_THE_END, watch))
    return findings


async def one_check(instrument: Instrument, check: Check, watch: Watch) -> Finding:
    """Make one check. Never raises for what instruments do."""
    watch.begins(check)
    finding = await _judged(instrument, check)
    watch.ended(finding)
    return finding


async def _judged(instrument: Instrument, check: Check) -> Finding:
    try:
        if check is not AT_THE_END and not instrument.connection.is_usable:  # switching off opens its link by itself
            await instrument.identify()
        return Finding(instrument.name, check.name, Result.PASSED, await check.run(instrument))
    except steps.UnprovenError as why:
        return Finding(instrument.name, check.name, Result.UNPROVEN, str(why))
    except steps.NotHereError as why:
        return Finding(instrument.name, check.name, Result.NOT_HERE, str(why))
    except (LinkError, InstrumentError) as fault:
        return Finding(instrument.name, check.name, Result.FAILED, str(fault))
