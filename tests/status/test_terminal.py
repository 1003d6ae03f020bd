"""The terminal: what it shows on a screen and on a pipe, and that no terminal, stopped or gone, reaches its caller."""

from __future__ import annotations

import io
import os
import pty
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC
from pathlib import Path

import pytest
from rich.console import Console
from status_broker import DEADLINE_S, wait_until
from status_samples import OFF_OUTPUT, sample

from chargerd.core.limits import Trip
from chargerd.status.snapshot import Output, Snapshot
from chargerd.status.terminal import LINES_MAX, Terminal, is_screen, view

PLAIN: dict[str, str] = {}


def rendered(snapshots: list[Snapshot], width: int, **options: str) -> str:
    file = io.StringIO()
    console = Console(file=file, width=width, force_terminal=True, color_system="standard", markup=False, highlight=False)
    console.print(view(snapshots, title="boathouse", width=width, **options))
    return file.getvalue()


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]|[│╭╮╰╯─]", " ", text))


def cells() -> list[Snapshot]:
    return [
        sample(channel="north", cell="plover-01"),
        sample(channel="south", cell="dunlin-02"),
        sample(channel="west", cell="stint-03"),
    ]


def first_words(text: str) -> list[tuple[int, int]]:
    rows = text.splitlines()
    return [(index, row.index(name)) for name in ("plover-01", "dunlin-02", "stint-03")
            for index, row in enumerate(rows) if name in row]  # fmt: skip


def test_three_cells_stand_side_by_side_where_there_is_room() -> None:
    places = first_words(re.sub(r"\x1b\[[0-9;]*m", "", rendered(cells(), 110)))

    assert len({row for row, _ in places}) == 1
    assert places == sorted(places, key=lambda place: place[1])


def test_and_below_each_other_where_there_is_not() -> None:
    places = first_words(re.sub(r"\x1b\[[0-9;]*m", "", rendered(cells(), 70)))

    assert len({row for row, _ in places}) == 3


def test_the_view_says_all_of_a_cell_and_how_fast_time_runs() -> None:
    text = words_of(rendered(cells()[:1], 80, note="simulated time, 3600 times as fast"))

    assert "Charging at the 1.85 V limit, 0.043 A and falling; ends below 0.030 A, in about 40 min" in text
    assert "1.85 V, 0.043 A, 23.4 °C" in text
    assert "simulated time, 3600 times as fast" in text


def test_red_is_for_go_now_alone() -> None:
    calm = rendered([*cells()[:2], sample(state="TRIPPED", trip=Trip("too-cold", 2.0, 5.0), output=OFF_OUTPUT)], 110)
    urgent = rendered([sample(state="TRIPPED", output=Output(on=True))], 80)
    colours = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;\d+)*m")

    assert colours.findall(calm) == []
    assert set(colours.findall(urgent)) == {"\x1b[1;31m"}


def test_nothing_to_show_yet_is_shown_as_nothing() -> None:
    assert "boathouse" in rendered([], 80)


