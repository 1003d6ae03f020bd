"""A mosquitto per test. Tests that need one are marked `peer`."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from status_broker import MOSQUITTO, Broker, Gate, Listener


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed (Debian: apt-get install mosquitto)")
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.kill()


@pytest.fixture
def listen() -> Iterator[Callable[[int], Listener]]:
    with contextlib.ExitStack() as opened:

        def open_listener(port: int) -> Listener:
            listener = Listener(port)
            opened.callback(listener.close)
            return listener

        yield open_listener


@pytest.fixture
def gate(broker: Broker) -> Iterator[Gate]:
    gate = Gate(broker.port)
    yield gate
    gate.close()
