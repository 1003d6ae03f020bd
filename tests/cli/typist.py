"""A person at a terminal: a command on a pty of its own, each prompt answered as it appears."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import chargerd

_IN_FRONT = (
    "import fcntl, os, sys, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "os.execv(sys.executable, [sys.executable, '-m', 'chargerd', *sys.argv[1:]])"
)
_HERE = os.environ | {"PYTHONPATH": str(Path(chargerd.__file__).parent.parent)}
CTRL_C, CTRL_D = "\x03", "\x04"


class Typist:
    """Types into one `chargerd` command. `answers`: (pattern of a prompt, what is typed), each used once; else Enter."""

    def __init__(self, answers: Sequence[tuple[str, str]], within_s: float = 30.0) -> None:
        self.left = list(answers)
        self.shown = ""
        self.prompts: list[str] = []
        self._within_s = within_s

    def run(self, folder: Path, *typed: str) -> int:
        """Run it in `folder` to its end; return its exit code."""
        master, slave = pty.openpty()
        command = [sys.executable, "-c", _IN_FRONT, *typed]
        with subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, cwd=folder, env=_HERE) as program:
            os.close(slave)
            try:
                self._type(master)
            except BaseException:
                program.kill()
                raise
            finally:
                os.close(master)
            return program.wait(self._within_s)

    def _type(self, master: int) -> None:
        until_s = time.monotonic() + self._within_s
        while True:
            if not select.select([master], [], [], max(until_s - time.monotonic(), 0.0))[0]:
                raise AssertionError(f"nothing more came after: {self.shown[-400:]}")
            try:
                data = os.read(master, 4096)
            except OSError:  # the program has ended, and nothing is left to read
                return
            if not data:
                return
            self.shown += data.decode()
            prompt = self.shown.rpartition("\n")[2]
            if re.search(r"[:\]] $", prompt) and not select.select([master], [], [], 0.02)[0]:
                self.prompts.append(prompt)
                os.write(master, self._answer(prompt).encode())

    def _answer(self, prompt: str) -> str:
        for place, (pattern, answer) in enumerate(self.left):
            if re.search(pattern, prompt):
                del self.left[place]
                return answer if answer in (CTRL_C, CTRL_D) else f"{answer}\n"
        return "\n"
