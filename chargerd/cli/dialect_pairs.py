"""Wire pairs in `dialect new`: what is sent for each row is shown beside what the manual prints, and both go into the file."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from chargerd.cli.dialect_answers import Answers
from chargerd.cli.dialect_parts import NONE, Fields, filled_in
from chargerd.cli.dialect_words import UNITS
from chargerd.errors import ChargerdError
from chargerd.instruments.contract.examples import meaning, shown
from chargerd.instruments.dialect import QUESTIONS, SETS
from chargerd.instruments.dialect_file import FRAMINGS
from chargerd.instruments.framing.bytes import CHECKS
from chargerd.instruments.framing.modbus_frame import crc16
from chargerd.instruments.framing.scpi_rows import short_text
from chargerd.instruments.framing.spoken import Command


@dataclass(frozen=True, slots=True)
class Printed:
    """What was typed as the manual prints it, and of a set-point the number in it; empty: a pattern was typed.

    `words`: what an answer means, where its own value says too little.
    """

    text: str = ""
    number: str = ""
    words: str = ""


USUAL: Mapping[str, str] = {"voltage_set": "1.85", "current_set": "0.15", "ovp": "1.95", "ocp": "0.2", "watchdog": "10"}
_UNPROVEN = "without it `dialect test` can prove this row on the instrument alone, and says so"


def question_pair(answers: Answers, framing: str, name: str, fields: Fields, printed: Printed) -> dict[str, str]:
    """Ask what the manual prints as an answer, show what that means; return the pair, nothing when there is none."""
    question = FRAMINGS[framing].question(name, {key: filled_in(text) for key, text in fields.items()}, QUESTIONS[name])
    understood: dict[str, str] = {}
    sent = shown(framing, question.message)
    if sent != fields["ask"]:
        answers.say(f"    is sent as: {sent or 'nothing, it is listened to'}")

    def fault_of(answer: str) -> str:
        if answer == NONE:
            return ""
        if not answer:
            return f"type one that its manual prints, or {NONE}: {_UNPROVEN}"
        try:
            understood["reply"] = plain(framing, answer)
            understood["means"] = meaning(question.parse(_raw(framing, understood["reply"])), QUESTIONS[name])
        except (ValueError, ChargerdError) as fault:
            whole = " (function code first, or a whole frame with its right check value)" if framing == "modbus" else ""
            return f"this program does not understand that answer: {fault}{whole}; type another, {NONE} for none, or back"
        return ""

    if printed.text:
        if fault := fault_of(printed.text):
            print(f"    {fault}")
            answers.back(1)
        answers.remark(f"    → read as {fields['reply']}: {printed.words or understood['means']}")
        return {"sent": sent, **understood}
    usual = "" if framing == "line" else NONE  # a line's pattern is easily mistyped: it is not passed over unseen
    answer = answers.ask(f"{name}? answer", "    an answer as its manual prints it", usual, fault_of)
    if answer == NONE:
        answers.remark(f"    {_UNPROVEN}")
        return {}
    left_out = name == "identity" and framing == "line" and understood["means"] != answer
    more = "; only that will be compared. {text} alone takes the whole line: back" if left_out else ""
    answers.remark(f"    → {understood['means']}{more}")
    return {"sent": sent, **understood}


def command_pair(answers: Answers, framing: str, name: str, fields: Fields, printed: Printed) -> dict[str, str]:
    """Show what is sent for a command, have it compared with the manual; return the pair, nothing when there is none."""
    filled = {key: filled_in(text) for key, text in fields.items()}
    command = FRAMINGS[framing].command(name, filled, carries_number=name in SETS)
    value = ""
    if printed.number:
        value = f"{Decimal(printed.number) * Decimal(filled.get('scale', '1')):f}"
        answers.remark(f"    → sent as {fields['send']}, with {fields['decimals']} decimals: more are cut off")
    elif name in SETS:

        def value_fault(answer: str) -> str:
            if not re.fullmatch(r"[0-9]+(\.[0-9]+)?", answer):
                return f"type a number in {UNITS[name]}, without the unit, such as {USUAL[name]}"
            try:
                shown(framing, command.message(float(answer)))
            except ChargerdError as fault:
                return str(fault)
            return ""

        words = f"    for example which value, in {UNITS[name]}; best one that its manual shows"
        value = answers.ask(f"{name} value", words, USUAL[name], value_fault)
    sent = shown(framing, command.message(float(value) if value else None))
    is_as_printed = framing == "line" and sent == (printed.text or fields["send"])
    if not is_as_printed and not _is_compared(answers, framing, name, value, sent):
        return {}
    pair = {"value": value} if value else {}
    pair["sent"] = sent
    if framing == "modbus":
        pair["reply"] = _derived(framing, filled, sent)  # the standard says how a write is answered
    elif command.acknowledge is not None:
        reply = _derived(framing, filled, sent)
        is_literal = framing == "line" and reply != NONE
        pair |= {"reply": reply} if is_literal else _acknowledged(answers, framing, name, command, reply)
    return pair


def _is_compared(answers: Answers, framing: str, name: str, value: str, sent: str) -> bool:
    """Have a person compare what is sent with what the manual prints; tell whether that was done."""
    answers.say(f"    for {value} {UNITS[name]} this is sent: {sent}" if value else f"    this is sent: {sent}")

    def fault_of(answer: str) -> str:
        if answer in (NONE, "yes") or sent in (_as_sent(framing, answer), plain(framing, answer)[3:]):  # a unit in front
            return ""
        return (
            f"not the same: {sent} would be sent. Type yes when the instrument takes that too, or back to correct the row"
        )

    if answers.ask(f"{name} sent", "    is that what its manual prints: yes, or type what it prints", "yes", fault_of) == NONE:
        answers.remark(f"    {_UNPROVEN}")
        return False
    return True


def _acknowledged(answers: Answers, framing: str, name: str, command: Command, usual: str) -> dict[str, str]:
    """Ask what the manual prints as the acknowledgement; return it."""
    acknowledge = command.acknowledge
    assert acknowledge is not None

    def fault_of(answer: str) -> str:
        if answer == NONE:
            return ""
        try:
            acknowledge(_raw(framing, plain(framing, answer)))
        except (ValueError, ChargerdError) as fault:
            return f"that would not count as obeyed: {fault}; type another, {NONE} for none, or back to correct the row"
        return ""

    answer = answers.ask(f"{name} answer", "    what it answers", usual, fault_of)
    return {} if answer == NONE else {"reply": plain(framing, answer)}


def _derived(framing: str, filled: Fields, sent: str) -> str:
    """Return the acknowledgement that follows from the row, `-` when the row leaves something open."""
    if framing == "modbus":  # V1.1b3 §6.5, 6.6: the request again; §6.11, 6.12: function, address and count of the request
        return sent if sent[:2] in ("05", "06") else sent[: len("10 00 10 00 02")]
    reply = filled.get("reply", NONE)
    if framing == "bytes" and "?" not in reply and reply != NONE:
        parts = [f"{int(part[1:]):02X}" if part.startswith("#") else part.upper() for part in reply.split()]
        if parts[-1] != "CC" or "check" not in filled:
            return " ".join(parts)
        body = bytes.fromhex("".join(parts[:-1]))
        return (body + CHECKS[filled["check"]](body)).hex(" ").upper()
    return NONE if re.search(r"[{?]", reply) else reply


def plain(framing: str, text: str) -> str:
    """Return bytes as an example writes them (`03 02 07 3A`), whatever way a manual prints them; other text as it is.

    A whole Modbus frame on a serial line, its check value right, is stripped of unit and check value.
    """
    if not FRAMINGS[framing].BINARY:
        return text
    digits = re.sub(r"0[xX]|[\s,:-]", "", text)
    if len(digits) % 2 or not re.fullmatch("[0-9A-Fa-f]+", digits):
        return text
    raw = bytes.fromhex(digits)
    if framing == "modbus" and len(raw) >= 5 and crc16(raw[:-2]).to_bytes(2, "little") == raw[-2:]:
        raw = raw[1:-2]
    return raw.hex(" ").upper()


def _as_sent(framing: str, text: str) -> str:
    """Return what a manual prints as it would be sent: of SCPI the short forms."""
    if framing == "scpi":
        with contextlib.suppress(ValueError):
            return short_text(text)
    return plain(framing, text)


def _raw(framing: str, text: str) -> bytes:
    """Raises ValueError: not bytes, or not ASCII."""
    if not FRAMINGS[framing].BINARY:
        return text.encode("ascii")
    if not re.fullmatch("[0-9A-F ]+", text):
        raise ValueError(f"{text!r} is not bytes in hexadecimal, such as 03 02 07 3A")
    return bytes.fromhex(text)
