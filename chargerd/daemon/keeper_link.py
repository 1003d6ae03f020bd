"""The worker's side of the two pipes to its keeper: limits out, acknowledgement in, a beat after every pass, done at the end."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import signal
from collections.abc import Callable
from typing import Any

from chargerd.core.limits import REVERSED_V, Limits
from chargerd.errors import RefusedError

ACK_WITHIN_S = 5.0
BEAT_FD, ACK_FD = "CHARGERD_BEAT_FD", "CHARGERD_ACK_FD"


def canonical_digest(body: dict[str, Any]) -> str:
    """Return the SHA-256 of canonical JSON; the keeper computes the same by itself."""
    return hashlib.sha256(json.dumps(body, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


class KeeperLink:
    """Speaks to the keeper. `lost` is called once when the keeper is gone."""

    def __init__(self, beat_fd: int, ack_fd: int, lost: Callable[[str], None]) -> None:
        self._beat_fd = beat_fd
        self._ack_fd = ack_fd
        self._lost = lost
        self._is_lost = False
        self._asked_by = ""
        self._answers: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self._rest = b""
        os.set_blocking(beat_fd, False)
        os.set_blocking(ack_fd, False)
        asyncio.get_running_loop().add_reader(ack_fd, self._hear)

    @classmethod
    def from_environment(cls, lost: Callable[[str], None]) -> KeeperLink | None:
        """Return the link a keeper has left in the environment, None when there is none."""
        if BEAT_FD not in os.environ or ACK_FD not in os.environ:
            return None
        return cls(int(os.environ.pop(BEAT_FD)), int(os.environ.pop(ACK_FD)), lost)

    async def freeze(self, channel: str, limits: Limits, *, age_max_s: float, off_plan: str, has_thermometer: bool) -> None:
        """Hand over the limits and wait until the keeper has frozen them. Raises RefusedError when it does not."""
        body = {
            "type": "limits",
            "channel": channel,
            "voltage_max_V": limits.voltage_max_V,
            "voltage_min_V": min(limits.voltage_min_V, REVERSED_V),
            "current_max_A": max(limits.charge_current_max_A, limits.discharge_current_max_A),
            "temperature_max_degC": limits.temperature_max_degC if has_thermometer else None,
            "age_max_s": age_max_s,
            "off_plan": off_plan,
        }
        digest = canonical_digest(body)
        self._send({**body, "sha256": digest})
        try:
            async with asyncio.timeout(ACK_WITHIN_S):
                answer = await self._answers.get()
        except TimeoutError:
            raise RefusedError("the keeper did not acknowledge its limits; nothing was switched on") from None
        if answer != {"type": "ack", "channel": channel, "sha256": digest}:
            raise RefusedError(f"the keeper refused the limits: {answer.get('reason', answer)}")

    def beat(
        self, channel: str, seq: int, *, energised: bool, age_s: float, voltage_V: float | None, current_A: float | None,
        temperature_degC: float | None, off_doubted: bool = False, unwritten_s: float = 0.0,
    ) -> None:  # fmt: skip
        """Prove one pass: the last sample with its age. `off_doubted`: an output could not be proven off; feed no relay.

        `unwritten_s`: how long the oldest row has waited for the disk.
        """
        self._send({
            "type": "beat", "channel": channel, "seq": seq, "energised": energised, "off_doubted": off_doubted, "age_s": age_s,
            "voltage_V": voltage_V, "current_A": current_A, "temperature_degC": temperature_degC, "unwritten_s": unwritten_s,
        })  # fmt: skip

    def asked_by(self, name: signal.Signals) -> str:
        """Return the signal that ends this process: the one it got, or what the keeper got and passes on as SIGTERM."""
        self._hear()
        return self._asked_by if name is signal.SIGTERM and self._asked_by else name.name

    def done(self, channel: str, state: str, *, verified_off: bool) -> None:
        """Say that the channel has ended and whether off was verified."""
        self._send({"type": "done", "channel": channel, "state": state, "verified_off": verified_off})

    def close(self) -> None:
        """Let both pipes go."""
        asyncio.get_running_loop().remove_reader(self._ack_fd)
        for descriptor in (self._beat_fd, self._ack_fd):
            with contextlib.suppress(OSError):
                os.close(descriptor)

    def _send(self, message: dict[str, Any]) -> None:
        line = json.dumps(message, separators=(",", ":"), allow_nan=False).encode() + b"\n"
        try:
            whole = os.write(self._beat_fd, line) == len(line)
        except BlockingIOError:
            whole = False
        except OSError as fault:
            self._lose(f"the keeper is gone: {fault.strerror}")
            return
        if not whole:
            # A full pipe is a keeper that has stopped reading: it no longer guards anything.
            self._lose("the keeper no longer reads")

    def _hear(self) -> None:
        try:
            chunk = os.read(self._ack_fd, 65536)
        except BlockingIOError:
            return
        except OSError as fault:
            chunk = b""
            self._lose(f"the keeper is gone: {fault.strerror}")
        if not chunk:
            asyncio.get_running_loop().remove_reader(self._ack_fd)
            self._lose("the keeper is gone")
            return
        *lines, self._rest = (self._rest + chunk).split(b"\n")
        for line in lines:
            message = json.loads(line)
            if message.get("type") == "stop":
                self._asked_by = message["by"]
            else:
                self._answers.put_nowait(message)

    def _lose(self, why: str) -> None:
        if not self._is_lost:
            self._is_lost = True
            self._lost(why)
