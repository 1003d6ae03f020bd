"""Asked from outside to go on: a pause is resumed, a question answered, never the one for the other."""

from __future__ import annotations

from typing import Any

from chargerd.core.events import Answer, Resume
from chargerd.daemon.channel import Channel

ANSWER_MAX = 1000
"""Characters of an answer that are kept; a longer one is a slip, and a journal row must stay a row."""


def go_on(channel: Channel, asked: dict[str, Any]) -> dict[str, Any]:
    """Resume a pause, or answer the question that waits; return what is answered to who asked."""
    by, said = asked.get("by", "person"), asked.get("said", "")
    if channel.engine.memory.asked_s is not None:
        if not said:
            question = channel.engine.step.question
            return {"error": f'it asks: {question}; answer with `chargerd resume RUN --answer "…"`'}
        channel.ask(Answer(by=by, text=said[:ANSWER_MAX]))
    elif said:
        return {"error": "nothing is asked now; resume without --answer"}
    else:
        channel.ask(Resume(by=by))
    return {"answer": "checking the bench, then going on"}
