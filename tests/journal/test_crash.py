"""Power cuts and kills at every moment of a run: what is recovered is a true prefix, and the engine stands where it stood.

After a power cut each file may end anywhere between what was synced last and what was written last, each by itself.
"""

from __future__ import annotations

import os
import random
import shutil
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from chargerd.core.events import Gap, Record
from chargerd.core.reading import Reading
from chargerd.journal.columns import EVENTS, READINGS
from chargerd.journal.recovery import recover
from chargerd.journal.resume import fold, replay
from chargerd.journal.writer import JournalWriter
from tests.journal.small_run import VERSION, SmallEngine, events_of, readings_of, written


class Witness(SmallEngine):
    """Remembers its memory after every input, by how many readings and other inputs it had taken."""

    def __init__(self) -> None:
        super().__init__()
        self.inputs = 0
        self.truth = {(0, 0): self.memory_json()}

    def take(self, reading: Reading, now_s: float) -> tuple[Record, ...]:
        followed = super().take(reading, now_s)
        self.truth[self.taken, self.inputs] = self.memory_json()
        return followed

    def command(self, record: Record, now_s: float) -> tuple[Record, ...]:
        followed = super().command(record, now_s)
        self.inputs += 1
        self.truth[self.taken, self.inputs] = self.memory_json()
        return followed

    def tick(self, now_s: float) -> tuple[Record, ...]:
        followed = super().tick(now_s)
        self.inputs += 1
        self.truth[self.taken, self.inputs] = self.memory_json()
        return followed


@dataclass
class Moment:
    """Sizes of the files after one system call: written, and safe from a power cut."""

    size: dict[str, int] = field(default_factory=lambda: {READINGS: 0, EVENTS: 0})
    safe: dict[str, int] = field(default_factory=lambda: {READINGS: 0, EVENTS: 0})


@dataclass
class Story:
    """A run, and every moment at which it might have been cut."""

    folder: Path
    engine: Witness
    moments: list[Moment]


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    moments: list[Moment] = []
    write, sync = os.write, os.fdatasync

    def note(descriptor: int, *, safe: bool) -> None:
        name = Path(f"/proc/self/fd/{descriptor}").readlink().name
        now = Moment(dict(moments[-1].size), dict(moments[-1].safe)) if moments else Moment()
        (now.safe if safe else now.size)[name] = os.fstat(descriptor).st_size
        moments.append(now)

    def noted_write(descriptor: int, content: bytes) -> int:
        written_bytes = write(descriptor, content)
        note(descriptor, safe=False)
        return written_bytes

    def noted_sync(descriptor: int) -> None:
        sync(descriptor)
        note(descriptor, safe=True)

    engine = Witness()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "write", noted_write)
        patch.setattr(os, "fdatasync", noted_sync)
        run = written(tmp_path_factory.mktemp("data"), seed=3, engine=engine)
    begin = next(number for number, moment in enumerate(moments) if min(moment.safe.values()) > 0)
    return Story(run.folder, engine, moments[begin:])


def cut_copy(story: Story, tmp_path: Path, readings: int, events: int) -> Path:
    folder = tmp_path / "run"
    if not folder.exists():
        shutil.copytree(story.folder, folder)
    (folder / READINGS).write_bytes((story.folder / READINGS).read_bytes()[:readings])
    (folder / EVENTS).write_bytes((story.folder / EVENTS).read_bytes()[:events])
    return folder


def told(folder: Path) -> list[tuple[int, str, str]]:
    return [(row.after_seq, row.kind, row.detail) for row in events_of(folder) if row.kind != "checkpoint"]


def check(story: Story, folder: Path, moment: Moment, *, use_checkpoints: bool) -> None:
    confirmed = (story.folder / EVENTS).read_bytes()[: moment.safe[EVENTS]]
    recover(folder)
    for name in (READINGS, EVENTS):
        assert (story.folder / name).read_bytes().startswith((folder / name).read_bytes())
    assert (folder / EVENTS).read_bytes().startswith(confirmed)
    readings, events = readings_of(folder), events_of(folder)
    assert max((row.after_seq for row in events), default=0) <= len(readings)
    folded = fold(folder, SmallEngine, engine_version=VERSION, use_checkpoints=use_checkpoints)
    inputs = sum(row.is_input for row in events)
    assert folded.differences == ()
    assert folded.engine.memory_json() == story.engine.truth[len(readings), inputs]
    writer = JournalWriter.reopen(folder, engine_version=VERSION)
    writer.restore(folded.owed)
    writer.record(Gap(3.0, 1.0), folded.last_elapsed_s, "2027-01-15T09:00:00.000Z")
    writer.close()
    whole = told(story.folder)
    assert told(folder)[:-1] == whole[: len(told(folder)) - 1]


def test_after_a_kill_at_any_moment_nothing_written_is_lost(story: Story, tmp_path: Path) -> None:
    for moment in story.moments:
        folder = cut_copy(story, tmp_path, moment.size[READINGS], moment.size[EVENTS])
        assert recover(folder) == ()
        assert (folder / EVENTS).stat().st_size == moment.size[EVENTS]
        check(story, folder, moment, use_checkpoints=False)


@pytest.mark.parametrize("use_checkpoints", [True, False])
def test_after_a_power_cut_at_any_moment_the_engine_stands_where_it_stood(
    story: Story, tmp_path: Path, use_checkpoints: bool
) -> None:
    chance = random.Random(11)
    for moment in story.moments:
        for _ in range(4):
            readings, events = (
                chance.choice((moment.safe[name], moment.size[name], chance.randint(moment.safe[name], moment.size[name])))
                for name in (READINGS, EVENTS)
            )
            folder = cut_copy(story, tmp_path, readings, events)
            check(story, folder, moment, use_checkpoints=use_checkpoints)


def test_the_story_has_moments_that_can_hurt(story: Story) -> None:
    assert sum(moment.safe[READINGS] < moment.size[READINGS] for moment in story.moments) > 10
    assert sum(moment.safe[EVENTS] < moment.size[EVENTS] for moment in story.moments) > 10
    kinds = {row.kind for row in events_of(story.folder)}
    assert {"tick", "checkpoint", "pause", "resume", "observed", "reading-lost"} <= kinds


def test_a_run_cut_and_resumed_again_and_again_replays_without_a_difference(story: Story, tmp_path: Path) -> None:
    whole = replay(story.folder, SmallEngine, engine_version=VERSION)
    assert (whole.differences, whole.owed, whole.torn) == ((), (), ())
    moment = story.moments[len(story.moments) // 2]
    folder = cut_copy(story, tmp_path, moment.size[READINGS], moment.safe[EVENTS])
    for size in (moment.size[READINGS] - 5, moment.safe[READINGS] + 3):
        os.truncate(folder / READINGS, max(size, moment.safe[READINGS]))
        recover(folder)
        folded = fold(folder, SmallEngine, engine_version=VERSION)
        writer = JournalWriter.reopen(folder, engine_version=VERSION)
        writer.restore(folded.owed)
        writer.close()
    again = replay(folder, SmallEngine, engine_version=VERSION)
    assert (again.differences_count, again.owed, again.torn) == (0, (), ())
