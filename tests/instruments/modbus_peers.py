"""Modbus slaves for tests of links: the one of a package by other authors, and small bad ones in threads of their own."""

from __future__ import annotations

import os
import select
import shutil
import socket
import subprocess
import threading
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.instruments.peers import tcp_peer

Reply = Callable[[bytes], list[tuple[float, bytes]]]
"""What a bad slave answers to a frame: pieces, each with its delay in seconds after the one before."""


def device(unit: int = 1) -> SimDevice:
    """The registers of the invented module and the coils of the invented relay board, as plain storage."""
    coils = [SimData(0, values=[False] * 8, datatype=DataType.BITS)]
    contacts = [SimData(0, values=[True] * 8, datatype=DataType.BITS)]
    holding = [SimData(0, values=[4417, 103] + [0] * 17 + [1850, 0xFF38, 2400, 1, 0, 0], datatype=DataType.REGISTERS)]
    inputs = [SimData(0, values=[3108, 20], datatype=DataType.REGISTERS)]
    return SimDevice(unit, (coils, contacts, holding, inputs))


@asynccontextmanager
async def pymodbus_tcp(*units: int) -> AsyncIterator[str]:
    server = ModbusTcpServer([device(unit) for unit in units], address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    try:
        yield f"modbus-tcp://127.0.0.1:{server.transport.sockets[0].getsockname()[1]}?unit="
    finally:
        await server.shutdown()


@contextmanager
def socat_ptys(folder: Path) -> Iterator[tuple[str, str]]:
    """Two serial ports whose wires are crossed, by socat."""
    ends = [folder / "ours", folder / "theirs"]
    command = [str(shutil.which("socat")), *(f"PTY,raw,echo=0,link={end}" for end in ends)]
    with subprocess.Popen(command) as socat:
        try:
            pause = threading.Event()
            while not all(end.exists() for end in ends):
                assert socat.poll() is None
                pause.wait(0.01)
            yield str(ends[0]), str(ends[1])
        finally:
            socat.terminate()


@asynccontextmanager
async def pymodbus_rtu(folder: Path, *units: int) -> AsyncIterator[str]:
    with socat_ptys(folder) as (ours, theirs):
        server = ModbusSerialServer([device(unit) for unit in units], port=theirs, baudrate=9600, ignore_missing_devices=True)
        await server.serve_forever(background=True)
        try:
            yield f"modbus-rtu://{ours}?baud=9600&unit="
        finally:
            await server.shutdown()


@contextmanager
def bad_rtu(reply: Reply) -> Iterator[tuple[str, list[bytes], Callable[[bytes], None]]]:
    """A pty that answers each frame of eight bytes as `reply` says; its path, what it received, and a way to say something."""
    master, slave = os.openpty()
    tty.setraw(slave)
    stop, received = threading.Event(), list[bytes]()

    def work() -> None:
        buffer = b""
        while not stop.is_set():
            if not select.select([master], [], [], 0.02)[0]:
                continue
            buffer += os.read(master, 4096)
            while len(buffer) >= 8:
                frame, buffer = buffer[:8], buffer[8:]
                received.append(frame)
                for delay_s, piece in reply(frame):
                    stop.wait(delay_s)
                    os.write(master, piece)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()

    def say(content: bytes) -> None:
        os.write(master, content)
        select.select([slave], [], [], 5)

    try:
        yield os.ttyname(slave), received, say
    finally:
        stop.set()
        thread.join(5)
        os.close(master)
        os.close(slave)


@contextmanager
def bad_tcp(reply: Reply) -> Iterator[str]:
    """A TCP port that answers each frame of twelve bytes as `reply` says; `modbus-tcp://…` without its unit."""

    def serve(connection: socket.socket, stop: threading.Event) -> None:
        while not stop.is_set():
            try:
                frame = connection.recv(12)
            except TimeoutError:
                continue
            if not frame:
                break
            for delay_s, piece in reply(frame):
                stop.wait(delay_s)
                connection.sendall(piece)

    with tcp_peer(serve) as address:
        yield f"modbus-{address}?unit="
