"""The off plan: what switches a channel's outputs off when this program is gone. Plain data, frozen at CHECKING.

Bytes to send are exact, frames with their check values and transaction numbers; for replies it holds what they must look like.
`chargerd/daemon/off.py` reads it, which shares no code with this package.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from itertools import count

from chargerd.instruments.framing import modbus_frame
from chargerd.instruments.framing.spoken import Command, Proof, Question
from chargerd.instruments.roles import OFF_TRIES, Instrument, Output
from chargerd.instruments.transports.link import Address
from chargerd.instruments.transports.registry import plain_address

VERSION = 2

NOBODY_THERE = (4, 5, 6, 8, 10, 11)
"""Modbus exceptions to the identity question that do not say that another instrument is there: failure, busy, a gateway's."""


def off_plan(
    outputs: Iterable[Instrument], *, run: str, channel: str, worker_pid: int, boot_id: str, written_utc: str
) -> dict[str, object]:
    """Return the plan for these outputs, in the order they are to be switched off."""
    return {
        "version": VERSION,
        "written_utc": written_utc,
        "run": run,
        "channel": channel,
        "worker_pid": worker_pid,
        "boot_id": boot_id,
        "outputs": [_row(output) for output in outputs],
    }


def _plainly(address: Address) -> str:
    """Return the address in the one form of its scheme: bare VISA resource names get their scheme."""
    if address.scheme == "tcp":
        return f"tcp://{address.target}"
    return address.text if "://" in address.text else f"{address.scheme}://{address.text}"


class _Wire:
    """What goes over the wire of one address: lines with their ends, or frames in hexadecimal."""

    def __init__(self, address: Address) -> None:
        self.is_modbus = address.scheme.startswith("modbus-")
        self._scheme = address.scheme
        self._unit = int(address.options.get("unit", "0"))
        self._end = address.send_terminator.decode("ascii")
        self._transaction = count(1)

    def row(self, shown: str, message: bytes, proof: Proof | None) -> dict[str, object]:
        """Return what is sent and, with a proof, what the reply must look like. `shown`: how people see it."""
        if self.is_modbus:
            assert proof is not None  # every request has a reply
            return self._modbus_row(message, proof) | {"shown": shown}
        if self._scheme != "serial-bytes":
            row: dict[str, object] = {"send": message.decode("ascii") + self._end}
            return row if proof is None else row | _expected(proof, proof.pattern, "")
        row = {"send": message[1:].hex(" ").upper(), "hex": True, "shown": shown}
        return row if proof is None else row | {"length": message[0]} | _expected(proof, proof.pattern, proof.check)

    def framed(self, pdu: bytes, transaction: int) -> bytes:
        """Return the frame of a PDU."""
        if self._scheme == "modbus-tcp":
            return modbus_frame.tcp_frame(transaction, self._unit, pdu)
        return modbus_frame.rtu_frame(self._unit, pdu)

    def _modbus_row(self, message: bytes, proof: Proof) -> dict[str, object]:
        number = next(self._transaction)
        send = self.framed(message, number).hex(" ").upper()
        reply = self.framed(bytes(modbus_frame.reply_length(message)), number)
        row = {"send": send, "hex": True, "length": len(reply)}
        if self._scheme == "modbus-tcp":
            head = reply[: modbus_frame.TCP_HEADER].hex(" ").upper()
            return row | _expected(proof, f"{head} {proof.pattern}", "")
        return row | _expected(proof, f"{self._unit:02X} {proof.pattern} .. ..", "crc16")


def _expected(proof: Proof, pattern: str, check: str) -> dict[str, object]:
    groups = re.compile(pattern).groups
    row: dict[str, object] = {"pattern": pattern, "sense": proof.sense}
    if groups and proof.order != (1,):
        row["order"] = list(proof.order)
    return row | ({"check": check} if check else {})


def _identity(instrument: Instrument, wire: _Wire, question: Question) -> dict[str, object]:
    row = wire.row(question.text, question.message, question.proof)
    row["accept"] = [instrument.connection.identity or instrument.connection.expected_identity]
    if wire.is_modbus:
        function = question.message[0] | modbus_frame.EXCEPTION_BIT
        row["silent"] = [wire.framed(bytes((function, code)), transaction=1).hex(" ").upper() for code in NOBODY_THERE]
    return row


def _says_no(wire: _Wire, question: Question) -> dict[str, object]:
    row = wire.row(question.text, question.message, question.proof)
    return row | ({"accept": list(question.proof.no)} if question.proof.no else {})


def _is_near_zero(wire: _Wire, question: Question, bound: float) -> dict[str, object]:
    assert math.isfinite(bound)
    return wire.row(question.text, question.message, question.proof) | {"abs_below": bound, "scale": question.proof.scale}


def _send(wire: _Wire, command: Command) -> dict[str, object]:
    return wire.row(command.text(), command.message(), None if command.acknowledge is None else command.proof)


def _row(instrument: Instrument) -> dict[str, object]:
    questions, commands = instrument.dialect.questions, instrument.dialect.commands
    address = plain_address(instrument.connection.address)
    wire = _Wire(address)
    identity = _identity(instrument, wire, questions["identity"])
    is_output = isinstance(instrument, Output)
    off = [_send(wire, commands["off" if is_output else "open"])]  # a switch: open is off
    if isinstance(instrument, Output):
        verify = [
            _says_no(wire, questions["output"]),
            _is_near_zero(wire, questions["current"], instrument.zero_current_A),
        ]
    else:  # where a contact cannot say that it is open nothing proves it
        verify = [_says_no(wire, questions[name]) for name in ("closed", "mirror") if name in questions]
    return {
        "name": instrument.name,
        "address": _plainly(address),
        "end": address.terminator.decode("ascii"),
        "echo": address.has("echo"),
        "identity": identity,
        "off": off,
        "verify": verify,
        "timeout_s": instrument.timeout_s,
        "tries": OFF_TRIES - 1,
    }
