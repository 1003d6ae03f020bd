"""How long `chargerd demo` takes. Goal: about a minute, under 90 s on two cores."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator


def measure() -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder:
        began_s = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "chargerd", "demo", "--folder", folder], capture_output=True, text=True, check=False
        )
        yield f"exit {done.returncode} after {time.perf_counter() - began_s:.0f} s; goal 90 s"
