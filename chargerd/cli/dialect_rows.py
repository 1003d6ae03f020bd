"""The rows of `dialect new`: one question or command at a time, each part tried at once, the manual's own print as its proof."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from chargerd.cli.dialect_answers import BACK, Answers
from chargerd.cli.dialect_pairs import Printed, command_pair, question_pair
from chargerd.cli.dialect_parts import NONE, hint, is_asked, keys_of, part_fault, row_fault, usual_part
from chargerd.cli.dialect_printed import advice, first_printed, is_pattern, numbers_in, places, set_point
from chargerd.cli.dialect_words import DIFFERS, MEANS, PRINTED_AS, UNASKED, UNITS, WORDS
from chargerd.instruments.dialect import MAY_LACK, QUESTIONS, SETS, VOLTAGE_LACKED_BY, Dialect


@dataclass(slots=True)
class Draft:
    """What has been answered so far, as the lines of the file to be.

    `same`: what was said once for all rows: `units` (yes: all in V and A), `missing` and `acknowledgement` (a text, `-` for
    none, or `differs`). `before`: the last answer to a part that an instrument does one way.
    """

    role: str
    framing: str
    base: Dialect | None
    answers: Answers
    questions: dict[str, dict[str, str]] = field(default_factory=dict)
    commands: dict[str, dict[str, str]] = field(default_factory=dict)
    examples: dict[str, dict[str, str]] = field(default_factory=dict)
    lacks: list[str] = field(default_factory=list)
    status: dict[str, dict[str, str]] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    before: dict[str, str] = field(default_factory=dict)
    same: dict[str, str] = field(default_factory=dict)

    def base_header(self, question: str) -> str:
        """Return the header of a question as the standard has it, "" where it has none."""
        rows = {} if self.base is None else self.base.questions
        return rows[question].notation.partition("?")[0] if question in rows else ""

    def said_once(self, part: str, *, is_question: bool) -> str | None:
        """Return what was said of a part for all rows together, `-` for none; None: it is asked for in each row."""
        if part == "scale" and self.same.get("units") == "yes":
            return NONE
        key = {"missing": "missing", "reply": "" if is_question else "acknowledgement"}.get(part, "")
        said = self.same.get(key, DIFFERS)
        return None if said == DIFFERS else said


def ask_row(
    draft: Draft, name: str, *, is_question: bool, optional: bool, must: str = "", is_likely: bool = False
) -> None:
    """Ask for one question or command and for an example of it; or note that it has none.

    `must`: why this one may not be left out, though as a rule it may. `is_likely`: what is usual is offered, though it may be.
    """
    answers, framing = draft.answers, draft.framing
    usual = _usual(draft, name, is_question=is_question)
    is_likely = is_likely and bool(usual)
    often = f" (often {usual})" if usual and optional and not is_likely else ""
    usual = NONE if optional and not must and not is_likely else usual
    may_lack = name in MAY_LACK and (name != "voltage" or draft.role in VOLTAGE_LACKED_BY)
    if may_lack and not usual and framing != "scpi" and name in ("error", "events"):
        usual = NONE
    mark, first = f"{name}?" if is_question else name, keys_of(framing, is_question=is_question)[0]

    def fault_of(answer: str) -> str:
        if not answer:
            return f"type what its manual prints{f', or {UNASKED}' if framing == 'line' and is_question else ''}"
        if answer == NONE:
            if must:
                return f"a {draft.role} measures {must}; type how this is asked, or {BACK}"
            return "" if optional or may_lack else f"a {draft.role} cannot do without it; type it, or Ctrl-C: answers are kept"
        fields, _ = _first_part(draft, name, answer, first, is_question=is_question)
        if framing == "line" and not is_question and name in SETS and "{value}" not in fields[first]:
            return f"a set-point is sent with its number: type it as its manual prints it, {PRINTED_AS[name]}, or with {{value}}"
        fields |= {"reply": QUESTIONS[name]} if framing == "scpi" and is_question else {}
        return part_fault(framing, name, fields, first, is_question=is_question)

    what = "asked by" if is_question else "sent as"
    such = f", such as {PRINTED_AS[name]}" if framing == "line" and not is_question and name in PRINTED_AS else ""
    answers.topic = ""
    answer = answers.ask(f"{mark} {first}", f"  {name}: {MEANS[name]}; {what}{such}{often}", usual, fault_of)
    if answer == NONE:
        if not optional:
            draft.lacks.append(name)
        return
    answers.topic = f"  {name}: {MEANS[name]}; {what}: {answer}"
    fields, printed = _first_part(draft, name, answer, first, is_question=is_question)
    draft.before[first] = fields[first]
    ask_rest(draft, name, fields, printed, is_question=is_question)
    answers.topic = ""


def _first_part(draft: Draft, name: str, answer: str, first: str, *, is_question: bool) -> tuple[dict[str, str], Printed]:
    """Return the first part of a row as it is written, and what was printed where the manual's own number was typed."""
    if draft.framing != "line":
        return {first: answer}, Printed()
    if is_question:
        return {first: "" if answer == UNASKED else answer}, Printed()
    found = set_point(answer) if name in SETS and "{value}" not in answer else None
    if found is None:
        return {first: answer}, Printed()
    template, decimals, number = found
    return {first: template, "decimals": decimals}, Printed(answer, number)


