"""The interview behind `dialect new`: every word of a manual is tried the moment it is typed, the file at the end."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from chargerd.cli.dialect_again import answers_of
from chargerd.cli.dialect_answers import BACK, SHOW, Answers, BackError
from chargerd.cli.dialect_parts import NONE, row_fault
from chargerd.cli.dialect_rows import Draft, ask_row
from chargerd.cli.dialect_status import ask_status
from chargerd.cli.dialect_words import (
    BASES,
    CONVENTIONS,
    DIFFERS,
    GROUPS,
    HOW,
    KINDS,
    MEANS,
    OPTIONAL,
    OPTIONAL_COMMANDS,
    POWER_ON,
    PROTECTIONS,
    STATUS_ORDER,
)
from chargerd.cli.find_bench import quoted
from chargerd.config.tables import NAME
from chargerd.errors import BenchError, Exit, RefusedError, UsageError
from chargerd.instruments.dialect import (
    COMMANDS,
    FOLDER,
    NEEDED_COMMANDS,
    NEEDED_ONE_OF,
    NEEDED_QUESTIONS,
    QUESTIONS,
    REGISTERS,
    ROLES,
)
from chargerd.instruments.dialect_file import FRAMINGS, load_dialect


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
    if (FOLDER / f"{name}.yaml").exists():
        raise RefusedError(f"a dialect {name} is shipped; choose another name (chargerd dialect list {name} prints it)")
    beside = "" if bench is None else f" --bench {bench}"
    answers = Answers(folder / f"{name}.draft.csv", f"chargerd dialect new {name}{beside}", read)
    if path.exists():
        answers.offer(answers_of(path))
        print(f"{path} is there: what it says stands in brackets. It is replaced at the end, and kept as {path.name}.before.\n")
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
    if path.exists():
        path.replace(path.with_name(f"{path.name}.before"))
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
    power_on = _power_on(draft)
    return _text(name, about, settle, power_on, draft)


_ABOUT = f"""\
Have the instrument's list of commands at hand. An empty answer takes what stands in brackets; {NONE} means: it has none.
{BACK} takes the last answer back, {SHOW} shows those so far; each is kept at once, so you may leave (Ctrl-C) and go on later.
{{output}} or {{input}} in a command stands for the number that the bench file says. {{value}} stands for a set-point.
"""


def _begin(answers: Answers) -> tuple[Draft, str]:
    about = answers.ask("about", "What is it, in a few words", "", lambda text: "" if text else "say what it is")
    role = answers.ask_word("role", "Its role", ROLES, "source")
    answers.say(KINDS)
    framing = answers.ask_word("framing", "How it is spoken to", tuple(FRAMINGS), "")
    answers.say(HOW[framing])
    draft = Draft(role, framing, load_dialect(BASES[role]) if framing == "scpi" else None, answers)
    if framing == "line":
        _once(draft)
    return draft, about


def _once(draft: Draft) -> None:
    """Ask once for what is the same in every row of most instruments that speak in lines."""
    answers = draft.answers
    answers.say("\nFor all rows together")
    if draft.role != "switch":
        units = "V and A" if draft.role in ("source", "load") else "V, A, °C or ohm"
        words = f"  All its numbers are in {units}, none in mV or mA"
        draft.same["units"] = answers.ask_word("units", words, ("yes", "no"), "yes")
        words = f"  What it says in place of a number that it has not, such as --- ({DIFFERS}: not the same everywhere)"
        draft.same["missing"] = answers.ask("missing", words, NONE, _printable_fault)
    if NEEDED_COMMANDS[draft.role]:
        words = f"  What it answers to a command that it has obeyed, such as OK ({NONE}: nothing; {DIFFERS}: not one for all)"
        draft.same["acknowledgement"] = answers.ask("acknowledgement", words, "", _acknowledgement_fault)


def _printable_fault(text: str) -> str:
    return "" if re.fullmatch(r"[\x21-\x7e]+( [\x21-\x7e]+)*", text) else "type it as it is printed"


def _acknowledgement_fault(text: str) -> str:
    if text in (NONE, DIFFERS):
        return ""
    return row_fault("line", "on", {"send": "x", "reply": text}, is_question=False)


def _rows(draft: Draft) -> None:
    """Ask for every question and command of the role."""
    is_scpi = draft.framing == "scpi"
    needed = [name for name in QUESTIONS if name in NEEDED_QUESTIONS[draft.role] and (is_scpi or name not in REGISTERS)]
    one_of = NEEDED_ONE_OF.get(draft.role, ())
    optional = [name for name in OPTIONAL.get(draft.role, ()) if is_scpi or name not in REGISTERS]
    draft.answers.say("\nQuestions")
    for name in (*needed, *optional, *one_of):
        is_last = bool(one_of) and name == one_of[-1] and not set(one_of) & set(draft.questions)
        must = f"one of {', '.join(one_of)}" if is_last else ""
        ask_row(draft, name, is_question=True, optional=name not in needed, must=must)
    if draft.questions["identity"].get("ask") == "":
        return  # it only prints
    protections = _switched(draft)
    for name in protections:
        ask_row(draft, f"{name}_enabled", is_question=True, optional=True, is_likely=True)
    draft.answers.say("\nCommands")
    optional = list(OPTIONAL_COMMANDS.get(draft.role, ()))
    for name in (*sorted(NEEDED_COMMANDS[draft.role], key=list(MEANS).index), *optional):
        is_unasked = name in optional and name in QUESTIONS and name not in draft.questions
        if name not in draft.lacks and not is_unasked:
            ask_row(draft, name, is_question=False, optional=name in optional)
    for name in protections:
        ask_row(draft, f"{name}_enable", is_question=False, optional=True, is_likely=True)


def _switched(draft: Draft) -> list[str]:
    """Ask whether its protections can be switched off; return those that can."""
    found = [name for name in PROTECTIONS if name in draft.questions]
    if not found:
        return []
    usual = "always" if draft.base is None or f"{found[0]}_enabled" not in draft.base.questions else "switched"
    words = "  Its protections are always active, or can be switched on and off"
    return found if draft.answers.ask_word("protections", words, ("always", "switched"), usual) == "switched" else []


def _status(draft: Draft) -> None:
    """Ask what the status bits mean: for a SCPI supply one of the usual conventions, else condition by condition."""
    if draft.framing != "scpi":
        if draft.role in GROUPS and draft.questions["identity"].get("ask") != "":
            ask_status(draft)
        elif draft.role in GROUPS:
            draft.lacks.append("questionable")
        return
    asked = [name for name in REGISTERS if name in draft.questions]
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
    safe = words[0]
    said = draft.answers.ask_word(
        "power_on", f"When the mains returns, {what} is ({safe}: always, whatever is set)", words, "unknown"
    )
    if said != safe and draft.role != "switch":
        ask_row(draft, "power_on", is_question=True, optional=True)
    return said


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
