"""How a Modbus slave hears requests and frames its answers, on a serial line and on TCP.

Written from the Modbus documents for the slave's side; shares nothing with the drivers.
"""

from __future__ import annotations

from typing import Protocol

from chargerd.sim.listener import Ears

SILENCE_S = 0.05
"""A half frame older than this is forgotten. A real slave waits 3.5 characters; a pty hands bytes over less evenly."""

LONGEST_FRAME = 256

_FIXED_REQUESTS = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8}
"""Function -> bytes of its whole request on a serial line."""


def _table() -> tuple[int, ...]:
    """The byte-wise table of the reflected polynomial 0xA001 (Serial Line V1.02, appendix B has it printed)."""
    rows = []
    for row in range(256):
        value = row
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value % 2 else value >> 1
        rows.append(value)
    return tuple(rows)


_TABLE = _table()


def check_value(content: bytes) -> bytes:
    """The two bytes behind a serial frame."""
    low, high = 0xFF, 0xFF
    for byte in content:
        row = _TABLE[low ^ byte]
        low, high = high ^ (row & 0xFF), row >> 8
    return bytes((low, high))


class Wire(Protocol):
    """One of the two ways of framing."""

    def ears(self) -> Ears:
        """Ears for a new connection; what they take is a whole frame."""

    def opened(self, frame: bytes) -> tuple[int, bytes]:
        """Unit and PDU in a frame."""

    def framed(self, request: bytes, unit: int, pdu: bytes) -> bytes:
        """The frame that answers the frame `request`."""


class RtuEars(Ears):
    """Finds requests in the bytes of a serial line: by their length, by silence, and only with a right check value."""

    def __init__(self) -> None:
        self._buffer = b""
        self._last_s = 0.0

    def take(self, data: bytes, now_s: float) -> list[bytes]:
        """See `Ears.take`. What is not a frame is heard by nobody."""
        if now_s - self._last_s > SILENCE_S:
            self._buffer = b""
        self._last_s = now_s
        self._buffer += data
        frames = []
        while (length := self._length()) and len(self._buffer) >= length:
            frame, self._buffer = self._buffer[:length], self._buffer[length:]
            if check_value(frame[:-2]) == frame[-2:]:
                frames.append(frame)
            else:
                self._buffer = b""  # out of step: only silence helps
        if len(self._buffer) > LONGEST_FRAME:
            self._buffer = b""
        return frames

    def _length(self) -> int:
        """Length of the frame that begins, 0 while that cannot be known."""
        if len(self._buffer) < 2:
            return 0
        function = self._buffer[1]
        if function in (15, 16):
            return 9 + self._buffer[6] if len(self._buffer) > 6 else 0
        return _FIXED_REQUESTS.get(function, max(4, len(self._buffer)))

    def forget(self) -> None:
        """See `Ears.forget`."""
        self._buffer = b""


class TcpEars(Ears):
    """Finds requests in a stream by the length in their header."""

    def __init__(self) -> None:
        self._buffer = b""

    def take(self, data: bytes, now_s: float) -> list[bytes]:
        """See `Ears.take`."""
        del now_s
        self._buffer += data
        frames = []
        while len(self._buffer) >= 8:
            end = 6 + int.from_bytes(self._buffer[4:6], "big")
            if self._buffer[2:4] != b"\0\0" or not 8 <= end <= LONGEST_FRAME + 4:
                raise ConnectionResetError("what came is no Modbus")
            if len(self._buffer) < end:
                break
            frames.append(self._buffer[:end])
            self._buffer = self._buffer[end:]
        return frames

    def forget(self) -> None:
        """See `Ears.forget`."""
        self._buffer = b""


class Rtu:
    """A serial line: unit, PDU, check value."""

    def ears(self) -> Ears:
        """See `Wire.ears`."""
        return RtuEars()

    def opened(self, frame: bytes) -> tuple[int, bytes]:
        """See `Wire.opened`."""
        return frame[0], frame[1:-2]

    def framed(self, request: bytes, unit: int, pdu: bytes) -> bytes:
        """See `Wire.framed`."""
        del request
        content = bytes((unit,)) + pdu
        return content + check_value(content)


class Tcp:
    """TCP: the transaction number of the request, protocol 0, a length, unit, PDU."""

    def ears(self) -> Ears:
        """See `Wire.ears`."""
        return TcpEars()

    def opened(self, frame: bytes) -> tuple[int, bytes]:
        """See `Wire.opened`."""
        return frame[6], frame[7:]

    def framed(self, request: bytes, unit: int, pdu: bytes) -> bytes:
        """See `Wire.framed`."""
        return request[:4] + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu
