"""Progress on a terminal: a live view where there is a screen, else one line per change. It draws in a thread of its own.

A stopped terminal (Ctrl-S) or a pipe nobody reads blocks whoever writes to it, and a closed one raises. Neither may reach a
channel loop: it hands over snapshots and goes on. No colour says anything here but red, which means: act now.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import tzinfo
from typing import TextIO

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from chargerd.status.display import Changes, aged, by_urgency, cell_lines, change_lines
from chargerd.status.snapshot import Snapshot
from chargerd.status.words import plain

REDRAW_S = 0.25
LINES_MAX = 1000
"""Lines kept for a terminal that does not read; then the oldest go, and it is said how many."""

SIDE_BY_SIDE_MIN = 26
"""Columns of text each cell needs to stand beside another; narrower, they stand below each other."""

ACROSS_MAX = 3


def is_screen(stream: TextIO, environment: Mapping[str, str]) -> bool:
    """Whether a live view can be drawn: a terminal that moves its cursor and knows °, and nobody set NO_COLOR."""
    if environment.get("NO_COLOR") or environment.get("TERM") in ("dumb", "unknown"):
        return False
    return stream.isatty() and (stream.encoding or "").lower().replace("-", "") == "utf8"


class Terminal:
    """Shows what it is offered until `close`. `offer` and `say` may be called from any thread; they never wait nor raise.

    `clock` is the time snapshots age by (a simulated bench passes its own); `every_s` of a run's own time after the last
    line a new one is due where there is no screen. `title` and `note` (speed of simulated time) frame the live view.
    """

    def __init__(
        self,
        stream: TextIO,
        *,
        title: str = "chargerd",
        every_s: float = 600.0,
        clock: Callable[[], float] = time.monotonic,
        environment: Mapping[str, str] = os.environ,
        zone: tzinfo | None = None,
    ) -> None:
        self._screen = is_screen(stream, environment)
        self._stream = _own(stream)
        self._title = title
        self.note = ""
        self._clock = clock
        self._zone = zone
        self._changes = Changes(every_s)
        self._latest: dict[str, tuple[Snapshot, float]] = {}
        self._queue: deque[Snapshot | str] = deque(maxlen=LINES_MAX)
        self._dropped = 0
        self._closing = self.is_broken = False
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="chargerd-terminal", daemon=True)

    def start(self) -> None:
        """Begin to draw."""
        self._thread.start()

    def offer(self, snapshot: Snapshot) -> None:
        """Show this channel as it is now."""
        with self._news:
            if self.is_broken:
                return
            self._latest[snapshot.subject.channel] = (snapshot, self._clock())
            if not self._screen and self._changes.is_news(snapshot):
                self._put(snapshot)

    def say(self, text: str) -> None:
        """Show one line of words: an event's sentence, or what a demonstration does next."""
        with self._news:
            if not self.is_broken:
                self._put(text)

    def close(self, timeout_s: float = 2.0) -> None:
        """Show the last state and stop. Waits no longer than `timeout_s` for a terminal that does not read."""
        with self._news:
            self._closing = True
            self._news.notify()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _put(self, item: Snapshot | str) -> None:
        self._dropped += len(self._queue) == LINES_MAX
        self._queue.append(item)
        self._news.notify()

    def _run(self) -> None:
        try:
            if self._screen:
                self._draw()
            else:
                self._print()
        except (OSError, ValueError):  # the reader is gone, the terminal hung up, or the stream was closed
            with self._news:
                self.is_broken = True
                self._queue.clear()
                self._latest.clear()
        finally:
            if self._stream.is_own:
                with suppress(OSError):
                    self._stream.file.close()

    # --- one line per change -----------------------------------------------------------------------------------------

    def _print(self) -> None:
        while True:
            with self._news:
                if not self._queue and not self._closing:
                    self._news.wait(REDRAW_S)
                closing, items, dropped = self._closing, list(self._queue), self._dropped
                items += self._lapsed()
                self._queue.clear()
                self._dropped = 0
            if dropped:
                self._write(f"({dropped} lines were not shown)")
            for item in items:
                for line in [plain(item)] if isinstance(item, str) else change_lines(item, self._zone):
                    self._write(line)
            if closing:
                return

    def _lapsed(self) -> list[Snapshot]:
        """Return, once each, the channels from which nothing has come in time."""
        now_s, found = self._clock(), []
        for channel, (snapshot, offered_s) in self._latest.items():
            late = aged(snapshot, now_s - offered_s)
            if late is not snapshot:
                self._latest[channel] = (late, offered_s)
                found.append(late)
        return found

    def _write(self, line: str) -> None:
        file = self._stream.file
        encoding = file.encoding or "utf-8"
        file.write(line.encode(encoding, "replace").decode(encoding) + "\n")
        file.flush()

    # --- live --------------------------------------------------------------------------------------------------------

    def _draw(self) -> None:
        console = _Console(
            file=self._stream.file, force_terminal=True, markup=False, highlight=False, emoji=False, soft_wrap=False
        )
        with Live(console=console, auto_refresh=False, redirect_stdout=False, redirect_stderr=False) as live:
            while True:
                with self._news:
                    if not self._closing:
                        self._news.wait(REDRAW_S)
                    closing, said = self._closing, [item for item in self._queue if isinstance(item, str)]
                    self._queue.clear()
                    now_s = self._clock()
                    snapshots = [aged(snapshot, now_s - offered_s) for snapshot, offered_s in self._latest.values()]
                for text in said:
                    console.print(Text(plain(text)))
                if snapshots:  # before the first one somebody may be asked something here
                    live.update(view(snapshots, title=self._title, note=self.note, width=console.width), refresh=True)
                if closing:
                    return


