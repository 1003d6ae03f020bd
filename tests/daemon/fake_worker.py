"""A worker of a few lines for the tests of the keeper: it does what the snippet in its first argument says.

The text below becomes `…/chargerd/daemon/worker.py` in the test's folder, so that off takes it for a worker.
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
from pathlib import Path
from typing import Self

from chargerd.daemon import keeper

PRELUDE = '''
import hashlib, json, os, select, signal, socket, sys, time

BEATS, ACKS = int(os.environ["CHARGERD_BEAT_FD"]), int(os.environ["CHARGERD_ACK_FD"])
PLAN = sys.argv[2]
seq = 0

def say(message):
    os.write(BEATS, (message if isinstance(message, bytes) else json.dumps(message).encode()) + b"\\n")

def limits(channel="bench-1", **changes):
    message = {"type": "limits", "channel": channel, "voltage_max_V": 2.75, "voltage_min_V": 0.5, "current_max_A": 1.6,
               "temperature_max_degC": 45.0, "age_max_s": 3.0, "off_plan": PLAN} | changes
    text = json.dumps(message, sort_keys=True, separators=(",", ":"))
    message["sha256"] = hashlib.sha256(text.encode()).hexdigest()
    say(message)
    answer = json.loads(os.read(ACKS, 65536))
    assert answer.get("sha256") == message["sha256"], answer
    tell("acknowledged")

def beat(channel="bench-1", **changes):
    global seq
    seq += 1
    say({"type": "beat", "channel": channel, "seq": seq, "energised": True, "off_doubted": False, "age_s": 0.1, "voltage_V": 1.75,
         "current_A": 0.15, "temperature_degC": 25.0, "unwritten_s": 0.0} | changes)

def done(channel="bench-1", state="COMPLETE", verified_off=True):
    say({"type": "done", "channel": channel, "state": state, "verified_off": verified_off})

def tell(word):
    """A word to the test, with the time at which it was said."""
    print(word, time.clock_gettime(time.CLOCK_BOOTTIME), flush=True)

def pause(seconds):
    select.select([], [], [], seconds)

def beat_on(**changes):
    while True:
        beat(**changes)
        pause(0.05)

def orderly(*_):
    done(state="STOPPED")
    tell("made safe")
    sys.exit(5)
'''


class KeptWorker:
    """A keeper with a fake worker below it; what the worker tells comes through the keeper's standard output."""

    def __init__(
        self,
        folder: Path,
        snippet: str,
        *,
        patience_s: float = 5.0,
        options: tuple[str, ...] = (),
        command: tuple[str, ...] = (),
        prefix: tuple[str, ...] = (),
        stderr: int = subprocess.PIPE,
        env: dict[str, str] | None = None,
    ) -> None:
        program = folder / "chargerd" / "daemon" / "worker.py"
        program.parent.mkdir(parents=True, exist_ok=True)
        program.write_text(PRELUDE + "\nexec(sys.argv[1])\n", encoding="ascii")
        self.log = folder / "keeper.log"
        worker = command or (sys.executable, str(program), snippet, str(folder / "off-plan.json"))
        arguments = ("--run-dir", str(folder), "--patience", str(patience_s), *options, "--", *worker)
        self.process = subprocess.Popen(
            [*prefix, sys.executable, "-P", keeper.__file__, *arguments],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=stderr, env=os.environ | (env or {}),
        )  # fmt: skip
        self._told = b""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe:
                pipe.close()

    def wait_told(self, word: str, within_s: float = 20.0) -> float:
        """Wait until the worker has told the word; return the boot time at which it did."""
        assert self.process.stdout is not None
        until_s = keeper.boot_s() + within_s
        while True:
            for line in self._told.decode(errors="replace").splitlines():
                if line.startswith(word + " ") and self._told.endswith(b"\n"):
                    return float(line.rsplit(" ", 1)[1])
            ready, _, _ = select.select([self.process.stdout], [], [], max(0.0, until_s - keeper.boot_s()))
            content = os.read(self.process.stdout.fileno(), 65536) if ready else b""
            assert content, f"the worker never said {word!r}; it said {self._told!r}"
            self._told += content

    def ended(self, within_s: float = 20.0) -> int:
        return self.process.wait(within_s)

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8")
