"""The answers to an interview (`dialect new`, `init`): kept in a draft file after each, never thrown away, taken back one by one.

The interview is a function of its answers. Going back, or going on another day, runs it again from the start: answers that are
firm are taken from the draft without a word printed, until one is missing or no longer fits.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from pathlib import Path

from chargerd.errors import UsageError

Read = Callable[[str], str]

BACK, SHOW = "back", "answers"
"""What may be typed in place of an answer. No instrument is known to be asked by these words; a draft can be edited if one is."""

BAD_MAX = 50
"""So many unusable answers to one question come from no person: something that is no keyboard is typing."""

_HEAD = ["asked", "answer"]


class BackError(Exception):
    """An answer was taken back: the interview is run again from its start."""


class Answers:
    """What was answered so far, in order, and what was once answered and is offered again."""

    def __init__(self, draft: Path, again: str, read: Read) -> None:
        """Read the draft, where there is one. `again`: the command line that goes on with it. Raises UsageError."""
        self._draft = draft
        self._again = again
        self._read = read
        self._given = _kept(draft)
        self._earlier: dict[str, str] = {}
        self._at = 0
        self._is_typed = False
        self._is_resumed = False
        self.topic = ""
        """The row that is being asked for: said again when a person comes back into the middle of it."""

    def __len__(self) -> int:
        return len(self._given)

    def begin(self) -> None:
        """Run the interview from its start."""
        self._at = 0

    @property
    def is_live(self) -> bool:
        """True once a person is asked; before, kept answers are gone through."""
        return self._at >= len(self._given)

    def say(self, text: str) -> None:
        """Print, unless kept answers are just gone through."""
        if self.is_live:
            print(text)

    def remark(self, text: str) -> None:
        """Print something about the answer just typed; nothing about one that was kept."""
        if self._is_typed:
            print(text)

    def ask(self, key: str, words: str, default: str, fault_of: Callable[[str], str]) -> str:
        """Return the answer to one question, asked until it is usable.

        `key` names it in the draft; `fault_of` returns what is wrong with an answer and what to type instead, "" for nothing.

        Raises:
            BackError: the answer before was taken back. EOFError, KeyboardInterrupt: the person left; the draft is kept.
        """
        if not self.is_live:
            asked, answer = self._given[self._at]
            if asked == key and not fault_of(answer):
                self._at += 1
                self._is_typed, self._is_resumed = False, True
                return answer
            self._take_back(len(self._given) - self._at)  # the program or the draft was changed: asked anew, and offered
        if self._is_resumed and self.topic:
            print(self.topic)
        self._is_resumed = False
        for _ in range(BAD_MAX):
            offered = self._earlier.get(key, default)
            answer = self._read(f"{words}{f' [{offered}]' if offered else ''}: ").strip() or offered
            if answer == BACK:
                self.back(1)
            elif answer == SHOW:
                print(self.shown())
            elif fault := fault_of(answer):
                print(f"    {fault}")
            else:
                self._given.append((key, answer))
                self._at += 1
                self._is_typed = True
                self._keep()
                return answer
        raise EOFError

    def offer(self, earlier: Mapping[str, str]) -> None:
        """Offer answers that were given another time."""
        self._earlier.update(earlier)

    def ask_word(self, key: str, words: str, known: tuple[str, ...], default: str) -> str:
        """Ask for one of some words."""
        listed = ", ".join(known)
        return self.ask(key, f"{words} ({listed})", default, lambda text: "" if text in known else f"type one of {listed}")

    def back(self, count: int) -> None:
        """Take the last answers back; they are offered again. Raises BackError, unless there are none."""
        if not self._given:
            print("    this is the first question")
            return
        self._take_back(min(count, len(self._given)))
        print("    taken back; what stood there is offered in brackets, and Enter keeps it")
        self.topic = ""
        raise BackError

    def shown(self) -> str:
        """Return the answers so far, as a person reads them."""
        return "\n".join(f"      {key}: {answer}" for key, answer in self._given) or "      none yet"

    def kept(self) -> str:
        """Return where the answers are and how to go on."""
        return f"{len(self._given)} answers are kept in {self._draft}; go on with: {self._again}"

    def done(self) -> None:
        """Delete the draft: its answers are in the dialect's own file."""
        self._draft.unlink(missing_ok=True)

    def _take_back(self, count: int) -> None:
        for key, answer in self._given[len(self._given) - count :]:
            self._earlier[key] = answer
        del self._given[len(self._given) - count :]
        self._at = min(self._at, len(self._given))
        self._keep()

    def _keep(self) -> None:
        text = io.StringIO()
        csv.writer(text, lineterminator="\r\n").writerows([_HEAD, *self._given])
        whole = self._draft.with_suffix(".new")
        try:
            self._draft.parent.mkdir(parents=True, exist_ok=True)
            whole.write_text(text.getvalue(), encoding="utf-8", newline="")
            whole.replace(self._draft)
        except OSError as fault:
            raise UsageError(f"{self._draft} cannot be written ({fault.strerror}): go to a folder of your own") from None


def _kept(draft: Path) -> list[tuple[str, str]]:
    """Read a draft. Raises UsageError."""
    if not draft.exists():
        return []
    try:
        with draft.open(encoding="utf-8", newline="") as file:
            head, *rows = csv.reader(file)
        found = [(key, answer) for key, answer in rows]
    except (OSError, ValueError, csv.Error):
        head, found = [], []
    if head != _HEAD:
        raise UsageError(f"{draft}: cannot be read as answers; correct it, or delete it to begin anew")
    return found
