"""The interview behind `dialect new`: every word of a manual is tried the moment it is typed, the file at the end."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from chargerd.cli.dialect_answers import BACK, SHOW, Answers, BackError
from chargerd.cli.dialect_pairs import command_pair, question_pair
from chargerd.cli.dialect_parts import NONE, hint, is_asked, keys_of, part_fault, row_fault, usual_part
from chargerd.cli.dialect_words import (
    BASES,
    CONVENTIONS,
    HOW,
    MEANS,
    OPTIONAL,
    OPTIONAL_COMMANDS,
    POWER_ON,
    STATUS_ORDER,
    UNASKED,
    WORDS,
)
from chargerd.cli.find_bench import quoted
from chargerd.config.tables import NAME
from chargerd.errors import BenchError, Exit, RefusedError, UsageError
from chargerd.instruments.dialect import (
    COMMANDS,
    FOLDER,
    MAY_LACK,
    NEEDED_COMMANDS,
    NEEDED_ONE_OF,
    NEEDED_QUESTIONS,
    QUESTIONS,
    ROLES,
    VOLTAGE_LACKED_BY,
    Dialect,
)
from chargerd.instruments.dialect_file import FRAMINGS, load_dialect


@dataclass(slots=True)
class Draft:
    """What has been answered so far, as the lines of the file to be."""

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

    def base_header(self, question: str) -> str:
        """Return the header of a question as the standard has it, "" where it has none."""
        rows = {} if self.base is None else self.base.questions
        return rows[question].notation.partition("?")[0] if question in rows else ""


def interview(name: str, bench: Path | None, read: Callable[[str], str]) -> int:
    """Ask for a whole dialect, write it beside the bench file or into ./dialects, check it.

    Whoever leaves in between finds the answers again. Raises UsageError, RefusedError, BenchError.
    """
    if not NAME.fullmatch(name):
        raise UsageError(f"{name!r}: letters, digits, '.', '_' and '-', beginning with a letter or digit")
    if bench is not None and not bench.is_file():
        raise UsageError(f"{bench}: there is no such bench file; without --bench the dialect goes into ./dialects")
    folder = (Path() if bench is None else bench.parent) / "dialects"
    path = folder / f"{name}.yaml"
    if path.exists() or (FOLDER / f"{name}.yaml").exists():
        raise RefusedError(f"there is a dialect {name} already; choose another name, or edit that file")
    beside = "" if bench is None else f" --bench {bench}"
    answers = Answers(folder / f"{name}.draft.csv", f"chargerd dialect new {name}{beside}", read)
    print(_ABOUT)
    if len(answers):
        print(f"Going on with {len(answers)} answers of {folder / f'{name}.draft.csv'} (delete that file to begin anew).\n")
    try:
        while True:
            try:
                text = _asked(name, answers)
                break
            except BackError:
                continue
    except EOFError:
        raise UsageError(f"the answers ended; {answers.kept()}") from None
    except KeyboardInterrupt:
        print(f"\n{answers.kept()}")
        return Exit.STOPPED
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    answers.done()
    try:
        load_dialect(name, path.parent)
    except BenchError as faults:
        print(f"\nWritten: {path}. It still has faults; correct them there:")
        raise BenchError(faults.faults) from None
    print(f"\nWritten: {path}\n{_next(name, bench)}")
    return Exit.OK


def _next(name: str, bench: Path | None) -> str:
    """Return what to type next."""
    if bench is None:
        return (
            f"Its wire pairs:  chargerd dialect test {name}\n"
            f"The instrument itself, with NOTHING connected to it:  chargerd dialect test {name} --address ADDRESS\n"
            f"In a bench file in this folder:  dialect: {name}"
        )
    return (
        f"In {bench}: dialect: {name}. Then:\n"
        f"  chargerd dialect test {name} --bench {bench}\n"
        f"and the instrument itself, with NOTHING connected to it:\n"
        f"  chargerd dialect test --bench {bench} --instrument NAME"
    )


def _asked(name: str, answers: Answers) -> str:
    """Go through the whole interview once; return the file. Raises BackError when an answer is taken back."""
    answers.begin()
    draft, about = _begin(answers)
    _rows(draft)
    _status(draft)
    settle = "0 ms"
    if draft.commands:
        settle = answers.ask("settle", "How long until a command shows in what it measures", "100 ms", _time_fault)
    return _text(name, about, settle, _power_on(draft), draft)


_ABOUT = f"""\
Have the instrument's list of commands at hand. An empty answer takes what stands in brackets; {NONE} means: it has none.
{BACK} takes the last answer back, {SHOW} shows those so far; each is kept at once, so you may leave (Ctrl-C) and go on later.
{{output}} or {{input}} in a command stands for the number that the bench file says. {{value}} stands for a set-point.
"""


def _begin(answers: Answers) -> tuple[Draft, str]:
    about = answers.ask("about", "What is it, in a few words", "", lambda text: "" if text else "say what it is")
    role = answers.ask_word("role", "Its role", ROLES, "source")
    framing = answers.ask_word("framing", "How it is spoken to", tuple(FRAMINGS), "scpi")
    answers.say(HOW[framing])
    return Draft(role, framing, load_dialect(BASES[role]) if framing == "scpi" else None, answers), about


def _rows(draft: Draft) -> None:
    """Ask for every question and command of the role."""
    needed = [name for name in QUESTIONS if name in NEEDED_QUESTIONS[draft.role]]
    one_of = NEEDED_ONE_OF.get(draft.role, ())
    optional = [*OPTIONAL.get(draft.role, ()), *one_of]
    draft.answers.say("\nQuestions")
    for name in (*needed, *optional):
        if name.removesuffix("_enabled") in draft.lacks:
            continue  # what it has not is not enabled either
        is_last = bool(one_of) and name == one_of[-1] and not set(one_of) & set(draft.questions)
        _row(draft, name, is_question=True, optional=name in optional, must=f"one of {', '.join(one_of)}" if is_last else "")
    if draft.questions["identity"].get("ask") == "":
        return  # it only prints
    draft.answers.say("\nCommands")
    optional = list(OPTIONAL_COMMANDS.get(draft.role, ()))
    for name in (*sorted(NEEDED_COMMANDS[draft.role], key=list(MEANS).index), *optional):
        is_unasked = name in optional and name in QUESTIONS and name not in draft.questions
        if name.removesuffix("_enable") not in draft.lacks and not is_unasked:
            _row(draft, name, is_question=False, optional=name in optional)


def _status(draft: Draft) -> None:
    """Ask what the status bits mean: for a SCPI supply one of the usual conventions, else condition by condition."""
    asked = [name for name in ("questionable", "operation") if name in draft.questions]
    if not asked:
        return
    if draft.role == "source" and draft.framing == "scpi":
        draft.answers.say(
            "\nStatus bits, counted from 0.\n"
            "A: questionable register: 0 constant current, 1 constant voltage, 9 over-voltage, 10 over-current.\n"
            "B: operation register: 8 constant voltage, 10 constant current; trips: questionable 0, 1. C: A, 0 and 1 swapped."
        )
        choice = draft.answers.ask_word("status convention", "Which does its manual print", ("A", "B", "C", "other"), "A")
        if choice != "other":
            bits = load_dialect(CONVENTIONS[choice]).status
            usable = {key: bit for key, bit in bits.items() if bit.register in asked}
            draft.status = {key: {"register": bit.register, "bit": str(bit.bit)} for key, bit in usable.items()}
            return
    draft.answers.say(
        f"\nStatus: for each, as `REGISTER bit N` or `REGISTER equals N` (registers: {', '.join(asked)}), or {NONE}\n"
        "Here bits count from 0, the lowest: bit 2 is worth 4."
    )
    for name in STATUS_ORDER:
        answer = draft.answers.ask(
            f"status {name}", f"  {name.replace('_', ' ')}", NONE, lambda text: _status_fault(text, asked)
        )
        if answer != NONE:
            register, how, number = answer.split()
            draft.status[name] = {"register": register, how: number}


def _status_fault(text: str, asked: Sequence[str]) -> str:
    registers = "|".join(asked)
    good = text == NONE or re.fullmatch(rf"({registers}) (bit|equals) [0-9]{{1,5}}", text)
    return "" if good else f"write for example {asked[0]} bit 0, {asked[0]} equals 1, or {NONE}"


def _row(draft: Draft, name: str, *, is_question: bool, optional: bool, must: str = "") -> None:
    """Ask for one question or command, each part tried at once, then for an example; or note that it has none.

    `must`: why this one may not be left out, though as a rule it may.
    """
    answers, framing = draft.answers, draft.framing
    usual = _usual(draft, name, is_question=is_question)
    often = f" (often {usual})" if usual and optional else ""
    usual = NONE if optional and not must else usual
    may_lack = name in MAY_LACK and (name != "voltage" or draft.role in VOLTAGE_LACKED_BY)
    mark, first = f"{name}?" if is_question else name, keys_of(framing, is_question=is_question)[0]

    def fault_of(answer: str) -> str:
        if not answer:
            return f"type what its manual prints{f', or {UNASKED}' if framing == 'line' and is_question else ''}"
        if answer == NONE:
            if must:
                return f"a {draft.role} measures {must}; type how this is asked, or {BACK}"
            return "" if optional or may_lack else f"a {draft.role} cannot do without it; type it, or Ctrl-C: answers are kept"
        fields = {first: sent_as(answer)} | ({"reply": QUESTIONS[name]} if framing == "scpi" and is_question else {})
        return part_fault(framing, name, fields, first, is_question=is_question)

    def sent_as(answer: str) -> str:
        return "" if answer == UNASKED and framing == "line" and is_question else answer

    what = "asked by" if is_question else "sent as"
    answer = answers.ask(f"{mark} {first}", f"  {name}: {MEANS[name]}; {what}{often}", usual, fault_of)
    if answer == NONE:
        if not optional:
            draft.lacks.append(name)
        return
    fields = {first: sent_as(answer)}
    draft.before[first] = fields[first]
    asked = 1 + _parts(draft, name, fields, is_question=is_question)
    if fault := row_fault(framing, name, fields, is_question=is_question):
        print(f"    {fault}")
        answers.back(asked)
    (draft.questions if is_question else draft.commands)[name] = fields
    pair = (question_pair if is_question else command_pair)(answers, framing, name, fields)
    if pair:
        draft.examples[mark] = pair
    if is_question and name in WORDS:
        key, words, default = WORDS[name]
        draft.words[key] = answers.ask(key, f"    {words}, by commas", default, _words_fault)


def _parts(draft: Draft, name: str, fields: dict[str, str], *, is_question: bool) -> int:
    """Ask for the rest of a row's parts; return how many were asked for."""
    framing, asked = draft.framing, 0
    if framing == "scpi" and is_question:
        fields["reply"] = QUESTIONS[name]
        return 0
    mark = f"{name}?" if is_question else name
    for key in keys_of(framing, is_question=is_question)[1:]:
        if not is_asked(framing, key, name, fields, is_question=is_question):
            continue

        def fault_of(answer: str, key: str = key) -> str:
            tried = fields if answer == NONE else fields | {key: answer}
            return part_fault(framing, name, tried, key, is_question=is_question)

        if key == "write" and key in draft.before:  # an instrument has one way of being written to
            fields.update({key: draft.before[key]} if draft.before[key] != NONE else {})
            continue
        usual = usual_part(key, draft.before, is_question=is_question)
        words = f"    {key} ({hint(framing, key, name, is_question=is_question)})"
        answer = draft.answers.ask(f"{mark} {key}", words, usual, fault_of)
        asked += 1
        if answer != NONE:
            fields[key] = answer
        if answer != NONE or key == "write":
            draft.before[key] = answer
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


