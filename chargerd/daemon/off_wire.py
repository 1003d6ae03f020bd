"""How `off.py` reaches instruments: lines to them, one question at a time, and whether a reply is the one that a plan expects.

Stands alone beside off.py, which loads it by its path: standard library; pyserial or PyVISA only when a plan names such an
address. Everything a plan says about a wire is here; what is done, in which order and how long, is in off.py.
"""

from __future__ import annotations

import contextlib
import math
import re
import socket
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

PAUSE_S = 0.1  # an instrument with one session needs a moment after its old peer was killed
QUIET_S = 0.02  # how long a line must be silent before a question, so that a late reply is not taken for its answer
QUIET_BITS = 3.5 * 11  # the silence between two Modbus frames (Serial Line V1.02 §2.5.1.1), longer than QUIET_S below 1925 baud
REPLY_MAX_BYTES = 4096
# IEEE 488.2 decimal number. Not float(): that also takes nan, inf, 1_000 and other scripts' digits.
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
SCHEMES = "tcp|serial|serial-bytes|modbus-rtu|modbus-tcp|gpio|visa"
ADDRESS = re.compile(rf"(?:({SCHEMES})(?:\+([A-Za-z0-9]+))?://)?([^?]+)(?:\?(.*))?")
HOST = r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)"
SOCKET = re.compile(rf"{HOST}:([0-9]{{1,5}})|TCPIP[0-9]*::{HOST}::([0-9]{{1,5}})::SOCKET", re.IGNORECASE)
ASRL = re.compile(r"ASRL(/.+)::INSTR", re.IGNORECASE)
PARITIES = {"none": "N", "even": "E", "odd": "O"}  # as pyserial writes them


