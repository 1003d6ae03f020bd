"""Every output off, verified, whatever has become of the program that switched it on: ``python -P off.py PLAN…``.

A plan is a frozen file that a worker leaves before it energises anything. It holds, per output, the address, the exact
off bytes, the expected replies and the identity; and, per channel, the process that holds the ports. That process is
asked for one second and then killed. Right identity: off, verified. No answer: the off bytes all the same, reported as
not verified. Wrong identity: nothing is ever written. No number of a plan is believed beyond limits set here; all ends
within 1 s + Σ tries · timeout + 2 s, be every instrument dead or hung. Called by the keeper, by the service manager
after a stop and by a person. Standard library; off_wire.py, and for pins off_pins.py and pin.py, are loaded from beside this.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import re
import select
import signal
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, cast


def _beside(name: str) -> Any:
    """Load a file of off from this file's own folder. Never by a search path: -P, and a stranger's file of that name, see to it
    that the import statement finds nothing or the wrong one. Nothing of the package is imported by this.
    """
    path = Path(__file__).with_name(f"{name}.py")
    spec = spec_from_file_location(f"_chargerd_{name}", path)
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[spec.name] = module_from_spec(spec)  # dataclasses look their own module up there
    spec.loader.exec_module(module)
    return module


if TYPE_CHECKING:
    from chargerd.daemon import off_wire as wire
else:
    wire = _beside("off_wire")

EXIT_VERIFIED, EXIT_GARBLED_PLAN, EXIT_NOT_VERIFIED = 0, 2, 8
VERSIONS = (1, 2)
ASK_S = 1.0  # for the worker to make safe by itself; it needs its links for that, so it is asked before it is killed
SPARE_S = 1.5  # of the promised 2 s, shared by the outputs of a plan; the rest stays for starting and telling
TIMEOUT_MAX_S, TRIES_MAX, LENGTH_MAX = 2.0, 5, 260  # a Modbus frame on TCP has 260 bytes at most
SENSES = ("text", "decimal", "unsigned", "signed", "float", "registers", "ascii")
PYTHON, MODULES = rb"(?:[^\0]*/)?python[^/\0]*", rb"(?:worker|commissioner)"  # who leaves off plans and holds ports
MODULE = rb"(?:chargerd\.daemon\." + MODULES + rb"|[^\0]*/chargerd/daemon/" + MODULES + rb"\.py)"
TEST = rb"(?:-m\0chargerd|[^\0]*/chargerd|[^\0]*/chargerd/__main__\.py)\0dialect\0test"  # it leaves one, too
WORKER = re.compile(PYTHON + rb"\0(?:.*\0)?(?:" + MODULE + rb"|" + TEST + rb")\0.*", re.DOTALL)  # as the kernel shows it


class PlanError(Exception):
    """A plan cannot be understood."""


@dataclass(slots=True)
class Output:
    """What a plan holds about one output, and in the end what has become of it: (verified, in words)."""

    name: str
    address: str = ""
    identity: wire.Exchange | None = None  # None: an instrument that cannot tell who it is
    off: tuple[wire.Exchange, ...] = ()
    verify: tuple[wire.Exchange, ...] = ()
    timeout_s: float = 0.0
    tries: int = 0  # none for an entry that cannot be understood; the plan's others are switched off all the same
    result: tuple[bool, str] = (False, "off itself failed or hung")
    was_on: bool | None = None  # before anything was sent; None: it was not asked, or did not say
    is_of_another_boot: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """One channel's outputs in the order of switching off (source before load), and who holds their ports."""

    path: Path
    channel: str
    worker_pid: int
    boot_id: str
    outputs: tuple[Output, ...]
    sha256: str  # of the file: by it a result belongs to this life's plan and not to an earlier one


def _texts(value: Any) -> tuple[str, ...]:
    texts = tuple(value) if isinstance(value, list) else (value,)
    if not texts or not all(isinstance(text, str) and text and text.isascii() for text in texts):
        raise ValueError(f"{value!r:.60} is no plain text")
    return texts


def _number(value: Any, largest: float) -> float:
    if type(value) not in (int, float) or not value > 0:
        raise ValueError(f"{value!r:.60} is no positive number")
    return float(min(value, largest))


