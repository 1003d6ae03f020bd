"""The off plan: what switches a channel's outputs off when this program is gone. Plain data, frozen at CHECKING."""

from __future__ import annotations

from collections.abc import Iterable

from chargerd.instruments.relay import Switch
from chargerd.instruments.roles import OFF_TRIES, Instrument, Output
from chargerd.instruments.transports.link import Address
from chargerd.instruments.transports.registry import plain_address

VERSION = 1


def off_plan(
    outputs: Iterable[Output | Switch], *, run: str, channel: str, worker_pid: int, boot_id: str, written_utc: str
) -> dict[str, object]:
    """Return the plan for these outputs, in the order they are to be switched off."""
    return {
        "version": VERSION,
        "written_utc": written_utc,
        "run": run,
        "channel": channel,
        "worker_pid": worker_pid,
        "boot_id": boot_id,
        "outputs": [_relay_row(one) if isinstance(one, Switch) else _row(one) for one in outputs],
    }


def _plainly(address: Address) -> str:
    """Return the address in the one form of its scheme: bare VISA resource names get their scheme."""
    if address.scheme == "tcp":
        return f"tcp://{address.target}"
    return address.text if "://" in address.text else f"{address.scheme}://{address.text}"


def _head(instrument: Instrument) -> dict[str, object]:
    """Where it is and who it must be."""
    address = plain_address(instrument.connection.address)
    return {
        "name": instrument.name,
        "address": _plainly(address),
        "terminator": address.terminator.decode("ascii"),
        "identity_query": instrument.dialect.questions["identity"].text,
        "identity": instrument.connection.identity or instrument.connection.expected_identity,
    }


def _relay_row(relay: Switch) -> dict[str, object]:
    """Open the contact; its own state and its second contact must both say so. A relay that can say neither proves nothing."""
    questions = relay.dialect.questions
    return {
        **_head(relay),
        "off": [relay.dialect.commands["open"].text()],
        "verify": [{"ask": questions[name].text, "accept": ["0", "OFF"]} for name in ("closed", "mirror") if name in questions],
        "timeout_s": relay.timeout_s,
        "tries": OFF_TRIES - 1,
    }


def _row(output: Output) -> dict[str, object]:
    dialect = output.dialect
    return {
        **_head(output),
        "off": [dialect.commands["off"].text()],
        "verify": [
            {"ask": dialect.questions["output"].text, "accept": ["0", "OFF"]},
            {"ask": dialect.questions["current"].text, "abs_below": output.zero_current_A},
        ],
        "timeout_s": output.connection.timeout_s,
        "tries": OFF_TRIES - 1,
    }