def boot_s() -> float:
    """Seconds since boot, suspend included, never set by anyone."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class LinkError(OSError):
    """An instrument could not be reached, or what it said was no reply."""


@dataclass(frozen=True, slots=True)
class Link:
    """Bytes to and from one instrument; each call may raise an error of UNREACHABLE."""

    send: Callable[[bytes], Any]  # write all of it within the time-out of opening
    receive: Callable[[float], bytes]  # what has come, or nothing after so many seconds
    close: Callable[[], Any]
    clear: Callable[[], Any] | None = None  # None: a stream, on which late replies can be read and thrown away
    quiet_s: float = QUIET_S


def _open_tcp(host: str, port: int, timeout_s: float) -> Link:
    line = socket.create_connection((host, port), timeout_s)

    def send(content: bytes) -> None:
        line.settimeout(timeout_s)
        line.sendall(content)

    def receive(wait_s: float) -> bytes:
        line.settimeout(wait_s)
        try:
            content = line.recv(REPLY_MAX_BYTES)
        except TimeoutError:
            return b""
        if not content:
            raise LinkError("it closed the connection")
        return content

    def close() -> None:
        # Say goodbye and wait a moment for the other end: a reset could overtake off bytes that it has not read yet.
        with contextlib.suppress(OSError):
            line.shutdown(socket.SHUT_WR)
            receive(PAUSE_S)
        line.close()

    return Link(send, receive, close)


def _open_serial(device: str, options: dict[str, str], timeout_s: float) -> Link:
    baud, flow = int(options.get("baud", "9600")), options.get("flow", "none")
    # not exclusively: off must get in beside whatever else has the port open
    port = import_module("serial").Serial(
        device, baud, timeout=timeout_s, write_timeout=timeout_s, xonxoff=flow == "xon", rtscts=flow == "rts",
        bytesize=int(options.get("bits", "8")), parity=PARITIES.get(options.get("parity", "none"), "N"),
        stopbits=float(options.get("stop", "1")),
    )  # fmt: skip

    def receive(wait_s: float) -> bytes:
        port.timeout = wait_s
        first = bytes(port.read(1))
        return first + bytes(port.read(port.in_waiting)) if first else b""

    return Link(port.write, receive, port.close, quiet_s=max(QUIET_S, QUIET_BITS / baud))


def _open_visa(name: str, library: str, timeout_s: float) -> Link:
    visa, wait_ms = import_module("pyvisa"), int(timeout_s * 1000)

    def told(call: Callable[..., Any], *args: Any, **options: Any) -> Any:
        try:
            return call(*args, **options)
        except (visa.errors.Error, TypeError, NotImplementedError) as fault:
            raise LinkError(str(fault)) from fault

    resource = told(visa.ResourceManager(library).open_resource, name, open_timeout=wait_ms, timeout=wait_ms)

    def receive(_wait_s: float) -> bytes:
        with contextlib.suppress(LinkError):  # PyVISA tells a time-out and a broken link alike: both are silence here
            return bytes(told(resource.read_raw))
        return b""

    send, close, clear = (partial(told, call) for call in (resource.write_raw, resource.close, resource.clear))
    return Link(send, receive, close, clear)


def _beside(name: str) -> Any:
    """Load a file of off from this file's own folder, never by a search path: as off.py loads this one."""
    spec = spec_from_file_location(f"_chargerd_{name}", Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# ValueError: a device name that the operating system refuses; ImportError: a library that is not installed here.
UNREACHABLE = (OSError, ValueError, ImportError)


def open_link(address: str, timeout_s: float) -> Link:
    """Open the line behind an address. Raises one of UNREACHABLE."""
    match = ADDRESS.fullmatch(address)
    if match is None:
        raise LinkError(f"{address!r} is no address")
    scheme, library, target, query = match.groups()
    options = dict(parse_qsl(query or ""))
    if scheme == "gpio":
        pins = _beside("off_pins").Pins(target, options, _beside("pin"))
        return Link(pins.send, pins.receive, pins.close)
    line, tcp = ASRL.fullmatch(target), SOCKET.fullmatch(target)
    if line or scheme in ("serial", "serial-bytes", "modbus-rtu"):
        return _open_serial(line[1] if line else target, options, timeout_s)
    if tcp:
        return _open_tcp((tcp[1] or tcp[3]).strip("[]"), int(tcp[2] or tcp[4]), timeout_s)
    if scheme in ("tcp", "modbus-tcp"):
        raise LinkError(f"{address!r} names no host and port")
    return _open_visa(target, options.get("library", f"@{library}" if library else ""), timeout_s)


def port_of(address: str) -> str:
    """Return what may be used by one at a time: units of one bus, and outputs of one instrument, share it."""
    return address.partition("?")[0]


def _crc16(body: bytes) -> bytes:
    """Return the check value of a Modbus frame (Serial Line V1.02 §6.2.2)."""
    crc = 0xFFFF
    for byte in body:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc.to_bytes(2, "little")


def _xor(body: bytes) -> bytes:
    value = 0
    for byte in body:
        value ^= byte
    return bytes((value,))


# name -> (bytes it has, what they must be after these); the same names as in the plans that chargerd writes
CHECKS: dict[str, tuple[int, Callable[[bytes], bytes]]] = {
    "": (0, lambda _: b""),
    "crc16": (2, _crc16),
    "sum": (1, lambda body: bytes((sum(body) & 0xFF,))),
    "complement": (1, lambda body: bytes((-sum(body) & 0xFF,))),
    "xor": (1, _xor),
}


@dataclass(frozen=True, slots=True)
class Exchange:
    """Bytes to send, and the reply that is expected.

    A reply is a line that ends in `end` (after the device's `echo` of what was sent, where it repeats it) or, with a `length`,
    a frame of so many bytes with a `check` value; as text a frame is "01 0A FF". It must fit `pattern`, whose groups in `order`
    hold its value, and `sense` says what that is: text, a decimal number, of a frame an unsigned or signed whole number, a
    float, registers, or ASCII. Expected is one of `accept`, or a number of which `scale` times is nearer to zero than
    `abs_below` (NaN: no number is). Both None and NaN: the pattern is all that is expected.
    """

    send: bytes
    shown: str
    pattern: re.Pattern[str] | None = None  # None: no reply comes
    order: tuple[int, ...] = (1,)
    sense: str = "text"
    accept: tuple[str, ...] | None = None
    abs_below: float = math.nan
    scale: float = 1.0
    length: int = 0
    check: str = ""
    end: bytes = b"\n"
    has_echo: bool = False
    silent: tuple[str, ...] = ()  # frames that mean "nobody there now": neither right nor another instrument

    def is_whole(self, reply: bytes) -> bool:
        """Tell whether no more needs to be waited for."""
        if self.length:
            return len(reply) >= self.length
        return reply.count(self.end[-1:]) > int(self.has_echo)

    def text(self, reply: bytes) -> str | None:
        """Return a reply as text: one whole line of ASCII, or one whole frame. None: half a number is no number."""
        if self.length:
            size, expected = CHECKS[self.check]
            body, check = reply[: len(reply) - size], reply[len(reply) - size :]
            return reply.hex(" ").upper() if len(reply) == self.length and check == expected(body) else None
        reply = self._without_echo(reply)
        text = reply.strip(b" \t\r\n\0")
        is_line = self.end[-1:] in reply and text.isascii() and not set(b"\r\n") & set(text)
        return text.decode() if is_line else None

    def _without_echo(self, reply: bytes) -> bytes:
        """Return a reply without what was sent, where the device repeats that first."""
        is_echo = self.has_echo and reply.startswith(self.send.strip(b"\r\n"))
        return reply.partition(self.end[-1:])[2] if is_echo else reply

    def value(self, reply: bytes) -> str | None:
        """Return the value in a reply as text, None when it does not fit."""
        text = self.text(reply)
        match = None if text is None or self.pattern is None else self.pattern.fullmatch(text)
        if match is None:
            return None
        groups = match.groups()
        held = " ".join(groups[number - 1] for number in self.order if number <= len(groups)) if groups else match[0]
        if self.sense in ("text", "decimal"):
            return held
        content = bytes.fromhex(held)
        if self.sense == "registers":
            return ",".join(str(int.from_bytes(content[at : at + 2], "big")) for at in range(0, len(content), 2))
        if self.sense == "ascii":
            return content.strip(b"\0 ").decode("latin-1")
        if self.sense == "float":
            return str(struct.unpack(">f", content)[0])
        return str(int.from_bytes(content, "big", signed=self.sense == "signed"))

    def is_expected(self, reply: bytes) -> bool:
        """Judge one reply."""
        value = self.value(reply)
        if value is None:
            return False
        if self.accept is None and math.isnan(self.abs_below):
            return True
        is_number = NUMBER.fullmatch(value) is not None
        return value in (self.accept or ()) or (is_number and abs(float(value) * self.scale) < self.abs_below)

    def names(self, reply: bytes) -> bool:
        """Tell whether a reply is one of the accepted identities, blanks around their fields apart."""
        value = self.value(reply)
        return value is not None and without_blanks(value) in [without_blanks(one) for one in self.accept or ()]

    def names_another(self, reply: bytes) -> bool:
        """Tell whether a reply is anything but an accepted identity, the beginning of one, a damaged one, or silence."""
        if self.names(reply) or not reply:
            return False
        if self.length:
            assert self.pattern is not None
            begin, shown = self.pattern.pattern.partition("(")[0], reply.hex(" ").upper()
            is_half = begin.startswith(shown) or (shown.startswith(begin) and self.text(reply) is None)
            return not is_half and shown not in self.silent
        half = without_blanks(self._without_echo(reply).decode("latin-1"))
        return not any(without_blanks(one).startswith(half) for one in self.accept or ())


def without_blanks(identity: str) -> str:
    """Return an identity without the blanks around its fields: many instruments send some, plans hold none."""
    return ",".join(field.strip() for field in identity.strip(" \t\r\n\0").split(","))


def ask(link: Link, question: Exchange, timeout_s: float, until_s: float) -> bytes:
    """One question in flight; what came until the end of a reply or the time-out, perhaps nothing."""
    until_s = min(until_s, boot_s() + timeout_s)
    if link.clear:
        with contextlib.suppress(LinkError):  # not every VISA library can; the identity is compared in any case
            link.clear()
    else:
        drain(link, until_s)
    link.send(question.send)
    reply = b""
    while not question.is_whole(reply) and (left_s := until_s - boot_s()) > 0:
        reply += link.receive(left_s)
        if len(reply) > REPLY_MAX_BYTES:
            raise LinkError("a reply without end")
    return reply


def drain(link: Link, until_s: float, quiet_s: float = 0.0) -> None:
    """Read and forget what comes until the line is silent, for quiet_s at least. Raises LinkError when it never is."""
    while link.receive(max(link.quiet_s, quiet_s)):
        if boot_s() > until_s:
            raise LinkError("it talks without being asked")
