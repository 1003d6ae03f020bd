"""Who does the writing: the caller at once, or one thread beside the loop of control, so that control never waits for a disk."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from queue import SimpleQueue
from typing import Protocol

Job = Callable[[], None]


class Disk(Protocol):
    """Does one job at a time. The next is given only after `done` of the one before."""

    def start(self, job: Job, done: Job) -> None:
        """Do the job; call `done` afterwards where the caller lives."""

    def finish(self, within_s: float) -> bool:
        """Wait until no job is being done, at most so long; tell whether none is. No job is given after this."""


class AtOnce:
    """Jobs are done before `start` returns: for whoever may wait, and for runs whose time jumps."""

    def start(self, job: Job, done: Job) -> None:
        """Do both."""
        job()
        done()

    def finish(self, within_s: float) -> bool:  # noqa: ARG002 - nothing to wait for
        """There is never one left."""
        return True


class Apart:
    """Jobs are done by a thread of their own; `post` hands `done` to the loop (`loop.call_soon_threadsafe`).

    The thread is a daemon: a disk that hangs for ever does not keep the program from ending.
    """

    def __init__(self, post: Callable[[Job], object]) -> None:
        self._post = post
        self._jobs: SimpleQueue[tuple[Job, Job] | None] = SimpleQueue()
        self._idle = threading.Event()
        self._idle.set()
        threading.Thread(target=self._work, name="journal", daemon=True).start()

    def start(self, job: Job, done: Job) -> None:
        """Hand the job over."""
        self._idle.clear()
        self._jobs.put((job, done))

    def finish(self, within_s: float) -> bool:
        """Wait for the job that is being done, and end the thread. The job's `done` may come later, or never."""
        self._jobs.put(None)
        return self._idle.wait(within_s)

    def _work(self) -> None:
        while given := self._jobs.get():
            job, done = given
            try:
                job()
            finally:
                self._idle.set()
                with suppress(RuntimeError):  # the loop has ended: nobody waits any more
                    self._post(done)
