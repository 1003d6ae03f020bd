"""A link that writes down every byte (`trace+tcp://…?log=wire.log`) and is otherwise the link it wraps.

One line per message: seconds on the loop's clock, the address, `>` sent, `<` received or `!` failed, then the bytes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from chargerd.errors import LinkError
from chargerd.instruments.transports.link import Address, InFlight, Link, query_each
from chargerd.instruments.transports.registry import open_link as open_plain
from chargerd.instruments.transports.registry import parse_address


class TraceLink:
    """See `Link`."""

    def __init__(self, name: str, inner: Link, log: TextIO) -> None:
        self._name = name
        self._inner = inner
        self._log = log
        self._loop = asyncio.get_running_loop()

    @property
    def dirty(self) -> bool:
        """As the wrapped link."""
        return self._inner.dirty

    async def query(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> bytes:
        """See `Link.query`."""
        self._note(">", repr(message))
        try:
            reply = await self._inner.query(message, deadline_s=deadline_s, urgent=urgent)
        except LinkError as fault:
            self._note("!", str(fault))
            raise
        self._note("<", repr(reply))
        return reply

    async def query_all(self, messages: Sequence[bytes], *, deadline_s: float) -> list[tuple[bytes, float]]:
        """See `Link.query_all`."""
        return await query_each(self, messages, deadline_s)

    async def write(self, message: bytes, *, deadline_s: float, urgent: bool = False) -> None:
        """See `Link.write`."""
        self._note(">", repr(message))
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

    def _note(self, mark: str, text: str) -> None:
        if not self._log.closed:
            self._log.write(f"{self._loop.time():.6f} {self._name} {mark} {text}\n")


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
