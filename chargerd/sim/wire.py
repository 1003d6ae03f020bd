"""A SCPI listener before one or more panels, and the byte peer that puts it on any wire.

`ScpiListener` turns message lines into replies. `Peer.feed` turns bytes that arrived into bytes to send and when, with
the faults of the wire applied; the in-memory link, the TCP server and the pty server all call nothing but `feed`.
Shares nothing with the drivers it is to deceive.
"""

from __future__ import annotations

from math import inf, isnan
from typing import TYPE_CHECKING, NamedTuple

from chargerd.sim.faults import FaultPlan
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

INPUT_BUFFER_BYTES = 4096
"""A message longer than this overruns the input buffer (-363) and is lost up to its end."""

NOT_A_NUMBER, INFINITE = 9.91e37, 9.9e37
"""What SCPI-1999 volume 1, §7.2.1.4 and §7.2.1.5, has instruments say for NaN and infinity."""


class Exchange(NamedTuple):
    """One line of a wire log."""

    time_s: float
    received: str
    replied: bytes


class ScpiListener:
    """Reads program messages for the panels of one instrument, with error queue and status registers."""

    behaviour: Behaviour
    panels: tuple[Panel, ...]
    identity: str
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


class Peer:
    """One simulated instrument as bytes see it."""

    def __init__(
        self, name: str, listener: ScpiListener, *, latency_s: float = 0.0, seed: int = 0, keeps_log: bool = False
    ) -> None:
        """An instrument for a wire.

        Args:
            name: shown in reports.
            listener: what reads the messages.
            latency_s: time from a question to its reply.
            seed: of the faults' choices.
            keeps_log: keep every exchange in `log`, not only their number.
        """
        self.name = name
        self.listener = listener
        self.faults = FaultPlan(self, seed)
        self.latency_s = latency_s
        self.messages = 0
        self.replies = self.answers = 0
        self.log: list[Exchange] = []
        self._keeps_log = keeps_log
        self._only = Session(self)

    def feed(self, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        """Take bytes that arrived at `now_s`; what to send back, each with its delay in seconds from now.

        For a wire with one user; servers give each connection its own `Session`.

        Raises:
            ConnectionRefusedError: while a fault has the port refuse; the link is gone too.
            ConnectionResetError: when a fault drops the link.
        """
        return self._only.feed(data, now_s)

    def answer(self, message: str, now_s: float) -> list[tuple[float, bytes]]:
        """As `feed`, for one whole message without its end of line."""
        self.messages += 1
        with self.faults.in_force(message, now_s) as wire:
            dropped = wire.has("drop")
            is_lost = wire.has("hang") is not None or (dropped is not None and not dropped.values["carried_out"])
            reply = None if is_lost else self.listener.handle(message, now_s)
            sent = wire.alter(None if reply is None else reply.encode("latin-1") + b"\n")
        if dropped is not None:
            sent = []
        self.replies += bool(sent)
        if sent and reply is not None:
            self.answers += reply.count(";") + 1  # a message may ask several questions
        if self._keeps_log:
            self.log.append(Exchange(now_s, message, b"".join(part for _, part in sent)))
        if dropped is not None:
            raise ConnectionResetError(f"{self.name} dropped the link")
        return [(self.latency_s + delay_s, part) for delay_s, part in sent]


class Session:
    """One connection to a peer: the half message that has not ended yet."""

    def __init__(self, peer: Peer) -> None:
        self._peer = peer
        self._buffer = b""
        self._overran = False

    def feed(self, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        """As `Peer.feed`."""
        peer = self._peer
        if peer.faults.is_refusing(now_s):
            self._forget()
            raise ConnectionRefusedError(f"{peer.name} refuses")
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        out: list[tuple[float, bytes]] = []
        try:
            for line in lines:
                if self._overran:
                    self._overran = False
                else:
                    out += peer.answer(line.rstrip(b"\r").decode("latin-1"), now_s)
        except ConnectionResetError:
            self._forget()
            raise
        if len(self._buffer) > INPUT_BUFFER_BYTES:
            self._buffer = b""
            if not self._overran:
                peer.listener.status.report(-363)
            self._overran = True
        return out

    def _forget(self) -> None:
        self._buffer = b""
        self._overran = False