def _exchange(entry: dict[str, Any], end: str, *, has_echo: bool, needs_reply: bool) -> wire.Exchange:
    """Read one entry of a plan of version 2: `send` and what is expected back."""
    (send,) = _texts(entry["send"])
    length = int(_number(entry["length"], LENGTH_MAX)) if "length" in entry else 0
    content = bytes.fromhex(send) if entry.get("hex") is True else send.encode()
    (shown,) = _texts(entry.get("shown", send.strip()))
    if "pattern" not in entry:
        if needs_reply:
            raise ValueError("a question without its reply")
        return wire.Exchange(content, shown, end=end.encode())
    sense, check = entry.get("sense", "text"), entry.get("check", "")
    order = tuple(int(_number(one, 9)) for one in entry.get("order", [1]))
    if sense not in SENSES or check not in wire.CHECKS:
        raise ValueError(f"{sense!r:.20} or {check!r:.20} is not known here")
    return wire.Exchange(
        content, shown, re.compile(_texts(entry["pattern"])[0]), order, sense,
        _texts(entry["accept"]) if "accept" in entry else None,
        _number(entry["abs_below"], 1e3) if "abs_below" in entry else math.nan,
        _number(entry.get("scale", 1), 1e6), length, check, end.encode(), has_echo,
        _texts(entry["silent"]) if "silent" in entry else (),
    )  # fmt: skip


def _output(entry: dict[str, Any]) -> Output:
    """Read one output of a plan of version 2."""
    name, address, end = (_texts(entry[key])[0] for key in ("name", "address", "end"))
    has_echo = entry.get("echo") is True
    asked = entry["identity"]
    identity = None if asked is None else _exchange(asked, end, has_echo=has_echo, needs_reply=True)
    if identity is not None and not identity.accept:
        raise ValueError("no identity to compare with")
    off = tuple(_exchange(one, end, has_echo=has_echo, needs_reply=False) for one in entry["off"])
    verify = tuple(_exchange(one, end, has_echo=has_echo, needs_reply=True) for one in entry["verify"])
    if not off:
        raise ValueError("nothing to send")
    timeout_s, tries = _number(entry["timeout_s"], TIMEOUT_MAX_S), int(_number(entry["tries"], TRIES_MAX)) or 1
    return Output(name, address, identity, off, verify, timeout_s, tries)


def _as_version_2(entry: dict[str, Any]) -> dict[str, Any]:
    """Return an output of a plan of version 1, which knows lines of text only, as one of version 2."""
    (end,), line = _texts(entry["terminator"]), {"pattern": "(.*)"}
    identity = {"send": _texts(entry["identity_query"])[0] + end, "accept": entry["identity"], **line}
    verify = []
    for question in entry["verify"]:
        if "accept" not in question and "abs_below" not in question:
            raise ValueError("a question without its reply")
        verify.append({**question, "send": _texts(question["ask"])[0] + end, **line})
    off = [{"send": command + end} for command in _texts(entry["off"])]
    return {**entry, "end": end, "identity": identity, "off": off, "verify": verify}


def read_plan(path: Path) -> Plan:
    """Read one off plan. Raises PlanError when nothing can be done with it."""
    try:
        whole = path.read_bytes()
        plan = json.loads(whole)
        (channel,), (boot_id,), outputs = _texts(plan["channel"]), _texts(plan["boot_id"]), []
        for number, entry in enumerate(plan["outputs"], start=1):
            try:
                outputs.append(_output(_as_version_2(entry) if plan["version"] == 1 else entry))
            except (KeyError, TypeError, ValueError, AttributeError, re.error) as fault:
                garbled = (False, f"its entry in the plan is garbled ({fault!r:.120})")
                outputs.append(Output(f"output {number}", result=garbled))
    except (OSError, KeyError, TypeError, ValueError, RecursionError) as fault:
        raise PlanError(f"{path}: this off plan cannot be used ({fault!r:.200})") from fault
    if plan["version"] not in VERSIONS or not outputs or type(plan.get("worker_pid")) is not int:
        raise PlanError(f"{path}: this is no off plan of a version known here ({', '.join(map(str, VERSIONS))})")
    for output in outputs:
        output.is_of_another_boot = boot_id != this_boot()
    return Plan(path, channel, plan["worker_pid"], boot_id, tuple(outputs), hashlib.sha256(whole).hexdigest())


def verify(link: wire.Link, output: Output, until_s: float, *, in_doubt: bool) -> tuple[bool, str]:
    """Ask each question until its reply proves off, for timeout_s at most; say by what, or what came instead.

    in_doubt: a reply to something asked before may still come, and it could pass for the proof; the line must be silent for a
    whole time-out first. So it is before the next question after one that was asked more than once.
    """
    proofs = []
    for question in output.verify:
        if in_doubt and link.clear is None:
            wire.drain(link, until_s, output.timeout_s)
        in_doubt = False
        settled_s = wire.boot_s() + output.timeout_s  # a measured current needs a moment to fall
        while True:
            reply = wire.ask(link, question, output.timeout_s, until_s)
            if question.is_expected(reply):
                proofs.append(f"{question.shown} {question.value(reply)}")
                break
            in_doubt = True
            if not reply or wire.boot_s() + wire.PAUSE_S > min(settled_s, until_s):
                answer = f"answered {_shown(question, reply)}" if reply else "was not answered"
                return False, f"off was sent, but {question.shown} {answer}"
            time.sleep(wire.PAUSE_S)
    return bool(proofs), " and ".join(proofs) or "off was sent, the plan holds no question to prove it"


