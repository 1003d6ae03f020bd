"""The headers every SCPI listener has: common commands of IEEE 488.2 §10 and the mandated tree of SCPI-1999."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from chargerd.sim.scpi_status import ESR_OPC, STB_MSS
from chargerd.sim.scpi_text import ScpiError, parse_number

if TYPE_CHECKING:
    from collections.abc import Callable

    from chargerd.sim.scpi_listener import ScpiListener
    from chargerd.sim.scpi_status import Register
    from chargerd.sim.scpi_text import Unit

SCPI_VERSION = "1999.0"
BYTE, WORD = 255, 32767
"""Highest masks of an 8-bit register and of a SCPI register, whose top bit is never used."""


@dataclass(frozen=True, slots=True)
class Builtin:
    """How one header is answered (`ask`) and carried out (`do`, with its number if `highest` is given, and the time).

    `is_status`: it is about one output where one is addressed. `selects`: it addresses an output for all that follows.
    """

    ask: Callable[[ScpiListener], str] | None = None
    do: Callable[[ScpiListener, int, float], None] | None = None
    highest: int | None = None
    is_status: bool = False
    selects: bool = False

    def run(self, listener: ScpiListener, unit: Unit, now_s: float) -> str | None:
        """Answer or carry out one unit.

        Raises:
            ScpiError: -113 for a form the header does not have, -108/-109 for the number of parameters, -222 for a
                mask out of range, -114 for a channel there is not.
        """
        if unit.is_query:
            if self.ask is None:
                raise ScpiError(-113)
            if unit.parameters:
                raise ScpiError(-108)
            return self.ask(listener)
        if self.do is None:
            raise ScpiError(-113)
        self.do(listener, self._number(unit), now_s)
        return None

    def _number(self, unit: Unit) -> int:
        if len(unit.parameters) > (self.highest is not None):
            raise ScpiError(-108)
        if self.highest is None:
            return 0
        if not unit.parameters:
            raise ScpiError(-109)
        number = round(parse_number(unit.parameters[0].upper().removeprefix("OUTP")))
        if not 0 <= number <= self.highest:
            raise ScpiError(-222)
        return number


def _reset(listener: ScpiListener, _number: int, now_s: float) -> None:
    """`*RST` resets the panels; status, enables and error queue stay."""
    listener.selected = 1
    for panel in listener.panels:
        panel.reset(now_s)


def _complete(listener: ScpiListener, _number: int, _now_s: float) -> None:
    listener.status.esr |= ESR_OPC


def _enable_events(listener: ScpiListener, number: int, _now_s: float) -> None:
    listener.status.ese = number


def _enable_service(listener: ScpiListener, number: int, _now_s: float) -> None:
    listener.status.sre = number & ~STB_MSS  # the summary of the byte cannot enable itself


def _select(listener: ScpiListener, number: int, _now_s: float) -> None:
    listener.panel(number)
    listener.selected = number


def _control(*, is_remote: bool, is_locked: bool) -> Builtin:
    def control(listener: ScpiListener, _number: int, _now_s: float) -> None:
        for panel in listener.panels:
            panel.is_remote, panel.is_locked = is_remote, is_locked

    return Builtin(do=control)


def _event(register: Callable[[ScpiListener], Register]) -> Builtin:
    return Builtin(ask=lambda listener: str(register(listener).take_event()), is_status=True)


def _condition(register: Callable[[ScpiListener], Register]) -> Builtin:
    return Builtin(ask=lambda listener: str(register(listener).condition), is_status=True)


def _enable(register: Callable[[ScpiListener], Register]) -> Builtin:
    def enable(listener: ScpiListener, number: int, _now_s: float) -> None:
        register(listener).enable = number

    return Builtin(ask=lambda listener: str(register(listener).enable), do=enable, highest=WORD, is_status=True)


def _operation(listener: ScpiListener) -> Register:
    return listener.register("operation")


def _questionable(listener: ScpiListener) -> Register:
    return listener.register("questionable")


def _status_byte(listener: ScpiListener) -> str:
    return str(listener.status.status_byte(message_available=listener.message_available))


_SELECTED = Builtin(ask=lambda listener: f"OUTP{listener.selected}", do=_select, highest=WORD, selects=True)
_SELECTED_NUMBER = Builtin(ask=lambda listener: str(listener.selected), do=_select, highest=WORD, selects=True)

BUILTINS: dict[str, Builtin] = {
    "*CLS": Builtin(do=lambda listener, _number, _now_s: listener.status.clear()),
    "*ESE": Builtin(ask=lambda listener: str(listener.status.ese), do=_enable_events, highest=BYTE),
    "*ESR": Builtin(ask=lambda listener: str(listener.status.take_esr())),
    "*IDN": Builtin(ask=lambda listener: listener.identity),
    "*OPC": Builtin(ask=lambda _: "1", do=_complete),
    "*RST": Builtin(do=_reset),
    "*SRE": Builtin(ask=lambda listener: str(listener.status.sre), do=_enable_service, highest=BYTE),
    "*STB": Builtin(ask=_status_byte),
    "*TST": Builtin(ask=lambda _: "0"),
    "*WAI": Builtin(do=lambda _listener, _number, _now_s: None),
    "SYSTem:ERRor[:NEXT]": Builtin(ask=lambda listener: listener.status.errors.take()),
    "SYSTem:ERRor:COUNt": Builtin(ask=lambda listener: str(len(listener.status.errors))),
    "SYSTem:ERRor:CODE[:NEXT]": Builtin(ask=lambda listener: str(listener.status.errors.take_code())),
    "SYSTem:ERRor:ALL": Builtin(ask=lambda listener: listener.status.errors.take_all()),
    "SYSTem:VERSion": Builtin(ask=lambda _: SCPI_VERSION),
    "SYSTem:REMote": _control(is_remote=True, is_locked=False),
    "SYSTem:LOCal": _control(is_remote=False, is_locked=False),
    "SYSTem:RWLock": _control(is_remote=True, is_locked=True),
    "STATus:PRESet": Builtin(do=lambda listener, _number, _now_s: listener.status.preset()),
    "STATus:OPERation[:EVENt]": _event(_operation),
    "STATus:OPERation:CONDition": _condition(_operation),
    "STATus:OPERation:ENABle": _enable(_operation),
    "STATus:OPERation:INSTrument:ISUMmary#[:EVENt]": _event(_operation),
    "STATus:OPERation:INSTrument:ISUMmary#:CONDition": _condition(_operation),
    "STATus:QUEStionable:INSTrument:ISUMmary#[:EVENt]": _event(_questionable),
    "STATus:QUEStionable:INSTrument:ISUMmary#:CONDition": _condition(_questionable),
    "STATus:QUEStionable[:EVENt]": _event(_questionable),
    "STATus:QUEStionable:CONDition": _condition(_questionable),
    "STATus:QUEStionable:ENABle": _enable(_questionable),
    "INSTrument[:SELect]": _SELECTED,
    "INSTrument:NSELect": _SELECTED_NUMBER,
}
"""Header pattern -> how it works. The common commands are the set IEEE 488.2 §10 requires of every device."""
