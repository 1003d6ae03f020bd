"""Resistance of leads and clips, from the supply's voltage at one end and a meter's at the other, through a real journal."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from chargerd.core.reading import Measured
from chargerd.sim.fixtures import make_cell
from chargerd.verdict.verdict import Verdict, write_verdict
from tests.verdict.real_run import BOATHOUSE, Recorded, write_run_of

PROFILE = """\
profile: charge-only
about: Invented charge for a test.
steps:
  - charge: {current: 0.2 A, voltage: 1.75 V, sample_every: 30 s, ends_when: {charge: 1 Ah, time: 2 h}}
"""
METER = """\
  cell-meter:
    address: tcp://127.0.0.1:5032
    dialect: scpi-meter
    identity: "B,M,1,1"
    isolated: yes
    accuracy: {voltage: 1 mV}
    resolution: {voltage: 0.1 mV}
channels:
"""
SUPPLY_V = 0.005
"""Offset of the example supply's voltage, from its file."""


def verdict_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ohm: Callable[[float], float], *, metered: bool = True) -> Verdict:
    """The verdict on a charge whose leads have `ohm` at that time, s; without `metered` nothing is clipped to the cell."""
    bench, profile = tmp_path / "bench.yaml", tmp_path / "profile.yaml"
    text = (BOATHOUSE / "bench.yaml").read_text()
    bench.write_text(text.replace("channels:\n", METER).replace("voltage: supply", "voltage: cell-meter") if metered else text)
    profile.write_text(PROFILE)
    plain = Recorded._measure

    def measured(run: Recorded) -> dict[str, Measured]:
        inputs = plain(run)
        cell_V, current_A = inputs["supply_voltage_V"].value, inputs["supply_current_A"].value
        assert cell_V is not None
        assert current_A is not None
        inputs["supply_voltage_V"] = Measured(round(cell_V + current_A * ohm(run.now_s), 7))
        return inputs | {"cell-meter_voltage_V": Measured(cell_V)} if metered else inputs

    monkeypatch.setattr(Recorded, "_measure", measured)
    folder = write_run_of(tmp_path, BOATHOUSE / "cells" / "plover-01.yaml", bench, profile, make_cell("plover"))
    verdict = write_verdict(folder)
    written = json.loads((folder / "verdict.json").read_text())["figures"]["leads"]
    assert (written is None) is (verdict.leads is None)
    return verdict


def test_what_leads_drop_is_found_with_the_uncertainty_of_both_meters(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = verdict_with(tmp_path, monkeypatch, lambda _: 0.08)

    assert found.leads is not None
    assert found.leads.first_ohm == pytest.approx(0.08, abs=1e-3)
    assert found.leads.last_ohm == pytest.approx(0.08, abs=1e-3)
    assert found.leads.u_ohm > SUPPLY_V / 3**0.5 / 0.2
    assert "Leads and clips: 0.080 Ω" in found.sentences["leads"]
    assert "going bad" not in found.sentences["leads"]


def test_a_contact_that_grows_by_more_than_a_twentieth_of_an_ohm_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = verdict_with(tmp_path, monkeypatch, lambda now_s: 0.03 if now_s < 3600.0 else 0.09)

    assert found.leads is not None
    assert found.leads.last_ohm - found.leads.first_ohm == pytest.approx(0.06, abs=2e-3)
    assert "clean or replace the clips" in found.sentences["leads"]


def test_without_a_meter_at_the_cell_nothing_is_said_of_leads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = verdict_with(tmp_path, monkeypatch, lambda _: 0.08, metered=False)

    assert found.leads is None
    assert "leads" not in found.sentences
