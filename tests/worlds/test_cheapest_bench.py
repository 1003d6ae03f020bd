"""The cheapest bench forms a cell: a Modbus supply with 25 mA of zero error, relays, two resistors, a printing sensor, no meter.

The shipped bench file and profile; only addresses are changed. The cell is a plover of a fifth of the size, described by the
plover's file, so that currents and resistors are what they are on the real one and a round takes an hour or two. Judged by the
simulated panels' own records and by the cell's own books.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from chargerd.cli.files import example_bench
from chargerd.core.events import CheckPassed, StateChanged, StepEnded
from chargerd.core.states import State
from chargerd.sim.cell import Cell
from chargerd.sim.fixtures import small_cell
from chargerd.sim.panel import Panel
from chargerd.sim.relay import Relay
from chargerd.verdict.grades import Grade
from chargerd.verdict.verdict import Verdict, write_verdict
from chargerd.verdict.words import LINES_MAX
from chargerd.verdict.words import text as words_of
from tests.worlds.world_bench import Ran, Stage, conducts_at, run_world

FACTOR = 0.2
LONGEST_S = 40 * 3600.0
MEMORY = {
    "modbus-rtu:///tmp/boathouse-hub-1?baud=9600&parity=none&unit=1": "modbus-memory://world-supply?unit=1",
    "serial-bytes:///tmp/boathouse-hub-2?baud=9600": "bytes-memory://world-relay-cell",
    "serial:///tmp/boathouse-hub-3?baud=115200&eol=crlf&listen=yes": "memory://world-probe?eol=crlf&listen=yes",
    "data: boathouse-data": "data: .",
}
ZERO_A = 0.025
JUDGED_BAD = re.compile(r"\b(bad|poor|reject|rejected|not usable)\b", re.IGNORECASE)


def cheapest_text() -> str:
    """The shipped bench file with its instruments in memory."""
    text = example_bench().with_name("bench-cheapest.yaml").read_text(encoding="utf-8")
    for old, new in MEMORY.items():
        assert old in text
        text = text.replace(old, new)
    return text


@dataclass
class Formed:
    """One formation, what the cell itself counted at each change of state or step, and its verdict."""

    ran: Ran
    verdict: Verdict
    out_Ah: dict[float, float]


def form(folder: Path, bench: str) -> Formed:
    books: dict[float, float] = {}

    def keep_books(stage: Stage, done: object) -> None:
        del done
        books[stage.now_s()] = stage.world.nodes["slip-1"].charge_out_C / 3600.0

    ran = run_world(
        folder, "gentle-formation", cell=Cell(small_cell(factor=FACTOR), fresh=True), bench=bench, until_s=LONGEST_S,
        after_pass=keep_books,
    )  # fmt: skip
    return Formed(ran, write_verdict(ran.folder), books)


@pytest.fixture(scope="module")
def cheapest(tmp_path_factory: pytest.TempPathFactory) -> Formed:
    return form(tmp_path_factory.mktemp("cheapest"), cheapest_text())


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Formed:
    """The same cell on the boathouse's good bench."""
    return form(tmp_path_factory.mktemp("good"), "")


def contacts(ran: Ran) -> tuple[Relay, list[Relay]]:
    """The cell's relay, and those of the resistors."""
    relays = {name: panel for name, panel in ran.world.panels.items() if isinstance(panel, Relay)}
    return relays["relay-cell"], [relays["relay-10"], relays["relay-15"]]


def last_discharges_Ah(formed: Formed) -> list[float]:
    """What truly left the cell in the last two discharges, by its own books."""
    ends = [(at_s, record) for at_s, record in formed.ran.records if isinstance(record, StepEnded)]
    truths = []
    for (began_s, _), (ended_s, record) in pairwise(ends):
        if record.step == "1.3":
            before, after = (max(at for at in formed.out_Ah if at <= edge_s) for edge_s in (began_s, ended_s + 1.0))
            truths.append(formed.out_Ah[after] - formed.out_Ah[before])
    return truths[-2:]


@pytest.mark.timeout(300)
def test_gentle_formation_completes_with_everything_off_and_can_be_replayed(cheapest: Formed) -> None:
    ran = cheapest.ran

    assert (ran.state, ran.cause) == (State.COMPLETE, "")
    assert [record.after for _, record in ran.records if isinstance(record, StateChanged)] == ["CHECKING", "RUNNING", "COMPLETE"]
    assert not any(panel.conducts for panel in ran.world.panels.values())
    assert ran.replayed().differences == ()


