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
from pathlib import Path

from chargerd.config.bank import bank_of
from chargerd.config.bench import BenchFile, ChannelSpec
from chargerd.errors import RefusedError

_LINE = re.compile(r"line://(?P<path>/dev/\S+)")
_PIN = re.compile(r"gpio://(?P<chip>/dev/\S+?)\?line=(?P<line>[0-9]{1,3})")


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
    line, pin = _LINE.fullmatch(feed), _PIN.fullmatch(feed)
    if line is not None:
        if not os.access(line["path"], os.W_OK):
            raise RefusedError(f"the dead-man relay at {feed} cannot be fed: no such device, or not permitted")
        return line["path"]
    if pin is None:
        raise RefusedError(f"dead_man.feed: {feed!r}; write line:///dev/NAME or gpio:///dev/gpiochipN?line=NUMBER")
    if not os.access(pin["chip"], os.R_OK | os.W_OK):
        raise RefusedError(f"the dead-man relay at {feed} cannot be fed: no such chip, or not permitted")
    read_end, write_end = os.pipe()
    bridge = [sys.executable, "-P", str(Path(__file__).with_name("pin.py")), pin["chip"], pin["line"]]
    subprocess.Popen(bridge, stdin=read_end, start_new_session=True)  # noqa: S603 - our own file
    os.close(read_end)
    os.set_inheritable(write_end, True)
    return f"/proc/self/fd/{write_end}"
