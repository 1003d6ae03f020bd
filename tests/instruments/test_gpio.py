"""Pins through a FAKE of the libgpiod bindings (fake_gpiod.py): no machine here has a GPIO chip."""

from __future__ import annotations

import asyncio
import importlib
import inspect
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator
from typing import TypeVar

import pytest

from chargerd.errors import LinkClosedError, LinkError, LinkGarbledError
from chargerd.instruments.transports import registry
from chargerd.instruments.transports.link import Link
from chargerd.instruments.transports.registry import open_link, parse_address
from tests.instruments import fake_gpiod
from tests.instruments.fake_gpiod import BOARDS, Board, Direction

T = TypeVar("T")
MODULE = "chargerd.instruments.transports.gpio"


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Iterator[Board]:
    monkeypatch.setitem(sys.modules, "gpiod", fake_gpiod)
    monkeypatch.setitem(sys.modules, "gpiod.line", fake_gpiod.line)
    monkeypatch.delitem(sys.modules, MODULE, raising=False)
    made = BOARDS["/dev/gpiochip0"] = Board("pinctrl-boathouse")
    yield made
    BOARDS.clear()
    sys.modules.pop(MODULE, None)


def run(main: Callable[[Link], Awaitable[T]], options: str = "") -> T:
    async def body() -> T:
        link = await open_link(parse_address(f"gpio:///dev/gpiochip0{options}"), deadline_s=2.0)
        try:
            return await main(link)
        finally:
            await link.close()

    return asyncio.run(body())


async def ask(link: Link, *messages: bytes) -> list[bytes]:
    return [await link.query(message, deadline_s=1.0) for message in messages]


def test_an_output_takes_its_level_at_once_and_keeps_it_while_the_link_is_open(board: Board) -> None:
    async def main(link: Link) -> None:
        assert await ask(link, b"17 1", b"17?", b"17 0", b"17?", b"17 1") == [b"1", b"1", b"0", b"0", b"1"]
        await ask(link, b"5?", b"27 0")
        assert board.pins[17].consumer == "chargerd"
        assert board.pins[17].high

    run(main)

    assert board.pins[17].levels == [True, False, True]
    assert board.pins[17].direction is Direction.OUTPUT
    assert board.pins[17].levels[0] is True, "no other level before the one asked for"


def test_a_question_leaves_a_line_what_it_is(board: Board) -> None:
    board.pins[17].direction, board.pins[17].high = Direction.OUTPUT, True

    assert run(lambda link: ask(link, b"17?", b"5?")) == [b"1", b"0"]
    assert board.pins[17].direction is Direction.OUTPUT
    assert board.pins[17].levels == []
    assert board.pins[5].direction is Direction.INPUT


def test_a_line_that_was_only_read_becomes_an_output_without_being_let_go(board: Board) -> None:
    assert run(lambda link: ask(link, b"17?", b"17 1", b"17?")) == [b"0", b"1", b"1"]
    assert board.pins[17].levels == [True]


@pytest.mark.parametrize(("options", "level", "high"), [("", b"17 1", True), ("?active_low=17,27", b"17 1", False),
                                                        ("?active_low=all", b"17 0", True), ("?active_low=27", b"17 1", True)])
def test_active_low_turns_a_pin_round(board: Board, options: str, level: bytes, high: bool) -> None:
    (said,) = run(lambda link: ask(link, level), options)

    assert said == level[-1:]
    assert board.pins[17].high is high


def test_a_pulled_up_input_is_asked_for_only_where_it_is_one(board: Board) -> None:
    run(lambda link: ask(link, b"5?", b"17 1"), "?pull=up")

    assert board.pins[5].bias is fake_gpiod.Bias.PULL_UP
    assert board.pins[17].bias is fake_gpiod.Bias.AS_IS


def test_the_chip_says_its_label_and_a_dead_chip_closes_the_link(board: Board) -> None:
    async def main(link: Link) -> None:
        assert await ask(link, b"label?") == [b"pinctrl-boathouse"]
        board.is_dead = True
        with pytest.raises(LinkClosedError, match="No such device"):
            await link.query(b"17 1", deadline_s=1.0)
        assert link.dirty

    run(main)


