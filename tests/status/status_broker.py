"""A real mosquitto on loopback, an independent client that listens to it, and a forwarder that can be shut."""

from __future__ import annotations

import contextlib
import os
import queue
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as paho

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
DEADLINE_S = 20.0


def wait_until(fact: Callable[[], bool], what: str) -> None:
    """Wait for a condition, generously; fail with its name."""
    end_s = time.monotonic() + DEADLINE_S
    tick = threading.Event()
    while not fact():
        assert time.monotonic() < end_s, f"waited {DEADLINE_S} s in vain until {what}"
        tick.wait(0.01)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """A mosquitto on a free loopback port; it can be killed, started again on the same port, frozen and thawed."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.access = "allow_anonymous true\n"
        self._process: subprocess.Popen[bytes] | None = None
        self.port = 0

    def start(self) -> None:
        again = self.port != 0
        for _ in range(5):  # another test may take the port between the probe and the bind
            self.port = self.port if again else free_port()
            config = self._folder / "mosquitto.conf"
            config.write_text(
                f"listener {self.port} 127.0.0.1\n{self.access}persistence false\nmax_queued_messages 0\n"
                "log_type all\nconnection_messages true\nlog_dest stderr\n"
            )
            assert MOSQUITTO is not None
            with (self._folder / "mosquitto.log").open("ab") as log:
                self._process = subprocess.Popen([MOSQUITTO, "-c", str(config)], stderr=log)
            if self._answers():
                return
            self._process.wait(DEADLINE_S)
        raise AssertionError("mosquitto did not start: " + self.log())

    def _answers(self) -> bool:
        assert self._process is not None
        end_s = time.monotonic() + DEADLINE_S
        while self._process.poll() is None and time.monotonic() < end_s:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
                return True
            threading.Event().wait(0.01)
        return False

    def freeze(self) -> None:
        """Stop the process and wait until it stands still."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)
        os.waitid(os.P_PID, self._process.pid, os.WSTOPPED)

    def thaw(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(DEADLINE_S)
            self._process = None

    def log(self) -> str:
        file = self._folder / "mosquitto.log"
        return file.read_text(errors="replace") if file.exists() else ""


class Listener:
    """Another client: collects what the broker delivers under `#`."""

    def __init__(self, port: int) -> None:
        self.messages: list[paho.MQTTMessage] = []
        subscribed: queue.Queue[None] = queue.Queue()
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, f"listener{os.urandom(4).hex()}", reconnect_on_failure=False)
        self._client.on_message = lambda _client, _data, message: self.messages.append(message)
        self._client.on_subscribe = lambda *_: subscribed.put(None)
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("#", 1)
        self._client.loop_start()
        subscribed.get(timeout=DEADLINE_S)

    def payloads(self, topic_end: str) -> list[bytes]:
        return [bytes(message.payload) for message in tuple(self.messages) if message.topic.endswith(topic_end)]

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self._client.publish(topic, payload, 1, retain).wait_for_publish(DEADLINE_S)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Gate:
    """A forwarder in front of a broker: shut, it accepts connections and closes them at once."""

    def __init__(self, target_port: int) -> None:
        self._target = ("127.0.0.1", target_port)
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self.is_open = True
        self.refused = 0
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            if not self.is_open:
                self.refused += 1
                client.close()
                continue
            broker = socket.create_connection(self._target)
            for source, sink in ((client, broker), (broker, client)):
                threading.Thread(target=_forward, args=(source, sink), daemon=True).start()

    def close(self) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(DEADLINE_S)


def _forward(source: socket.socket, sink: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := source.recv(65536):
            sink.sendall(data)
    for end in (source, sink):
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()
