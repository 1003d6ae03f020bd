"""The off plan: what switches a channel's outputs off when this program is gone. Plain data, frozen at CHECKING."""

from __future__ import annotations

from collections.abc import Iterable

from chargerd.instruments.roles import OFF_TRIES, Output
from chargerd.instruments.transports.link import Address
from chargerd.instruments.transports.registry import plain_address

VERSION = 1


def off_plan(
    outputs: Iterable[Output], *, run: str, channel: str, worker_pid: int, boot_id: str, written_utc: str
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


def _row(output: Output) -> dict[str, object]:
    dialect = output.dialect
    address = plain_address(output.connection.address)
    return {
        "name": output.name,
        "address": _plainly(address),
        "terminator": address.terminator.decode("ascii"),
        "identity_query": dialect.questions["identity"].text,
        "identity": output.connection.identity or output.connection.expected_identity,
        "off": [dialect.commands["off"].text()],
        "verify": [
            {"ask": dialect.questions["output"].text, "accept": ["0", "OFF"]},
            {"ask": dialect.questions["current"].text, "abs_below": output.zero_current_A},
        ],
        "timeout_s": output.connection.timeout_s,
        "tries": OFF_TRIES - 1,
    }