@pytest.mark.parametrize("message", [b"17", b"17 2", b"17  1", b"1000?", b"*IDN?", b"17 1\n", b"-1 1", b"17?17?", b""])
def test_what_is_no_message_to_a_pin_moves_none(board: Board, message: bytes) -> None:
    async def main(link: Link) -> None:
        with pytest.raises(LinkGarbledError):
            await link.query(message, deadline_s=1.0)
        assert link.dirty

    run(main)
    assert all(pin.levels == [] and not pin.consumer for pin in board.pins)


@pytest.mark.parametrize("message", [b"99?", b"99 1"])
def test_a_line_the_chip_has_not_closes_the_link(board: Board, message: bytes) -> None:
    async def main(link: Link) -> None:
        board.pins = board.pins[:32]
        with pytest.raises(LinkError):
            await link.query(message, deadline_s=0.3)
        assert link.dirty

    run(main)


def test_a_line_that_another_program_holds_is_told(board: Board) -> None:
    board.pins[17].consumer = "fan"

    async def main(link: Link) -> None:
        with pytest.raises(LinkClosedError, match="busy"):
            await link.query(b"17 1", deadline_s=1.0)

    run(main)
    assert board.pins[17].levels == []


def test_closing_lets_the_lines_go_and_a_new_link_finds_their_level(board: Board) -> None:
    run(lambda link: ask(link, b"17 1"))

    assert run(lambda link: ask(link, b"17?")) == [b"1"]
    assert board.pins[17].levels == [True]


def test_lines_that_are_let_go_slowly_are_waited_for(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    real, pause = fake_gpiod.LineRequest.release, threading.Event()

    def slow(request: fake_gpiod.LineRequest) -> None:
        pause.wait(0.2)
        real(request)

    monkeypatch.setattr(fake_gpiod.LineRequest, "release", slow)
    run(lambda link: ask(link, b"17 1"))

    assert run(lambda link: ask(link, b"17?")) == [b"1"]
    assert board.pins[17].levels == [True]


def test_a_path_that_is_no_chip_is_told(board: Board) -> None:
    BOARDS.clear()

    with pytest.raises(LinkClosedError, match="no GPIO chip"):
        run(lambda link: ask(link, b"17?"))
    assert not board.is_dead


def test_without_the_bindings_the_reason_is_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", None)
    monkeypatch.delitem(sys.modules, MODULE, raising=False)

    assert "gpio:// needs a library that is not installed" in registry.missing_libraries()["gpio"]
    assert parse_address("gpio:///dev/gpiochip0").scheme == "gpio"


def test_old_bindings_are_refused_with_the_version_needed(monkeypatch: pytest.MonkeyPatch, board: Board) -> None:
    monkeypatch.setattr(fake_gpiod, "__version__", "1.6.5")

    assert "2.0 or newer" in registry.missing_libraries()["gpio"]
    assert board.pins


def test_the_fake_has_the_names_and_arguments_of_the_real_bindings() -> None:
    real = pytest.importorskip("gpiod")
    importlib.import_module("gpiod.line")

    for name in ("is_gpiochip_device", "Chip", "LineSettings", "LineRequest"):
        assert hasattr(real, name) or name == "LineRequest"
    for kind in ("Direction", "Bias", "Value"):
        for member in getattr(fake_gpiod.line, kind):
            assert getattr(getattr(real.line, kind), member.name).value == member.value
    wanted = {"direction", "bias", "active_low", "output_value"}
    assert wanted <= set(inspect.signature(real.LineSettings).parameters)
    assert {"config", "consumer"} <= set(inspect.signature(real.Chip.request_lines).parameters)
    for method in ("get_value", "set_value", "reconfigure_lines", "release"):
        fake = list(inspect.signature(getattr(fake_gpiod.LineRequest, method)).parameters)
        assert list(inspect.signature(getattr(real.LineRequest, method)).parameters) == fake
    assert real.is_gpiochip_device("/dev/null") is False