def _shown(exchange: wire.Exchange, reply: bytes) -> str:
    return reply.hex(" ").upper()[:80] if exchange.length else f"{reply!r:.80}"


def was_on(reply: bytes, question: wire.Exchange) -> bool | None:
    """What an output said of itself before it was switched off; asked in another boot only, where no crash waits for off.

    One that was on when the computer had started: nobody knows for how long, and its run never goes on by itself.
    """
    return None if not reply else not question.is_expected(reply)


def send_off(link: wire.Link, output: Output, until_s: float, *, is_right: bool) -> str:
    """Send the off bytes; where the right instrument acknowledges them, wait for that. Return what was not acknowledged."""
    told = ""
    for command in output.off:
        if is_right and command.pattern is not None:
            reply = wire.ask(link, command, output.timeout_s, until_s)
            if not command.is_expected(reply):
                told = f"off was sent, but {command.shown} was answered by {_shown(command, reply) if reply else 'nothing'}"
        else:
            link.send(command.send)
            if command is not output.off[-1]:
                with contextlib.suppress(wire.LinkError):  # silence keeps frames apart; who never is silent is told all the same
                    wire.drain(link, until_s)
    return told


def switch_off(output: Output, until_s: float) -> None:
    """One output, tried as often as the plan says until boot time until_s; its result says what came of it."""
    wrong, told = "", ""
    for attempt in range(output.tries):
        time.sleep(wire.PAUSE_S if attempt else 0.0)
        try:
            left_s = max(0.001, until_s - wire.boot_s())
            with contextlib.closing(wire.open_link(output.address, min(output.timeout_s, left_s))) as link:
                is_right = output.identity is None
                if output.identity is not None:
                    reply = wire.ask(link, output.identity, output.timeout_s, until_s)
                    is_right = output.identity.names(reply)
                    if is_right:
                        wrong = ""  # what came before was the late answer to another question
                    elif output.identity.names_another(reply):
                        wrong = _shown(output.identity, reply)
                    if wrong:
                        continue
                told = "off was sent, but not proven" if is_right else "no identity answer; off was sent all the same"
                if is_right and output.is_of_another_boot and output.was_on is None and output.verify:
                    output.was_on = was_on(wire.ask(link, output.verify[0], output.timeout_s, until_s), output.verify[0])
                missing = send_off(link, output, until_s, is_right=is_right)
                if is_right:
                    # A device answers in order: behind the right identity, or what acknowledges off, nothing older comes.
                    is_acknowledged = not missing and any(command.pattern is not None for command in output.off)
                    in_doubt = not is_acknowledged and (attempt > 0 or output.identity is None)
                    is_off, told = verify(link, output, until_s, in_doubt=in_doubt)
                    if is_off:
                        output.result = True, told
                        return
                    told = missing or told
        except wire.UNREACHABLE as fault:
            told = told or f"{type(fault).__name__}: {fault}"
    if wrong:
        told = f"{told and told + '; then '}another instrument answers ({wrong}); nothing is written to it"
    output.result = False, told or output.result[1]


def this_boot() -> str:
    """This boot's id."""
    return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()


def end_workers(plans: Sequence[Plan]) -> None:
    """Ask the holders of the ports to make safe, for one second; then kill them. Never any other process."""
    alive = []
    for pid in {plan.worker_pid for plan in plans if plan.boot_id == this_boot()}:
        with contextlib.suppress(OSError, OverflowError):
            process = os.pidfd_open(pid)  # from here on the number cannot pass to another process unnoticed
            if WORKER.fullmatch(Path(f"/proc/{pid}/cmdline").read_bytes()):
                signal.pidfd_send_signal(process, signal.SIGTERM)
                alive.append(process)
    for last_word, patience_s in ((None, ASK_S), (signal.SIGKILL, wire.PAUSE_S)):
        until_s = wire.boot_s() + patience_s
        for process in alive if last_word else []:
            with contextlib.suppress(OSError):
                signal.pidfd_send_signal(process, signal.SIGKILL)
        while alive and (left_s := until_s - wire.boot_s()) > 0:
            ended, _, _ = select.select(alive, [], [], left_s)
            alive = [process for process in alive if process not in ended]


