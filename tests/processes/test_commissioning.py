"""`commission` in processes of its own against a simulated bench in another: killed, hung, stopped in a question, and to its end.

What is judged is the simulator's own log of what conducted. The person is a pipe, or a terminal, that answers what is asked.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from chargerd.errors import Exit

from .bench_process import CHANNEL, KEEPER_KILL_S, KEEPER_PATIENCE_S, Bench, Run, is_alive, wait_until
from .test_signals import Reader

pytestmark = pytest.mark.timeout(180)
SETSID = shutil.which("setsid")
READY, CLIPPED, STILL_CLIPPED, HAND = "Is no cell connected", "Clip the supply's leads", "are still on the load's", "two fingers"
STOP_WITHIN_S = 5.0
"""As the keeper waits for a worker that was asked to end; then it would have executed the off plan, with another exit code."""


@pytest.fixture
def bench(make_bench: Callable[..., Bench]) -> Bench:
    return make_bench(clipped=("--open",))


class Proving:
    """One `chargerd commission`, and who answers it."""

    def __init__(self, bench: Bench) -> None:
        read, self._answers = os.pipe()
        self.bench = bench
        self.run: Run = bench.start("commission", "bench.yaml", stdin=read)
        os.close(read)

    def asked(self, question: str) -> None:
        wait_until(lambda: question in self.run.said() or self.run.process.poll() is not None, f"it asks: {question}")
        assert question in self.run.said(), self.run.said()

    def answer(self, question: str, said: str = "yes") -> None:
        self.asked(question)
        os.write(self._answers, said.encode() + b"\n")

    def energise(self) -> int:
        """Have it in mid-step, supply and load on, every question slow; return the worker's pid."""
        self.answer(READY)
        self.answer(CLIPPED)
        self.asked(STILL_CLIPPED)
        self.bench.fault("supply", "late", delay_s=0.3)
        self.answer(STILL_CLIPPED)
        wait_until(lambda: bool(panels(self.bench)["load"]["conducts"]), "the load draws from the supply")
        return self.run.worker()

    def close(self) -> None:
        os.close(self._answers)


@pytest.fixture
def proving(bench: Bench) -> Iterator[Proving]:
    started = Proving(bench)
    yield started
    started.close()


def panels(bench: Bench) -> dict[str, Any]:
    found: dict[str, Any] = bench.report()["panels"]
    return found


def record(bench: Bench) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((bench.data / "commissioning" / f"{CHANNEL}.json").read_text(encoding="ascii"))
    return found


def proofs(bench: Bench) -> dict[tuple[str, str], list[str]]:
    return {(instrument, check): [result, said] for instrument, check, result, said in record(bench)["proofs"]}


def plans(bench: Bench) -> list[Path]:
    return sorted(bench.data.glob("**/off-plan.json"))


# --- to the end ------------------------------------------------------------------------------------------------------------


def test_a_rehearsal_on_the_open_simulated_bench_passes_to_the_end_and_says_that_it_is_one(bench: Bench, proving: Proving) -> None:
    for question in (READY, CLIPPED, STILL_CLIPPED, HAND, "outdoors"):
        proving.answer(question)
    code = proving.run.wait()

    assert code == Exit.OK, proving.run.said()
    assert [proof for proof, (result, _) in proofs(bench).items() if result == "FAILED"] == []
    assert proofs(bench)["probe", "warm hand"][1].endswith("under a simulated hand")
    assert record(bench)["simulated"] is True
    assert "never counts for real ones" in proving.run.said()
    assert record(bench)["numbers"]["zero_source_u_A"] > 0.0
    assert plans(bench) == []
    assert not bench.is_on()


def test_without_a_simulated_hand_a_sensor_that_nobody_warms_is_not_proven(make_bench: Callable[..., Bench]) -> None:
    bench = make_bench(clipped=("--open",))
    text = (bench.folder / "bench.yaml").read_text(encoding="utf-8")
    (bench.folder / "bench.yaml").write_text(text + "# edited since the simulated bench read it\n", encoding="utf-8")
    proving = Proving(bench)
    for question in (READY, CLIPPED, STILL_CLIPPED, HAND):
        proving.answer(question)
    until_s = time.monotonic() + 3.0
    wait_until(lambda: time.monotonic() > until_s, "a hand would have been felt")

    assert "under a" not in proving.run.said()
    proving.run.process.send_signal(signal.SIGTERM)
    assert proving.run.wait() == Exit.STOPPED
    proving.close()


# --- killed in mid-step ----------------------------------------------------------------------------------------------------


def test_killed_with_its_keeper_in_mid_step_off_finds_its_plan_and_switches_all_off(bench: Bench, proving: Proving) -> None:
    worker = proving.energise()
    os.kill(worker, signal.SIGSTOP)  # nobody makes safe between the two kills
    proving.run.process.kill()
    proving.run.wait()
    os.kill(worker, signal.SIGKILL)
    wait_until(lambda: not is_alive(worker), "the worker is gone")
    assert bench.is_on()

    off = bench.chargerd("off", str(bench.data))

    assert (off.returncode, off.stdout.count("off, verified by")) == (Exit.OK, 2), off.stdout + off.stderr
    assert not bench.is_on()


def test_killed_alone_in_mid_step_its_keeper_switches_all_off(bench: Bench, proving: Proving) -> None:
    os.kill(proving.energise(), signal.SIGKILL)

    assert proving.run.wait() == Exit.KEEPER_ACTED, proving.run.said()
    assert not bench.is_on()


