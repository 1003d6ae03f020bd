"""off on a line whose device answers late: no late reply proves that an output is off, and off itself waits for none."""

from __future__ import annotations

import json
import os
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from chargerd.instruments.framing.modbus_frame import rtu_frame
from tests.daemon.test_off_frames import execute, plan_of, source

TIMEOUT_S = 0.2
IDENTITY, OFF, STATE, CURRENT = ("03 00 00 00 02", "06 00 0B 00 00", "03 00 0B 00 01", "03 00 14 00 01")
"""The requests of the invented module's off plan. State and current are one register each: their replies look alike."""
CONTENT = {IDENTITY: "03 04 11 41 00 67", OFF: OFF, STATE: "03 02 00 00", CURRENT: "03 02 03 E8"}
"""Its state says off, yet 1 A flows: a welded contact. Only the current's own reply tells, and 0 of the state must not pass for it."""


@contextmanager
def module(delays_s: Callable[[str, int], float], *, answers_off: bool = True) -> Iterator[tuple[str, list[tuple[float, str]]]]:
    """Such a module on a pty; its replies come in the order of asking, each so late. Yields its path and what it heard."""
    master, slave = os.openpty()
    tty.setraw(slave)
    stop, heard = threading.Event(), list[tuple[float, str]]()

    def work() -> None:
        buffer, due = b"", list[tuple[float, bytes]]()
        while not stop.is_set():
            if select.select([master], [], [], 0.002)[0]:
                buffer += os.read(master, 4096)
            while len(buffer) >= 8:
                request, buffer = buffer[1:6].hex(" ").upper(), buffer[8:]
                late_s = delays_s(request, [one for _, one in heard].count(request))
                heard.append((time.monotonic(), request))
                if request == OFF and not answers_off:
                    continue
                due.append((max([heard[-1][0] + late_s, *(at_s for at_s, _ in due)]), rtu_frame(1, bytes.fromhex(CONTENT[request]))))
            while due and due[0][0] <= time.monotonic():
                os.write(master, due.pop(0)[1])

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave), heard
    finally:
        stop.set()
        thread.join(5)
        os.close(master)
        os.close(slave)


def told(tmp_path: Path, path: str, change: Callable[[dict[str, Any]], None] = lambda _: None) -> tuple[int, str]:
    plan = plan_of(tmp_path, source(f"modbus-rtu://{path}?unit=1", timeout_s=TIMEOUT_S))
    content = json.loads(plan.read_text())
    change(content["outputs"][0])
    plan.write_text(json.dumps(content))
    return execute(plan)


def test_a_module_that_says_off_while_current_flows_is_not_believed(tmp_path: Path) -> None:
    with module(lambda _request, _number: 0.0) as (path, heard):
        code, said = told(tmp_path, path)
    assert code == 8
    assert "holding 20 answered 01 03 02 03 E8" in said
    assert [request for _, request in heard][:4] == [IDENTITY, OFF, STATE, CURRENT]


@pytest.mark.parametrize("late_s", [0.03, 0.1, 0.14, 0.18, 0.22, 0.3])
@pytest.mark.parametrize("which", [IDENTITY, OFF, STATE])
def test_a_late_state_never_proves_that_no_current_flows(tmp_path: Path, which: str, late_s: float) -> None:
    """The first reply of its kind is late; where the state had to be asked twice, the second 0 could be read as 0 A."""
    with module(lambda request, number: late_s if request == which and number == 0 else 0.0) as (path, heard):
        code, said = told(tmp_path, path)
    assert (code, "verified by" in said) == (8, False), said
    assert OFF in [request for _, request in heard]


@pytest.mark.parametrize("surplus", [STATE, IDENTITY])
def test_a_slow_module_with_a_surplus_reply_on_its_way_proves_nothing(tmp_path: Path, surplus: str) -> None:
    """The program that died had asked something, and each reply comes 0.15 s after its question: all answers are one behind."""

    def unacknowledged(output: dict[str, Any]) -> None:
        output["off"][0].pop("pattern")
        if surplus == STATE:  # with an identity in between it would be read as the answer to that
            output["identity"] = None

    with module(lambda _request, _number: 0.15, answers_off=False) as (path, heard):
        port = os.open(path, os.O_RDWR | os.O_NOCTTY)
        os.write(port, rtu_frame(1, bytes.fromhex(surplus)))
        code, said = told(tmp_path, path, unacknowledged)
        os.close(port)
    assert (code, "verified by" in said) == (8, False), said
    assert heard[0][1] == surplus
    assert OFF in [request for _, request in heard]


def test_off_is_sent_at_once_whatever_is_still_on_its_way(tmp_path: Path) -> None:
    """The identity answers too late: off goes out after one time-out, and on the second try right behind it."""
    started_s = time.monotonic()
    with module(lambda request, number: 0.25 if request == IDENTITY and number == 0 else 0.0) as (path, heard):
        told(tmp_path, path)
    offs = [at_s - started_s for at_s, request in heard if request == OFF]
    assert offs[0] < TIMEOUT_S + 0.15
    assert offs[1] < 2 * TIMEOUT_S + 0.3
