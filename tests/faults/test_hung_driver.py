"""A driver's call that never returns: it costs its own link and nothing else, and the outputs' lease does not wait for it."""

from __future__ import annotations

import asyncio
import threading
import time

import pytest

from chargerd.errors import LinkClosedError, LinkError, LinkTimeoutError
from chargerd.instruments.transports.worker import GRACE_S, Worker

DEADLINE_S = 0.1
BUSY_S = 2.0
"""What a busy machine may add."""


def worker(name: str, closed: list[str]) -> Worker:
    return Worker(name, faults=(OSError,), explain=lambda fault: LinkError(str(fault)), close=lambda: closed.append(name), in_flight=None)


def test_a_call_that_never_returns_is_given_up_and_the_other_links_go_on() -> None:
    """The thread that hangs is a real one, and nothing can end it: it is left alone and closes its port when it comes back."""
    released, closed = threading.Event(), []
    hung, other = worker("hung", closed), worker("other", closed)

    async def main() -> tuple[float, int]:
        began_s = time.monotonic()
        stuck = asyncio.ensure_future(hung.call(lambda: released.wait(60.0), deadline_s=DEADLINE_S))
        answered = 0
        while not stuck.done():
            answered += await other.call(lambda: 1, deadline_s=DEADLINE_S + BUSY_S)
            assert time.monotonic() - began_s < DEADLINE_S + GRACE_S + BUSY_S, "the loop waits for a call that never returns"
        took_s = time.monotonic() - began_s
        with pytest.raises(LinkTimeoutError, match="its call never came back"):
            await stuck
        with pytest.raises(LinkClosedError):
            await hung.call(lambda: 1, deadline_s=DEADLINE_S)
        answered += await other.call(lambda: 1, deadline_s=DEADLINE_S + BUSY_S)
        return took_s, answered

    try:
        took_s, answered = asyncio.run(main())
    finally:
        released.set()
        other.give_up()
        hung.give_up()

    assert DEADLINE_S <= took_s <= DEADLINE_S + GRACE_S + BUSY_S
    assert answered > 2
    for each in (hung, other):
        each._thread.join(20.0)
    assert sorted(closed) == ["hung", "other"], "a port is closed when its thread comes back"
