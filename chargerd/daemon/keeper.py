"""The keeper: the parent process and guard of every energised run.

It hears a beat after each of the worker's passes, compares it with limits frozen before, and feeds the dead-man relay and the
service manager only while every running channel is proven. On silence, violation, garbage, a broken pipe or an end without done
it kills the worker, has off.py execute the off plans and exits with 90 (off verified) or 91 (not verified). It never restarts,
never energises, imports nothing of this package. Usage: ``python -P keeper.py --run-dir DIR -- WORKER ARGV…``. The worker writes
to CHARGERD_BEAT_FD; in CHARGERD_ACK_FD it reads who asks for its end, and the keeper's own end as end of file.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import math
import os
import queue
import select
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

EXIT_NOT_STARTED, EXIT_OFF_VERIFIED, EXIT_OFF_NOT_VERIFIED = 2, 90, 91
PATIENCE_S = 5.0  # default; the worker passes each channel at least every 2 s, so two beats may be lost
KILL_S = 1.0  # between SIGABRT, which lets the worker print a traceback, and SIGKILL
TICK_S = 0.5  # relay toggles and watchdog feeds: a tenth of the relay's usual 5 s drop-out
UNWRITTEN_MAX_S = 60.0  # an energised channel whose oldest unwritten row is older is no longer on record
OFF_MAX_S = 60.0  # off bounds itself to a few seconds; this ends an off that hangs all the same
LINE_MAX_BYTES = 65536
NUMBER_MAX = 1e9  # above every quantity of a bench; also refuses the 9.9E37 and 9.91E37 by which SCPI says "no number"

# Exactly these keys: a limit that the keeper does not know must never be taken as if it were guarded.
KEYS = {
    "limits": "channel voltage_max_V voltage_min_V current_max_A temperature_max_degC age_max_s off_plan sha256",
    "beat": "channel seq energised off_doubted age_s voltage_V current_A temperature_degC unwritten_s",
    "done": "channel state verified_off",
}
STOPS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT)
OFF_STATES = ("IDLE", "PAUSED", "COMPLETE", "STOPPED", "TRIPPED")


class ProofError(Exception):
    """What the worker says, or its silence, no longer proves that the bench is supervised."""


def need(proof: bool, doubt: str) -> None:
    """Raise ProofError unless proven. Proofs are positive comparisons: with a NaN they are false, so it raises."""
    if not proof:
        raise ProofError(doubt)


def boot_s() -> float:
    """Seconds since boot, suspend included, never set by anyone."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def canonical_digest(message: dict[str, Any]) -> str:
    """SHA-256 of a limits message without its own sha256: keys sorted, no blanks, ASCII."""
    body = {key: value for key, value in message.items() if key != "sha256"}
    return hashlib.sha256(json.dumps(body, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def parse(line: bytes) -> dict[str, Any]:
    """One message of the worker. Raises ProofError for anything that is not exactly one of the three kinds."""
    try:
        message = json.loads(line.decode())
    except (ValueError, RecursionError) as fault:
        raise ProofError(f"garbage from the worker: {line[:80]!r}") from fault
    keys = KEYS.get(str(message.get("type"))) if isinstance(message, dict) else None
    if keys is None or set(message) != {"type", *keys.split()} or not isinstance(message["channel"], str):
        raise ProofError(f"not a message of a worker: {line[:80]!r}")
    return dict(message)


def number(message: dict[str, Any], key: str) -> float:
    """A number, or NaN for null, which fails each proof. Raises ProofError for anything else, a written NaN too."""
    value = message[key]
    if value is None:
        return math.nan
    need(type(value) in (int, float) and abs(value) < NUMBER_MAX, f"{key} is no number: {value!r:.80}")
    return float(value)


def read_plan(text: str, channel: str) -> tuple[Path, bytes]:
    """Where and what a channel's off plan is. Raises OSError, TypeError or ValueError when it is not that."""
    path = Path(text).resolve()
    content = path.read_bytes()
    plan = json.loads(content)
    if not isinstance(plan, dict) or plan.get("channel") != channel or not plan.get("outputs"):
        raise ValueError(f"{path} is not the off plan of {channel}")
    return path, content


def frozen_plan(path: Path, content: bytes) -> Path:
    """The plan's file; where that was changed or lost after the limits were frozen, a copy of what it was then."""
    copy = path.with_name("off-plan-frozen.json")
    with contextlib.suppress(OSError):
        if not path.is_file() or path.read_bytes() != content:
            path.parent.mkdir(parents=True, exist_ok=True)
            copy.write_bytes(content)
            return copy
    return path


@dataclass(slots=True)
class Channel:
    """A channel between its limits and its done."""

    limits: dict[str, Any]
    digest: str
    seen_s: float
    seq: int = -1
    energised: bool = False
    off_doubted: bool = False  # an output could not be proven off: its relay is no longer fed
    value_s: dict[str, float] = field(default_factory=dict)  # when each quantity last had a value


class Watch:
    """What the worker has proven so far. No clock, no process: time comes in."""

    def __init__(self, patience_s: float) -> None:
        self.patience_s = patience_s
        self.running: dict[str, Channel] = {}
        self.plans: dict[str, tuple[Path, bytes]] = {}  # the latest of each channel, kept after its done

    def take(self, line: bytes, now_s: float) -> dict[str, str] | None:
        """Judge one line; return the answer to limits. Raises ProofError."""
        message = parse(line)
        act: dict[str, Callable[..., dict[str, str] | None]] = {"limits": self._freeze, "beat": self._beat, "done": self._done}
        return act[message["type"]](message, now_s)

    def need_beats(self, now_s: float) -> None:
        """Raise ProofError when a running channel has been silent for longer than patience."""
        for name, channel in self.running.items():
            silence_s = now_s - channel.seen_s
            need(silence_s <= self.patience_s, f"{name} has been silent for {silence_s:.1f} s")

    def _freeze(self, message: dict[str, Any], now_s: float) -> dict[str, str]:
        name, digest = message["channel"], canonical_digest(message)
        need(message["sha256"] == digest, f"{name}: the limits do not match their own hash")
        need(name not in self.running or self.running[name].digest == digest, f"{name}: second, different limits")
        if name not in self.running:
            number(message, "temperature_max_degC")
            need(number(message, "voltage_min_V") < number(message, "voltage_max_V"), f"{name}: no room for a voltage")
            need(number(message, "current_max_A") > 0, f"{name}: no largest current")
            need(number(message, "age_max_s") > 0, f"{name}: no longest age of a sample")
            try:
                self.plans[name] = read_plan(message["off_plan"], name)
            except (OSError, TypeError, ValueError, RecursionError) as fault:
                # no off plan, no start of this channel; the others need not suffer for it
                return {"type": "refused", "channel": name, "reason": f"off plan: {fault}"}
            self.running[name] = Channel(message, digest, seen_s=now_s)
        return {"type": "ack", "channel": name, "sha256": digest}

    def _beat(self, message: dict[str, Any], now_s: float) -> None:
        name, seq, energised, doubt = (message[key] for key in ("channel", "seq", "energised", "off_doubted"))
        need(type(seq) is int and type(energised) is type(doubt) is bool, f"{name}: no whole seq or no plain energised in a beat")
        values = {key: number(message, key) for key in ("voltage_V", "current_A", "temperature_degC")}
        need(number(message, "age_s") >= 0 and number(message, "unwritten_s") >= 0, f"{name}: no age")
        channel = self.running.get(name)
        if channel is None:
            need(not energised, f"{name} is energised without frozen limits")
            return
        need(seq > channel.seq, f"{name}: seq {seq} after {channel.seq}")
        if energised and not channel.energised:
            # a value may be missing for age_max_s after switching on, not for as long as the channel was idle
            channel.value_s = dict.fromkeys(values, now_s)
        channel.seq, channel.energised, channel.off_doubted, channel.seen_s = seq, energised, doubt, now_s
        if energised:
            self._judge(channel, message, values, now_s)

    def _judge(self, channel: Channel, message: dict[str, Any], values: dict[str, float], now_s: float) -> None:
        limits, name = channel.limits, message["channel"]
        need(canonical_digest(limits) == channel.digest, f"{name}: the frozen limits have changed in memory")
        age_s, unwritten_s, age_max_s = message["age_s"], message["unwritten_s"], limits["age_max_s"]
        need(age_s <= age_max_s, f"{name}: the last sample is {age_s:g} s old, the limit is {age_max_s:g} s")
        need(unwritten_s < UNWRITTEN_MAX_S, f"{name}: rows have waited {unwritten_s:g} s for the disk")
        bands = {"voltage_V": (limits["voltage_min_V"], limits["voltage_max_V"])}
        bands["current_A"] = (-limits["current_max_A"], limits["current_max_A"])
        if limits["temperature_max_degC"] is not None:  # None: no thermometer protects this run
            bands["temperature_degC"] = (-273.15, limits["temperature_max_degC"])
        for key, (lowest, highest) in bands.items():
            if math.isnan(value := values[key]):
                missing_s = now_s - channel.value_s[key]
                need(missing_s <= age_max_s, f"{name}: no {key} for {missing_s:.1f} s")
            else:
                channel.value_s[key] = now_s - age_s
                need(lowest <= value <= highest, f"{name}: {key} {value:g} is outside {lowest:g} to {highest:g}")

    def _done(self, message: dict[str, Any], _now_s: float) -> None:
        name, state, verified = message["channel"], message["state"], message["verified_off"] is True
        need(verified and state in OFF_STATES, f"{name}: the worker could not verify off ({state!r:.40})")
        self.running.pop(name, None)


def speak(texts: queue.SimpleQueue[str | None], log: Path) -> None:
    """Say lines on stderr and in the log until None comes; in a thread of its own, for either may block for ever."""
    while (text := texts.get()) is not None:
        for line in text.splitlines():
            clean = "keeper: " + "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in line) + "\n"
            with contextlib.suppress(OSError), log.open("a", encoding="utf-8", errors="replace") as file:
                file.write(time.strftime("%Y-%m-%dT%H:%M:%SZ ", time.gmtime()) + clean)
            with contextlib.suppress(OSError):
                os.write(2, clean.encode(errors="replace"))


def notify(text: str) -> None:
    """Tell the service manager (sd_notify: one datagram to $NOTIFY_SOCKET); without one, nothing."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if address:
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            manager.setblocking(False)
            manager.sendto(text.encode(), "\0" + address[1:] if address[0] == "@" else address)


class Keeper:
    """One worker, watched until it has ended in order or had to be ended."""

    def __init__(self, run_dir: Path, watch: Watch, relays: dict[str, int], say: Callable[[str], None]) -> None:
        self.run_dir, self.watch, self.relays, self.say = run_dir, watch, relays, say
        self._stops: list[str] = []  # the signals that asked for an end
        self._asked, self._heard, self._tail, self._tick_s, self._level = False, False, b"", 0.0, 0
        self._end_by_s = math.inf  # finite once the worker was asked to end, or has closed its pipe in order
        self._wake, wake_w = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        for name in (*STOPS, signal.SIGCHLD, signal.SIGUSR1, signal.SIGUSR2):
            signal.signal(name, self._on_signal)
        for name in (signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU):
            signal.signal(name, signal.SIG_IGN)  # a guard is not put to sleep from the terminal
        signal.set_wakeup_fd(wake_w, warn_on_full_buffer=False)

    def _on_signal(self, name: int, _frame: object) -> None:
        # a closing terminal may hang up twice (kernel and shell): only a person's second signal means "at once"
        if name in STOPS and (name != signal.SIGHUP or not self._stops):
            self._stops.append(signal.Signals(name).name)

    def start(self, argv: list[str]) -> None:
        """Start the worker. Raises OSError when that is not possible."""
        self._beats, beat_w = os.pipe()
        ack_r, self._acks = os.pipe()
        self._sources = [self._wake, self._beats]
        for fd in (self._beats, self._acks):
            os.set_blocking(fd, False)
        env = os.environ | {"CHARGERD_BEAT_FD": str(beat_w), "CHARGERD_ACK_FD": str(ack_r)}
        env.pop("NOTIFY_SOCKET", None)  # only the keeper speaks to the service manager
        # In a session of its own: Ctrl-C and a closed terminal reach the keeper alone, which forwards one SIGTERM.
        self.worker = subprocess.Popen(argv, env=env, pass_fds=(beat_w, ack_r), start_new_session=True)
        os.close(beat_w)
        os.close(ack_r)

    def keep(self) -> int:
        """Guard the worker until it ends; return the exit code. A fault of the keeper itself ends in off, too."""
        cause: str | None = "the keeper itself failed"
        try:
            self._attend()
            cause = None
        except (ProofError, OSError) as doubt:
            cause = str(doubt)
        finally:
            code = self.worker.wait() if cause is None else self._act(cause)
        return code if code >= 0 else 128 - code

    def _attend(self) -> None:
        """Watch until the worker has ended in order. Raises ProofError or OSError when the keeper must act."""
        while True:
            silences_s = (channel.seen_s + self.watch.patience_s for channel in self.watch.running.values())
            self._sleep(self._sources, min(self._tick_s, self._end_by_s, *silences_s))
            ended = self._ended()  # asked before the pipe is read: what an ended worker said is then all there
            while (chunk := self._hear()) and ended:
                pass
            now_s = boot_s()
            if ended:
                self._judge_end(ended)
                return
            if chunk == b"" and len(self._sources) > 1:
                need(not self.watch.running, "the worker closed its pipe without saying done")
                self._sources.remove(self._beats)
                self._end_by_s = min(self._end_by_s, now_s + self.watch.patience_s)
            self._stop(now_s)
            self.watch.need_beats(now_s)
            if now_s >= self._tick_s:
                self._feed(now_s)

    def _sleep(self, sources: list[int], until_s: float) -> None:
        select.select(sources, [], [], max(0.0, until_s - boot_s()))
        with contextlib.suppress(BlockingIOError):
            os.read(self._wake, 4096)

    def _hear(self) -> bytes | None:
        """Take what the worker has written; b"" at end of file, None when there is nothing now."""
        try:
            chunk = os.read(self._beats, LINE_MAX_BYTES)
        except BlockingIOError:
            return None
        *lines, self._tail = (self._tail + chunk).split(b"\n")
        need(len(self._tail) <= LINE_MAX_BYTES, "garbage from the worker: a line without end")
        for line in lines:
            if answer := self.watch.take(line, boot_s()):
                os.write(self._acks, json.dumps(answer).encode() + b"\n")
        self._heard = self._heard or bool(lines)
        return chunk

    def _ended(self) -> os.waitid_result | None:
        # left unreaped (WNOWAIT): while the zombie holds its number, a kill of its group cannot hit a stranger
        return os.waitid(os.P_PID, self.worker.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT)

    def _judge_end(self, ended: os.waitid_result) -> None:
        orderly, running = ended.si_code == os.CLD_EXITED, len(self.watch.running)
        stopped_early = self._asked and not self.watch.plans  # before anything was permitted to switch on
        how = f"{'exit' if orderly else 'signal'} {ended.si_status}, {running} channels running"
        need(stopped_early or (orderly and not running), f"the worker ended ({how})")

    def _stop(self, now_s: float) -> None:
        need(len(self._stops) < 2, "asked a second time to stop")
        if self._stops and not self._asked:
            self._asked = True
            with contextlib.suppress(OSError):  # a worker that has ended is judged by that
                os.write(self._acks, json.dumps({"type": "stop", "by": self._stops[0]}).encode() + b"\n")
            self.worker.send_signal(signal.SIGTERM)
            self._end_by_s = min(self._end_by_s, now_s + self.watch.patience_s)
        need(now_s < self._end_by_s, "the worker was to end and did not")

    def _feed(self, now_s: float) -> None:
        """Toggle the relays of the running channels and feed the watchdog: reached only when all are proven."""
        self._tick_s, self._level = now_s + TICK_S, 1 - self._level
        running = self.watch.running
        for fd in {self.relays[name] for name in running if name in self.relays and not running[name].off_doubted}:
            os.write(fd, b"%d\n" % self._level)
        if self._heard:
            notify(f"READY=1\nWATCHDOG=1\nSTATUS={len(running)} channels running, all proven")

    def _act(self, cause: str) -> int:
        self.say(f"{cause}: killing the worker and executing the off plan")
        notify(f"STOPPING=1\nSTATUS={cause!a}: executing the off plan")  # its watchdog must not end us half-way
        for last, end in ((signal.SIGABRT, os.kill), (signal.SIGKILL, os.killpg)):  # at last what is left of its group, too
            end(self.worker.pid, last)
            until_s = boot_s() + KILL_S
            while not self._ended() and boot_s() < until_s:  # a hanging disk holds even a killed process: off does not wait
                self._sleep([self._wake], until_s)
        self.worker.poll()
        verified = self._run_off()
        self.say("all outputs are off, verified" if verified else "NOT VERIFIED: switch the outputs off by hand")
        return EXIT_OFF_VERIFIED if verified else EXIT_OFF_NOT_VERIFIED

    def _run_off(self) -> bool:
        # without frozen limits the plan of an earlier life of this run, if any
        plans = [frozen_plan(*plan) for plan in self.watch.plans.values()] or [self.run_dir / "off-plan.json"]
        command = [sys.executable, "-P", str(Path(__file__).with_name("off.py")), *map(str, plans)]
        # its words come through the keeper, its session is its own: off depends on no terminal either
        apart: dict[str, Any] = {"stdin": subprocess.DEVNULL, "capture_output": True, "start_new_session": True}
        try:
            done = subprocess.run(command, errors="replace", timeout=OFF_MAX_S, check=False, **apart)
        except (OSError, subprocess.TimeoutExpired) as fault:
            self.say(f"off could not do its work: {fault}")
            return False
        self.say(done.stdout + done.stderr)
        return done.returncode == 0


def main(argv: list[str]) -> int:
    """Guard one worker; see the module's text."""
    parser = argparse.ArgumentParser(prog="keeper", description="Guard one worker; switch all off when it fails.")
    parser.add_argument("--run-dir", type=Path, required=True, help="for keeper.log; its off-plan.json is the fallback")
    parser.add_argument("--patience", type=float, default=PATIENCE_S, help="longest silence of a running channel, s")
    parser.add_argument("--relay", action="append", default=[], metavar="CHANNEL=PATH", help="dead-man feed: 1, 0, 1 …")
    parser.add_argument("worker", nargs="+", help="the worker's command, after --")
    args = parser.parse_args(argv)
    if not 0 < args.patience <= 60 or not all("=" in relay for relay in args.relay):
        parser.error("--patience is above 0 and at most 60 s; --relay is CHANNEL=PATH")
    # A closed 0, 1 or 2 would become one of our pipes, and the next message to a person would go into it.
    while (fd := os.open(os.devnull, os.O_RDWR)) <= 2:
        os.set_inheritable(fd, True)
    os.close(fd)
    texts: queue.SimpleQueue[str | None] = queue.SimpleQueue()
    voice = threading.Thread(target=speak, args=(texts, args.run_dir / "keeper.log"), daemon=True)
    voice.start()
    try:
        pairs = [relay.split("=", 1) for relay in args.relay]
        relays = {name: os.open(path, os.O_WRONLY | os.O_NONBLOCK) for name, path in pairs}
        keeper = Keeper(args.run_dir, Watch(args.patience), relays, texts.put)
        keeper.start(args.worker)
    except OSError as fault:
        texts.put(f"nothing was started: {fault}")
        return EXIT_NOT_STARTED
    else:
        return keeper.keep()
    finally:
        texts.put(None)
        voice.join(1.0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
