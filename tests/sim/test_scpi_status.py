"""Error queue and registers: IEEE 488.2 §11, SCPI-1999 volume 1 §9 and volume 2 chapters 20, 21."""

from __future__ import annotations

import pytest

from chargerd.sim.scpi_status import ErrorQueue, Register, Status, esr_bit


def test_errors_leave_the_queue_in_the_order_they_came() -> None:
    queue = ErrorQueue()
    queue.push(-113)
    queue.push(-222, "VOLT")

    assert queue.take() == '-113,"Undefined header"'
    assert queue.take() == '-222,"Data out of range;VOLT"'
    assert queue.take() == '0,"No error"'


def test_a_full_queue_says_so_in_its_last_entry_and_keeps_the_oldest() -> None:
    queue = ErrorQueue(depth=2)
    for number in (-113, -109, -222, -102):
        queue.push(number)

    assert queue.take_all() == '-113,"Undefined header",-350,"Queue overflow"'
    assert len(queue) == 0


def test_the_code_alone_can_be_taken() -> None:
    queue = ErrorQueue(empty_reply='-000,"No error"')
    queue.push(101, "Fan")

    assert queue.take_code() == 101
    assert queue.take_code() == 0


@pytest.mark.parametrize(("number", "expected"), [(-113, 32), (-222, 16), (-350, 8), (101, 8), (-440, 4), (-500, 128), (-800, 1)])
def test_the_class_of_an_error_chooses_its_event_bit(number: int, expected: int) -> None:
    # SCPI-1999 volume 2, §21.8
    assert expected == esr_bit(number)


def test_an_event_latches_until_it_is_read() -> None:
    register = Register()
    register.update(512)
    register.update(0)

    assert (register.take_event(), register.take_event()) == (512, 0)


def test_a_condition_that_came_and_went_between_two_looks_still_latches() -> None:
    register = Register()
    register.update(0, seen=512)

    assert (register.condition, register.event) == (0, 512)


def test_a_standing_condition_latches_once() -> None:
    register = Register()
    register.update(2)
    register.take_event()
    register.update(2)

    assert register.event == 0


def test_the_status_byte_sums_up_what_is_enabled() -> None:
    status = Status()
    status.report(-113)
    status.questionable.update(512)
    status.operation.update(256)

    assert status.status_byte(message_available=False) == 4

    status.ese, status.questionable.enable, status.operation.enable, status.sre = 32, 512, 256, 8

    assert status.status_byte(message_available=True) == 4 + 8 + 16 + 32 + 64 + 128


def test_power_on_is_reported_once() -> None:
    status = Status()

    assert (status.take_esr(), status.take_esr()) == (128, 0)


def test_clearing_keeps_the_enables() -> None:
    status = Status()
    status.report(-113)
    status.ese = 32
    status.questionable.update(512)
    status.clear()

    assert (
        status.esr, status.ese, len(status.errors), status.questionable.event, status.questionable.condition,
    ) == (0, 32, 0, 0, 512)  # fmt: skip


def test_preset_takes_the_enables_of_the_two_scpi_registers_only() -> None:
    status = Status()
    status.ese = status.operation.enable = status.questionable.enable = 3
    status.preset()

    assert (status.ese, status.operation.enable, status.questionable.enable) == (3, 0, 0)
