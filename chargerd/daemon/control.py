"""A Unix socket beside the run through which `stop`, `resume` and `status` speak to a running worker. One line, one answer.

Only this machine, only users who may write the data folder: file permissions decide. `clear` is not here: it is a row of the
channel's ledger, written while nothing runs.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from chargerd.errors import LinkError, RefusedError

SOCKET = "control.sock"
LINE_MAX_BYTES = 4096
ANSWER_MAX_BYTES = 65536
PATIENCE_S = 5.0
CLIENTS_MAX = 8


@contextlib.contextmanager
def _short_path(folder: Path) -> Iterator[str]:
    """Yield a path of the socket that fits into a socket address (108 bytes) however deep the folder lies."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{descriptor}/{SOCKET}"
    finally:
        os.close(descriptor)


Answer = Callable[[dict[str, Any]], dict[str, Any]]


class Control:
    """Serves one run's control socket."""

    def __init__(self, folder: Path, answer: Answer) -> None:
        self._path = folder / SOCKET
        self._answer = answer
        self._server: asyncio.Server | None = None
        self._clients = 0

    async def start(self) -> None:
        """Begin to listen. A socket left by a crash is replaced: the run's own files are locked, so nobody else serves it."""
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()
        with _short_path(self._path.parent) as path:
            listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            listening.bind(path)
        self._server = await asyncio.start_unix_server(self._serve, sock=listening, limit=LINE_MAX_BYTES)
        self._path.chmod(0o600)

    async def close(self) -> None:
        """Stop listening and remove the socket."""
        if self._server is not None:
            self._server.close()
            with contextlib.suppress(FileNotFoundError):
                self._path.unlink()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients += 1
        try:
            if self._clients <= CLIENTS_MAX:
                async with asyncio.timeout(PATIENCE_S):
                    line = await reader.readline()
                    writer.write(json.dumps(self._judge(line)).encode() + b"\n")
                    await writer.drain()
        except (TimeoutError, ConnectionError, ValueError):
            pass  # the asker went away or sent too much; control goes on
        finally:
            self._clients -= 1
            writer.close()

    def _judge(self, line: bytes) -> dict[str, Any]:
        try:
            asked = json.loads(line)
        except (ValueError, RecursionError):
            asked = None
        if not isinstance(asked, dict) or not all(isinstance(value, str) for value in asked.values()):
            return {"error": "not a request this program makes"}
        return self._answer(asked)


def ask(folder: Path, **request: str) -> dict[str, Any]:
    """Ask the worker of a run and return its answer. Raises RefusedError when no worker serves this run, LinkError on silence."""
    try:
        with _short_path(folder) as path, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
            client.settimeout(PATIENCE_S)
            client.connect(path)
            client.sendall(json.dumps(request).encode() + b"\n")
            answer = b""
            while not answer.endswith(b"\n") and len(answer) < ANSWER_MAX_BYTES:
                chunk = client.recv(8192)
                if not chunk:
                    break
                answer += chunk
    except (FileNotFoundError, ConnectionRefusedError):
        raise RefusedError(f"{folder.name}: no program is running this run now") from None
    except OSError as fault:
        way_out = "`chargerd off` switches off without it"
        raise LinkError(f"{folder.name}: the running program does not answer: {fault}; {way_out}") from None
    try:
        decoded: Any = json.loads(answer)
    except ValueError:
        raise LinkError(f"{folder.name}: no whole answer from the running program") from None
    if not isinstance(decoded, dict):
        raise LinkError(f"{folder.name}: no whole answer from the running program")
    return decoded
