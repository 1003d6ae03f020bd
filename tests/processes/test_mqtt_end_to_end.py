"""A real broker, chargerd and its keeper, and a subscriber, each in a process of its own."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from chargerd.errors import Exit
from tests.status.status_broker import MOSQUITTO, Broker, Listener

from .bench_process import SAMPLE_EVERY_S, Bench, events, reach, rows, states, wait_until

pytestmark = [pytest.mark.peer, pytest.mark.timeout(180)]

BROKER_DOWN_S = 4.0
"""Each outage lasts this long: eight sampling periods, so that one that held up the channel would show."""


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed (Debian: apt-get install mosquitto)")
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Broker(folder)
    broker.start()
    yield broker
    broker.thaw()
    broker.kill()


@pytest.fixture
def listener(broker: Broker) -> Iterator[Listener]:
    listener = Listener(broker.port)
    yield listener
    listener.close()


@pytest.fixture
def bench(make_bench: Callable[..., Bench], broker: Broker) -> Bench:
    return make_bench(more_bench=f"mqtt: {{host: 127.0.0.1, port: {broker.port}, prefix: boathouse}}\n")


def heard(listener: Listener, topic_end: str) -> list[dict[str, Any]]:
    return [json.loads(payload) for payload in listener.payloads(topic_end)]


def charging(bench: Bench) -> tuple[Any, Path]:
    run = bench.run()
    folder = bench.run_folder()
    reach(run, folder, "cc")
    wait_until(bench.is_on, "the source is on")
    return run, folder


def test_a_subscriber_sees_the_whole_run_and_that_it_stopped_in_order(bench: Bench, listener: Listener):
    run, folder = charging(bench)
    code = run.wait()

    wait_until(lambda: heard(listener, "/online")[-1]["online"] is False, "the end is told")
    told = heard(listener, "/slip-1/event")
    status = heard(listener, "/slip-1/status")
    online = heard(listener, "/online")
    recorded = [event["kind"] for event in events(folder) if event["kind"] not in ("observed", "tick")]
    assert code == Exit.OK
    assert (online[0]["online"], online[-1]["online"], online[-1]["reason"]) == (True, False, "stopped")
    assert [event["kind"] for event in told] == recorded
    assert status[-1]["state"] == "COMPLETE"
    assert {"RUNNING", "COMPLETE"} <= {message["state"] for message in status}
    assert all(message["valid_for_s"] > 0 for message in status)


def test_the_will_is_published_when_worker_and_keeper_are_killed(bench: Bench, listener: Listener):
    run, _ = charging(bench)
    worker = run.worker()
    wait_until(lambda: bool(heard(listener, "/online")), "the worker is online")

    for pid in (run.keeper, worker):
        os.kill(pid, signal.SIGKILL)
    wait_until(lambda: heard(listener, "/online")[-1]["online"] is False, "the will is published")

    assert heard(listener, "/online")[-1]["reason"] == "lost"
    assert bench.chargerd("off", str(bench.data)).returncode == Exit.OK


def test_a_broker_frozen_killed_and_restarted_never_holds_up_a_reading(bench: Bench, broker: Broker):
    run, folder = charging(bench)
    broker.freeze()
    frozen_s = bench.now_s()
    wait_until(lambda: bench.now_s() - frozen_s > BROKER_DOWN_S, "the broker was frozen for a while")
    broker.thaw()
    broker.kill()
    killed_s = bench.now_s()
    wait_until(lambda: bench.now_s() - killed_s > BROKER_DOWN_S, "the broker was away for a while")
    broker.start()
    listener = Listener(broker.port)
    try:
        wait_until(lambda: bool(heard(listener, "/slip-1/status")), "the worker has found the broker again")
        code = run.wait()
        wait_until(lambda: heard(listener, "/online")[-1:] != [] and not heard(listener, "/online")[-1]["online"], "the end is told")
    finally:
        listener.close()

    times_s = [float(row["elapsed_s"]) for row in rows(folder, "readings.csv") if row["state"] == "RUNNING"]
    gaps_s = sorted(after_s - before_s for before_s, after_s in pairwise(times_s))
    assert (code, states(folder)[-1]) == (Exit.OK, "COMPLETE")
    assert times_s[-1] > 2 * BROKER_DOWN_S
    assert gaps_s[len(gaps_s) // 2] <= 1.1 * SAMPLE_EVERY_S
    assert gaps_s[-1] < BROKER_DOWN_S / 2, "a busy machine may be late, but not by the length of an outage"


def test_a_stop_while_the_broker_is_frozen_still_ends_in_order(bench: Bench, broker: Broker):
    run, folder = charging(bench)
    broker.freeze()

    run.process.send_signal(signal.SIGTERM)
    code = run.wait()

    assert (code, states(folder)[-1]) == (Exit.STOPPED, "STOPPED"), run.said()
    assert not bench.is_on()
