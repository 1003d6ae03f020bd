"""Tells an MQTT broker what every channel does. It only publishes: it subscribes to nothing and acts on nothing.

Everything about the MQTT library is in this file. The publisher lives in a thread of its own with an ordinary event loop;
the channel loops only drop snapshots and events into a bounded mailbox and never wait.

Topics: `<prefix>/<bench>/online` (retained, also the will), `<prefix>/<bench>/<channel>/status` (retained), `…/event`; all with
QoS 1 (MQTT 3.1.1, OASIS 2014: delivered at least once, so a receiver must expect the same event `id` twice). The broker
publishes the will only when a connection is lost (MQTT-3.1.2-8), so an orderly end says "stopped" by itself first. A will can
be missed, for instance when a frozen broker wakes to an old goodbye: `online` is renewed and carries `valid_for_s` too.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
import random
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, NamedTuple

import aiomqtt

from chargerd.config.tables import NAME
from chargerd.status.mailbox import Mailbox, Queued, Status
from chargerd.status.snapshot import VERSION, Snapshot, canonical_json

OPERATION_S = 2.0
"""Longest wait for the broker's answer to one message; a frozen broker is then given up."""

KEEP_ALIVE_S = 8
"""The broker declares us lost after 1.5 × this without a packet (MQTT-3.1.2-24). 5 to 10: longer hides an outage."""

ONLINE_EVERY_S = 30.0
"""`online` is renewed this often, and valid for three times as long."""

BACKOFF_MIN_S = 1.0
BACKOFF_MAX_S = 60.0

CLOSE_S = 6.0
"""Longest wait for the last messages: one operation under way, one connection, one more message."""

PAYLOAD_MAX = 32 * 1024
"""A payload larger than this in bytes is never sent: one the broker refuses would be tried again for ever."""

TROUBLES_MAX = 50


class PublisherState(NamedTuple):
    """How the publisher fares, for the status page and for warnings. `troubles` are the last few, oldest first."""

    alive: bool
    connected: bool
    attempts: int
    sent_statuses: int
    sent_events: int
    waiting_events: int
    lost_events: int
    refused_statuses: int
    troubles: tuple[str, ...]


