"""Every kind of resource PyVISA names: the address is read, and what can be here is spoken to.

The other end is PyVISA's own simulation backend with devices defined in visa_devices.yaml, and ptys. What needs hardware or a
server that nobody here has (USB, GPIB, VXI-11 and HiSLIP for real) is simulated by that backend, below PyVISA's interface.
"""

from __future__ import annotations

import asyncio
import os
import pty
import tty
from collections.abc import Awaitable, Callable
from pathlib import Path
from types import SimpleNamespace
from typing import TypeVar

import pytest
import pyvisa
import pyvisa.constants
import pyvisa.resources
import pyvisa.rname

from chargerd.errors import BenchError, LinkClosedError, LinkError, LinkGarbledError
from chargerd.instruments.connection import Connection, WrongIdentityError
from chargerd.instruments.dialect_file import load_dialect
from chargerd.instruments.transports import visa
from chargerd.instruments.transports.link import Address, Link
from chargerd.instruments.transports.registry import parse_address
from tests.instruments.peers import with_link

T = TypeVar("T")
LIBRARY = f"{Path(__file__).parent}/visa_devices.yaml@sim"


def run(address: str, main: Callable[[Link], Awaitable[T]]) -> T:
    return with_link(address, main, 5.0)


# The address forms of the VISA resource grammar (VPP-4.3, table 4.3.1), and those PyVISA adds for its adapters.
FORMS = [
    "ASRL/dev/ttyUSB0::INSTR", "ASRL1::INSTR", "GPIB0::9::INSTR", "GPIB::9::INSTR", "GPIB0::9::1::INSTR", "GPIB0::INTFC",
    "USB0::0x1209::0x0001::SN1::INSTR", "USB0::0x1209::0x0001::SN1::0::INSTR", "USB0::0x1209::0x0001::SN1::0::RAW",
    "TCPIP::192.168.1.20::INSTR", "TCPIP0::192.168.1.20::inst0::INSTR", "TCPIP0::192.168.1.20::hislip0::INSTR",
    "TCPIP0::192.168.1.20::hislip0,4880::INSTR", "PXI0::3-18::INSTR", "PXI0::3::BACKPLANE", "PXI0::MEMACC", "VXI0::1::INSTR",
    "VXI0::SERVANT", "VICP::192.168.1.20::INSTR", "PRLGX-TCPIP::192.168.1.20::1234::INTFC", "PRLGX-ASRL::/dev/ttyUSB0::INTFC",
]  # fmt: skip


@pytest.mark.parametrize("resource", FORMS)
@pytest.mark.parametrize("form", ["{}", "visa://{}", "visa+ivi://{}", "visa://{}?library=@py"])
def test_every_kind_of_resource_goes_through_visa(resource: str, form: str) -> None:
    address = parse_address(form.format(resource))

    assert (address.scheme, address.target) == ("visa", resource)


def test_no_kind_that_pyvisa_knows_is_left_out() -> None:
    known = {kind for kind, _ in pyvisa.rname._SUBCLASSES}
    tried = {resource.partition("::")[0].rstrip("0123456789").partition("/")[0] for resource in FORMS}

    assert known - {"TCPIP"} <= tried
    assert "TCPIP" in tried


def test_a_plain_socket_is_ours_unless_a_library_is_named() -> None:
    assert parse_address("TCPIP0::192.168.1.20::5025::SOCKET").scheme == "tcp"
    assert parse_address("visa+ivi://TCPIP0::192.168.1.20::5025::SOCKET").scheme == "visa"


@pytest.mark.parametrize("resource", [
    "ASRL1::INSTR", "USB0::0x1209::0x0001::SN1::0::INSTR", "GPIB0::9::INSTR", "TCPIP0::boathouse.invalid::inst0::INSTR",
    "TCPIP0::boathouse.invalid::5025::SOCKET",
])  # fmt: skip
def test_each_kind_is_written_and_asked(resource: str) -> None:
    async def main(link: Link) -> list[bytes]:
        replies = [await link.query(b"*IDN?", deadline_s=1.0)]
        await link.write(b"VOLT 1.850", deadline_s=1.0)
        await link.query(b"VOLT?", deadline_s=1.0)  # the backend acknowledges a setting with a line of its own kind
        replies.append(await link.query(b"VOLT?", deadline_s=1.0))
        return replies

    options = "&eol=crlf" if resource.endswith("SOCKET") else ""
    assert run(f"visa://{resource}?library={LIBRARY}{options}", main) == [b"Boathouse,Source 3A,SN1,1.0", b"1.850"]


