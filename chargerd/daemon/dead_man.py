"""What the keeper needs to feed a dead-man relay: a path to write to, whatever the relay hangs on.

`line:///dev/NAME`: a serial line, at whatever speed it is set to; each half second `1` or `0` in turn, with a line feed. A
circuit behind it holds the relay only while bytes come. `gpio:///dev/gpiochipN?line=NUMBER`: a pin that toggles as often; its
circuit must hold the relay only while the pin *changes* (a charge pump): a pin that stands still is what a dead computer leaves.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec
from chargerd.errors import RefusedError

_LINE = re.compile(r"line://(?P<path>/dev/\S+)")
_PIN = re.compile(r"gpio://(?P<chip>/dev/\S+?)\?line=(?P<line>[0-9]{1,3})")

PIN_PROGRAM = Path(__file__).with_name("pin.py")
BRIDGE_ENDS_S = 1.0
"""It only waits for its input."""


def concerns(bench: BenchFile, channel: ChannelSpec) -> bool:
    """Return whether the bench's dead-man relay cuts anything that channel switches."""
    if bench.dead_man is None:
        return False
    parts = {channel.source, channel.load, channel.switch, *(part.switch for part in bank_of(bench, channel.load))}
    return bool(parts & set(bench.dead_man.cuts))


def feed_lock(bench: BenchFile, channel: ChannelSpec) -> tuple[str, ...]:
    """Return the address to lock for as long as the relay is fed: another feeder would hold it for a keeper that hangs.

    A pin needs none, the kernel gives it to one program only.
    """
    line = _LINE.fullmatch(bench.dead_man.feed) if bench.dead_man is not None and concerns(bench, channel) else None
    return () if line is None else (f"serial://{line['path']}",)


def feed_path(feed: str) -> str:
    """Return the path that the keeper writes to; for a pin, start its bridge, which ends with the keeper.

    Raises:
        RefusedError: it is neither a line nor a pin, or it cannot be opened; nothing is started then.
    """
    line = _LINE.fullmatch(feed)
    if line is not None:
        if not os.access(line["path"], os.W_OK):
            raise RefusedError(f"the dead-man relay at {feed} cannot be fed: no such device, or not permitted")
        return line["path"]
    _, write_end = _bridge(feed)
    os.set_inheritable(write_end, True)
    return f"/proc/self/fd/{write_end}"


@contextmanager
def opened_feed(feed: str) -> Iterator[int]:
    """Give a descriptor to feed by, and let all of it go afterwards: a pin's bridge has ended, the pin is free.

    Raises:
        RefusedError: as `feed_path`. OSError: a line cannot be opened.
    """
    if _LINE.fullmatch(feed) is not None:
        descriptor = os.open(feed_path(feed), os.O_WRONLY | os.O_NONBLOCK)
        try:
            yield descriptor
        finally:
            os.close(descriptor)
        return
    bridge, write_end = _bridge(feed)
    try:
        yield write_end
    finally:
        os.close(write_end)  # the end of its input is the end of the bridge
        try:
            bridge.wait(BRIDGE_ENDS_S)
        except subprocess.TimeoutExpired:
            bridge.kill()
            bridge.wait()


def _bridge(feed: str) -> tuple[subprocess.Popen[bytes], int]:
    """Start a pin's bridge; return it and what is written to. Raises RefusedError."""
    pin = _PIN.fullmatch(feed)
    if pin is None:
        raise RefusedError(f"dead_man.feed: {feed!r}; write line:///dev/NAME or gpio:///dev/gpiochipN?line=NUMBER")
    if not os.access(pin["chip"], os.R_OK | os.W_OK):
        raise RefusedError(f"the dead-man relay at {feed} cannot be fed: no such chip, or not permitted")
    read_end, write_end = os.pipe()
    bridge = [sys.executable, "-P", str(PIN_PROGRAM), pin["chip"], pin["line"]]
    process = subprocess.Popen(bridge, stdin=read_end, start_new_session=True)  # noqa: S603 - our own file
    os.close(read_end)
    return process, write_end