class Publisher:
    """Publishes snapshots and events until `close`. `offer` and `event` may be called from any thread and never wait.

    `prefix` may have several levels (`home/chargers`). TLS is used when `tls` is set; `tls_ca_file` None means the system's
    authorities. `seed` spreads reconnections. Raises ValueError when a name, the keep-alive or the credentials are not usable.
    """

    def __init__(
        self,
        host: str,
        port: int = 1883,
        *,
        prefix: str,
        bench: str,
        username: str | None = None,
        password: str | None = None,
        tls: bool = False,
        tls_ca_file: str | None = None,
        tls_cert_file: str | None = None,
        tls_key_file: str | None = None,
        keep_alive_s: int = KEEP_ALIVE_S,
        seed: int = 0,
        utc: Callable[[], str] = lambda: datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
    ) -> None:
        if not all(NAME.fullmatch(level) for level in (*prefix.split("/"), bench)):
            raise ValueError(f"{prefix}/{bench}: each level of a topic is letters, digits, '.', '_' and '-', up to 64")
        if not 5 <= keep_alive_s <= 10:
            raise ValueError(f"keep-alive {keep_alive_s} s: 5 to 10 s")
        if password is not None and username is None:
            raise ValueError("a password needs a user name (MQTT-3.1.2-22)")
        self._base = f"{prefix}/{bench}"
        # The same name at every attempt: the broker then ends what is left of the old connection, will included, before it
        # accepts the new one. 20 characters of letters and digits suit every broker (MQTT-3.1.3-5).
        self.client_id = "chargerd" + hashlib.sha256(self._base.encode()).hexdigest()[:12]
        self._options: dict[str, Any] = {
            "hostname": host, "port": port, "username": username, "password": password, "identifier": self.client_id,
            "keepalive": keep_alive_s, "timeout": OPERATION_S, "max_queued_incoming_messages": 1,
            "will": aiomqtt.Will(f"{self._base}/online", self._online_payload(online=False, reason="lost"), 1, retain=True),
            "tls_params": aiomqtt.TLSParameters(tls_ca_file, tls_cert_file, tls_key_file) if tls else None,
        }  # fmt: skip
        self._utc = utc
        self._random = random.Random(seed)
        self._mailbox = Mailbox()
        self._closing = threading.Event()
        self._wake_lock = threading.Lock()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._news: asyncio.Event | None = None
        self._connected = self._said_stopped = False
        self._attempts = self._sent_statuses = self._sent_events = 0
        self._troubles: deque[str] = deque(maxlen=TROUBLES_MAX)
        # Outside the tree of loggers: what the library says at an outage is filed here and printed by nobody.
        self._logger = logging.Logger("chargerd.mqtt", logging.WARNING)  # noqa: LOG001
        self._logger.addHandler(_Filing(self._file))
        self._thread = threading.Thread(target=self._run, name="chargerd-mqtt", daemon=True)

    # --- called by the channel loops ---------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect. What was offered before is sent too."""
        self._thread.start()

    def offer(self, snapshot: Snapshot) -> None:
        """Let this be the channel's status."""
        # With no connection there is nothing to wake for: whatever is in the mailbox is looked at once there is one.
        if self._mailbox.put_status(snapshot, time.monotonic()) and self._connected:
            self._wake()

    def event(self, event: dict[str, Any]) -> None:
        """Send this event (`snapshot.make_event`) as soon as it can be sent. Do not change it afterwards."""
        self._mailbox.put_event(event)
        if self._connected:
            self._wake()

    def state(self) -> PublisherState:
        """Return how it fares."""
        waiting, _ = self._mailbox.sizes()
        return PublisherState(
            self._thread.is_alive(), self._connected, self._attempts, self._sent_statuses, self._sent_events, waiting,
            self._mailbox.events_lost, self._mailbox.statuses_refused, tuple(self._troubles),
        )  # fmt: skip

    def close(self, timeout_s: float = CLOSE_S) -> bool:
        """Send what waits, say "stopped", disconnect. Return whether the broker confirmed it within `timeout_s`.

        When it did not, the broker says "lost" by itself once it notices. Outputs must be off before: this may take seconds.
        """
        self._closing.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return self._said_stopped

    def _wake(self) -> None:
        with self._wake_lock:
            if self._loop is not None and self._news is not None:
                self._loop.call_soon_threadsafe(self._news.set)

    # --- the publisher's own thread ----------------------------------------------------------------------------------

    def _run(self) -> None:
        with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
            runner.run(self._main())

    async def _main(self) -> None:
        loop = asyncio.get_running_loop()
        # At every outage the library leaves failed callbacks and futures behind; they are filed, not printed.
        loop.set_exception_handler(lambda _, context: self._file(f"{context['message']}: {context.get('exception')!r}"))
        news = asyncio.Event()
        with self._wake_lock:
            self._loop, self._news = loop, news
        try:
            await self._keep_connected(news)
        finally:
            with self._wake_lock:
                self._loop = self._news = None

    async def _keep_connected(self, news: asyncio.Event) -> None:
        backoff_s = BACKOFF_MIN_S
        while True:
            last_try = self._closing.is_set()
            self._attempts += 1
            try:
                # A new client for each attempt: a used one keeps state of the connection that failed.
                async with aiomqtt.Client(**self._options, logger=self._logger) as client:
                    await client.publish(f"{self._base}/online", self._online_payload(online=True), 1, retain=True)
                    self._connected, backoff_s = True, BACKOFF_MIN_S
                    self._mailbox.resend()
                    await self._serve(client, news)
            except aiomqtt.MqttError as error:
                self._file(str(error))
            else:
                return
            finally:
                self._connected = False
            if last_try or self._said_stopped:
                return
            if not self._closing.is_set():
                await self._pause(news, backoff_s * self._random.uniform(1.0, 1.5))
                backoff_s = min(2.0 * backoff_s, BACKOFF_MAX_S)

    async def _pause(self, news: asyncio.Event, pause_s: float) -> None:
        until_s = time.monotonic() + min(pause_s, BACKOFF_MAX_S)
        while (left_s := until_s - time.monotonic()) > 0.0:
            news.clear()
            if self._closing.is_set():
                return
            await _wait(news, left_s)

    async def _serve(self, client: aiomqtt.Client, news: asyncio.Event) -> None:
        """Publish until closing; raise MqttError when the connection goes, at once even with nothing to say."""
        tasks = {asyncio.create_task(self._pump(client, news)), asyncio.create_task(_until_lost(client))}
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
        for task in done:
            task.result()

    async def _pump(self, client: aiomqtt.Client, news: asyncio.Event) -> None:
        renew_s = time.monotonic() + ONLINE_EVERY_S
        while True:
            closing = self._closing.is_set()
            news.clear()
            now_s = time.monotonic()
            item = self._mailbox.peek(now_s, all_now=closing)
            if item is not None:
                await self._send(client, item)
            elif closing:
                await client.publish(
                    f"{self._base}/online", self._online_payload(online=False, reason="stopped"), 1, retain=True
                )
                self._said_stopped = True
                return
            elif now_s >= renew_s:
                await client.publish(f"{self._base}/online", self._online_payload(online=True), 1, retain=True)
                renew_s = now_s + ONLINE_EVERY_S
            else:
                await _wait(news, min(renew_s, self._mailbox.next_s()) - now_s)

    async def _send(self, client: aiomqtt.Client, item: Queued | Status) -> None:
        try:
            topic, payload = self._topic_and_payload(item)
        except (TypeError, ValueError, KeyError) as error:
            self._file(f"cannot be sent: {error!r}")
            self._mailbox.pop(item, time.monotonic(), lost=True)
            return
        await client.publish(topic, payload, 1, retain=isinstance(item, Status))
        # Only now: whatever was not confirmed is sent again on the next connection.
        self._mailbox.pop(item, time.monotonic())
        if isinstance(item, Status):
            self._sent_statuses += 1
        else:
            self._sent_events += 1

    def _topic_and_payload(self, item: Queued | Status) -> tuple[str, bytes]:
        if isinstance(item, Status):
            snapshot = replace(item.snapshot, unknown_since=item.snapshot.utc) if item.unknown else item.snapshot
            channel, kind, text = item.channel, "status", snapshot.to_json()
        else:
            channel, kind, text = str(item.event["channel"]), "event", canonical_json(item.event)
        payload = text.encode()
        if not NAME.fullmatch(channel):
            raise ValueError(f"channel {channel!r} cannot be part of a topic")
        if len(payload) > PAYLOAD_MAX:
            raise ValueError(f"{len(payload)} bytes, at most {PAYLOAD_MAX}")
        return f"{self._base}/{channel}/{kind}", payload

    def _online_payload(self, *, online: bool, reason: str = "") -> bytes:
        payload: dict[str, Any] = {"version": VERSION, "online": online, "reason": reason}
        if reason != "lost":  # a will is written long before it is read: it knows no time and no counts
            payload |= {"utc": self._utc(), "lost_events": self._mailbox.events_lost}
        if online:
            payload["valid_for_s"] = 3.0 * ONLINE_EVERY_S
        return canonical_json(payload).encode()

    def _file(self, trouble: str) -> None:
        self._troubles.append(f"{self._utc()} {trouble}")


class _Filing(logging.Handler):
    """Passes the library's log records on as troubles."""

    def __init__(self, file: Callable[[str], None]) -> None:
        super().__init__()
        self._file = file

    def emit(self, record: logging.LogRecord) -> None:
        self._file(record.getMessage())


async def _until_lost(client: aiomqtt.Client) -> None:
    # Nothing is subscribed, so no message can come; should one come all the same, it is dropped unread.
    async for _ in client.messages:
        pass


async def _wait(news: asyncio.Event, wait_s: float) -> None:
    try:
        async with asyncio.timeout(max(0.0, wait_s)):
            await news.wait()
    except TimeoutError:
        return
