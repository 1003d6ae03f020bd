"""A link that writes down every byte (`trace+tcp://…?log=wire.log`) and is otherwise the link it wraps.

One line per message: seconds on the loop's clock, the address, `>` sent, `<` received or `!` failed, then the bytes:
text as text, binary messages in hexadecimal.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from chargerd.errors import LinkError
from chargerd.instruments.transports.link import Address, InFlight, Link
from chargerd.instruments.transports.registry import open_link as open_plain
from chargerd.instruments.transports.registry import parse_address

BINARY = ("serial-bytes:", "modbus-")
"""Addresses whose messages are never text, whatever bytes they hold."""

_TEXT = frozenset({*range(0x20, 0x7F), 0x09, 0x0A, 0x0D})


class TraceLink:
    """See `Link`."""

    def __init__(self, name: str, inner: Link, log: TextIO) -> None:
        self._name = name
        self._inner = inner
        self._log = log
        self._is_binary = name.startswith(BINARY)
        self._loop = asyncio.get_running_loop()

    @property
    def dirty(self) -> bool:
        """As the wrapped link."""
        return self._inner.dirty

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        self._note(">", self._shown(message))
        try:
            reply = await self._inner.query(message, deadline_s=deadline_s, urgent=urgent)
        except LinkError as fault:
            self._note("!", str(fault))
            raise
        self._note("<", self._shown(reply))
        return reply

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`; the times of arrival are the wrapped link's."""
        replies: list[tuple[bytes, float]] = []
        for message in messages:
            self._note(">", self._shown(message))
            try:
                replies += await self._inner.query_all([message], deadline_s=deadline_s)
            except LinkError as fault:
                self._note("!", str(fault))
                raise
            self._note("<", self._shown(replies[-1][0]), replies[-1][1])
        return replies

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`."""
        self._note(">", self._shown(message))
        try:
            await self._inner.write(message, deadline_s=deadline_s, urgent=urgent)
        except LinkError as fault:
            self._note("!", str(fault))
            raise

    async def close(self) -> None:
        """See `Link.close`."""
        await self._inner.close()
        if not self._log.closed:
            self._log.close()

    def _shown(self, data: bytes) -> str:
        """Return text as text, anything else as bytes in hexadecimal: `hex A5 01 02 A8`."""
        is_text = not self._is_binary and all(byte in _TEXT for byte in data)
        return repr(data) if is_text else f"hex {data.hex(' ').upper()}"

    def _note(self, mark: str, text: str, at_s: float | None = None) -> None:
        if not self._log.closed:
            self._log.write(f"{self._loop.time() if at_s is None else at_s:.6f} {self._name} {mark} {text}\n")


def _open_log(path: str) -> TextIO:
    return Path(path).open("a", encoding="utf-8", buffering=1)


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> TraceLink:
    """Open the wrapped address; lines are appended to the file its option `log` names. Raises as the wrapped transport."""
    inner = await open_plain(parse_address(address.target), deadline_s=deadline_s, in_flight=in_flight)
    try:
        log = _open_log(address.options["log"])
    except OSError as fault:
        await inner.close()
        raise LinkError(f"{address.text}: the wire cannot be written down: {fault.strerror or fault}") from None
    return TraceLink(address.target, inner, log)
