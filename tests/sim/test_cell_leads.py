"""What an instrument sees through faulty leads."""

from __future__ import annotations

from itertools import pairwise
from statistics import fmean, pstdev

import pytest

from chargerd.sim import laws
from chargerd.sim.fixtures import make_cell
from chargerd.sim.leads import Leads, Noise, Wiring


def test_good_leads_change_nothing() -> None:
    leads, bare = Leads(make_cell("plover")), make_cell("plover")
    for law in (laws.charge(0.75, 2.1), laws.REST, laws.power(-0.4)):
        leads.step(10.0, law)
        bare.step(10.0, law)

        assert (leads.voltage_V, leads.current_A) == (bare.voltage_V, bare.current_A)


@pytest.mark.parametrize("law", [laws.charge(0.5, 2.0), laws.power(0.3)])
def test_charging_the_wrong_way_round_discharges(law: laws.Law) -> None:
    leads = Leads(make_cell("plover", stored_Ah=0.5), Wiring(is_reversed=True))
    rest_V = leads.voltage_V
    leads.step(1.0, law)

    assert rest_V < -1.0
    assert leads.current_A > 0.0
    assert leads.cell.current_A == -leads.current_A
    assert leads.cell.charge_out_C > 0.0
    assert leads.voltage_V == -leads.cell.voltage_V


def test_reversed_power_is_the_power_asked_for() -> None:
    leads = Leads(make_cell("plover", stored_Ah=0.5), Wiring(is_reversed=True))
    leads.apply(laws.power(0.3))

    assert leads.voltage_V * leads.current_A == pytest.approx(0.3, abs=1e-12)


def test_a_supply_on_an_open_lead_shows_its_limit_and_no_current() -> None:
    leads = Leads(make_cell("plover", stored_Ah=0.5), Wiring(is_open=True))
    leads.step(1.0, laws.charge(0.5, 2.0))

    assert leads.voltage_V == pytest.approx(2.0, abs=1e-6)
    assert leads.current_A == pytest.approx(0.0, abs=1e-8)


@pytest.mark.parametrize("law", [laws.constant_current(0.5), laws.power(-0.3), laws.REST])
def test_anything_else_on_an_open_lead_shows_nothing(law: laws.Law) -> None:
    leads = Leads(make_cell("plover", stored_Ah=0.5), Wiring(is_open=True))
    leads.step(1.0, law)

    assert (leads.voltage_V, leads.current_A) == (0.0, 0.0)


def test_a_load_on_an_open_lead_shows_nothing() -> None:
    leads = Leads(make_cell("plover", stored_Ah=0.5), Wiring(is_open=True))
    leads.step(1.0, laws.resistance(4.7))

    assert leads.voltage_V == pytest.approx(0.0, abs=1e-6)


def test_without_the_sense_lead_the_drop_of_the_leads_adds_to_the_voltage() -> None:
    leads = Leads(make_cell("plover"), Wiring(is_sense_off=True, lead_ohm=0.1))
    leads.apply(laws.constant_current(0.75))
    assert leads.voltage_V - leads.cell.voltage_V == pytest.approx(0.075, abs=1e-12)

    leads.wiring = Wiring(lead_ohm=0.1)
    assert leads.voltage_V == leads.cell.voltage_V


def loose(seed: int) -> list[float]:
    leads = Leads(make_cell("plover"), Wiring(loose_ohm=1.2, loose_good_s=20.0, loose_bad_s=5.0), seed=seed)
    resistances = []
    for _ in range(20_000):
        leads.step(1.0, laws.REST)
        resistances.append(leads.cell.contact_ohm)
    return resistances


def test_an_intermittent_contact_makes_and_breaks_at_random() -> None:
    seen = loose(1)
    breaks = sum(1 for before, after in pairwise(seen) if after > before)

    assert set(seen) == {0.0, 1.2}
    # A telegraph with these means is bad a fifth of the time; 20 000 s hold about 800 of its turns.
    assert fmean(seen) / 1.2 == pytest.approx(0.2, abs=0.03)
    assert 600 < breaks < 900
    assert seen == loose(1)
    assert seen != loose(2)


def test_a_mended_contact_is_as_good_as_before() -> None:
    leads = Leads(make_cell("redshank"), Wiring(loose_ohm=5.0, loose_good_s=1e-9, loose_bad_s=1e9))
    leads.step(1.0, laws.REST)
    assert leads.cell.contact_ohm == 6.2

    leads.wiring = Wiring()
    leads.apply(laws.REST)
    assert leads.cell.contact_ohm == 1.2


def test_readings_are_noisy_and_reading_does_no_harm() -> None:
    leads = Leads(make_cell("plover", stored_Ah=0.5), noise=Noise(), seed=3)
    leads.step(1.0, laws.constant_current(0.3))
    seen = [leads.read() for _ in range(4000)]

    for values, truth, sigma in zip(
        zip(*seen, strict=True),
        (leads.voltage_V, leads.current_A, leads.cell.temperature_degC),
        (0.5e-3, 0.3e-3, 0.1),
        strict=True,
    ):
        assert fmean(values) == pytest.approx(truth, abs=sigma * 0.08)
        assert pstdev(values) == pytest.approx(sigma, rel=0.06)
    assert leads.cell.elapsed_s == 1.0


def test_the_same_seed_gives_the_same_noise() -> None:
    one, same, other = (Leads(make_cell("plover"), seed=seed).read() for seed in (5, 5, 6))

    assert one == same
    assert one != other
