"""The rule by which switched resistors stand in for a load, for any resistors, currents and voltages."""

from __future__ import annotations

import asyncio
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargerd.config.bench import InstrumentSpec
from chargerd.core.events import Observed
from chargerd.errors import InstrumentError
from chargerd.instruments.bank import ABOVE, BELOW, Bank, Part, carried_A, choose
from chargerd.instruments.relay import Switch


class Contact(Switch):
    """A stand-in for a relay on a wire, whose own tests are elsewhere: obeys, or not, and keeps a log of all contacts."""

    def __init__(self, name: str, log: list[tuple[str, bool]], *, obeys: bool = True) -> None:
        self.name = name
        self.spec = InstrumentSpec(name, "", "", "", None, None, {}, {})
        self.is_closed = False
        self.told = None
        self._log = log
        self._obeys = obeys

    async def switch(self, *, closed: bool) -> Observed:
        self._log.append((self.name, closed))
        if self._obeys:
            self.is_closed = closed
        return Observed(self.name, "closed" if closed else "open", verified=self._obeys)

    async def prove_open(self) -> None:
        if self.is_closed:
            raise InstrumentError(f"{self.name} is closed")


def bank(*ohms: float, power_W: float = 100.0, obeys: bool = True) -> tuple[Bank, list[tuple[str, bool]]]:
    log: list[tuple[str, bool]] = []
    return Bank("bank", tuple(Part(Contact(f"k{ohm:g}", log, obeys=obeys), ohm, power_W) for ohm in ohms)), log


OHMS = st.lists(st.floats(0.5, 100.0), min_size=1, max_size=5, unique=True)
CURRENT_A, VOLTAGE_V = st.floats(0.01, 3.0), st.floats(0.3, 2.6)


@given(OHMS, CURRENT_A, VOLTAGE_V)
def test_no_combination_chosen_carries_more_than_asked_and_none_that_fits_carries_more(
    ohms: list[float], current_A: float, voltage_V: float
) -> None:
    parts = bank(*ohms)[0].parts
    chosen = choose(parts, current_A, voltage_V)
    every = [some for count in range(1, len(parts) + 1) for some in combinations(parts, count)]
    fitting = [carried_A(some, voltage_V) for some in every if carried_A(some, voltage_V) <= current_A]

    assert carried_A(chosen, voltage_V) == max(fitting, default=0.0)


@given(OHMS, VOLTAGE_V, st.floats(0.1, 5.0))
def test_no_resistor_is_chosen_that_would_get_too_hot(ohms: list[float], voltage_V: float, power_W: float) -> None:
    chosen = choose(bank(*ohms, power_W=power_W)[0].parts, 10.0, voltage_V)

    assert all(voltage_V**2 / part.resistance_ohm <= power_W for part in chosen)


def test_no_contact_is_chosen_that_carries_more_than_it_is_rated_for() -> None:
    part = bank(1.0)[0].parts[0]
    weak = Part(part.relay, 1.0, 100.0, contact_A=1.0)

    assert choose((weak,), 10.0, 1.1) == ()
    assert choose((weak,), 10.0, 0.9) == (weak,)


@settings(deadline=None)
@given(OHMS, CURRENT_A, st.lists(VOLTAGE_V, min_size=1, max_size=12))
def test_whatever_the_cell_does_what_flows_stays_under_the_band_and_contacts_break_before_they_make(
    ohms: list[float], current_A: float, voltages_V: list[float]
) -> None:
    load, log = bank(*ohms)

    async def discharge() -> None:
        load.voltage_V = voltages_V[0]
        await load.write_points(current_A=current_A)
        try:
            await load.switch_on()
        except InstrumentError:
            assert choose(load.parts, current_A, voltages_V[0]) == ()
            return
        for voltage_V in voltages_V:
            load.voltage_V = voltage_V
            before = len(log)
            await load.relieve()
            assert carried_A(load.closed, voltage_V) <= current_A * (1 + ABOVE)
            if load.is_on:
                await load.follow()
            assert carried_A(load.closed, voltage_V) <= current_A * (1 + ABOVE)
            moves = [closed for _, closed in log[before:]]
            assert moves == sorted(moves)  # every opening comes before every closing

    asyncio.run(discharge())


@pytest.mark.parametrize(("voltage_V", "moves"), [(1.4, 0), (1.4 * (1 - BELOW) + 0.01, 0), (1.4 * (1 - BELOW) - 0.01, 1)])
def test_the_band_keeps_contacts_still(voltage_V: float, moves: int) -> None:
    # 0.25 A through 5.6 ohm at 1.4 V; three quarters of it at 1.05 V, where 24 ohm more fit.
    load, log = bank(5.6, 24.0)

    async def fall() -> None:
        load.voltage_V = 1.4
        await load.write_points(current_A=0.25)
        await load.switch_on()
        log.clear()
        load.voltage_V = voltage_V
        await load.follow()

    asyncio.run(fall())
    assert len(log) == moves


def test_a_contact_that_does_not_open_makes_switching_off_unproven_and_the_others_still_open() -> None:
    load, log = bank(5.0, 10.0, obeys=False)
    observed = asyncio.run(load.switch_off())

    assert (observed.what, observed.verified) == ("off", False)
    assert log == [("k5", False), ("k10", False)]


def test_without_a_voltage_nothing_is_switched_on() -> None:
    load, log = bank(5.0)

    async def on() -> None:
        await load.write_points(current_A=1.0)
        await load.switch_on()

    with pytest.raises(InstrumentError, match="voltage is not known"):
        asyncio.run(on())
    assert log == []


def test_a_lower_current_asked_for_is_followed_at_once() -> None:
    load, _ = bank(5.0, 10.0)

    async def lower() -> float:
        load.voltage_V = 1.0
        await load.write_points(current_A=0.31)
        await load.switch_on()
        await load.write_points(current_A=0.21)
        return carried_A(load.closed, 1.0)

    assert asyncio.run(lower()) == pytest.approx(0.2)
