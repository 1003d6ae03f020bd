"""A SCPI listener before one or more panels. Shares nothing with the drivers it is to deceive."""

from __future__ import annotations

from math import inf, isnan
from typing import TYPE_CHECKING

from chargerd.sim.behaviour import load_behaviour
from chargerd.sim.listener import LineEars, Listener, Pieces
from chargerd.sim.panel import ConflictError, OutOfRangeError
from chargerd.sim.scpi_builtin import BUILTINS
from chargerd.sim.scpi_status import ErrorQueue, Register, Status
from chargerd.sim.scpi_text import (
    ScpiError,
    Unit,
    parse_boolean,
    parse_channels,
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

    has_errors = True
    end = b"\n"

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
        self.outputs = _registers(self.panels)
        """Questionable and operation register of each output by itself."""
        self.addressed: int | None = None
        """The one output that the status question in hand is about; None for the instrument as a whole."""
        self._shown: list[int] = []
        self._took_s = 0.0
        self._boots = [panel.boots for panel in self.panels]
        for panel in self.panels:
            panel.keeps_switch_at_reset = panel.keeps_switch_at_reset or behaviour.keeps_switch_at_reset

    def ears(self) -> LineEars:
        """See `Listener.ears`. A message that overruns the input buffer leaves -363."""
        return LineEars(overrun=lambda: self.status.report(-363))

    def answer(self, message: bytes, now_s: float) -> Pieces:
        """See `Listener.answer`."""
        self._took_s = 0.0
        reply = self.handle(message.decode("latin-1"), now_s)
        delay_s = self.later(now_s, self._took_s)  # only an instrument that scans takes time
        return [] if reply is None else [(delay_s, reply.encode("latin-1") + self.end)]

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
        """The panel a suffix or selection names.

        Raises:
            ScpiError: -114 when there is none.
        """
        if not 1 <= suffix <= len(self.panels):
            raise ScpiError(-114)
        return self.panels[suffix - 1]

    def register(self, which: str) -> Register:
        """The `questionable` or `operation` register that the unit in hand is about."""
        whole = self.status if self.addressed is None else self.outputs[self.addressed - 1]
        register: Register = getattr(whole, which)
        return register

    def _let_time_pass(self, now_s: float) -> None:
        seen, conditions = [], []
        for panel in self.panels:
            panel.node.look(now_s)
            conditions.append(panel.lamps())
            seen.append(panel.take_seen() | panel.lit)
        boots = [panel.boots for panel in self.panels]
        if boots != self._boots:
            self._boots = boots
            self.selected = 1
            self.status = Status(ErrorQueue(self.behaviour.error_queue, self.behaviour.no_error))
            self.outputs = _registers(self.panels)
            self._shown = []
        if not seen == conditions == self._shown:
            self._shown = conditions
            self._update(self.status, _any_of(conditions), _any_of(seen))
            for status, condition, event in zip(self.outputs, conditions, seen, strict=True):
                self._update(status, condition, event)

    def _update(self, status: Status, condition: int, seen: int) -> None:
        questionable, operation = self.behaviour.questionable, self.behaviour.operation
        status.questionable.update(weigh(condition, questionable), weigh(seen, questionable))
        status.operation.update(weigh(condition, operation), weigh(seen, operation))

    def _execute(self, unit: Unit, now_s: float) -> str | None:
        command, suffix = self._find(unit.header)
        if unit.is_query:
            if self._is_indefinite:
                raise ScpiError(-440)
            self._is_indefinite = unit.header == ("*IDN",)
        listed, parameters = self._channels(unit.parameters)
        if command.kind == "builtin":
            return self._builtin(command, unit, suffix, listed, now_s)
        if not (command.may_be_asked if unit.is_query else command.may_be_set):
            raise ScpiError(-113)
        panels = [self.panel(self.selected if suffix is None else suffix)] if listed is None else listed
        if not unit.is_query:
            for panel in panels:
                self._carry_out(panel, command, list(parameters), now_s)
            return None
        return ",".join([self._ask(panel, command, list(parameters), now_s) for panel in panels])

    def _builtin(self, command: Command, unit: Unit, suffix: int | None, listed: list[Panel] | None, now_s: float) -> str | None:
        builtin = BUILTINS[command.key]
        if builtin.selects and self.behaviour.selects_by not in {"select", "any"}:
            raise ScpiError(-113)
        self.addressed = None
        if listed is not None:
            if not builtin.is_status or len(listed) != 1:
                raise ScpiError(-108)
            unit = Unit(unit.header, unit.is_query, unit.parameters[:-1])
            self.addressed = self.panels.index(listed[0]) + 1
        elif builtin.is_status and suffix is not None:
            self.panel(suffix)
            self.addressed = suffix
        elif builtin.is_status and self.behaviour.selects_by == "select":
            self.addressed = self.selected
        return builtin.run(self, unit, now_s)

    def _channels(self, parameters: tuple[str, ...]) -> tuple[list[Panel] | None, tuple[str, ...]]:
        """The panels a channel list behind the parameters names, None without a list; and the parameters without it."""
        if not parameters or not parameters[-1].startswith("(@"):
            return None, parameters
        if self.behaviour.selects_by not in {"list", "any"}:
            raise ScpiError(-108)
        numbers = parse_channels(parameters[-1])
        return [self.panel(number - self.behaviour.first_channel + 1) for number in numbers], parameters[:-1]

    def _find(self, header: tuple[str, ...]) -> tuple[Command, int | None]:
        commands = self.behaviour.commands
        command = commands.get(header)
        if command is not None:
            return command, None
        stripped, suffix = strip_suffixes(header)
        command = commands.get(stripped)
        if command is None or self.behaviour.selects_by not in {"suffix", "any"}:
            raise ScpiError(-113)
        return command, suffix

    # -- setting ------------------------------------------------------------------------------------------------

    def _carry_out(self, panel: Panel, command: Command, parameters: list[str], now_s: float) -> None:
        if command.kind == "do":
            limit_parameters(parameters, 0)
            getattr(panel, command.key)(now_s)
        elif command.kind == "sets":
            limit_parameters(parameters, command.takes)
            panel.set(command.key, _meant(panel, command), now_s)
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
            if command.first and parameters and parameters[0].upper() not in command.first:
                raise ScpiError(-224)
            if command.configures:
                panel.set("function", command.configures, now_s)
            self._took_s += self.behaviour.scan_s
            return self.number(panel.read(command.key, now_s))
        limit_parameters(parameters, 1 if command.kind == "setting" else 0)
        value = panel.shown(command.shown or command.key)
        if command.kind == "sets":
            return self._boolean(value == _meant(panel, command))
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


def _registers(panels: Sequence[Panel]) -> list[Status]:
    return [Status() for _ in panels]


def _any_of(conditions: Sequence[int]) -> int:
    together = 0
    for condition in conditions:
        together |= condition
    return together


def _meant(panel: Panel, command: Command) -> Value:
    """What an event sets its setting to."""
    return command.to == "ON" if isinstance(panel.settings[command.key].default, bool) else command.to


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
