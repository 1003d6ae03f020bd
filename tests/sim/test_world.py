"""A bench repeats itself by seed, copies itself whole, and reports its own truth."""

from __future__ import annotations

import json

import pytest

from chargerd.sim.behaviour import behaviour_names, load_behaviour
from chargerd.sim.faults import forever, once
from chargerd.sim.world import World, boathouse_bench, world_of
from tests.sim.bench import ask
from tests.sim.own_panels import panel_of


def talk(world: World, start_s: float = 0.0) -> list[str]:
    """A fixed conversation with everything that is random in it."""
    replies = [ask(world.peers["supply"], "VOLT 2.1;CURR 1.5;OUTP ON", start_s)]
    for step in range(1, 60):
        now_s = start_s + 7.3 * step
        for name, message in (("supply", "MEAS:VOLT?;CURR?"), ("meter", "READ?"), ("thermometer", "MEAS:TEMP?")):
            replies.append(ask(world.peers[name], message, now_s))
    return replies


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    def made(seed: int) -> list[str]:
        world = boathouse_bench("plover", seed=seed)
        world.peers["meter"].faults.arm(forever("garble", at_question=20))
        return talk(world)

    assert made(5) == made(5)
    assert made(5) != made(6)


def test_a_copy_goes_on_as_the_original_would_and_does_not_touch_it() -> None:
    world = boathouse_bench("plover", seed=2)
    ask(world.peers["supply"], "VOLT 2.6;CURR 2;OUTP ON")
    world.peers["supply"].faults.arm(once("panel_switch", at_s=500.0))
    world.peers["meter"].faults.arm(forever("garble", at_s=100.0))
    world.advance_to(50.3)
    before = world.report(50.3)
    twin = world.copy()
    twin_replies, twin_report = talk(twin, 60.0), twin.report(600.0)

    assert world.nodes["cell"].cell is not twin.nodes["cell"].cell
    assert world.nodes["cell"].cell._constants is twin.nodes["cell"].cell._constants  # type: ignore[union-attr]
    assert world.report(50.3) == before
    assert talk(world, 60.0) == twin_replies
    assert world.report(600.0) == twin_report
    assert twin_report["panels"]["supply"]["energised"] == [[0.0, 500.0]]


def test_the_report_is_plain_data_and_tells_the_truth() -> None:
    world = boathouse_bench("plover")
    ask(world.peers["supply"], "VOLT 2.6;CURR 2;OUTP ON", 10.0)
    ask(world.peers["supply"], "OUTP OFF", 15.0)
    report = json.loads(json.dumps(world.report(20.0)))

    assert report["panels"]["supply"]["energised"] == [[10.0, 15.0]]
    assert report["panels"]["supply"]["output_log"][-1] == [15.0, False, "command"]
    assert report["nodes"]["cell"]["charge_in_C"] == pytest.approx(10.0)
    assert report["peers"]["supply"] == {"messages": 2, "replies": 0}


def test_a_bench_can_have_several_channels_and_its_own_clock() -> None:
    world = world_of({"seed": 3, "channels": [{"cell": "plover", "prefix": "a-"}, {"cell": None, "prefix": "b-", "load": None}]})
    feeds = world.feeds(zero_s=1000.0)

    assert sorted(feeds) == ["a-load", "a-meter", "a-supply", "a-thermometer", "b-meter", "b-supply", "b-thermometer"]

    feeds["a-supply"](b"VOLT 2;CURR 1;OUTP ON\n", 1002.0)

    assert world.panels["a-supply"].energised() == [(2.0, None)]
    assert world.panels["b-supply"].energised() == []


def test_faults_of_the_plain_data_are_armed() -> None:
    world = world_of({"faults": [{"peer": "supply", "kind": "mute", "times": None}]})

    assert ask(world.peers["supply"], "*IDN?") == ""


def test_a_small_cell_has_a_finer_grid() -> None:
    small, large = boathouse_bench("dotterel"), boathouse_bench("plover")
    coarse = boathouse_bench("dotterel")
    coarse.nodes["cell"]._step_s /= 10.0
    charges = []
    for world in (small, coarse):
        ask(world.peers["supply"], "VOLT 2;CURR 1;OUTP ON")
        world.advance_to(10.0)
        charges.append(world.nodes["cell"].charge_in_C)

    assert charges[0] == pytest.approx(charges[1], rel=0.01)
    assert large.nodes["cell"]._step_s == 1.0


@pytest.mark.parametrize("name", behaviour_names("scpi"))
def test_every_behaviour_names_only_what_its_panel_has(name: str) -> None:
    behaviour = load_behaviour(name)
    panel = panel_of(behaviour.panel, "panel", World())
    peer = World().add_peer("peer", name, [panel])

    for command in set(map(id, behaviour.commands.values())):
        entry = next(found for found in behaviour.commands.values() if id(found) == command)
        if entry.kind == "read":
            assert isinstance(panel.read(entry.key, 0.0), float), entry.header
        elif entry.kind in {"setting", "sets"}:
            assert entry.key in panel.settings, entry.header
        elif entry.kind in {"flag", "do"}:
            assert hasattr(panel, entry.key), entry.header
    assert ask(peer, "*IDN?") == behaviour.identity


def test_an_unknown_behaviour_is_refused() -> None:
    with pytest.raises(FileNotFoundError):
        load_behaviour("scpi-toaster")