def test_hung_in_mid_step_its_keeper_switches_all_off(bench: Bench, proving: Proving) -> None:
    worker = proving.energise()
    hung_s = bench.now_s()
    os.kill(worker, signal.SIGSTOP)

    assert proving.run.wait() == Exit.KEEPER_ACTED, proving.run.said()
    assert "has been silent for" in proving.run.said()
    took_s = bench.off_after_s(hung_s)
    assert took_s is not None
    assert took_s <= KEEPER_PATIENCE_S + KEEPER_KILL_S + 1.0 + 2 * (2 * 0.5) + 2.0  # off's own bound: ask, tries x time-outs, spare


def test_when_its_keeper_is_killed_it_makes_safe_by_itself_and_says_so(bench: Bench, proving: Proving) -> None:
    worker = proving.energise()
    os.kill(proving.run.keeper, signal.SIGKILL)
    wait_until(lambda: not is_alive(worker), "the worker has ended")

    assert not bench.is_on()
    assert proofs(bench)["person", "stopped early"][1].startswith("the keeper is gone")
    assert plans(bench) == []


def test_off_asks_it_to_stop_in_order_while_it_is_alive(bench: Bench, proving: Proving) -> None:
    worker = proving.energise()
    bench.disarm("supply")
    off = bench.chargerd("off", str(bench.data))

    assert (off.returncode, off.stdout.count("off, verified by")) == (Exit.OK, 2), off.stdout + off.stderr
    assert not is_alive(worker)
    assert not bench.is_on()
    # On a busy machine it may need more than the second that `off` gives it.
    assert proving.run.wait() in (Exit.STOPPED, Exit.KEEPER_ACTED)


def test_a_supply_that_shows_more_than_any_step_asks_for_is_switched_off_by_the_keeper(bench: Bench, proving: Proving) -> None:
    proving.energise()
    bench.fault("supply", "offset", quantity="voltage_V", by=1.5)

    assert proving.run.wait() == Exit.KEEPER_ACTED, proving.run.said()
    assert "is outside -1 to 3" in proving.run.said()
    assert not bench.is_on()


# --- stopped in a question -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "who"),
    [(signal.SIGINT, "Ctrl-C at the terminal"), (signal.SIGTERM, "another program"), (signal.SIGHUP, "the terminal was closed")],
)
def test_a_stop_in_a_question_acts_at_once_and_the_record_says_who(
    bench: Bench, proving: Proving, number: signal.Signals, who: str
) -> None:
    proving.answer(READY)
    proving.asked(CLIPPED)
    asked_s = time.monotonic()
    proving.run.process.send_signal(number)
    code = proving.run.wait()

    assert (code, time.monotonic() - asked_s < STOP_WITHIN_S) == (Exit.STOPPED, True), proving.run.said()
    assert proofs(bench)["person", "stopped early"][1].startswith(who)
    assert [proofs(bench)[name, "off at the end"][0] for name in ("supply", "load")] == ["passed", "passed"]
    assert "record" not in record(bench)["proven"]
    assert plans(bench) == []
    assert not bench.is_on()


def test_a_stop_in_mid_step_switches_off_and_verifies(bench: Bench, proving: Proving) -> None:
    proving.energise()
    bench.disarm("supply")
    proving.run.process.send_signal(signal.SIGINT)

    assert proving.run.wait() == Exit.STOPPED, proving.run.said()
    assert not bench.is_on()
    assert proofs(bench)["supply", "off at the end"][0] == "passed"


def test_a_stop_before_the_first_answer_sends_nothing_to_any_instrument(bench: Bench, proving: Proving) -> None:
    proving.asked(READY)
    proving.run.process.send_signal(signal.SIGINT)

    assert proving.run.wait() == Exit.STOPPED
    assert "Stopped before any step: Ctrl-C" in proving.run.said()
    assert [peer["messages"] for peer in bench.report()["peers"].values()] == [0, 0, 0]


def at_a_terminal(bench: Bench) -> tuple[Run, int, Reader]:
    """One that has been told yes once, and asks again."""
    master, slave = pty.openpty()
    run = bench.start("commission", "bench.yaml", through=[str(SETSID), "--ctty"], stdin=slave, stdout=slave, stderr=slave)
    os.close(slave)
    reader = Reader(master)
    wait_until(lambda: READY in reader.said(), "it asks")
    os.write(master, b"yes\n")
    wait_until(lambda: CLIPPED in reader.said(), "it asks again")
    return run, master, reader


@pytest.mark.skipif(SETSID is None, reason="setsid is not installed (Debian: util-linux)")
def test_a_terminal_that_is_closed_in_a_question_makes_safe(bench: Bench) -> None:
    run, _, reader = at_a_terminal(bench)
    reader.close()

    assert run.wait() == Exit.STOPPED
    assert proofs(bench)["person", "stopped early"][1].startswith("the terminal was closed")
    assert proofs(bench)["supply", "off at the end"][0] == "passed"
    assert not bench.is_on()


@pytest.mark.skipif(SETSID is None, reason="setsid is not installed (Debian: util-linux)")
def test_ctrl_c_typed_at_a_terminal_acts_without_enter(bench: Bench) -> None:
    run, master, reader = at_a_terminal(bench)
    with contextlib.closing(reader):
        os.write(master, b"ye\x03")
        code = run.wait()

        assert code == Exit.STOPPED, reader.said()
        assert proofs(bench)["person", "stopped early"][1].startswith("Ctrl-C at the terminal")
    assert not bench.is_on()
