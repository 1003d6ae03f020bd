"""Status reporting of a SCPI instrument: the error queue and the IEEE 488.2 / SCPI-1999 register tree.

Register bits and error classes after IEEE 488.2 §11 and SCPI-1999 volume 1 §9, volume 2 chapters 20 and 21.
What the questionable and operation conditions *mean* differs between makers and is given in as data.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from chargerd.sim.scpi_text import ERROR_TEXTS

ESR_OPC, ESR_QYE, ESR_DDE, ESR_EXE, ESR_CME, ESR_PON = 1, 4, 8, 16, 32, 128
STB_ERROR, STB_QUES, STB_MAV, STB_ESB, STB_MSS, STB_OPER = 4, 8, 16, 32, 64, 128


def esr_bit(number: int) -> int:
    """The standard event bit an error number sets: its class decides (SCPI-1999 volume 2, §21.8)."""
    if number > 0:
        return ESR_DDE
    return {1: ESR_CME, 2: ESR_EXE, 3: ESR_DDE, 4: ESR_QYE, 5: ESR_PON, 8: ESR_OPC}.get(-number // 100, 0)


class ErrorQueue:
    """First in, first out; when full, the newest entry becomes -350 and later ones are lost until one is read."""

    def __init__(self, depth: int = 16, empty_reply: str = '0,"No error"') -> None:
        self._entries: deque[str] = deque()
        self._depth = depth
        self._empty_reply = empty_reply

    def push(self, number: int, device_info: str = "") -> None:
        """Enter an error with its standard text, or with `device_info` alone for a maker's own number."""
        if len(self._entries) >= self._depth:
            self._entries.pop()
            number, device_info = -350, ""
        text = ";".join(part for part in (ERROR_TEXTS.get(number, ""), device_info) if part)
        self._entries.append(f'{number},"{text}"')

    def take(self) -> str:
        """The oldest entry, removed; the empty reply when there is none."""
        return self._entries.popleft() if self._entries else self._empty_reply

    def take_code(self) -> int:
        """The number alone of the oldest entry, removed; 0 when there is none."""
        return int(self.take().partition(",")[0])

    def take_all(self) -> str:
        """Every entry, removed, as one reply."""
        if not self._entries:
            return self._empty_reply
        reply = ",".join(self._entries)
        self.clear()
        return reply

    def clear(self) -> None:
        """Forget all entries."""
        self._entries.clear()

    def __len__(self) -> int:
        return len(self._entries)


@dataclass(slots=True)
class Register:
    """A condition with its latched event and its enable mask. Only a bit that rises latches."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def update(self, condition: int, seen: int = 0) -> None:
        """Take the present condition, and bits `seen` to have been set at some time since the last update."""
        self.event |= (condition | seen) & ~self.condition
        self.condition = condition

    def take_event(self) -> int:
        """Read the event register, which clears it."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """Whether an enabled event is latched."""
        return bool(self.event & self.enable)


@dataclass(slots=True)
class Status:
    """All registers of one instrument and its error queue."""

    errors: ErrorQueue = field(default_factory=ErrorQueue)
    questionable: Register = field(default_factory=Register)
    operation: Register = field(default_factory=Register)
    esr: int = ESR_PON
    ese: int = 0
    sre: int = 0

    def report(self, number: int, device_info: str = "") -> None:
        """Enter an error and set its standard event bit."""
        self.esr |= esr_bit(number)
        self.errors.push(number, device_info)

    def take_esr(self) -> int:
        """Read the standard event register, which clears it."""
        esr, self.esr = self.esr, 0
        return esr

    def status_byte(self, *, message_available: bool) -> int:
        """The status byte as `*STB?` reports it (nothing is cleared)."""
        byte = (
            (STB_ERROR if len(self.errors) else 0)
            | (STB_QUES if self.questionable.summary else 0)
            | (STB_MAV if message_available else 0)
            | (STB_ESB if self.esr & self.ese else 0)
            | (STB_OPER if self.operation.summary else 0)
        )
        return byte | (STB_MSS if byte & self.sre else 0)

    def clear(self) -> None:
        """`*CLS`: event registers and the error queue; enables stay."""
        self.esr = 0
        self.questionable.event = self.operation.event = 0
        self.errors.clear()

    def preset(self) -> None:
        """`STATus:PRESet`: the enables of the two SCPI registers."""
        self.questionable.enable = self.operation.enable = 0
