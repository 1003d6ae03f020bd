"""Several outputs or relays of one instrument share its link: never two questions in flight, whoever asks."""

from __future__ import annotations

import asyncio

import pytest

from chargerd.errors import LinkError
from chargerd.instruments.connection import Connection
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.framing.spoken import Command
from chargerd.instruments.transports.memory import PEERS
from tests.instruments.rig import run

TAKES_S = 0.05
IDENTITY = "Boathouse,Relays 8,SN26,1.0"


class Slow:
    """A peer that answers after a while and notes every message that comes before it has answered the one before."""

    def __init__(self) -> None:
        self.busy_until_s = 0.0
        self.collisions: list[bytes] = []
        self.heard: list[bytes] = []

    def feed(self, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        out = []
        for message in data.split(b"\n")[:-1]:
            self.heard.append(message)
            if now_s < self.busy_until_s - 1e-9:
                self.collisions.append(message)
            if b"?" in message:
                self.busy_until_s = now_s + TAKES_S
                out.append((TAKES_S, IDENTITY.encode() + b"\n" if message == b"*IDN?" else b"0\n"))
        return out


@pytest.fixture
def slow():
    peer = Slow()
    PEERS["one-at-a-time"] = peer.feed
    yield peer
    del PEERS["one-at-a-time"]


def test_questions_commands_and_proofs_of_identity_take_turns(slow: Slow) -> None:
    async def talk() -> int:
        connection = Connection("board", "memory://one-at-a-time", IDENTITY)
        await connection.reopen()
        dialect = load_dialect("scpi-relays", output="1")
        close: Command = dialect.commands["close"]
        closed = dialect.questions["closed"]
        done = await asyncio.gather(
            connection.ask(closed, bool), connection.identify(), connection.ask_all([closed.message, closed.message]),
            connection.tell(close), connection.ask(closed, bool, urgent=True), connection.identify(), connection.tell(close),
        )  # fmt: skip
        await connection.close()
        return len(done)

    assert run(talk) == 7
    assert slow.collisions == []
    assert len(slow.heard) == 9


def test_while_the_identity_is_asked_again_nothing_else_is_refused_and_after_a_wrong_one_nothing_is_sent(slow: Slow) -> None:
    async def talk() -> tuple[bool, list[bytes]]:
        closed = load_dialect("scpi-relays", output="1").questions["closed"]
        connection = Connection("board", "memory://one-at-a-time", IDENTITY)
        await connection.reopen()
        _, said = await asyncio.gather(connection.identify(), connection.ask(closed, bool))
        connection.expected_identity = "Boathouse,Another,SN1,1.0"  # as if another instrument had taken the port
        slow.heard.clear()
        results = await asyncio.gather(connection.identify(), connection.ask(closed, bool), return_exceptions=True)
        assert isinstance(results[1], LinkError)
        return said, list(slow.heard)

    assert run(talk) == (False, [b"*IDN?"])