def run_plan(plan: Plan, lines: Mapping[str, threading.Lock]) -> None:
    """One channel in its plan's order: the source first, for a load by itself neither gasses nor overheats a cell.

    A port that stays silent is waited for through one time-out only. Then the next begins beside it: what comes later in a
    plan, the cell's relay above all, ends the current without the source's help.
    """
    ports: dict[str, list[Output]] = {}
    for output in plan.outputs:
        ports.setdefault(wire.port_of(output.address), []).append(output)
    spare_s, threads = SPARE_S / len(plan.outputs), []
    for port, outputs in ports.items():
        thread = threading.Thread(target=run_port, args=(outputs, spare_s, lines[port]), daemon=True)
        threads.append(thread)
        thread.start()
        thread.join(outputs[0].timeout_s + wire.PAUSE_S)
    for thread in threads:
        thread.join()


def run_port(outputs: Sequence[Output], spare_s: float, line: threading.Lock) -> None:
    """A plan's outputs at one port, one after the other; channels that share an instrument take turns: it may take one session.

    Each output has a thread of its own, since a driver or a name look-up may hang; the next does not wait for that.
    """
    for output in outputs:
        limit_s = output.tries * output.timeout_s + spare_s
        with line:
            thread = threading.Thread(target=switch_off, args=(output, wire.boot_s() + limit_s), daemon=True)
            thread.start()
            thread.join(limit_s + wire.PAUSE_S)


def first_proof(folder: Path, plan_sha256: str) -> dict[str, Any] | None:
    """What this plan has proven before: the first proof is the one that tells how long outputs can have been on."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        before = json.loads((folder / "off-result.json").read_bytes())
        proven = bool(before["outputs"]) and all(one["verified"] is True for one in before["outputs"])
        if proven and before["plan_sha256"] == plan_sha256:
            return dict(before)
    return None


def found_on(folder: Path) -> set[str]:
    """The outputs that an earlier execution of this boot found on, by name."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, AttributeError):
        result = json.loads((folder / "off-result.json").read_bytes())
        told = [one for one in (result, result.get("again")) if one and one["boot_id"] == this_boot()]
        return {output["output"] for one in told for output in one["outputs"] if output["was_on"] is True}
    return set()


def write_results(plans: Sequence[Plan], results: Mapping[Path, Sequence[dict[str, Any]]]) -> None:
    """Leave off-result.json beside each plan: what came of it and when, by the boot's clock, which nobody sets.

    What a plan proved first stays; this time goes under `again`.
    """
    for folder, outputs in results.items():
        sha256 = next(plan.sha256 for plan in plans if plan.path.parent == folder)
        now = {"written_utc": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()), "boot_id": this_boot(), "boot_s": wire.boot_s()}
        content: dict[str, Any] = {"version": 1, **now, "plan_sha256": sha256, "outputs": outputs}
        before = first_proof(folder, sha256)
        for output in outputs:  # what was found on in this boot is not forgotten when off is asked for again
            output["was_on"] = True if output["output"] in found_on(folder) else output["was_on"]
        if before is not None:
            content = {**before, "again": {**now, "outputs": outputs}}
        with contextlib.suppress(OSError):
            (folder / "off-result.json").write_text(json.dumps(content, indent=1) + "\n", encoding="ascii")


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
    lines = {wire.port_of(output.address): threading.Lock() for plan in plans for output in plan.outputs}
    for thread in (threads := [threading.Thread(target=run_plan, args=(plan, lines), daemon=True) for plan in plans]):
        thread.start()
    for thread in threads:
        thread.join()
    for plan in plans:
        for output in plan.outputs:
            is_off, told = output.result
            code = code if is_off else EXIT_NOT_VERIFIED
            says.append(f"{plan.channel} {output.name}: {'off, verified by' if is_off else 'NOT VERIFIED:'} {told}")
            result = {"channel": plan.channel, "output": output.name, "verified": is_off, "told": told, "was_on": output.was_on}
            results.setdefault(plan.path.parent, []).append(result)
    with contextlib.suppress(OSError):  # a closed terminal or a full disk does not make an output less off
        print(*says, sep="\n", file=out, flush=True)
    write_results(plans, results)
    return code


def main(argv: Sequence[str]) -> int:
    """Execute the plans named; not to be stopped half-way by a closing terminal."""
    for name in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(name, signal.SIG_IGN)
    return run_off(argv, out=sys.stdout) if argv else print("usage: off.py PLAN…") or EXIT_GARBLED_PLAN


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
