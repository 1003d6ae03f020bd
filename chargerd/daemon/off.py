"""Every output off, verified, whatever has become of the program that switched it on: ``python -P off.py PLAN…``.

A plan is a frozen file that a worker leaves before it energises anything. It holds, per output, the address, the exact
off bytes, the expected replies and the identity; and, per channel, the process that holds the ports. That process is
asked for one second and then killed. Right identity: off, verified. No answer: the off bytes all the same, reported as
not verified. Wrong identity: nothing is ever written. No number of a plan is believed beyond limits set here; all ends
within 1 s + Σ tries · timeout + 2 s, be every instrument dead or hung. Called by the keeper, by the service manager
after a stop and by a person. Standard library; pyserial or PyVISA only when a plan names such an address.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import re
import select
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any, TextIO, cast
from urllib.parse import parse_qsl

EXIT_VERIFIED, EXIT_GARBLED_PLAN, EXIT_NOT_VERIFIED = 0, 2, 8
ASK_S = 1.0  # for the worker to make safe by itself; it needs its links for that, so it is asked before it is killed
SPARE_S = 1.5  # of the promised 2 s, shared by the outputs of a plan; the rest stays for starting and telling
PAUSE_S = 0.1  # between tries: an instrument with one session needs a moment after its old peer was killed
QUIET_S = 0.02  # how long a line must be silent before a question, so that a late reply is not taken for its answer
TIMEOUT_MAX_S, TRIES_MAX, REPLY_MAX_BYTES = 2.0, 5, 4096
# IEEE 488.2 decimal number. Not float(): that also takes nan, inf, 1_000 and other scripts' digits.
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
ADDRESS = re.compile(r"(?:(tcp|serial|visa)(?:\+([A-Za-z0-9]+))?://)?([^?]+)(?:\?(.*))?")
HOST = r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)"
SOCKET = re.compile(rf"{HOST}:([0-9]{{1,5}})|TCPIP[0-9]*::{HOST}::([0-9]{{1,5}})::SOCKET", re.IGNORECASE)
ASRL = re.compile(r"ASRL(/.+)::INSTR", re.IGNORECASE)
PYTHON, MODULE = rb"(?:[^\0]*/)?python[^/\0]*", rb"(?:chargerd\.daemon\.worker|[^\0]*/chargerd/daemon/worker\.py)"
WORKER = re.compile(PYTHON + rb"\0(?:.*\0)?" + MODULE + rb"\0.*", re.DOTALL)  # a command line, as the kernel shows it


def boot_s() -> float:
    """Seconds since boot, suspend included, never set by anyone."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class PlanError(Exception):
    """A plan cannot be understood."""


class LinkError(OSError):
    """An instrument could not be reached, or what it said was no reply."""


@dataclass(frozen=True, slots=True)
class Link:
    """Bytes to and from one instrument; each call may raise an error of UNREACHABLE."""

    send: Callable[[bytes], Any]  # write all of it within the time-out of opening
    receive: Callable[[float], bytes]  # what has come, or nothing after so many seconds
    close: Callable[[], Any]
    clear: Callable[[], Any] | None = None  # None: a stream, on which late replies can be read and thrown away


def _open_tcp(host: str, port: int, timeout_s: float) -> Link:
    line = socket.create_connection((host, port), timeout_s)

    def send(content: bytes) -> None:
        line.settimeout(timeout_s)
        line.sendall(content)

    def receive(wait_s: float) -> bytes:
        line.settimeout(wait_s)
        try:
            content = line.recv(REPLY_MAX_BYTES)
        except TimeoutError:
            return b""
        if not content:
            raise LinkError("it closed the connection")
        return content

    def close() -> None:
        # Say goodbye and wait a moment for the other end: a reset could overtake off bytes that it has not read yet.
        with contextlib.suppress(OSError):
            line.shutdown(socket.SHUT_WR)
            receive(PAUSE_S)
        line.close()

    return Link(send, receive, close)


def _open_serial(device: str, baud: int, timeout_s: float) -> Link:
    # not exclusively: off must get in beside whatever else has the port open
    port = import_module("serial").Serial(device, baud, timeout=timeout_s, write_timeout=timeout_s)

    def receive(wait_s: float) -> bytes:
        port.timeout = wait_s
        first = bytes(port.read(1))
        return first + bytes(port.read(port.in_waiting)) if first else b""

    return Link(port.write, receive, port.close)


