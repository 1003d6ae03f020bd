"""Real processes that race for one instrument's lock: exactly one wins, each time."""

from __future__ import annotations

import os
import socket

from chargerd.daemon.locks import AddressLocks
from chargerd.errors import RefusedError
from tests.campaign.result import Result, core_seconds


def race(rounds: int, racers: int, seed: int, jobs: int) -> Result:
    """So many rounds of so many processes that begin at one signal; the winner holds the lock until all have tried."""
    del seed, jobs
    began_s, result = core_seconds(), Result()
    for number in range(rounds):
        with socket.create_server(("127.0.0.1", 0)) as listener:
            port: int = listener.getsockname()[1]
        winners = one_round(f"tcp://127.0.0.1:{port}", racers)
        if winners != 1:
            result.found.append(f"round {number}: {winners} of {racers} processes hold the lock of one instrument")
        result.add(rounds=1, starts=racers)
    result.core_s = core_seconds() - began_s
    return result


def one_round(address: str, racers: int) -> int:
    """How many of the processes got the lock."""
    start_r, start_w = os.pipe()
    said_r, said_w = os.pipe()
    end_r, end_w = os.pipe()
    children = []
    for _ in range(racers):
        process = os.fork()
        if process == 0:
            os.close(start_w)
            os.close(end_w)
            _racer(address, start_r, said_w, end_r)
        children.append(process)
    for descriptor in (start_r, said_w, end_r):
        os.close(descriptor)
    os.close(start_w)  # the signal: every racer's read ends
    said = b""
    while len(said) < racers:
        said += os.read(said_r, racers)
    os.close(end_w)
    for process in children:
        os.waitpid(process, 0)
    os.close(said_r)
    return said.count(b"1")


def _racer(address: str, start: int, said: int, end: int) -> None:
    answer, locks = b"?", None
    try:
        os.read(start, 1)
        try:
            locks = AddressLocks([address])
            answer = b"1"
        except RefusedError:
            answer = b"0"
    finally:
        os.write(said, answer)
        os.read(end, 1)
        if locks is not None:
            locks.close()
        os._exit(0)