def view(snapshots: list[Snapshot], *, title: str, note: str = "", width: int = 80) -> RenderableType:
    """Return the live view: cells beside each other where there is room, else below each other, most urgent first."""
    across = min(ACROSS_MAX, len(snapshots))
    body: RenderableType
    if across < 2 or (width - 4) // across < SIDE_BY_SIDE_MIN:
        texts = [_text(snapshot) for snapshot in by_urgency(snapshots)]
        body = Group(*[part for text in texts for part in (text, Text())][:-1])
    else:
        grid = Table.grid(padding=(0, 2, 1, 0), expand=True)
        for _ in range(across):
            grid.add_column(ratio=1)
        for start in range(0, len(snapshots), across):
            grid.add_row(*(_text(snapshot) for snapshot in snapshots[start : start + across]))
        body = grid
    return Panel(body, title=Text(plain(title)), subtitle=Text(plain(note)) if note else None, title_align="left", width=width)


def _text(snapshot: Snapshot) -> Text:
    first, *rest = cell_lines(snapshot)
    text = Text(first.text, style="bold")
    for line in rest:
        text.append("\n")
        text.append(line.text, style="bold red" if line.urgent else "not bold")
    return text


class _Console(Console):
    """A console that leaves the process alone when its reader goes, and the cursor too: a killed process cannot bring it back."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError

    def show_cursor(self, show: bool = True) -> bool:
        return show


class _Stream:
    """The stream written to, and whether it is a private one."""

    __slots__ = ("file", "is_own")

    def __init__(self, file: TextIO, *, is_own: bool) -> None:
        self.file = file
        self.is_own = is_own


def _own(stream: TextIO) -> _Stream:
    # A thread blocked in sys.stdout holds its lock, and the interpreter's last flush would wait for it and abort the process.
    try:
        number = os.dup(stream.fileno())
    except (OSError, ValueError):  # not a file of the system, or closed already
        return _Stream(stream, is_own=False)
    return _Stream(os.fdopen(number, "w", encoding=stream.encoding, errors="replace"), is_own=True)
