"""What is done to a run: faults, what befalls the cell, and what a person does. Plain data, so that it can be kept and cut down."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from chargerd.core.events import Pause, Resume, Stop
from tests.worlds.world_bench import Stage

Raw = dict[str, Any]


@dataclass(frozen=True)
class Script:
    """One injected run.

    Attributes:
        story: the run it happens in, a key of STORIES.
        arm_s: everything is armed after the first pass at or after this instant; messages are counted from there.
        faults: each as `World.arm` takes it.
        excursions: `kind` of EXCURSIONS and `at_s`.
        acts: what a person does: `do` of ACTS and `at_s`.
        stop_s: when a person ends what still goes on; None leaves the run to its own end.
        until_s: when looking ends, whatever still goes on.
        seed: of noise and of the faults' own choices.
        loss: share of all replies that are lost.
    """

    story: str
    arm_s: float = 0.0
    faults: tuple[Raw, ...] = ()
    excursions: tuple[Raw, ...] = ()
    acts: tuple[Raw, ...] = ()
    stop_s: float | None = None
    until_s: float = 4000.0
    seed: int = 1
    loss: float = 0.0

    def to_json(self) -> str:
        return json.dumps(asdict(self), indent=1, sort_keys=True) + "\n"

    @property
    def size(self) -> int:
        return len(self.faults) + len(self.excursions) + len(self.acts)

    def without(self, what: str, index: int) -> Script:
        kept: tuple[Raw, ...] = getattr(self, what)
        return replace(self, **{what: kept[:index] + kept[index + 1 :]})

    def with_one(self, what: str, index: int, raw: Raw) -> Script:
        kept: tuple[Raw, ...] = getattr(self, what)
        return replace(self, **{what: (*kept[:index], raw, *kept[index + 1 :])})


def script_of(raw: Raw) -> Script:
    lists = {name: tuple(dict(item) for item in raw.get(name, ())) for name in ("faults", "excursions", "acts")}
    return Script(**{**raw, **lists})


def read_script(path: Path) -> Script:
    return script_of(json.loads(path.read_text(encoding="utf-8"))["script"])


# --- what befalls the cell -----------------------------------------------------------------------------------------------------

HOT_ROOM_degC = 160.0
"""A heater beside the cell. plover loses 0.2 W/K or so: it warms by several kelvins a minute, as with an inner short."""
EMF_C = 8000.0
"""Charge put on the positive at once: the open circuit then stands above every limit of voltage."""


def _cell(stage: Stage, set_to: dict[str, float]) -> None:
    node = next(node for name, node in stage.world.nodes.items() if name == "slip-1")
    node.arrive(stage.now_s())
    for name, value in set_to.items():
        setattr(node.cell, name, getattr(node.cell, name) + value if name == "stored_C" else value)
    node.changed()


EXCURSIONS: dict[str, dict[str, float]] = {
    "heats": {"ambient_degC": HOT_ROOM_degC},
    "emf rises": {"stored_C": EMF_C},
    "clip burns": {"contact_ohm": 3.0},
    "leaks": {"short_ohm": 1.2},
}
"""What happens to the cell, by its own attributes. An overcharge is a fault of its source: `change` of a set-point."""

ACTS = {"pause": Pause, "resume": Resume, "stop": Stop}


def arm(stage: Stage, script: Script) -> None:
    """Arm all of it, now."""
    now_s = stage.now_s()
    for raw in script.faults:
        stage.world.arm(raw, now_s)
    for raw in script.excursions:
        stage.loop.call_at(max(raw["at_s"], now_s), _cell, stage, EXCURSIONS[raw["kind"]])
    for raw in script.acts:
        stage.loop.call_at(max(raw["at_s"], now_s), stage.channel.ask, ACTS[raw["do"]](by="campaign"))
    if script.stop_s is not None:
        stage.loop.call_at(max(script.stop_s, now_s), stage.channel.ask, Stop(by="campaign"))
