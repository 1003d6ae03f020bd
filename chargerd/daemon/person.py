"""The person at this terminal, asked without holding up what guards the bench meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys

STDIN = 0
READ_BYTES = 4096


class AtTerminal:
    """Tells on stdout, asks on stdin. A terminal that is gone hears nothing and answers no."""

    def __init__(self) -> None:
        self._rest = b""

    def tell(self, text: str, end: str = "\n") -> None:
        """Print it; where nobody can read it any more, go on all the same."""
        with contextlib.suppress(OSError):
            sys.stdout.write(text + end)
            sys.stdout.flush()

    async def confirm(self, text: str) -> bool:
        """Ask for a typed yes. To be cancelled at any moment: nothing waits for Enter but this question."""
        self.tell(f"\n  {text} [yes/no] ", end="")
        return (await self._line()).strip().lower() in (b"y", b"yes")

    async def _line(self) -> bytes:
        """Return the next line, what there is of it at the end of input."""
        while b"\n" not in self._rest:
            await _readable()
            try:
                chunk = os.read(STDIN, READ_BYTES)
            except BlockingIOError:
                continue
            except OSError:  # the terminal hung up
                chunk = b""
            if not chunk:
                line, self._rest = self._rest, b""
                return line
            self._rest += chunk
        line, _, self._rest = self._rest.partition(b"\n")
        return line


async def _readable() -> None:
    """Wait until reading stdin does not block."""
    loop = asyncio.get_running_loop()
    ready = loop.create_future()
    try:
        loop.add_reader(STDIN, lambda: None if ready.done() else ready.set_result(None))
    except OSError:
        return  # a file, which cannot be waited for and never blocks; or closed, and reading says so
    try:
        await ready
    finally:
        loop.remove_reader(STDIN)
