"""Frames of bytes to a peer in this process: as many bytes as asked for, in time, and nothing from an earlier question."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from chargerd.errors import LinkClosedError, LinkGarbledError, LinkTimeoutError
from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.memory import PEERS
from chargerd.instruments.transports.registry import open_link, parse_address

Pieces = list[tuple[float, bytes]]


def run(answers: list[Pieces], main: Callable[[Link], Awaitable[None]]) -> list[bytes]:
    """Talk to a peer that gives these answers in turn; return what it heard."""
    heard: list[bytes] = []

    def peer(data: bytes, now_s: float) -> Pieces:
        del now_s
        if not data:
            return []  # it is looked into before each message, as a port is
        heard.append(data)
        return answers.pop(0)

    async def body() -> None:
        await main(await open_link(parse_address("bytes-memory://board"), deadline_s=1.0))

    PEERS["board"] = peer
    try:
        asyncio.run(body())
    finally:
        del PEERS["board"]
    return heard


def test_the_first_byte_says_how_many_come_back_and_is_not_sent() -> None:
    async def main(link: Link) -> None:
        assert await link.query(b"\x03\xa5\x01", deadline_s=0.5) == b"\x5a\x01\x5b"
        await link.write(b"\x00\xa5\x02", deadline_s=0.5)

    assert run([[(0.0, b"\x5a"), (0.01, b"\x01\x5b")], []], main) == [b"\xa5\x01", b"\xa5\x02"]


@pytest.mark.parametrize("answer", [[], [(0.0, b"\x5a\x01")], [(9.0, b"\x5a\x01\x5b")]])
def test_too_few_bytes_in_time_end_the_link(answer: Pieces) -> None:
    async def main(link: Link) -> None:
        with pytest.raises(LinkTimeoutError, match="of 3 bytes in reply to A5 01 within"):
            await link.query(b"\x03\xa5\x01", deadline_s=0.02)
        assert link.dirty

    run([answer], main)


def test_bytes_that_nobody_asked_for_end_the_link_at_the_next_question() -> None:
    async def main(link: Link) -> None:
        assert await link.query(b"\x01\xa5", deadline_s=0.5) == b"\x5a"
        with pytest.raises(LinkGarbledError, match="nobody asked for"):
            await link.query(b"\x01\xa5", deadline_s=0.5)
        assert link.dirty

    run([[(0.0, b"\x5a\x01")]], main)


@pytest.mark.parametrize("message", [b"", b"\x03\xa5"])
def test_a_message_without_length_is_refused_and_so_is_one_whose_reply_nobody_would_read(message: bytes) -> None:
    async def main(link: Link) -> None:
        with pytest.raises(LinkGarbledError):
            await (link.write(message, deadline_s=0.5) if message else link.query(message, deadline_s=0.5))
        assert link.dirty

    assert run([], main) == []


def test_who_gives_up_waiting_leaves_a_link_that_is_closed() -> None:
    async def main(link: Link) -> None:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.01):
                await link.query(b"\x01\xa5", deadline_s=5.0)
        with pytest.raises(LinkClosedError):
            await link.query(b"\x01\xa5", deadline_s=0.5)

    run([[(4.0, b"\x5a")]], main)
