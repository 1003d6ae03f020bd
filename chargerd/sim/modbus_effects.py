"""What faults do to a Modbus reply, its frame being right in all else: another unit, another function, an exception, an echo."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from collections.abc import Callable

    from chargerd.sim.fault_effects import Target
    from chargerd.sim.listener import Pieces
    from chargerd.sim.modbus import ModbusListener


def _bus(target: Target) -> ModbusListener:
    return cast("ModbusListener", target.listener)


def wrong_unit(target: Target, pieces: Pieces) -> Pieces:
    """Answer in the name of another unit."""
    wire, unit = _bus(target).wire, int(target.values["unit"])
    request = _bus(target).request
    return [(delay_s, wire.framed(request, unit, wire.opened(piece)[1])) for delay_s, piece in pieces]


def wrong_function(target: Target, pieces: Pieces) -> Pieces:
    """Answer another function."""
    return _reworded(target, pieces, lambda pdu: bytes((int(target.values["function"]),)) + pdu[1:])


def exception(target: Target, pieces: Pieces) -> Pieces:
    """Refuse what was done."""
    return _reworded(target, pieces, lambda pdu: bytes((pdu[0] | 0x80, int(target.values["code"]))))


def _reworded(target: Target, pieces: Pieces, word: Callable[[bytes], bytes]) -> Pieces:
    bus = _bus(target)
    out = []
    for delay_s, piece in pieces:
        unit, pdu = bus.wire.opened(piece)
        out.append((delay_s, bus.wire.framed(bus.request, unit, word(pdu))))
    return out
