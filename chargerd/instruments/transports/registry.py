"""The one table of transports: address scheme → where it is opened. A library that is missing is told, not hidden.

To add a transport: a module with `async open_link(address, *, deadline_s, in_flight) -> Link`, and one row each in `TRANSPORTS`
and `SCHEME_OPTIONS`; off (daemon/off_wire.py) must know the scheme too if anything that switches may hang on it.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from importlib import import_module
from urllib.parse import parse_qsl

from chargerd.errors import BenchError, LinkError
from chargerd.instruments.transports.link import TERMINATORS, Address, InFlight, Link

TRANSPORTS: dict[str, str] = {
    "tcp": "chargerd.instruments.transports.tcp:open_link",
    "memory": "chargerd.instruments.transports.memory:open_link",
    "serial": "chargerd.instruments.transports.serial_line:open_link",
    "serial-bytes": "chargerd.instruments.transports.serial_bytes:open_link",
    "bytes-memory": "chargerd.instruments.transports.bytes_memory:open_link",
    "modbus-rtu": "chargerd.instruments.transports.modbus_rtu:open_link",
    "modbus-tcp": "chargerd.instruments.transports.modbus_tcp:open_link",
    "modbus-memory": "chargerd.instruments.transports.modbus_memory:open_link",
    "file": "chargerd.instruments.transports.files:open_link",
    "gpio": "chargerd.instruments.transports.gpio:open_link",
    "visa": "chargerd.instruments.transports.visa:open_link",
    "trace": "chargerd.instruments.transports.trace:open_link",
}

_YES_NO = ("yes", "no")
_NUMBERS = re.compile(r"all|[0-9]{1,3}(?:,[0-9]{1,3})*")

OPTIONS: dict[str, tuple[str, ...] | re.Pattern[str]] = {
    "eol": tuple(TERMINATORS),
    "send_eol": tuple(TERMINATORS),
    "listen": _YES_NO,
    "echo": _YES_NO,
    "baud": re.compile(r"[1-9][0-9]{1,6}"),
    "parity": ("none", "even", "odd"),
    "bits": ("7", "8"),
    "stop": ("1", "1.5", "2"),
    "flow": ("none", "xon", "rts"),
    "library": re.compile(r".+"),
    "active_low": _NUMBERS,
    "pull": ("up", "down"),
    "unit": re.compile(r"[1-9]|[1-9][0-9]|1[0-9]{2}|2[0-3][0-9]|24[0-7]|255"),
}
"""What an address may say after its `?`: the words it can be, or a pattern."""

_EXAMPLES = {
    "baud": "a whole number, such as 9600",
    "active_low": "line numbers, such as 17,27, or all",
    "unit": "1 to 247, as set at the instrument",
}
_PORT = frozenset({"baud", "parity", "bits", "stop", "flow"})
_LINES = frozenset({"eol", "send_eol"})

SCHEME_OPTIONS: dict[str, frozenset[str]] = {
    "tcp": _LINES | {"listen"},
    "memory": _LINES | {"listen"},
    "serial": _LINES | _PORT | {"listen", "echo"},
    "serial-bytes": _PORT,
    "bytes-memory": frozenset(),
    "modbus-rtu": frozenset({"baud", "parity", "stop", "unit"}),
    "modbus-tcp": frozenset({"unit"}),
    "modbus-memory": frozenset({"unit"}),
    "file": frozenset(),
    "gpio": frozenset({"active_low", "pull"}),
    "visa": _LINES | _PORT | {"library"},
}
"""Which of them each transport has."""

_VISA_SOCKET = re.compile(r"TCPIP[0-9]*::([^:]+|\[[0-9A-Fa-f:]+\])::([0-9]+)::SOCKET", re.IGNORECASE)
_VISA = re.compile(r"(?:ASRL|GPIB|USB|TCPIP|PXI|VXI|VICP|PRLGX-ASRL|PRLGX-TCPIP)[^:]*::.*", re.IGNORECASE)
_TCP = re.compile(r"(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\]):([0-9]{1,5})")
_SCHEME = re.compile(r"(?P<trace>trace\+)?(?P<scheme>[a-z]+(?:-[a-z]+)?)(?:\+(?P<library>[A-Za-z0-9]+))?://(?P<rest>.+)")

Opener = Callable[..., Awaitable[Link]]


def _wrong(text: str, what: str) -> BenchError:
    return BenchError((f"address {text!r}: {what}",))


def parse_address(text: str) -> Address:
    """Read an address as it stands in a bench file.

    `tcp://192.168.1.20:5025` · `TCPIP::192.168.1.20::5025::SOCKET` (the same) · `serial:///dev/ttyUSB0?baud=9600&eol=lf` ·
    `visa://USB0::…::INSTR` or the bare resource name, `visa+py://…` to name the VISA library, or
    `visa://…?library=file.yaml@sim` · `serial-bytes:///dev/ttyUSB1` ·
    `modbus-rtu:///dev/ttyUSB0?baud=9600&unit=1` · `modbus-tcp://192.168.1.30:502?unit=1` · `file:///sys/bus/w1/devices/28-…` ·
    `gpio:///dev/gpiochip0` · `memory://name`, `bytes-memory://name`, `modbus-memory://name?unit=1`: peers in this process ·
    `trace+tcp://…?log=wire.log` to write down every byte.

    Raises:
        BenchError: not an address; the message says what to write instead.
    """
    socket = _VISA_SOCKET.fullmatch(text)
    if socket is not None:
        return Address(text, "tcp", f"{socket[1]}:{socket[2]}")
    if _VISA.fullmatch(text) is not None:
        return Address(text, "visa", text)
    match = _SCHEME.fullmatch(text)
    if match is None:
        raise _wrong(text, "write it as tcp://host:port, serial:///dev/NAME?baud=9600, or visa://RESOURCE")
    target, _, query = match["rest"].partition("?")
    options = dict(parse_qsl(query, keep_blank_values=True))
    if match["trace"]:
        log = options.pop("log", "wire.log")
        inner = text.removeprefix("trace+").partition("?")[0]
        rest = "&".join(f"{key}={value}" for key, value in options.items())
        parse_address(inner + ("?" + rest if rest else ""))
        return Address(text, "trace", inner + ("?" + rest if rest else ""), {"log": log})
    if match["library"]:
        options.setdefault("library", "@" + match["library"])
    return _checked(Address(text, match["scheme"], target, options))


def _checked(address: Address) -> Address:
    allowed = SCHEME_OPTIONS.get(address.scheme)
    if allowed is None:
        known = ", ".join(sorted(f"{scheme}://" for scheme in SCHEME_OPTIONS))
        raise _wrong(address.text, f"no transport {address.scheme}://; there are {known}")
    for key, value in address.options.items():
        if key not in allowed:
            has = ", ".join(sorted(allowed)) or "none"
            raise _wrong(address.text, f"{address.scheme}:// has no option {key!r}; it has {has}")
        _check_option(address, key, value)
    if address.has("echo") and address.has("listen"):
        raise _wrong(address.text, "a device that prints unasked (listen=yes) repeats nothing; delete echo=yes")
    if address.scheme in ("serial", "serial-bytes", "modbus-rtu", "file", "gpio") and not address.target.startswith("/"):
        raise _wrong(address.text, f"write the whole path, {address.scheme}:///… with three strokes")
    if address.scheme.startswith("modbus-") and "unit" not in address.options:
        raise _wrong(address.text, "say which unit, such as ?unit=1; it is set at the instrument")
    if address.options.get("unit") == "255" and address.scheme != "modbus-tcp":
        raise _wrong(address.text, f"unit is {_EXAMPLES['unit']}")
    if address.scheme in ("tcp", "modbus-tcp"):
        port = _TCP.fullmatch(address.target)
        if port is None or not 0 < int(port[1]) < 65536:
            example = {"tcp": "5025", "modbus-tcp": "502?unit=1"}[address.scheme]
            raise _wrong(address.text, f"write {address.scheme}://host:port, such as {address.scheme}://192.168.1.20:{example}")
    if address.scheme == "visa" and "library" not in address.options:
        socket = _VISA_SOCKET.fullmatch(address.target)
        if socket is not None:
            return Address(address.text, "tcp", f"{socket[1]}:{socket[2]}", address.options)
    return address


def _check_option(address: Address, key: str, value: str) -> None:
    known = OPTIONS[key]
    if isinstance(known, tuple) and value not in known:
        raise _wrong(address.text, f"{key} is one of {', '.join(known)}")
    if isinstance(known, re.Pattern) and known.fullmatch(value) is None:
        raise _wrong(address.text, f"{key} is {_EXAMPLES.get(key, 'not to be empty')}")


def plain_address(address: Address) -> Address:
    """Return the address without a trace around it: what an off plan holds."""
    return parse_address(address.target) if address.scheme == "trace" else address


def missing_libraries() -> dict[str, str]:
    """Return the schemes that cannot be used here, each with the reason."""
    reasons: dict[str, str] = {}
    for scheme in TRANSPORTS:
        try:
            _opener(scheme)
        except LinkError as fault:
            reasons[scheme] = str(fault)
    return reasons


async def open_link(address: Address, *, deadline_s: float, in_flight: InFlight | None = None) -> Link:
    """Open a link.

    Raises:
        LinkClosedError, LinkTimeoutError: nobody there.
        LinkError: a library this transport needs is missing; the message says which.
    """
    return await _opener(address.scheme)(address, deadline_s=deadline_s, in_flight=in_flight)


def _opener(scheme: str) -> Opener:
    module, _, name = TRANSPORTS[scheme].partition(":")
    try:
        opener: Opener = getattr(import_module(module), name)
    except ImportError as fault:
        raise LinkError(f"{scheme}:// needs a library that is not installed: {fault}") from None
    return opener