def _open_visa(name: str, library: str, timeout_s: float) -> Link:
    visa, wait_ms = import_module("pyvisa"), int(timeout_s * 1000)

    def told(call: Callable[..., Any], *args: Any, **options: Any) -> Any:
        try:
            return call(*args, **options)
        except (visa.errors.Error, TypeError, NotImplementedError) as fault:
            raise LinkError(str(fault)) from fault

    resource = told(visa.ResourceManager(library).open_resource, name, open_timeout=wait_ms, timeout=wait_ms)

    def receive(_wait_s: float) -> bytes:
        with contextlib.suppress(LinkError):  # PyVISA tells a time-out and a broken link alike: both are silence here
            return bytes(told(resource.read_raw))
        return b""

    send, close, clear = (partial(told, call) for call in (resource.write_raw, resource.close, resource.clear))
    return Link(send, receive, close, clear)


# ValueError: a device name that the operating system refuses; ImportError: a library that is not installed here.
UNREACHABLE = (OSError, ValueError, ImportError)


def open_link(address: str, timeout_s: float) -> Link:
    """Open the line behind an address. Raises one of UNREACHABLE."""
    match = ADDRESS.fullmatch(address)
    if match is None:
        raise LinkError(f"{address!r} is no address")
    scheme, library, target, query = match.groups()
    options = dict(parse_qsl(query or ""))
    line, tcp = ASRL.fullmatch(target), SOCKET.fullmatch(target)
    if tcp and scheme != "serial":
        return _open_tcp((tcp[1] or tcp[3]).strip("[]"), int(tcp[2] or tcp[4]), timeout_s)
    if line or scheme == "serial":
        return _open_serial(line[1] if line else target, int(options.get("baud", "9600")), timeout_s)
    if scheme == "tcp":
        raise LinkError(f"{address!r} names no host and port")
    return _open_visa(target, options.get("library", f"@{library}" if library else ""), timeout_s)


@dataclass(frozen=True, slots=True)
class Question:
    """One proof of off: a reply that is among the accepted ones, or a number nearer to zero than a bound."""

    ask: str
    accept: tuple[str, ...]
    abs_below: float  # NaN: no number is accepted

    def is_satisfied(self, reply: str) -> bool:
        """Judge one whole reply."""
        return reply in self.accept or (NUMBER.fullmatch(reply) is not None and abs(float(reply)) < self.abs_below)


@dataclass(slots=True)
class Output:
    """What a plan holds about one output, and in the end what has become of it: (verified, in words)."""

    name: str
    address: str = ""
    terminator: str = ""
    identity_query: str = ""
    identity: str = ""
    off: tuple[str, ...] = ()
    verify: tuple[Question, ...] = ()
    timeout_s: float = 0.0
    tries: int = 0  # none for an entry that cannot be understood; the plan's others are switched off all the same
    result: tuple[bool, str] = (False, "off itself failed or hung")


@dataclass(frozen=True, slots=True)
class Plan:
    """One channel's outputs in the order of switching off (source before load), and who holds their ports."""

    path: Path
    channel: str
    worker_pid: int
    boot_id: str
    outputs: tuple[Output, ...]


def _texts(value: Any) -> tuple[str, ...]:
    texts = tuple(value) if isinstance(value, list) else (value,)
    if not texts or not all(isinstance(text, str) and text and text.isascii() for text in texts):
        raise ValueError(f"{value!r:.60} is no plain text")
    return texts


def _number(value: Any, largest: float) -> float:
    if type(value) not in (int, float) or not value > 0:
        raise ValueError(f"{value!r:.60} is no positive number")
    return float(min(value, largest))


def _output(entry: dict[str, Any]) -> Output:
    single = ("name", "address", "terminator", "identity_query", "identity")
    name, address, terminator, identity_query, identity = (_texts(entry[key])[0] for key in single)
    verify = []
    for question in entry["verify"]:
        bound = _number(question["abs_below"], 1e3) if "abs_below" in question else math.nan
        accept = _texts(question["accept"]) if "accept" in question else ()
        verify.append(Question(_texts(question["ask"])[0], accept, bound))
    timeout_s, tries = _number(entry["timeout_s"], TIMEOUT_MAX_S), int(_number(entry["tries"], TRIES_MAX)) or 1
    off = _texts(entry["off"])
    return Output(name, address, terminator, identity_query, identity, off, tuple(verify), timeout_s, tries)


