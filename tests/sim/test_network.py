"""Kirchhoff's laws against closed forms, and against a solver nobody here wrote."""

from __future__ import annotations

import random

import numpy as np
import pytest

from chargerd.sim.network import Branch, InfeasibleError, Network, Resistance


def test_a_divider_and_its_thevenin_equivalent() -> None:
    source = Branch(1, 0, holds_voltage=True)
    network = Network(3, [Resistance(1, 2, 3.0), Resistance(2, 0, 6.0)], [source, Branch(2, 0, holds_voltage=False)])

    assert network.between((9.0, 0.0), 2, 0) == pytest.approx(6.0)
    assert network.branch_A((9.0, 0.0), 0) == pytest.approx(-1.0)  # out of the plus
    assert network.between((9.0, 0.0), 2, 0) - network.between((9.0, 1.0), 2, 0) == pytest.approx(2.0)  # 3 || 6 ohm


def test_a_bridge_in_balance_carries_nothing_across() -> None:
    arms = [Resistance(1, 2, 10.0), Resistance(2, 0, 20.0), Resistance(1, 3, 100.0), Resistance(3, 0, 200.0), Resistance(2, 3, 5.0)]
    network = Network(4, arms, [Branch(1, 0, holds_voltage=True)])

    assert network.between((1.0,), 2, 3) == pytest.approx(0.0, abs=1e-15)


def test_inner_resistance_drops_with_the_current_drawn() -> None:
    network = Network(2, [Resistance(1, 0, 4.0)], [Branch(1, 0, holds_voltage=True, ohm=1.0)])

    assert network.between((2.0,), 1, 0) == pytest.approx(1.6)
    assert network.branch_A((2.0,), 0) == pytest.approx(-0.4)


def test_remote_sense_regulates_where_it_senses() -> None:
    wires = [Resistance(1, 2, 0.1), Resistance(2, 0, 2.0)]
    network = Network(3, wires, [Branch(1, 0, holds_voltage=True, sense_plus=2, sense_minus=0)])

    assert network.between((2.0,), 2, 0) == pytest.approx(2.0)
    assert network.between((2.0,), 1, 0) == pytest.approx(2.1)


def test_a_sense_lead_in_the_air_falls_back_on_the_terminals() -> None:
    branches = [Branch(1, 0, holds_voltage=True, sense_plus=2, sense_minus=0), Branch(2, 0, holds_voltage=True, ohm=0.5)]
    network = Network(3, [], branches)

    assert network.between((5.0, 1.5), 1, 0) == pytest.approx(5.0)


def test_parts_that_nothing_joins_show_no_voltage_between_them() -> None:
    network = Network(4, [], [Branch(1, 0, holds_voltage=True), Branch(3, 2, holds_voltage=True)])

    assert network.between((5.0, 3.0), 3, 2) == 3.0
    assert network.between((5.0, 3.0), 3, 0) == 0.0


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(InfeasibleError):
        Network(2, [], [Branch(1, 0, holds_voltage=False)])
    with pytest.raises(InfeasibleError):
        Network(2, [], [Branch(1, 0, holds_voltage=True), Branch(1, 0, holds_voltage=True)])


@pytest.mark.parametrize("seed", range(20))
def test_random_meshes_agree_with_numpy(seed: int) -> None:
    dice = random.Random(seed)
    nets = dice.randint(3, 9)
    wires = [Resistance(net, dice.randrange(net), 10.0 ** dice.uniform(-3, 3)) for net in range(1, nets)]
    wires += [Resistance(*dice.sample(range(nets), 2), 10.0 ** dice.uniform(-3, 3)) for _ in range(nets)]
    injected = [(*dice.sample(range(nets), 2), dice.uniform(-2.0, 2.0)) for _ in range(3)]
    laplacian, currents = np.zeros((nets, nets)), np.zeros(nets)
    for one, other, ohm in wires:
        laplacian[one, one] += 1 / ohm
        laplacian[other, other] += 1 / ohm
        laplacian[one, other] -= 1 / ohm
        laplacian[other, one] -= 1 / ohm
    for plus, minus, current_A in injected:
        currents[plus] -= current_A
        currents[minus] += current_A
    expected = np.linalg.pinv(laplacian) @ currents

    network = Network(nets, wires, [Branch(plus, minus, holds_voltage=False) for plus, minus, _ in injected])
    strengths = [current_A for _, _, current_A in injected]

    for net in range(1, nets):
        difference_V = expected[net] - expected[0]
        assert network.between(strengths, net, 0) == pytest.approx(difference_V, rel=1e-6, abs=1e-6)
