"""Every error chargerd raises, by whose fault it is, and the one table of exit codes.

An end reached or a limit tripped is an event of the engine, never an exception.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Exit(IntEnum):
    """What the program tells the shell. The manual's table is compared with this one by a test."""

    OK = 0
    FILE_OR_COMMAND = 2
    JOURNAL = 3
    INSTRUMENT = 4
    TRIPPED = 5
    STOPPED = 6
    REFUSED = 7
    NOT_VERIFIED_OFF = 8
    NOT_PROVEN = 9
    FOR_A_PERSON = 10
    INTERNAL = 70
    KEEPER_ACTED = 90
    KEEPER_NOT_VERIFIED = 91


@dataclass(frozen=True, slots=True)
class Place:
    """A place in a file a person wrote. Lines and columns count from 1."""

    path: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.path}:{self.line}:{self.column}"


class ChargerdError(Exception):
    """Base of all. `exit_code` is what a command line ends with."""

    exit_code = Exit.INTERNAL


class FileFaultsError(ChargerdError):
    """One or more faults in files a person wrote, all of them at once, each as `file:line:column: what: remedy`."""

    exit_code = Exit.FILE_OR_COMMAND

    def __init__(self, faults: tuple[str, ...]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class ProfileError(FileFaultsError):
    """A profile or cell file is wrong."""


class BenchError(FileFaultsError):
    """A bench file is wrong, or does not fit the cell or the profile."""


class UsageError(ChargerdError):
    """The command line is wrong; the message says what to type instead."""

    exit_code = Exit.FILE_OR_COMMAND


class RefusedError(ChargerdError):
    """Asked for something that is not allowed now (latched trip, wrong state); the message says what would allow it."""

    exit_code = Exit.REFUSED


class NotVerifiedOffError(ChargerdError):
    """An output could not be proven off, so that nothing else is done."""

    exit_code = Exit.NOT_VERIFIED_OFF


class LeftPausedError(ChargerdError):
    """A run does not go on by itself; it waits for a person, with everything off. The message says why."""

    exit_code = Exit.FOR_A_PERSON


class TrippedError(ChargerdError):
    """A run that was to go on has tripped instead; outputs are off, the channel is latched."""

    exit_code = Exit.TRIPPED


class LinkError(ChargerdError):
    """Cable, port or socket failed. The link is dirty: it must be reopened and identified before it is used again."""

    exit_code = Exit.INSTRUMENT


class LinkTimeoutError(LinkError, TimeoutError):
    """No whole reply within the deadline."""


class LinkClosedError(LinkError, ConnectionError):
    """The other side is gone, or never was there."""


class LinkGarbledError(LinkError, ValueError):
    """Bytes came that are not a reply in this instrument's grammar."""


class InstrumentError(ChargerdError):
    """The instrument answered and refused, or is not the one expected."""

    exit_code = Exit.INSTRUMENT


class FoundOnError(InstrumentError):
    """An output was on when everything had to be off. It was switched off; how long it had been on nobody knows."""


class JournalError(ChargerdError):
    """The record cannot be trusted; the message names file and row."""

    exit_code = Exit.JOURNAL


class InternalError(ChargerdError):
    """A bug of ours. Please report it with the run folder."""
