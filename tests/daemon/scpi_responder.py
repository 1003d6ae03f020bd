"""A tiny SCPI instrument for the tests of keeper and off: a thread on a socket or a pty that writes down what came and when.

It is no simulated bench: one output, three questions, and the bad habits that off must survive.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
import tty
from pathlib import Path
from types import TracebackType
from typing import Self

IDENTITY = "Boathouse,Source 3A,SN1,1.0"


def boot_s() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def ended(answer: str) -> bytes:
    """The bytes of a reply: with its line end, or, where it ends in NUL, cut off there."""
    return answer.removesuffix("\0").encode() if answer.endswith("\0") else answer.encode() + b"\n"


class Responder:
    """Answers `*IDN?`, `OUTP?` and `MEAS:CURR?`; `answers` replaces a reply, None in it keeps silent."""

    def __init__(
        self,
        *,
        answers: dict[str, str | None] | None = None,
        ignores_off: bool = False,
        one_session: bool = False,
        greeting: str = "",
        on_pty: bool = False,
    ) -> None:
        self.answers = answers or {}
        self.ignores_off = ignores_off
        self.one_session = one_session
        self.greeting = greeting
        self.is_on = True
        self.received: list[tuple[float, str]] = []
        self._sessions = 0
        self.most_sessions = 0
        self._something_came = threading.Condition()
        self._closing = threading.Event()
        self._fds: list[int] = []
        if on_pty:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            self.address = f"serial://{os.ttyname(self._slave)}?baud=9600"
            threading.Thread(target=self._serve_pty, daemon=True).start()
        else:
            self._listener = socket.create_server(("127.0.0.1", 0))
            self.address = f"tcp://127.0.0.1:{self._listener.getsockname()[1]}"
            threading.Thread(target=self._accept, daemon=True).start()
        self._on_pty = on_pty

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._closing.set()
        if self._on_pty:
            for fd in (self._slave, self._master):
                os.close(fd)
        else:
            with contextlib.suppress(OSError):
                self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()

    @property
    def messages(self) -> list[str]:
        return [message for _, message in self.received]

    @property
    def off_s(self) -> float:
        """Boot time at which the first off command arrived. Raises when none has."""
        return next(at_s for at_s, message in self.received if message == "OUTP OFF")

    def wait_for(self, message: str, within_s: float = 10.0) -> bool:
        with self._something_came:
            return self._something_came.wait_for(lambda: message in self.messages, within_s)

    def reply(self, message: str) -> str | None:
        with self._something_came:
            self.received.append((boot_s(), message))
            self._something_came.notify_all()
        if message == "OUTP OFF" and not self.ignores_off:
            self.is_on = False
        usual = {
            "*IDN?": IDENTITY,
            "OUTP?": "1" if self.is_on else "0",
            "MEAS:CURR?": "0.3001" if self.is_on else "0.0010",
        }
        return self.answers.get(message, usual.get(message))

    def _accept(self) -> None:
        while not self._closing.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            if self.one_session:
                self._serve_tcp(connection)
            else:
                threading.Thread(target=self._serve_tcp, args=(connection,), daemon=True).start()

    def _serve_tcp(self, connection: socket.socket) -> None:
        with self._something_came:
            self._sessions += 1
            self.most_sessions = max(self.most_sessions, self._sessions)
        self._talk(connection)
        with self._something_came:
            self._sessions -= 1

    def _talk(self, connection: socket.socket) -> None:
        with connection, contextlib.suppress(OSError):
            if self.greeting:
                connection.sendall(self.greeting.encode())
            buffer = b""
            while content := connection.recv(4096):
                *lines, buffer = (buffer + content).split(b"\n")
                for line in lines:
                    answer = self.reply(line.decode())
                    if answer is not None:
                        connection.sendall(ended(answer))

    def _serve_pty(self) -> None:
        buffer = b""
        with contextlib.suppress(OSError):
            while content := os.read(self._master, 4096):
                *lines, buffer = (buffer + content).split(b"\n")
                for line in lines:
                    answer = self.reply(line.decode())
                    if answer is not None:
                        os.write(self._master, ended(answer))


def off_plan(folder: Path, *responders: Responder | str, channel: str = "bench-1", **changes: object) -> dict[str, object]:
    """A plan for responders (or bare addresses), named supply, load, meter in this order; changes apply to each output."""
    outputs = []
    for name, responder in zip(("supply", "load", "meter"), responders, strict=False):
        output: dict[str, object] = {
            "name": name,
            "address": responder if isinstance(responder, str) else responder.address,
            "terminator": "\n",
            "identity_query": "*IDN?",
            "identity": IDENTITY,
            "off": ["OUTP OFF"],
            "verify": [{"ask": "OUTP?", "accept": ["0", "OFF"]}, {"ask": "MEAS:CURR?", "abs_below": 0.02}],
            "timeout_s": 0.5,
            "tries": 2,
        }
        outputs.append(output | changes)
    return {
        "version": 1,
        "written_utc": "2026-01-01T00:00:00Z",
        "run": str(folder),
        "channel": channel,
        "worker_pid": 2**22 + 1,  # above the largest process number of Linux: nobody
        "boot_id": Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip(),
        "outputs": outputs,
    }