def read_plan(path: Path) -> Plan:
    """Read one off plan. Raises PlanError when nothing can be done with it."""
    try:
        plan = json.loads(path.read_bytes())
        (channel,), (boot_id,), outputs = _texts(plan["channel"]), _texts(plan["boot_id"]), []
        for number, entry in enumerate(plan["outputs"], start=1):
            try:
                outputs.append(_output(entry))
            except (KeyError, TypeError, ValueError) as fault:
                garbled = (False, f"its entry in the plan is garbled ({fault!r:.120})")
                outputs.append(Output(f"output {number}", result=garbled))
    except (OSError, KeyError, TypeError, ValueError, RecursionError) as fault:
        raise PlanError(f"{path}: this off plan cannot be used ({fault!r:.200})") from fault
    if plan.get("version") != 1 or not outputs or type(plan.get("worker_pid")) is not int:
        raise PlanError(f"{path}: this is no off plan of version 1")
    return Plan(path, channel, plan["worker_pid"], boot_id, tuple(outputs))


def ask(link: Link, output: Output, question: str, until_s: float) -> bytes:
    """One question in flight; what came until the end of a line or the time-out, perhaps nothing."""
    until_s = min(until_s, boot_s() + output.timeout_s)
    if link.clear:
        with contextlib.suppress(LinkError):  # not every VISA library can; the identity is compared in any case
            link.clear()
    else:
        while link.receive(QUIET_S):
            if boot_s() > until_s:
                raise LinkError("it talks without being asked")
    link.send((question + output.terminator).encode())
    reply = b""
    while output.terminator[-1:].encode() not in reply and (left_s := until_s - boot_s()) > 0:
        reply += link.receive(left_s)
        if len(reply) > REPLY_MAX_BYTES:
            raise LinkError("a reply without end")
    return reply


def whole_line(reply: bytes, output: Output) -> str | None:
    """The text of a reply that is exactly one ended line of ASCII, otherwise None: half a number is no number."""
    text = reply.strip(b" \t\r\n\0")
    is_line = output.terminator[-1:].encode() in reply and text.isascii() and not set(b"\r\n") & set(text)
    return text.decode() if is_line else None


def without_blanks(identity: bytes) -> bytes:
    """An identity without the blanks around its fields: many instruments send some, plans hold none."""
    return b",".join(field.strip() for field in identity.strip(b" \t\r\n\0").split(b","))


def verify(link: Link, output: Output, until_s: float) -> tuple[bool, str]:
    """Ask each question until its reply proves off, for timeout_s at most; say by what, or what came instead."""
    proofs = []
    for question in output.verify:
        settled_s = boot_s() + output.timeout_s  # a measured current needs a moment to fall
        while True:
            reply = ask(link, output, question.ask, until_s)
            line = whole_line(reply, output)
            if line is not None and question.is_satisfied(line):
                proofs.append(f"{question.ask} {line}")
                break
            if not reply or boot_s() + PAUSE_S > min(settled_s, until_s):
                answer = f"answered {reply!r:.80}" if reply else "was not answered"
                return False, f"off was sent, but {question.ask} {answer}"
            time.sleep(PAUSE_S)
    return bool(proofs), " and ".join(proofs) or "off was sent, the plan holds no question to prove it"


def switch_off(output: Output, until_s: float) -> None:
    """One output, tried as often as the plan says until boot time until_s; its result says what came of it."""
    wrong, told = b"", ""
    for attempt in range(output.tries):
        time.sleep(PAUSE_S if attempt else 0.0)
        try:
            left_s = max(0.001, until_s - boot_s())
            with contextlib.closing(open_link(output.address, min(output.timeout_s, left_s))) as link:
                reply = ask(link, output, output.identity_query, until_s)
                line, expected = whole_line(reply, output), without_blanks(output.identity.encode())
                is_right = line is not None and without_blanks(line.encode()) == expected
                if is_right:
                    wrong = b""  # what came before was the late answer to another question
                elif not expected.startswith(without_blanks(reply)):
                    wrong = reply
                if wrong:
                    continue
                for command in output.off:
                    link.send((command + output.terminator).encode())
                told = "off was sent, but not proven" if is_right else "no identity answer; off was sent all the same"
                if is_right:
                    is_off, told = verify(link, output, until_s)
                    if is_off:
                        output.result = True, told
                        return
        except UNREACHABLE as fault:
            told = told or f"{type(fault).__name__}: {fault}"
    if wrong:
        told = f"{told and told + '; then '}another instrument answers ({wrong!r:.80}); nothing is written to it"
    output.result = False, told or output.result[1]


