"""socat as the other end of a serial line: a program that nobody here wrote."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

needs_socat = pytest.mark.skipif(shutil.which("socat") is None, reason="socat is not installed")


def wait_until(condition: Callable[[], bool], process: subprocess.Popen[bytes]) -> None:
    """Wait for a condition while a process lives, by asking it to end within moments that it does not."""
    for _ in range(500):
        if condition():
            return
        try:
            process.wait(0.02)
        except subprocess.TimeoutExpired:
            continue
        break
    raise AssertionError("socat did not make its line")


@contextmanager
def line_to(other: str, link: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A pty at `link`, with `other` (a socat address) at its far end."""
    process = subprocess.Popen(["socat", f"PTY,link={link},raw,echo=0", other], stderr=subprocess.DEVNULL)
    try:
        wait_until(link.exists, process)
        yield process
    finally:
        process.kill()
        process.wait(10)
        link.unlink(missing_ok=True)