def _time_fault(text: str) -> str:
    from chargerd.units import UnitError, parse

    try:
        parse(text, "time")
    except UnitError as wrong:
        return f"{wrong.what}; {wrong.remedy}"
    return ""


def _power_on(draft: Draft) -> str:
    """Ask what it does when the mains returns, where somebody must know."""
    if draft.role not in POWER_ON:
        return "harmless"
    words, what = POWER_ON[draft.role]
    return draft.answers.ask_word("power_on", f"When the mains returns, {what} is (as you have seen it)", words, "unknown")


def _text(name: str, about: str, settle: str, power_on: str, draft: Draft) -> str:
    """Return the file."""
    lines = [
        f"# Written by `chargerd dialect new`. Prove it: chargerd dialect test {name}",
        f"dialect: {name}", f"about: {quoted(about)}", f"role: {draft.role}", f"framing: {draft.framing}",
        "verified_on_hardware: none yet", f"settle: {settle}", f"power_on: {quoted(power_on)}",
    ]  # fmt: skip
    if draft.lacks:
        lines.append(f"lacks: [{', '.join(draft.lacks)}]")
    lines += [f"{key}: [{words}]" for key, words in draft.words.items()]
    assert set(draft.commands) <= COMMANDS
    parts = {"questions": draft.questions, "commands": draft.commands, "status": draft.status, "examples": draft.examples}
    for title, rows in parts.items():
        if rows:
            lines += ["", f"{title}:"]
            lines += [_line(key, row) for key, row in rows.items()]
    return "\n".join(lines) + "\n"


def _line(key: str, row: Mapping[str, str]) -> str:
    return f"  {key}: {{{', '.join(f'{one}: {quoted(text)}' for one, text in row.items())}}}"
