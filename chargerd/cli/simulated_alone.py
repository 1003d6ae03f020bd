"""One simulated instrument with nothing connected to it, for trying a dialect."""

from __future__ import annotations

from collections.abc import Callable

from chargerd.cli.simulated import BEHAVIOURS
from chargerd.config.bench import Accuracy, InstrumentSpec
from chargerd.config.bench_parts import ContactSpec
from chargerd.instruments.dialect import Dialect
from chargerd.sim.behaviour import counting_of, read_behaviour
from chargerd.sim.world import World

PEER = "dialect-test"
_SCHEMES = {"modbus-rtu": "modbus-memory://{}?unit=1", "frames": "bytes-memory://{}"}
LISTEN_S = 2.5
"""Of what prints by itself: above two of its periods."""

Feed = Callable[[bytes, float], list[tuple[float, bytes]]]


def lone_instrument(dialect: Dialect) -> tuple[InstrumentSpec, Feed] | None:
    """Return what a bench file would say of the dialect's simulated counterpart, and the counterpart; None when there is none."""
    if dialect.name not in BEHAVIOURS:
        return None
    behaviour, needs = BEHAVIOURS[dialect.name], dialect.needs
    kind, number = read_behaviour(behaviour)["panel"], str(counting_of(behaviour).first)
    world = World()
    node = world.add_node("terminals", None)
    peer = world.add_peer("it", behaviour, [world.add_panel(kind, "it", node)])
    listens = not dialect.questions["identity"].message
    example = dialect.examples.get("identity?")
    identity = peer.listener.identity
    if example is not None and (listens or dialect.framing == "bytes"):  # it does not say who it is; its replies are all there is
        identity = example.means
    spec = InstrumentSpec(
        "it", _address(behaviour, listens=listens), dialect.name, identity, 30.0, 3.0,
        {"voltage": Accuracy(0.0005, 0.005), "current": Accuracy(0.001, 0.002), "temperature": Accuracy(0.0, 0.5)},
        {"voltage": 0.001, "current": 0.001, "temperature": 0.1},
        LISTEN_S if listens else 0.5,
        protects=tuple(of for level, of in (("ovp", "voltage"), ("ocp", "current")) if level not in dialect.lacks),
        output=number if "output" in needs else "", input=number if "input" in needs else "",
        contact=ContactSpec("open") if kind == "relay" else None,
    )  # fmt: skip
    return spec, peer.feed


def _address(behaviour: str, *, listens: bool) -> str:
    """Return an address in this process, of the wire that a behaviour speaks on."""
    said = read_behaviour(behaviour)
    speaks = said.get("speaks", "scpi")
    if speaks in _SCHEMES:
        return _SCHEMES[speaks].format(PEER)
    return f"memory://{PEER}?eol={str(said.get('end', 'LF')).lower()}{'&listen=yes' if listens else ''}"
