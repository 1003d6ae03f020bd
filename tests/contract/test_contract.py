"""One contract per role over every dialect, behaviour and transport; and each check turns red on an instrument that breaks it."""

from __future__ import annotations

import re

import pytest

from chargerd.instruments.contract.suite import CHECKS, Finding, Result, run_contract
from chargerd.instruments.dialect import dialect_names
from chargerd.sim.faults import Fault
from tests.contract.matrix import CASES, Case, instrument_of, on_real_clock, transports_of
from tests.instruments.rig import run as on_jumping_clock

NEVER_RAISED_V = 1.3
"""No check asks for more than this (its set-points: 1.000 and 1.237 V)."""


def findings_of(case: Case, transport: str, *faults: Fault) -> dict[str, Finding]:
    async def main() -> list[Finding]:
        async with instrument_of(case, transport, faults) as (instrument, _):
            return await run_contract(instrument)

    run = on_jumping_clock if transport.endswith("memory") else on_real_clock
    return {finding.check: finding for finding in run(main)}


@pytest.mark.parametrize(
    ("case", "transport"), [pytest.param(case, transport, id=f"{case}-{transport}") for case in CASES for transport in transports_of(case)]
)
def test_every_dialect_keeps_the_contract_of_its_role_over_every_transport(case: Case, transport: str) -> None:
    findings = findings_of(case, transport)

    assert [str(finding) for finding in findings.values() if finding.result is Result.FAILED] == []
    passed = {check for check, finding in findings.items() if finding.result is Result.PASSED}
    assert passed >= {"identity", "questions", "reopened link"}
    if case.panel == "supply":
        assert passed >= {"off", "set-points", "on and off", "off at the end"}
    if case.panel == "load":
        assert passed >= {"off", "set-points", "protection levels", "on and off", "off at the end"}
    if case.panel == "relay":
        assert "contact" in passed


def test_no_shipped_dialect_is_without_a_case() -> None:
    assert {case.dialect for case in CASES} == set(dialect_names())


@pytest.mark.parametrize("case", [case for case in CASES if case.panel == "supply"], ids=str)
def test_what_the_contract_asks_of_a_supply_is_small_and_taken_back(case: Case) -> None:
    async def main() -> tuple[list[float], float]:
        async with instrument_of(case, transports_of(case)[0]) as (instrument, peer):
            await run_contract(instrument)
            asked_V = [float(number) for one in peer.log for number in re.findall(r"(?:VOLT|U) ([0-9.]+)", str(one.received))]
            asked_V += [float(number) / 1000 for one in peer.log for number in re.findall("write 40010 ([0-9]+)", one.received)]
            return asked_V, float(peer.listener.panels[int(case.output or "1") - 1].get("voltage_set_V"))

    asked_V, left_V = (on_jumping_clock if transports_of(case)[0].endswith("memory") else on_real_clock)(main)
    assert 0.0 < max(asked_V) <= NEVER_RAISED_V
    assert left_V == 0.0


SUPPLY, LOAD, METER = CASES[0], Case("scpi-load", "scpi-load", "load"), Case("scpi-meter", "scpi-meter", "meter")
RELAY, MIRRORED = (Case(name, "scpi-relays", "relay", output="1") for name in ("scpi-relays", "scpi-relays-mirror"))


def lasting(kind: str, *, header: str = "", **values: object) -> Fault:
    return Fault(kind, header=header, times=None, values=values)


BROKEN = [
    ("identity", SUPPLY, lasting("replace", header="*IDN?", text="1.85")),
    ("off", SUPPLY, lasting("offset", quantity="current_A", by=0.5)),
    ("open terminals", SUPPLY, lasting("offset", quantity="voltage_V", by=0.9)),
    ("questions", METER, lasting("replace", header="MEAS:VOLT", text="1,85")),
    ("questions", SUPPLY, lasting("replace", header="*ESR?", text="nan")),
    ("plausible", Case("scpi-thermometer", "scpi-thermometer", "thermometer"), lasting("reading", quantity="all", value=850.0)),
    ("error queue", SUPPLY, lasting("replace", header="SYST:ERR?", text='0,"No error"')),
    ("set-points", SUPPLY, lasting("ignore_set")),
    ("set-points", LOAD, lasting("ignore_set")),
    ("protection levels", SUPPLY, lasting("replace", header="VOLT:PROT?", text="+3.30000E+01")),
    ("protection levels", LOAD, lasting("replace", header="FUNC?", text="RES")),
    ("on and off", SUPPLY, lasting("ignore_on")),
    ("on and off", LOAD, lasting("ignore_on")),
    ("off at the end", SUPPLY, lasting("ignore_off")),
    ("deliberate trip", SUPPLY, lasting("replace", header="STAT:QUES:COND?", text="2")),
    ("contact", RELAY, lasting("replace", header="ROUT:CLOS?", text="0")),
    ("contact", MIRRORED, lasting("replace", header="ROUT:MIRR", text="0")),
    ("reopened link", SUPPLY, Fault("identity", at_question=90, times=None, values={"text": "Boathouse,Stranger,SN99,1.0"})),
]


@pytest.mark.parametrize(("check", "case", "fault"), BROKEN, ids=[f"{check}-{case.dialect}" for check, case, _ in BROKEN])
def test_an_instrument_that_breaks_the_contract_is_found_by_the_check_for_it(check: str, case: Case, fault: Fault) -> None:
    findings = findings_of(case, "memory", fault)

    assert findings[check].result is Result.FAILED, {name: str(finding.result) for name, finding in findings.items()}


def test_every_check_that_can_fail_here_is_seen_to_fail() -> None:
    can_fail_here = {check.name for check in CHECKS} - {"power-on state"}  # no supply here can be asked
    assert {check for check, _, _ in BROKEN} - {"off at the end"} == can_fail_here


def test_with_something_connected_nothing_is_changed() -> None:
    findings = findings_of(SUPPLY, "memory", lasting("offset", quantity="voltage_V", by=0.9))

    assert {name for name, finding in findings.items() if finding.result is Result.NOT_HERE} >= {
        "set-points", "protection levels", "on and off", "deliberate trip",
    }  # fmt: skip


def test_what_holds_the_voltage_down_is_not_energised_a_second_time() -> None:
    """As a fresh cell does that was left connected: at 0 V it is not seen before."""
    findings = findings_of(SUPPLY, "memory", lasting("ignore_on"))

    assert findings["deliberate trip"].result is Result.NOT_HERE
    assert findings["off at the end"].result is Result.PASSED
