"""When the relay between a cell and everything else is closed: never for longer than something is asked of the cell."""

from __future__ import annotations

from chargerd.core.memory import Memory
from chargerd.core.program import Step
from chargerd.core.reading import ChannelInputs

REST_CONNECTED_MAX_S = 60.0
"""A rest up to this long leaves the relay as it is: what an output that is off may bleed in a minute is no charge to speak of,
and each switching wears a contact near gas. In a longer rest the bleed would be taken for the cell's own loss."""


def rests_connected(inputs: ChannelInputs, step: Step, memory: Memory) -> bool:
    """Return whether the relay is closed during that rest.

    Where only the source can read the cell, the relay stays closed: a cell that nobody reads is not supervised. What the cell
    loses meanwhile is then not its own doing alone, and self-discharge is disturbed.
    """
    if not inputs.meter:
        return True
    return memory.connected and step.lasts_s <= REST_CONNECTED_MAX_S