def ask_rest(draft: Draft, name: str, fields: dict[str, str], printed: Printed, *, is_question: bool) -> None:
    """Ask for the parts of a row after its first and for its example, and take it into the draft."""
    mark, answers = f"{name}?" if is_question else name, draft.answers
    asked = 1
    is_printing = fields.get("ask") == ""  # what it prints is never the same: who it is is a pattern
    if draft.framing == "line" and is_question and not (is_printing and name == "identity"):
        asked, printed = _printed_reply(draft, name, fields)
    asked += _parts(draft, name, fields, is_question=is_question)
    if fault := row_fault(draft.framing, name, fields, is_question=is_question):
        print(f"    {fault}")
        answers.back(asked)
    (draft.questions if is_question else draft.commands)[name] = fields
    pair = (question_pair if is_question else command_pair)(answers, draft.framing, name, fields, printed)
    if pair:
        draft.examples[mark] = pair
    if is_question and name in WORDS:
        key, words, default = WORDS[name]
        draft.words[key] = answers.ask(key, f"    {words}, by commas", default, _words_fault)


def _printed_reply(draft: Draft, name: str, fields: dict[str, str]) -> tuple[int, Printed]:
    """Ask what a line answers, as it is printed or as a pattern; return how many answers it took, and what was printed."""
    answers = draft.answers

    def fault_of(answer: str) -> str:
        if answer in ("", NONE):
            return f"type an answer as its manual prints it, or {BACK}"
        if is_pattern(answer):
            return part_fault("line", name, {**fields, "reply": answer}, "reply", is_question=True)
        one = first_printed(name, answer)
        return "" if places(name, fields, one) else advice(name, one)

    both = ", or both as in ST=1 or ST=0" if QUESTIONS[name] == "boolean" else ""
    words = f"    what it answers, as its manual prints it{both}"
    answer = answers.ask(f"{name}? reply", words, "", fault_of)
    if is_pattern(answer):
        fields["reply"] = answer
        return 2, Printed()
    one = first_printed(name, answer)
    found, asked = places(name, fields, one), 2
    which = 0
    if len(found) > 1:
        listed = tuple(str(place) for place in range(1, len(found) + 1))
        words = f"    which of its numbers is it, {numbers_in(name, fields, found, one)}"
        which, asked = int(answers.ask_word(f"{name}? which", words, listed, "")) - 1, 3
    fields["reply"] = found[which]
    return asked, Printed(one)


def _parts(draft: Draft, name: str, fields: dict[str, str], *, is_question: bool) -> int:
    """Ask for the rest of a row's parts; return how many were asked for."""
    framing, asked = draft.framing, 0
    if framing == "scpi" and is_question:
        fields["reply"] = QUESTIONS[name]
        return 0
    mark = f"{name}?" if is_question else name
    for key in keys_of(framing, is_question=is_question)[1:]:
        if key in fields or not is_asked(framing, key, name, fields, is_question=is_question):
            continue
        said = draft.said_once(key, is_question=is_question)
        if key == "write" and key in draft.before:  # an instrument has one way of being written to
            said = draft.before[key]
        if said is not None:
            fields.update({key: said} if said != NONE else {})
            continue

        def fault_of(answer: str, key: str = key) -> str:
            tried = fields if answer == NONE else fields | {key: answer}
            return part_fault(framing, name, tried, key, is_question=is_question)

        usual = usual_part(key, draft.before, is_question=is_question)
        usual = draft.before.get(f"scale {UNITS.get(name)}", usual) if key == "scale" else usual
        words = f"    {key} ({hint(framing, key, name, is_question=is_question)})"
        answer = draft.answers.ask(f"{mark} {key}", words, usual, fault_of)
        asked += 1
        if answer != NONE:
            fields[key] = answer
        if answer != NONE or key == "write":
            draft.before[key] = answer
        if key == "scale":
            draft.before[f"scale {UNITS.get(name)}"] = answer  # set-points and readings of one quantity often share it
    return asked


def _words_fault(text: str) -> str:
    return "" if re.fullmatch(r"[A-Za-z0-9_]+(, *[A-Za-z0-9_]+)*", text) else "words of letters and digits, by commas"


def _usual(draft: Draft, name: str, *, is_question: bool) -> str:
    """Return what is usual: of a command in SCPI what follows from the question just typed, else the standard's header."""
    if is_question and draft.before.get("ask") == "":
        return UNASKED
    asked = "output" if name in ("on", "off") else name
    if draft.framing == "scpi" and not is_question and asked in draft.questions:
        header, _, argument = draft.questions[asked]["ask"].partition("?")
        if header != draft.base_header(asked) and not argument:
            return f"{header} " + {"on": "1", "off": "0"}.get(name, "{value}")
    rows = None if draft.base is None else draft.base.questions if is_question else draft.base.commands
    if rows is not None and name in rows:
        return rows[name].notation
    return ""
