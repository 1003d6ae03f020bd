"""Small bad peers on real sockets and ptys, each in a thread of its own, for tests of links."""

from __future__ import annotations

import asyncio
import os
import pty
import select
import socket
import threading
import tty
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.registry import open_link, parse_address

T = TypeVar("T")
Serve = Callable[[socket.socket, threading.Event], None]


@contextmanager
def tcp_peer(serve: Serve) -> Iterator[str]:
    """Listen on a free loopback port and give every connection, one at a time, to `serve`; yield the address."""
    stop = threading.Event()
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(0.05)

    def accept() -> None:
        while not stop.is_set():
            try:
                connection, _ = listener.accept()
            except TimeoutError:
                continue
            with connection:
                connection.settimeout(0.05)
                try:
                    serve(connection, stop)
                except OSError:
                    continue

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield f"tcp://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        stop.set()
        thread.join(5)
        listener.close()


def lines(connection: socket.socket, stop: threading.Event) -> Iterator[bytes]:
    """Yield the lines a connection sends until it closes."""
    buffer = b""
    while not stop.is_set():
        try:
            data = connection.recv(4096)
        except TimeoutError:
            continue
        if not data:
            return
        *whole, buffer = (buffer + data).split(b"\n")
        yield from whole


def answering(replies: Callable[[bytes], bytes]) -> Serve:
    """Serve by answering each line with whatever bytes `replies` returns."""

    def serve(connection: socket.socket, stop: threading.Event) -> None:
        for line in lines(connection, stop):
            connection.sendall(replies(line))

    return serve


@contextmanager
def pty_peer(replies: Callable[[bytes], bytes]) -> Iterator[tuple[str, Callable[[], None], Callable[[bytes], None]]]:
    """A serial line on a pty; yield its path, a function that hangs it up, and one that writes unasked bytes."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    path = os.ttyname(slave)
    stop = threading.Event()
    hung = threading.Event()

    def work() -> None:
        buffer = b""
        while not stop.is_set() and not hung.is_set():
            if not select.select([master], [], [], 0.02)[0]:
                continue
            try:
                buffer += os.read(master, 4096)
            except OSError:
                return
            *whole, buffer = buffer.split(b"\n")
            for line in whole:
                os.write(master, replies(line))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()

    def hang_up() -> None:
        hung.set()
        thread.join(5)
        os.close(master)

    def write(data: bytes) -> None:
        """Write, and return once the other side could read it."""
        os.write(master, data)
        select.select([slave], [], [], 5)

    try:
        yield path, hang_up, write
    finally:
        stop.set()
        thread.join(5)
        os.close(slave)
        if not hung.is_set():
            os.close(master)


def with_link(address: str, main: Callable[[Link], Awaitable[T]], deadline_s: float = 2.0) -> T:
    """Open a link on the real clock, do something with it, close it."""

    async def body() -> T:
        link = await open_link(parse_address(address), deadline_s=deadline_s)
        try:
            return await main(link)
        finally:
            await link.close()

    return asyncio.run(body())