@pytest.mark.parametrize("resource", ["GPIB0::9::INSTR", "USB0::0x1209::0x0001::SN1::0::INSTR"])
def test_identity_is_proven_before_anything_else_on_every_kind(resource: str) -> None:
    async def main(identity: str) -> str:
        connection = Connection(
            "supply", f"visa://{resource}?library={LIBRARY}", identity, asked_by=load_dialect("scpi-supply").questions["identity"]
        )
        try:
            return await connection.reopen()
        finally:
            await connection.close()

    assert asyncio.run(main("Boathouse,Source 3A,SN1,1.0")) == "Boathouse,Source 3A,SN1,1.0"
    with pytest.raises(WrongIdentityError):
        asyncio.run(main("Boathouse,Source 3A,SN2,1.0"))


@pytest.mark.parametrize("resource", ["USB0::0x1209::0x0002::SN9::0::INSTR", "GPIB0::30::INSTR", "TCPIP0::nowhere.invalid::inst0::INSTR"])
def test_a_resource_that_is_not_there_is_told_at_opening(resource: str) -> None:
    with pytest.raises(LinkError):
        run(f"visa://{resource}?library={LIBRARY}", lambda link: link.query(b"*IDN?", deadline_s=1.0))


@pytest.mark.parametrize("address", ["PXI0::3::INSTR", "GPIB0::INTFC", "visa://no resource at all", "visa+nothing://GPIB0::9::INSTR"])
def test_what_exchanges_no_messages_or_cannot_be_here_is_told(address: str) -> None:
    with pytest.raises(LinkError):
        run(address, lambda link: link.query(b"*IDN?", deadline_s=1.0))


def test_line_settings_reach_the_port_through_visa() -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    path = os.ttyname(slave)

    async def main(link: Link) -> tuple[int, str]:
        assert isinstance(link, visa.VisaLink)
        session = link._session
        assert isinstance(session, pyvisa.resources.SerialInstrument)
        return session.baud_rate, session.stop_bits.name

    assert run(f"visa://ASRL{path}::INSTR?baud=19200&stop=2", main) == (19200, "two")
    with pytest.raises(LinkClosedError, match="Invalid argument"):  # a pty has no seventh bit: told, not hung
        run(f"visa://ASRL{path}::INSTR?bits=7", main)
    os.close(slave)
    os.close(master)


def test_every_line_setting_has_its_name_in_visa() -> None:
    """On a STAND-IN for a session: a pty has no parity."""
    options = {"baud": "19200", "parity": "odd", "bits": "7", "stop": "1.5", "flow": "rts"}
    link = visa.VisaLink(Address("ASRL1::INSTR", "visa", "ASRL1::INSTR", options), None)
    session = SimpleNamespace()

    link._set_line(session)  # type: ignore[arg-type]  # the stand-in
    asyncio.run(link.close())

    assert vars(session) == {
        "baud_rate": 19200, "parity": pyvisa.constants.Parity.odd, "data_bits": 7,
        "stop_bits": pyvisa.constants.StopBits.one_and_a_half, "flow_control": pyvisa.constants.ControlFlow.rts_cts,
    }  # fmt: skip


class Said:
    """A STAND-IN for a session of a GPIB or USB instrument: it returns what a read returns when the interface marks the end."""

    timeout = 0

    def __init__(self, reply: bytes) -> None:
        self._reply = reply

    def write_raw(self, message: bytes) -> None:
        assert message == b"V?\n"

    def read_raw(self, _size: int) -> bytes:
        return self._reply

    def close(self) -> None:
        pass


@pytest.mark.parametrize(("reply", "taken"), [(b"1.850\n", b"1.850"), (b"1.850", b"1.850"), (b"1.850\r\n", b"1.850"), (b"1\n2\n", None), (b"", None)])
def test_where_the_interface_marks_the_end_a_line_end_may_be_missing(reply: bytes, taken: bytes | None) -> None:
    async def main() -> bytes:
        link = visa.VisaLink(Address("GPIB0::9::INSTR", "visa", "GPIB0::9::INSTR"), None)
        link._session = Said(reply)  # type: ignore[assignment]  # the stand-in
        try:
            return await link.query(b"V?", deadline_s=0.5)
        finally:
            await link.close()

    if taken is None:
        with pytest.raises(LinkGarbledError, match=r"more than one reply|empty"):
            asyncio.run(main())
    else:
        assert asyncio.run(main()) == taken


def test_on_a_stream_a_missing_line_end_is_half_a_reply() -> None:
    assert set(visa._STREAMS) == {pyvisa.resources.SerialInstrument, pyvisa.resources.TCPIPSocket}
    with pytest.raises(BenchError):
        parse_address("visa://GPIB0::9::INSTR?echo=yes")
    with pytest.raises(LinkClosedError):
        run("visa://ASRL/dev/no-such-port::INSTR", lambda link: link.query(b"*IDN?", deadline_s=0.5))
