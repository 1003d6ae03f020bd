"""Status in a person's words: which answer means that it holds the current, which that a protection has acted.

A dialect keeps registers and numbers; here only what the manual prints is asked for, and the rows are made of it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from chargerd.cli.dialect_pairs import Printed, question_pair
from chargerd.cli.dialect_parts import NONE, keys_of, part_fault, row_fault
from chargerd.cli.dialect_printed import alternatives, is_pattern
from chargerd.cli.dialect_rows import Draft, ask_rest
from chargerd.cli.dialect_words import GROUPS, NEEDED_CONDITIONS
from chargerd.instruments.dialect import REGISTERS

_WORD_LAST = re.compile(r"(.*[\s=:,;])?([^\s=:,;{}]+)")
_BIT = re.compile(r"bit ([0-9]|1[0-5])")


@dataclass(slots=True)
class _Register:
    """One question about status: how it is asked and answered, and what was said of its words.

    `before`: what stands before the word in an answer; `pattern`: the reply, where it was typed as one; `meaningless`: words of
    none of the conditions.
    """

    name: str
    ask: str
    before: str = ""
    pattern: str = ""
    printed: list[str] = field(default_factory=list)
    conditions: dict[str, str] = field(default_factory=dict)
    meaningless: list[str] = field(default_factory=list)

    @property
    def has_bits(self) -> bool:
        return any(_BIT.fullmatch(text) for text in self.conditions.values())

    def bare(self, text: str) -> str:
        """Return the word of an answer, whether it was typed alone or whole."""
        return text.removeprefix(self.before) if self.before.strip() else text


def ask_status(draft: Draft) -> None:
    """Ask what this role's status says, in words, and take the rows into the draft."""
    registers: list[_Register] = []
    first = keys_of(draft.framing, is_question=True)[0]
    draft.answers.say("\nStatus")
    for group, words, conditions, lost in GROUPS[draft.role]:
        draft.answers.topic = ""

        def fault_of(answer: str) -> str:
            return "" if answer == NONE else part_fault(draft.framing, REGISTERS[0], {first: answer}, first, is_question=True)

        again = " (the same one, if it says both)" if registers else ""
        ask = draft.answers.ask(f"{group}? {first}", f"  {words}{again}? It is asked by", NONE, fault_of)
        if ask == NONE:
            draft.answers.remark(f"    {lost}")
            continue
        draft.answers.topic = f"  {words}? It is asked by: {ask}"
        register = next((one for one in registers if one.ask == ask), None)
        if register is None:
            register = _Register(REGISTERS[len(registers)], ask)
            registers.append(register)
            if draft.framing == "line":
                _answers_of(draft, group, register)
            else:
                ask_rest(draft, register.name, {first: ask}, Printed(), is_question=True)
        _ask_conditions(draft, group, register, conditions)
    for register in registers:
        _finish(draft, register)
    draft.answers.topic = ""
    if not registers:
        draft.lacks.append("questionable")


def _answers_of(draft: Draft, group: str, register: _Register) -> None:
    """Ask what a line answers, as it is printed, or as a pattern."""

    def fault_of(answer: str) -> str:
        if is_pattern(answer):
            fields = {"ask": register.ask, "reply": answer}
            return part_fault("line", register.name, fields, "reply", is_question=True)
        found = [_WORD_LAST.fullmatch(one) for one in alternatives(answer)]
        if answer in ("", NONE) or None in found:
            return "type what its manual prints, all that it may be, such as TR=0, TR=V or TR=I"
        if len({match[1] for match in found if match}) > 1:
            return "they differ in more than their last word: type a pattern, such as TR={word} {skip}"
        return ""

    such = "TR=0, TR=V or TR=I" if group == "trips" else "MD=CC or MD=CV"
    answer = draft.answers.ask(f"{group}? reply", f"    what it answers, all that it may be, such as {such}", "", fault_of)
    if is_pattern(answer):
        register.pattern, register.before = answer, answer.partition("{")[0]
        return
    register.printed = alternatives(answer)
    match = _WORD_LAST.fullmatch(register.printed[0])
    register.before = (match[1] or "") if match else ""


