"""Panels of these tests alone: relays that switch nothing, so that protocols are tested without a power path."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chargerd.sim.panel import Panel, Setting
from chargerd.sim.world import PANELS, World

if TYPE_CHECKING:
    from collections.abc import Sequence

    from chargerd.sim.wire import Peer


class BareRelay(Panel):
    """A contact with its mirror; `welded` keeps both closed whatever the coil does."""

    SWITCH = "closed"
    closed: bool
    welded = False

    def __init__(self, name: str, node: object, *, seed: int = 0) -> None:
        super().__init__(name, node, {"closed": Setting(default=False)}, seed=seed)  # type: ignore[arg-type]

    @property
    def conducts(self) -> bool:
        return self.closed or self.welded

    @property
    def closed_shown(self) -> bool:
        return self.closed

    @property
    def mirror_closed(self) -> bool:
        return self.conducts


def panel_of(kind: str, name: str, world: World) -> Panel:
    """A panel of the program's own kinds, or a bare relay, on open terminals."""
    node = world.add_node(name, None)
    if kind == "relay" and kind not in PANELS:
        panel = BareRelay(name, node)
        world.panels[name] = panel
        return panel
    return world.add_panel(kind, name, node)


def peer_of(behaviour: str, kinds: Sequence[str], *, seed: int = 0, **options: object) -> tuple[World, Peer]:
    """One instrument of that behaviour before panels of these kinds, each on a node of its own."""
    world = World(seed, **options)  # type: ignore[arg-type]
    panels = [panel_of(kind, f"panel-{number}", world) for number, kind in enumerate(kinds, 1)]
    return world, world.add_peer("peer", behaviour, panels)
