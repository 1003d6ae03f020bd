"""Modbus as bytes: requests, the replies that fit them, and the frames around both on a serial line and on TCP. Pure.

After the *MODBUS Application Protocol Specification V1.1b3*, *MODBUS over Serial Line V1.02* and the *MODBUS Messaging on
TCP/IP Implementation Guide V1.0b*. A *PDU* is function code and data. Addresses are those of the wire and count from 0: what
a printed list calls register n is address n - 1. A reply is believed only when it fits its request in unit, function, number of
bytes and check value; all else is garbled, for a reply that came late looks just like that.
"""

from __future__ import annotations

from collections.abc import Sequence

from chargerd.errors import LinkGarbledError

READ_COILS, READ_DISCRETE_INPUTS, READ_HOLDING_REGISTERS, READ_INPUT_REGISTERS = 1, 2, 3, 4
WRITE_COIL, WRITE_REGISTER, WRITE_COILS, WRITE_REGISTERS = 5, 6, 15, 16

COUNT_MAX: dict[int, int] = {
    READ_COILS: 2000, READ_DISCRETE_INPUTS: 2000, READ_HOLDING_REGISTERS: 125, READ_INPUT_REGISTERS: 125,
    WRITE_COILS: 1968, WRITE_REGISTERS: 123,
}  # fmt: skip
"""Most coils or registers in one request, V1.1b3 §6."""

FRAME_MAX = 256
"""Bytes of the longest frame on a serial line, Serial Line V1.02 §2.5.1."""

SHORTEST_REPLY = 5
"""Bytes of the shortest reply on a serial line: unit, function, exception, two of check value."""

EXCEPTION_BIT = 0x80

TCP_HEADER = 7
"""Bytes before the PDU on TCP: transaction, protocol 0, bytes that follow, unit."""


def crc16(data: bytes) -> int:
    """Return the check value of a serial frame: start 0xFFFF, polynomial 0xA001 reflected (Serial Line V1.02 §6.2.2)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


# --- requests ------------------------------------------------------------------------------------------------------------


def read_request(function: int, address: int, count: int = 1) -> bytes:
    """Return the PDU that reads coils, inputs or registers (01 to 04). Raises ValueError outside the protocol's ranges."""
    _in_range(function, address, count)
    return bytes((function,)) + _pair(address) + _pair(count)


def write_coil_request(address: int, *, on: bool) -> bytes:
    """Return the PDU that sets one coil (05). Raises ValueError."""
    return bytes((WRITE_COIL,)) + _pair(address) + (b"\xff\x00" if on else b"\x00\x00")


def write_register_request(address: int, register: int) -> bytes:
    """Return the PDU that sets one holding register (06). Raises ValueError."""
    return bytes((WRITE_REGISTER,)) + _pair(address) + _pair(register)


