"""The channel's states and the one table of transitions. An absent pair is a bug and leaves the state as it was."""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """States of a channel (after ISA-88, fewer)."""

    IDLE = "IDLE"
    CHECKING = "CHECKING"
    RUNNING = "RUNNING"
    PAUSED = "PAUSED"
    COMPLETE = "COMPLETE"
    STOPPED = "STOPPED"
    TRIPPED = "TRIPPED"


TRANSITIONS: dict[State, dict[str, State]] = {
    State.IDLE: {"start": State.CHECKING, "stop": State.STOPPED, "trip": State.TRIPPED},
    State.CHECKING: {
        "check-passed": State.RUNNING,
        "check-failed": State.IDLE,
        "stop": State.STOPPED,
        "trip": State.TRIPPED,
        "interrupted": State.PAUSED,
    },
    State.RUNNING: {
        "pause": State.PAUSED,
        "interrupted": State.PAUSED,
        "stop": State.STOPPED,
        "program-ended": State.COMPLETE,
        "trip": State.TRIPPED,
    },
    State.PAUSED: {
        "resume": State.CHECKING,
        "stop": State.STOPPED,
        "trip": State.TRIPPED,
        "interrupted": State.PAUSED,
    },
    State.COMPLETE: {"interrupted": State.COMPLETE, "trip": State.TRIPPED},
    State.STOPPED: {"interrupted": State.STOPPED, "trip": State.TRIPPED},
    State.TRIPPED: {"interrupted": State.TRIPPED, "trip": State.TRIPPED, "stop": State.TRIPPED},
}
"""TRIPPED is left only by `clear` with a reason, which is a row of the channel's ledger: the next run starts in IDLE."""

OVER = frozenset({State.COMPLETE, State.STOPPED, State.TRIPPED})
"""The run has ended; only watching goes on."""


def next_state(state: State, cause: str) -> State:
    """Return the state `cause` leads to. Raises KeyError when the table has no such pair."""
    return TRANSITIONS[state][cause]
