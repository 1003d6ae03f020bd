"""One simulated instrument with nothing connected to it, for trying a dialect."""

from __future__ import annotations

from collections.abc import Callable

from chargerd.cli.simulated import BEHAVIOURS
from chargerd.config.bench import Accuracy, InstrumentSpec
from chargerd.config.bench_parts import ContactSpec
from chargerd.sim.behaviour import counting_of, read_behaviour
from chargerd.sim.world import World

ADDRESS = "memory://dialect-test"
Feed = Callable[[bytes, float], list[tuple[float, bytes]]]


def lone_instrument(dialect: str, needs: frozenset[str]) -> tuple[InstrumentSpec, Feed] | None:
    """Return what a bench file would say of the dialect's simulated counterpart, and the counterpart; None when there is none.

    `needs`: whether the bench file would have to say its output or input.
    """
    if dialect not in BEHAVIOURS:
        return None
    behaviour = BEHAVIOURS[dialect]
    kind, number = read_behaviour(behaviour)["panel"], str(counting_of(behaviour).first)
    world = World()
    node = world.add_node("terminals", None)
    peer = world.add_peer("it", behaviour, [world.add_panel(kind, "it", node)])
    spec = InstrumentSpec(
        "it", ADDRESS, dialect, peer.listener.identity, 30.0, 3.0,
        {"voltage": Accuracy(0.0005, 0.005), "current": Accuracy(0.001, 0.002), "temperature": Accuracy(0.0, 0.5)},
        {"voltage": 0.001, "current": 0.001, "temperature": 0.1},
        output=number if "output" in needs else "", input=number if "input" in needs else "",
        contact=ContactSpec("open") if kind == "relay" else None,
    )  # fmt: skip
    return spec, peer.feed