@pytest.mark.timeout(300)
def test_the_zero_of_25_mA_is_measured_through_the_open_relay(cheapest: Formed) -> None:
    (passed,) = [record for _, record in cheapest.ran.records if isinstance(record, CheckPassed)]

    assert cheapest.ran.source.accuracy["current_A"].offset == ZERO_A
    assert passed.zero_source_A == pytest.approx(ZERO_A, abs=0.001)
    assert passed.zero_source_u_A is not None


@pytest.mark.timeout(300)
def test_no_contact_breaks_a_current_and_source_and_resistors_are_never_on_together(cheapest: Formed) -> None:
    ran = cheapest.ran
    cell, resistors = contacts(ran)
    energies: list[Panel] = [ran.source, *resistors]

    assert [entry.on for entry in cell.output_log] == [False, True, False, True, False]  # the proof of CHECKING, and the run
    for entry in cell.output_log[1:]:
        assert not any(conducts_at(panel, entry.time_s) for panel in energies), entry
    assert len(ran.source.energised()) > 50
    for entry in ran.source.output_log:
        if entry.on:
            assert not any(conducts_at(relay, entry.time_s) for relay in resistors), entry
    for relay in resistors:
        assert len(relay.output_log) > 5
        for entry in relay.output_log:
            assert not entry.on or not conducts_at(ran.source, entry.time_s), entry


@pytest.mark.timeout(300)
def test_the_capacity_is_within_its_interval_of_what_truly_left_the_cell(cheapest: Formed) -> None:
    found = cheapest.verdict.capacity
    truths_Ah = last_discharges_Ah(cheapest)

    assert found is not None
    assert found.limit_Ah is not None
    assert len(truths_Ah) == 2
    assert abs(found.charge_Ah - sum(truths_Ah) / 2) <= found.limit_Ah
    # 1 % of the resistors and 20 mV across them: honest is more than a hundredth, and useful less than a tenth.
    assert 0.01 * found.charge_Ah < found.limit_Ah < 0.1 * found.charge_Ah


@pytest.mark.timeout(300)
def test_what_came_in_is_within_its_interval_though_the_display_is_25_mA_wrong(cheapest: Formed) -> None:
    verdict, node = cheapest.verdict, cheapest.ran.world.nodes["slip-1"]
    charges = [leg for leg in verdict.legs if leg.kind == "charge"]
    limits_Ah = [leg.charge_limit_Ah(verdict.accuracies) for leg in charges]
    allowed_Ah = sum(limit_Ah for limit_Ah in limits_Ah if limit_Ah is not None)
    uncorrected_Ah = ZERO_A * sum(leg.duration_s for leg in charges) / 3600.0

    assert None not in limits_Ah
    assert abs(sum(leg.charge_Ah for leg in charges) - node.charge_in_C / 3600.0) <= allowed_Ah
    assert allowed_Ah < uncorrected_Ah


@pytest.mark.timeout(300)
def test_the_verdict_says_what_this_bench_cannot_know_and_calls_the_perfect_cell_nothing_bad(cheapest: Formed) -> None:
    verdict = cheapest.verdict
    said = words_of(verdict)
    told = said.partition("This bench cannot tell\n")[2]

    for word in ("no meter is clipped to it", "leads and clips", "the one given is an average", "25.0 mA was measured at the start",
                 "2.5 mA of the stated 25 mA stay", "nothing else measures it", "relay stays closed at rest"):  # fmt: skip
        assert word in told
    assert JUDGED_BAD.search(said) is None
    assert verdict.grades["coulombic_efficiency"] is Grade.NOT_RESOLVED
    assert "leads and clips included" in verdict.sentences["strength"]
    assert len(said.splitlines()) <= LINES_MAX


@pytest.mark.timeout(300)
def test_the_good_bench_finds_the_same_cell_within_what_both_state(cheapest: Formed, good: Formed) -> None:
    poor_found, found = cheapest.verdict.capacity, good.verdict.capacity

    assert good.ran.state is State.COMPLETE
    assert found is not None
    assert poor_found is not None
    assert found.limit_Ah is not None
    assert poor_found.limit_Ah is not None
    assert found.limit_Ah < poor_found.limit_Ah
    # A lower current to the same voltage finds more: beyond what both may be wrong, at most a tenth on this cell.
    assert abs(poor_found.charge_Ah - found.charge_Ah) <= poor_found.limit_Ah + found.limit_Ah + 0.1 * found.charge_Ah
    assert JUDGED_BAD.search(words_of(good.verdict)) is None