def write_coils_request(address: int, coils: Sequence[bool]) -> bytes:
    """Return the PDU that sets several coils (0F). Raises ValueError."""
    _in_range(WRITE_COILS, address, len(coils))
    packed = bytearray((len(coils) + 7) // 8)
    for place, on in enumerate(coils):
        packed[place // 8] |= int(on) << place % 8
    return bytes((WRITE_COILS,)) + _pair(address) + _pair(len(coils)) + bytes((len(packed),)) + packed


def write_registers_request(address: int, registers: Sequence[int]) -> bytes:
    """Return the PDU that sets several holding registers (10). Raises ValueError."""
    _in_range(WRITE_REGISTERS, address, len(registers))
    content = b"".join(_pair(register) for register in registers)
    return bytes((WRITE_REGISTERS,)) + _pair(address) + _pair(len(registers)) + bytes((len(content),)) + content


def _pair(value: int) -> bytes:
    if not 0 <= value <= 0xFFFF:
        raise ValueError(f"{value} does not fit into 16 bits")
    return value.to_bytes(2, "big")


def _in_range(function: int, address: int, count: int) -> None:
    if not 1 <= count <= COUNT_MAX[function]:
        raise ValueError(f"{count} at once: function {function:02X} takes 1 to {COUNT_MAX[function]}")
    if address + count > 0x10000:
        raise ValueError(f"{count} from {address} on: the last address is 65535")


# --- replies -------------------------------------------------------------------------------------------------------------


def reply_length(request: bytes) -> int:
    """Return how many bytes the PDU of a good reply to this request has."""
    function, count = request[0], int.from_bytes(request[3:5], "big")
    if function in (READ_COILS, READ_DISCRETE_INPUTS):
        return 2 + (count + 7) // 8
    if function in (READ_HOLDING_REGISTERS, READ_INPUT_REGISTERS):
        return 2 + 2 * count
    return 5


def is_read(request: bytes) -> bool:
    """Tell whether the PDU of a request only reads (01 to 04)."""
    return request[0] <= READ_INPUT_REGISTERS


def passes_for(late: bytes, asked: bytes) -> bool:
    """Tell whether a good reply to the reading `late` also fits the reading `asked`: it says no more than its length.

    A reply to a writing repeats address and value, or address and count, and is told apart by them.
    """
    return is_read(asked) and late[0] == asked[0] and reply_length(late) == reply_length(asked)


def is_exception(reply: bytes) -> bool:
    """Tell whether the PDU of a reply is an exception."""
    return bool(reply[0] & EXCEPTION_BIT)


def check_reply(request: bytes, reply: bytes) -> None:
    """Refuse the PDU of a reply that does not fit its request; an exception to it fits.

    Raises:
        LinkGarbledError: another function, another number of bytes, another address or value than was written.
    """
    function = request[0]
    if reply[:1] == bytes((function | EXCEPTION_BIT,)):
        if len(reply) != 2:
            raise LinkGarbledError(f"an exception of {len(reply)} bytes: {reply.hex(' ')}")
        return
    if reply[:1] != bytes((function,)):
        raise LinkGarbledError(f"not a reply to function {function:02X}: {reply.hex(' ')}")
    if len(reply) != reply_length(request):
        raise LinkGarbledError(f"{len(reply)} bytes where {reply_length(request)} were to come: {reply.hex(' ')}")
    if function > READ_INPUT_REGISTERS:
        if reply[1:5] != request[1:5]:
            raise LinkGarbledError(f"{request[1:5].hex(' ')} was written, {reply[1:5].hex(' ')} is acknowledged")
    elif reply[1] != len(reply) - 2:
        raise LinkGarbledError(f"a byte count of {reply[1]} before {len(reply) - 2} bytes: {reply.hex(' ')}")


def registers_in(reply: bytes) -> tuple[int, ...]:
    """Return the registers of a good reply to 03 or 04."""
    return tuple(int.from_bytes(reply[at : at + 2], "big") for at in range(2, len(reply), 2))


def bits_in(reply: bytes, count: int) -> tuple[bool, ...]:
    """Return the coils or inputs of a good reply to 01 or 02."""
    return tuple(bool(reply[2 + place // 8] >> place % 8 & 1) for place in range(count))


# --- frames --------------------------------------------------------------------------------------------------------------


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """Return the frame of a PDU on a serial line; the check value goes low byte first."""
    body = bytes((unit,)) + pdu
    return body + crc16(body).to_bytes(2, "little")


def rtu_reply_length(request: bytes, head: bytes) -> int:
    """Return how many bytes the frame has that begins with `head` (unit, function) in reply to this request's PDU."""
    return SHORTEST_REPLY if is_exception(head[1:2]) else reply_length(request) + 3


def rtu_reply(frame: bytes, unit: int, request: bytes) -> bytes:
    """Return the PDU in a serial frame that replies to a request to this unit.

    Raises:
        LinkGarbledError: a wrong check value, another unit, or not a reply to this request.
    """
    if len(frame) < SHORTEST_REPLY:
        raise LinkGarbledError(f"a short frame: {frame.hex(' ')}")
    if crc16(frame) != 0:  # the check value of a frame with its own check value is 0
        raise LinkGarbledError(f"a wrong check value: {frame.hex(' ')}")
    if frame[0] != unit:
        raise LinkGarbledError(f"unit {frame[0]} answers, {unit} was asked: {frame.hex(' ')}")
    check_reply(request, frame[1:-2])
    return frame[1:-2]


def tcp_frame(transaction: int, unit: int, pdu: bytes) -> bytes:
    """Return the frame of a PDU on TCP."""
    return _pair(transaction) + b"\x00\x00" + _pair(len(pdu) + 1) + bytes((unit,)) + pdu


def tcp_length(head: bytes) -> int:
    """Return how many bytes the TCP frame has that begins with these six.

    Raises:
        LinkGarbledError: not Modbus, or longer than a frame can be.
    """
    follow = int.from_bytes(head[4:6], "big")
    if head[2:4] != b"\x00\x00" or not 3 <= follow < FRAME_MAX:
        raise LinkGarbledError(f"not a Modbus frame: {head.hex(' ')}")
    return 6 + follow


def tcp_reply(frame: bytes, transaction: int, unit: int, request: bytes) -> bytes:
    """Return the PDU in a whole TCP frame that replies to a request of this transaction to this unit.

    Raises:
        LinkGarbledError: another transaction, another unit, or not a reply to this request.
    """
    if frame[:2] != _pair(transaction):
        raise LinkGarbledError(f"transaction {int.from_bytes(frame[:2], 'big')} answers, {transaction} was asked")
    if frame[6] != unit:
        raise LinkGarbledError(f"unit {frame[6]} answers, {unit} was asked: {frame.hex(' ')}")
    check_reply(request, frame[TCP_HEADER:])
    return frame[TCP_HEADER:]