def end_workers(plans: Sequence[Plan]) -> None:
    """Ask the holders of the ports to make safe, for one second; then kill them. Never any other process."""
    boot_id = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    alive = []
    for pid in {plan.worker_pid for plan in plans if plan.boot_id == boot_id}:
        with contextlib.suppress(OSError, OverflowError):
            process = os.pidfd_open(pid)  # from here on the number cannot pass to another process unnoticed
            if WORKER.fullmatch(Path(f"/proc/{pid}/cmdline").read_bytes()):
                signal.pidfd_send_signal(process, signal.SIGTERM)
                alive.append(process)
    for last_word, patience_s in ((None, ASK_S), (signal.SIGKILL, PAUSE_S)):
        until_s = boot_s() + patience_s
        for process in alive if last_word else []:
            with contextlib.suppress(OSError):
                signal.pidfd_send_signal(process, signal.SIGKILL)
        while alive and (left_s := until_s - boot_s()) > 0:
            ended, _, _ = select.select(alive, [], [], left_s)
            alive = [process for process in alive if process not in ended]


def run_plan(plan: Plan, lines: Mapping[str, threading.Lock]) -> None:
    """One channel in its plan's order: the source first, for a load by itself neither gasses nor overheats a cell.

    Channels go side by side, but for an instrument that they share: it may take one session only. Each output has a
    thread of its own, since a driver or a name look-up may hang; the next does not wait for that.
    """
    for output in plan.outputs:
        limit_s = output.tries * output.timeout_s + SPARE_S / len(plan.outputs)
        with lines[output.address]:
            thread = threading.Thread(target=switch_off, args=(output, boot_s() + limit_s), daemon=True)
            thread.start()
            thread.join(limit_s + PAUSE_S)


def was_off_before(folder: Path) -> bool:
    """Whether this plan has proven off before: the first proof is the one that tells how long outputs can have been on."""
    result = folder / "off-result.json"
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        proven = all(one["verified"] is True for one in json.loads(result.read_bytes())["outputs"])
        return proven and result.stat().st_mtime >= (folder / "off-plan.json").stat().st_mtime
    return False


def run_off(plan_paths: Sequence[str | Path], *, out: TextIO | None) -> int:
    """Execute off plans; a line per output on out and off-result.json beside each plan; return the exit code."""
    plans, says, results = [], [], cast("dict[Path, list[dict[str, Any]]]", {})
    for path in plan_paths:
        try:
            plans.append(read_plan(Path(path)))
        except PlanError as fault:
            says.append(str(fault))
    code = EXIT_GARBLED_PLAN if says else EXIT_VERIFIED
    end_workers(plans)
    lines = {output.address: threading.Lock() for plan in plans for output in plan.outputs}
    for thread in (threads := [threading.Thread(target=run_plan, args=(plan, lines), daemon=True) for plan in plans]):
        thread.start()
    for thread in threads:
        thread.join()
    for plan in plans:
        for output in plan.outputs:
            is_off, told = output.result
            code = code if is_off else EXIT_NOT_VERIFIED
            says.append(f"{plan.channel} {output.name}: {'off, verified by' if is_off else 'NOT VERIFIED:'} {told}")
            result = {"channel": plan.channel, "output": output.name, "verified": is_off, "told": told}
            results.setdefault(plan.path.parent, []).append(result)
    with contextlib.suppress(OSError):  # a closed terminal or a full disk does not make an output less off
        print(*says, sep="\n", file=out, flush=True)
    for folder in [folder for folder in results if not was_off_before(folder)]:
        content = {"version": 1, "written_utc": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()), "outputs": results[folder]}
        with contextlib.suppress(OSError):
            (folder / "off-result.json").write_text(json.dumps(content, indent=1) + "\n", encoding="ascii")
    return code


def main(argv: Sequence[str]) -> int:
    """Execute the plans named; not to be stopped half-way by a closing terminal."""
    for name in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(name, signal.SIG_IGN)
    if not argv:
        print("usage: off.py PLAN…")
    return run_off(argv, out=sys.stdout) if argv else EXIT_GARBLED_PLAN


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