def _ask_conditions(draft: Draft, group: str, register: _Register, conditions: tuple[tuple[str, str], ...]) -> None:
    """Ask what stands in the answer for each condition, for none of them, and what else may stand there."""
    answers, is_line = draft.answers, draft.framing == "line"
    such = "" if is_line else ": a number, or bit 3 (bits count from 0, the lowest)"
    if group == "trips" and is_line:
        words = "    when none has acted, it says"
        none = answers.ask(f"{group} none", words, "", lambda text: _word_fault(register, text, draft.framing))
        register.meaningless.append(register.bare(none))
    for name, words in conditions:
        is_needed = name in NEEDED_CONDITIONS or len(conditions) == 1

        def fault_of(answer: str, is_needed: bool = is_needed) -> str:
            if answer == NONE and not is_needed:
                return ""
            return _word_fault(register, answer, draft.framing)

        answer = answers.ask(f"status {name}", f"    {words}, it says{such}", "" if is_needed else NONE, fault_of)
        if answer != NONE:
            register.conditions[name] = register.bare(answer)
    known = {*register.conditions.values(), *register.meaningless}
    printed = {register.bare(one) for one in register.printed}
    if not is_line or register.has_bits or "{integer}" in register.pattern or (len(printed) > 1 and printed == known):
        return

    def others_fault(answer: str) -> str:
        return next((fault for one in answer.split() if (fault := _word_fault(register, one, draft.framing))), "")

    others = answers.ask(f"{group} others", "    anything else that it may say there (Enter: nothing else)", "", others_fault)
    register.meaningless += [register.bare(one) for one in others.split()]


def _word_fault(register: _Register, answer: str, framing: str) -> str:
    """Return what is wrong with a word or bit that stands in an answer."""
    word = register.bare(answer)
    numbers_only = framing != "line" or "{integer}" in register.pattern or register.has_bits
    if _BIT.fullmatch(word) and "{word}" not in register.pattern:
        has_words = any(not _BIT.fullmatch(text) and not text.isdigit() for text in register.conditions.values())
        return "bits and words do not go together in one answer" if has_words else ""
    if word in register.conditions.values() or (word in register.meaningless):
        return f"{word} stands for something else already"
    if numbers_only:
        return "" if re.fullmatch("[0-9]{1,5}", word) else "type the number that stands there then, or for example bit 3"
    if not re.fullmatch(r"[\x21-\x3c\x3e-\x7e]{1,32}", word):
        return "type the one word or number that stands there then, or for example bit 3 of a number"
    return ""


def _finish(draft: Draft, register: _Register) -> None:
    """Make the row, its pair and the conditions of what was said."""
    is_line, numbers = draft.framing == "line", dict[str, int]()
    words = [*register.meaningless, *register.conditions.values()]
    has_words = not register.has_bits and not all(word.isdigit() for word in words)
    if is_line and (has_words or "{word}" in register.pattern):
        numbers = dict.fromkeys(register.meaningless, 0)
        numbers |= {word: number for number, word in enumerate(register.conditions.values(), 1)}
    if is_line:
        held = "{word}" if numbers else "{integer}"
        fields = {"ask": register.ask, "reply": register.pattern or f"{register.before}{held}"}
        if numbers:
            fields["values"] = " ".join(f"{word}={number}" for word, number in numbers.items())
        if fault := row_fault("line", register.name, fields, is_question=True):
            print(f"    {fault}")
            draft.answers.back(1)
        draft.questions[register.name] = fields
        printed = Printed()
        if register.printed:
            meant = [f"{word} {name.replace('_', ' ')}" for name, word in register.conditions.items()]
            meant += [f"{word} none of these" for word in register.meaningless]
            printed = Printed(register.printed[0], words=", ".join(meant))
        pair = question_pair(draft.answers, "line", register.name, fields, printed)
        if pair:
            draft.examples[f"{register.name}?"] = pair
    for name, word in register.conditions.items():
        bit = _BIT.fullmatch(word)
        where = {"bit": bit[1]} if bit else {"equals": str(numbers.get(word, word))}
        draft.status[name] = {"register": register.name, **where}
