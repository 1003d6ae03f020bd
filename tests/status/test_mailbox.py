"""The mailbox: latest status per channel, events in order, bounds that hold, and nothing taken away before it was sent."""

import threading
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from status_samples import OFF_OUTPUT, sample

from chargerd.status.mailbox import CHANNELS_MAX, EVENTS_MAX, STATUS_EVERY_S, Mailbox, Queued, Status


def event(number: int) -> dict[str, Any]:
    return {"channel": "north", "id": number}


def take_all(mailbox: Mailbox, now_s: float) -> list[Any]:
    taken: list[Any] = []
    while (item := mailbox.peek(now_s)) is not None:
        mailbox.pop(item, now_s)
        taken.append(item.event["id"] if isinstance(item, Queued) else (item.channel, item.snapshot.seq))
    return taken


def test_the_latest_status_of_each_channel_replaces_the_one_before() -> None:
    mailbox = Mailbox()
    for seq in range(5):
        for channel in ("north", "south"):
            mailbox.put_status(sample(seq=seq, channel=channel), 0.0)

    assert take_all(mailbox, 0.0) == [("north", 4), ("south", 4)]


def test_events_go_first_and_in_order() -> None:
    mailbox = Mailbox()
    mailbox.put_status(sample(), 0.0)
    for number in range(3):
        mailbox.put_event(event(number))

    assert take_all(mailbox, 0.0) == [0, 1, 2, ("north", 7)]


def test_what_was_looked_at_and_not_sent_is_still_there() -> None:
    mailbox = Mailbox()
    mailbox.put_event(event(1))

    assert mailbox.peek(0.0) == mailbox.peek(0.0) == Queued(0, event(1))


def test_over_the_bound_the_oldest_event_goes_and_is_counted() -> None:
    mailbox = Mailbox()
    for number in range(EVENTS_MAX + 7):
        mailbox.put_event(event(number))

    assert mailbox.events_lost == 7
    assert mailbox.sizes() == (EVENTS_MAX, 0)
    assert take_all(mailbox, 0.0) == list(range(7, EVENTS_MAX + 7))


def test_an_event_pushed_out_while_it_was_being_sent_takes_no_other_with_it() -> None:
    mailbox = Mailbox()
    for number in range(EVENTS_MAX):
        mailbox.put_event(event(number))
    in_flight = mailbox.peek(0.0)
    assert in_flight is not None
    mailbox.put_event(event(EVENTS_MAX))
    mailbox.pop(in_flight, 0.0)

    assert take_all(mailbox, 0.0)[0] == 1


def test_a_status_replaced_while_it_was_being_sent_goes_out_too() -> None:
    mailbox = Mailbox()
    mailbox.put_status(sample(seq=1), 0.0)
    in_flight = mailbox.peek(0.0)
    assert in_flight is not None
    mailbox.put_status(sample(seq=2), 0.0)
    mailbox.pop(in_flight, 0.0)

    assert take_all(mailbox, STATUS_EVERY_S) == [("north", 2)]


def test_a_channel_too_many_is_refused_and_counted() -> None:
    mailbox = Mailbox()
    for number in range(CHANNELS_MAX + 3):
        mailbox.put_status(sample(channel=f"c{number}"), 0.0)

    assert mailbox.sizes() == (0, CHANNELS_MAX)
    assert mailbox.statuses_refused == 3


def test_a_status_like_the_one_before_waits_its_turn() -> None:
    mailbox = Mailbox()
    assert mailbox.put_status(sample(seq=1), 0.0) is True
    take_all(mailbox, 0.0)

    assert mailbox.put_status(sample(seq=2), 0.1) is False
    assert mailbox.peek(STATUS_EVERY_S / 2) is None
    assert mailbox.next_s() == STATUS_EVERY_S
    assert take_all(mailbox, STATUS_EVERY_S) == [("north", 2)]


@pytest.mark.parametrize("change", [{"state": "TRIPPED"}, {"step": "2"}, {"output": OFF_OUTPUT}, {"warnings": ("x",)}])
def test_a_change_a_person_would_act_on_goes_out_at_once(change: dict[str, Any]) -> None:
    mailbox = Mailbox()
    mailbox.put_status(sample(seq=1), 0.0)
    take_all(mailbox, 0.0)

    assert mailbox.put_status(sample(seq=2, **change), 0.1) is True
    assert take_all(mailbox, 0.1) == [("north", 2)]


def test_at_the_end_what_waits_is_sent_without_waiting() -> None:
    mailbox = Mailbox()
    mailbox.put_status(sample(seq=1), 0.0)
    take_all(mailbox, 0.0)
    mailbox.put_status(sample(seq=2), 0.1)
    last = mailbox.peek(0.1, all_now=True)

    assert isinstance(last, Status)
    assert last.snapshot.seq == 2


def test_a_status_not_renewed_in_time_goes_out_once_as_unknown() -> None:
    mailbox = Mailbox()
    snapshot = sample(valid_for_s=15.0)
    mailbox.put_status(snapshot, 0.0)
    take_all(mailbox, 0.0)

    assert mailbox.peek(14.9) is None
    assert mailbox.next_s() == 15.0
    assert mailbox.peek(15.0) == Status("north", snapshot, unknown=True)

    take_all(mailbox, 15.0)

    assert mailbox.peek(1000.0) is None
    assert mailbox.next_s() == float("inf")


def test_news_after_unknown_is_known_again() -> None:
    mailbox = Mailbox()
    mailbox.put_status(sample(), 0.0)
    take_all(mailbox, 0.0)
    take_all(mailbox, 15.0)
    mailbox.put_status(sample(seq=8), 20.0)
    item = mailbox.peek(20.0)

    assert isinstance(item, Status)
    assert (item.snapshot.seq, item.unknown) == (8, False)


def test_after_a_reconnection_every_last_status_is_sent_again_unknown_ones_as_unknown() -> None:
    mailbox = Mailbox()
    mailbox.put_status(sample(), 0.0)
    take_all(mailbox, 0.0)
    take_all(mailbox, 15.0)
    mailbox.resend()
    item = mailbox.peek(15.0 + STATUS_EVERY_S / 2)  # at once: its turn counts from the connection

    assert isinstance(item, Status)
    assert item.unknown is True


def test_what_never_can_be_sent_is_counted_as_lost() -> None:
    mailbox = Mailbox()
    mailbox.put_event(event(1))
    item = mailbox.peek(0.0)
    assert item is not None
    mailbox.pop(item, 0.0, lost=True)

    assert (mailbox.events_lost, mailbox.sizes()) == (1, (0, 0))


@given(st.lists(st.sampled_from(["put", "take"]), max_size=60))
def test_every_event_is_taken_once_and_in_order(moves: list[str]) -> None:
    mailbox, put, taken = Mailbox(), 0, []
    for move in moves:
        if move == "put":
            mailbox.put_event(event(put))
            put += 1
        elif (item := mailbox.peek(0.0)) is not None:
            mailbox.pop(item, 0.0)
            assert isinstance(item, Queued)
            taken.append(item.event["id"])
    taken += take_all(mailbox, 0.0)

    assert taken == list(range(put))


def test_many_threads_may_put_at_once() -> None:
    mailbox = Mailbox()

    def put(start: int) -> None:
        for number in range(start, start + 100):
            mailbox.put_event(event(number))
            mailbox.put_status(sample(channel=f"c{start}"), 0.0)

    threads = [threading.Thread(target=put, args=(start,)) for start in (0, 100, 200, 300)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    ids = [item for item in take_all(mailbox, 0.0) if isinstance(item, int)]

    assert sorted(ids) == list(range(400))