class Screen(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


class Latin(Screen):
    encoding = "iso-8859-1"


@pytest.mark.parametrize(("stream", "environment", "expected"), [
    (Screen(), {}, True), (Screen(), {"NO_COLOR": ""}, True), (Screen(), {"NO_COLOR": "1"}, False),
    (Screen(), {"TERM": "dumb"}, False), (io.StringIO(), {}, False), (Latin(), {}, False),
])  # fmt: skip
def test_a_live_view_needs_a_screen(stream: io.StringIO, environment: dict[str, str], expected: bool) -> None:
    assert is_screen(stream, environment) is expected


def test_without_a_screen_there_is_one_line_per_change() -> None:
    stream = io.StringIO()
    terminal = Terminal(stream, environment=PLAIN, zone=UTC)
    terminal.start()
    for elapsed_s in (0.0, 5.0, 10.0):
        terminal.offer(sample(elapsed_s=elapsed_s))
    terminal.say("Step 1.1 ended below 0.030 A\x1b[2J")
    terminal.offer(sample(elapsed_s=15.0, state="COMPLETE", output=OFF_OUTPUT, activity="off"))
    terminal.close(DEADLINE_S)
    lines = stream.getvalue().splitlines()

    assert len(lines) == 3
    assert lines[0].startswith("2025-05-04 02:14:05  plover-01 on north (simulated): Charging at the 1.85 V limit, 0.043 A")
    assert lines[1] == "Step 1.1 ended below 0.030 A\\x1b[2J"
    assert ": Complete; step 1.1" in lines[2]
    assert "\x1b" not in stream.getvalue()


def test_a_channel_that_falls_silent_gets_one_line_unknown_since() -> None:
    stream, now = io.StringIO(), [0.0]
    terminal = Terminal(stream, environment=PLAIN, clock=lambda: now[0], zone=UTC)
    terminal.start()
    terminal.offer(sample(valid_for_s=15.0))
    now[0] = 16.0
    wait_until(lambda: "Unknown since" in stream.getvalue(), "the silence is told")
    now[0] = 60.0
    terminal.close(DEADLINE_S)

    assert stream.getvalue().count("Unknown since 2025-05-04T02:14:05.123Z; before that: Charging") == 1


def test_an_encoding_without_the_degree_sign_is_no_obstacle() -> None:
    raw = io.BytesIO()
    terminal = Terminal(io.TextIOWrapper(raw, encoding="ascii", write_through=True), environment=PLAIN)
    terminal.start()
    terminal.offer(sample())
    wait_until(lambda: raw.getvalue().endswith(b"23.4 ?C\n"), "the line is written")
    terminal.close(DEADLINE_S)

    assert not terminal.is_broken


@pytest.fixture
def screen() -> Iterator[tuple[io.TextIOWrapper, int]]:
    """A pseudo-terminal: the side written to, and the descriptor of the side read from."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "w", encoding="utf-8") as stream:
        yield stream, master
    os.close(master)


def test_on_a_screen_the_view_is_drawn_and_drawn_again(screen: tuple[io.TextIOWrapper, int]) -> None:
    stream, master = screen
    terminal = Terminal(stream, title="boathouse", environment={"TERM": "xterm"})
    terminal.start()
    seen = ""

    def shows(words: str) -> bool:
        nonlocal seen
        seen += os.read(master, 65536).decode(errors="replace")
        return words in words_of(seen)

    terminal.offer(sample())
    wait_until(lambda: shows("0.043 A and falling"), "the charge is drawn")
    terminal.say("The gulls are quiet.")
    terminal.offer(sample(current_A=0.031))
    wait_until(lambda: shows("0.031 A and falling"), "the new current is drawn")
    terminal.close(DEADLINE_S)

    assert "The gulls are quiet." in seen
    assert "\x1b[?25l" not in seen  # a killed process would leave the person without a cursor


def test_a_reader_that_goes_breaks_the_view_and_not_the_caller() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream:
        terminal = Terminal(stream, environment=PLAIN)
        terminal.start()
        os.close(reader)
        terminal.offer(sample())
        wait_until(lambda: terminal.is_broken, "the end of the pipe is noticed")
        terminal.offer(sample(state="COMPLETE"))
        terminal.say("anything")
        terminal.close(DEADLINE_S)

    assert not terminal._queue
    assert not terminal._latest


def test_a_terminal_that_hangs_up_breaks_the_view_and_not_the_caller() -> None:
    master, slave = pty.openpty()
    with os.fdopen(slave, "w", encoding="utf-8") as stream:
        terminal = Terminal(stream, environment={"TERM": "xterm"})
        terminal.start()
        terminal.offer(sample())
        os.close(master)
        wait_until(lambda: terminal.is_broken, "the hang-up is noticed")
        terminal.close(DEADLINE_S)

    assert terminal.is_broken


class Gone(Screen):
    def write(self, text: str) -> int:
        raise BrokenPipeError


def test_a_screen_whose_reader_is_gone_breaks_the_view_and_leaves_the_process_alone() -> None:
    before = os.fstat(1)
    terminal = Terminal(Gone(), environment={"TERM": "xterm"})
    terminal.start()
    terminal.offer(sample())
    wait_until(lambda: terminal.is_broken, "the loss is noticed")

    assert os.path.samestat(before, os.fstat(1))


def test_a_closed_stream_breaks_the_view_and_not_the_caller() -> None:
    stream = io.StringIO()
    terminal = Terminal(stream, environment=PLAIN)
    stream.close()
    terminal.start()
    terminal.offer(sample())
    wait_until(lambda: bool(terminal.is_broken), "the closed stream is noticed")

    assert terminal.is_broken


def test_a_pipe_nobody_reads_delays_no_offer_and_the_queue_stays_bounded() -> None:
    reader, writer = os.pipe()
    with os.fdopen(writer, "w") as stream:
        terminal = Terminal(stream, environment=PLAIN)
        terminal.start()
        for number in range(4 * LINES_MAX):
            terminal.offer(sample(step=str(number)))
        terminal.close(0.1)

        assert len(terminal._queue) <= LINES_MAX
        assert terminal._thread.is_alive()

    text = bytearray()
    drain = threading.Thread(target=lambda: text.extend(b"".join(iter(lambda: os.read(reader, 65536), b""))))
    drain.start()
    drain.join(DEADLINE_S)
    os.close(reader)

    assert not drain.is_alive()
    assert re.search(rb"\(\d+ lines were not shown\)", text)
    assert f"step {4 * LINES_MAX - 1},".encode() in text


CHILD = """
import sys
from status_samples import sample
from chargerd.status.terminal import Terminal
terminal = Terminal(sys.stdout, environment={})
terminal.start()
for number in range(3000):
    terminal.offer(sample(step=str(number)))
terminal.close(0.5)
sys.exit(7)
"""


@pytest.mark.parametrize("reader_goes", [True, False])
def test_a_process_ends_in_order_whether_its_reader_is_gone_or_asleep(reader_goes: bool) -> None:
    here = Path(__file__).parent
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(here), str(here.parent.parent)]))
    with subprocess.Popen(
        [sys.executable, "-c", CHILD], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment
    ) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        if reader_goes:
            child.stdout.close()
        code = child.wait(DEADLINE_S)
        complaints = child.stderr.read()

    assert (code, complaints) == (7, b"")
