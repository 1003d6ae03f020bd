"""A SCPI listener before one or more panels. Shares nothing with the drivers it is to deceive."""

from __future__ import annotations

from math import inf, isnan
from typing import TYPE_CHECKING, ClassVar

from chargerd.sim.behaviour import load_behaviour
from chargerd.sim.listener import LineEars, Listener, Pieces
from chargerd.sim.panel import ConflictError, OutOfRangeError
from chargerd.sim.scpi_builtin import BUILTINS
from chargerd.sim.scpi_status import ErrorQueue, Status
from chargerd.sim.scpi_text import (
    ScpiError,
    Unit,
    parse_boolean,
    parse_channel,
    parse_number,
    parse_unit,
    short_form,
    split_outside_quotes,
    strip_suffixes,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from chargerd.sim.behaviour import Behaviour, Command
    from chargerd.sim.panel import Panel, Setting, Value

NOT_A_NUMBER, INFINITE = 9.91e37, 9.9e37
"""What SCPI-1999 volume 1, §7.2.1.4 and §7.2.1.5, has instruments say for NaN and infinity."""


class ScpiListener(Listener):
    """Reads program messages for the panels of one instrument, with error queue and status registers."""

    end: ClassVar[bytes] = b"\n"

    behaviour: Behaviour
    selected: int
    status: Status
    message_available: bool

    def __init__(self, behaviour: Behaviour, panels: Sequence[Panel], *, identity: str | None = None) -> None:
        self.behaviour = behaviour
        self.panels = tuple(panels)
        self.identity = behaviour.identity if identity is None else identity
        self.selected = 1
        self.status = Status(ErrorQueue(behaviour.error_queue, behaviour.no_error))
        self.message_available = self._is_indefinite = False
        self._shown = 0
        self._boots = [panel.boots for panel in self.panels]
        for panel in self.panels:
            panel.keeps_switch_at_reset = panel.keeps_switch_at_reset or behaviour.keeps_switch_at_reset

    def ears(self) -> LineEars:
        """See `Listener.ears`. A message that overruns the input buffer leaves -363."""
        return LineEars(overrun=lambda: self.status.report(-363))

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """See `Listener.answer`."""
        reply = self.handle(message.decode("latin-1"), now_s)
        return [] if reply is None else [(0.0, reply.encode("latin-1") + self.end)]

    def answers_in(self, reply: bytes) -> int:
        """See `Listener.answers_in`: a message may ask several questions."""
        return reply.count(b";") + 1

    def report(self, number: int, text: str) -> None:
        """See `Listener.report`."""
        self.status.report(number, text)

    def handle(self, message: str, now_s: float) -> str | None:
        """Carry out one program message; the response message, or None when nothing was asked or all failed."""
        self._let_time_pass(now_s)
        replies: list[str] = []
        path: tuple[str, ...] = ()
        self.message_available = self._is_indefinite = False
        try:
            texts = split_outside_quotes(message, ";")
        except ScpiError as error:
            self.status.report(error.number, error.device_info)
            return None
        for text in texts:
            if not text.strip():
                continue
            try:
                unit = parse_unit(text, path)
                if not unit.header[0].startswith("*"):
                    path = unit.header[:-1]
                reply = self._execute(unit, now_s)
                if reply is not None:
                    self.message_available = True
                    replies.append(reply)
            except ScpiError as error:
                self.status.report(error.number, error.device_info)
            except OutOfRangeError:
                self.status.report(-222)
            except ConflictError as conflict:
                self.status.report(-221, str(conflict))
        return ";".join(replies) if replies else None

    def panel(self, suffix: int) -> Panel:
        """The panel a suffix or channel list names.

        Raises:
            ScpiError: -114 when there is none.
        """
        if not 1 <= suffix <= len(self.panels):
            raise ScpiError(-114)
        return self.panels[suffix - 1]

    def _let_time_pass(self, now_s: float) -> None:
        seen = conditions = 0
        for panel in self.panels:
            panel.node.look(now_s)
            conditions |= panel.conditions()
            seen |= panel.take_seen()
        boots = [panel.boots for panel in self.panels]
        if boots != self._boots:
            self._boots = boots
            self.selected = 1
            self.status = Status(ErrorQueue(self.behaviour.error_queue, self.behaviour.no_error))
            self._shown = 0
        if not seen == conditions == self._shown:
            self._shown = conditions
            questionable, operation = self.behaviour.questionable, self.behaviour.operation
            self.status.questionable.update(weigh(conditions, questionable), weigh(seen, questionable))
            self.status.operation.update(weigh(conditions, operation), weigh(seen, operation))

    def _execute(self, unit: Unit, now_s: float) -> str | None:
        command, suffix = self._find(unit.header)
        if unit.is_query:
            if self._is_indefinite:
                raise ScpiError(-440)
            self._is_indefinite = unit.header == ("*IDN",)
        if command.kind == "builtin":
            return BUILTINS[command.key].run(self, unit, now_s)
        if not (command.may_be_asked if unit.is_query else command.may_be_set):
            raise ScpiError(-113)
        parameters = list(unit.parameters)
        if parameters and parameters[-1].startswith("(@"):
            suffix = parse_channel(parameters.pop())
        panel = self.panel(self.selected if suffix is None else suffix)
        if not unit.is_query:
            self._carry_out(panel, command, parameters, now_s)
            return None
        return self._ask(panel, command, parameters, now_s)

    def _find(self, header: tuple[str, ...]) -> tuple[Command, int | None]:
        commands = self.behaviour.commands
        command = commands.get(header)
        if command is not None:
            return command, None
        stripped, suffix = strip_suffixes(header)
        command = commands.get(stripped)
        if command is None:
            raise ScpiError(-113)
        return command, suffix

    # -- setting ------------------------------------------------------------------------------------------------

    def _carry_out(self, panel: Panel, command: Command, parameters: list[str], now_s: float) -> None:
        if command.kind == "do":
            limit_parameters(parameters, 0)
            getattr(panel, command.key)(now_s)
        elif command.kind == "sets":
            limit_parameters(parameters, command.takes)
            panel.set(command.key, command.to, now_s)
        elif command.kind == "setting":
            if not parameters:
                raise ScpiError(-109)
            limit_parameters(parameters, 1)
            panel.set(command.key, self._value(panel.settings[command.key], command, parameters[0]), now_s)

    def _value(self, setting: Setting, command: Command, text: str) -> Value:
        if command.words:
            return self._word(setting, command, text)
        if isinstance(setting.default, bool):
            if not self.behaviour.takes_numeric_booleans and text.upper() not in {"ON", "OFF"}:
                raise ScpiError(-224 if text.isalpha() else -104)
            return parse_boolean(text)
        limit = self._limit(setting, text)
        if limit is not None:
            return limit
        return parse_number(text, command.unit if self.behaviour.takes_suffixes else "")

    def _word(self, setting: Setting, command: Command, text: str) -> Value:
        if command.is_quoted:
            if text[:1] not in {'"', "'"} or text[-1:] != text[:1]:
                raise ScpiError(-104)
            text = text[1:-1]
        for word, meaning in command.words.items():
            if text.upper() in {short_form(word), word.upper()}:
                return meaning == "ON" if isinstance(setting.default, bool) else meaning
        raise ScpiError(-224)

    def _limit(self, setting: Setting, text: str) -> float | None:
        word = text.upper()
        if word in {"MIN", "MINIMUM"}:
            return setting.minimum
        if word in {"MAX", "MAXIMUM"}:
            return setting.maximum
        return float(setting.default) if word in {"DEF", "DEFAULT"} else None

    # -- asking -------------------------------------------------------------------------------------------------

    def _ask(self, panel: Panel, command: Command, parameters: list[str], now_s: float) -> str:
        if command.kind == "read":
            limit_parameters(parameters, command.takes)
            if command.configures:
                panel.set("function", command.configures, now_s)
            return self.number(panel.read(command.key, now_s))
        limit_parameters(parameters, 1 if command.kind == "setting" else 0)
        value = panel.get(command.shown or command.key)
        if isinstance(value, bool):
            return self._boolean(value)
        if isinstance(value, str):
            shown = next(short_form(word) for word, meaning in command.words.items() if meaning == value)
            return f'"{shown}"' if command.is_quoted else shown
        if parameters:
            limit = self._limit(panel.settings[command.key], parameters[0])
            if limit is None:
                raise ScpiError(-224)
            value = limit
        return self.number(value)

    def _boolean(self, value: bool) -> str:
        if self.behaviour.replies_boolean_words:
            return "ON" if value else "OFF"
        return "1" if value else "0"

    def number(self, value: float) -> str:
        """A number in this instrument's format; NaN and infinities in SCPI's spelling."""
        if isnan(value):
            value = NOT_A_NUMBER
        elif abs(value) == inf:
            value = INFINITE if value > 0.0 else -INFINITE
        return f"{value:+.8E}" if abs(value) >= 1e30 else format(value, self.behaviour.numbers)


def weigh(conditions: int, weights: Mapping[int, int]) -> int:
    """The register bits that stand for these conditions."""
    return sum(weight for condition, weight in weights.items() if condition & conditions)


def limit_parameters(parameters: Sequence[str], most: int) -> None:
    """Refuse more parameters than a header takes.

    Raises:
        ScpiError: -108.
    """
    if len(parameters) > most:
        raise ScpiError(-108)


def scpi_listener(behaviour: str, panels: Sequence[Panel], identity: str | None) -> ScpiListener:
    """The listener of one SCPI behaviour file, see `listener.make_listener`."""
    return ScpiListener(load_behaviour(behaviour), panels, identity=identity)
