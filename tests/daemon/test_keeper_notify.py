"""What the keeper says to a service manager, heard on a real socket: never ready before the worker has spoken, never fed while it acts."""

from __future__ import annotations

import json
import socket
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from chargerd.daemon import keeper
from tests.daemon.fake_worker import KeptWorker
from tests.daemon.scpi_responder import Responder, off_plan

SILENT_S = 1.6
"""Longer than three of the keeper's ticks, on each of which it could speak."""


@pytest.fixture
def manager() -> Iterator[socket.socket]:
    with tempfile.TemporaryDirectory() as short, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"{short}/notify")
        manager.settimeout(20)
        yield manager


def heard(manager: socket.socket) -> list[bytes]:
    manager.setblocking(False)
    found = []
    while True:
        try:
            found.append(manager.recv(4096))
        except BlockingIOError:
            return found


def test_a_worker_that_has_not_spoken_is_never_told_as_ready(tmp_path: Path, manager: socket.socket) -> None:
    snippet = f'tell("started"); pause({SILENT_S}); tell("waited"); limits(); beat(); tell("spoke"); pause({SILENT_S}); done(); sys.exit(0)'
    with Responder() as supply:
        (tmp_path / "off-plan.json").write_text(json.dumps(off_plan(tmp_path, supply)), encoding="ascii")
        with KeptWorker(tmp_path, snippet, env={"NOTIFY_SOCKET": manager.getsockname()}) as kept:
            kept.wait_told("waited")
            before = heard(manager)
            kept.wait_told("spoke")
            assert kept.ended() == 0

    after = heard(manager)
    assert before == []
    assert all(text.startswith(b"READY=1\nWATCHDOG=1\nSTATUS=") for text in after)
    assert len(after) >= 2


def test_a_keeper_that_acts_says_so_first_so_that_no_watchdog_ends_it_half_way(tmp_path: Path, manager: socket.socket) -> None:
    with Responder() as supply:
        (tmp_path / "off-plan.json").write_text(json.dumps(off_plan(tmp_path, supply)), encoding="ascii")
        snippet = 'limits(); beat(); pause(0.7); say({"type": "nonsense"}); pause(60)'
        with KeptWorker(tmp_path, snippet, env={"NOTIFY_SOCKET": manager.getsockname()}) as kept:
            assert kept.ended() == keeper.EXIT_OFF_VERIFIED

    texts = heard(manager)
    (stopping,) = (text for text in texts if b"STOPPING=1" in text)
    assert texts[-1] == stopping
    assert b"not a message of a worker" in stopping
