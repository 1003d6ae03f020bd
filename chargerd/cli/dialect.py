"""`dialect new` writes a dialect of your own; `dialect test` proves one: wire pairs of a manual, or the instrument itself."""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.errors import Exit, RefusedError, UsageError

if TYPE_CHECKING:
    from chargerd.config.bench import InstrumentSpec
    from chargerd.instruments.contract.suite import Finding
    from chargerd.instruments.dialect import Dialect


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="the dialects there are, shipped and beside a bench file")
    listing.add_argument("name", metavar="NAME", nargs="?", help="print the file of this one")
    listing.add_argument("--bench", metavar="BENCH", help="bench file whose folder `dialects` is looked into first")
    new = actions.add_parser("new", help="ask for every question and command of an instrument and write its dialect")
    new.add_argument("name", metavar="NAME", help="a name for it, such as my-supply")
    new.add_argument("--bench", metavar="BENCH", help="bench file; the dialect goes into its folder `dialects` (else ./dialects)")
    test = actions.add_parser(
        "test", help="prove a dialect: its wire pairs, a simulated instrument, or the real one with NOTHING connected to it",
        epilog="Stay beside it: the last line says whether its output is off. If this program is killed: chargerd off, here or "
        "with the bench's data folder.",
    )
    test.add_argument("name", metavar="NAME", nargs="?", help="the dialect; left out with --instrument")
    test.add_argument("--bench", metavar="BENCH", help="bench file; dialects beside it come first")
    test.add_argument("--instrument", metavar="NAME", help="an instrument of the bench file: every check, on itself")
    test.add_argument("--address", metavar="ADDRESS", help="the instrument at this address, in no bench file yet: the same")
    test.add_argument("--output", metavar="N", default="", help="with --address: which of its outputs")
    test.add_argument("--input", metavar="N", default="", help="with --address: which of its inputs")
    test.add_argument("--yes", action="store_true", help="you have looked: it is the right one and NOTHING is connected to it")


def run(args: argparse.Namespace) -> int:
    """Carry out one action."""
    if args.action == "list":
        return _show(args.name, _folder(args.bench)) if args.name else _list(_folder(args.bench))
    if args.action == "new":
        from chargerd.cli.dialect_new import interview

        return interview(args.name, None if args.bench is None else Path(args.bench), input)
    if args.address:
        return _test_address(args)
    if args.instrument:
        if not args.bench:
            raise UsageError("--instrument needs --bench BENCH, the file it stands in")
        return _test_instrument(Path(args.bench), args.instrument, args.name, is_agreed=args.yes)
    if not args.name:
        raise UsageError("name a dialect, or an instrument with --bench BENCH --instrument NAME")
    return _test_file(args.name, _folder(args.bench))


def _folder(bench: str | None) -> Path | None:
    """Return the folder of a bench's own dialects, or of this folder's. Raises UsageError when there is no such bench file."""
    if bench is None:
        return Path("dialects") if Path("dialects").is_dir() else None
    if not Path(bench).is_file():
        raise UsageError(f"{bench}: there is no such bench file")
    return Path(bench).parent / "dialects"


def _compare(name: str, beside: Path | None) -> str:
    """Return what to do about a dialect that failed."""
    own = None if beside is None else beside / f"{name}.yaml"
    return f"Compare {own if own is not None and own.is_file() else f'the dialect {name}'} with the instrument's manual."


def _refuse_unfinished(name: str, beside: Path | None) -> None:
    """Raise UsageError when `dialect new` was left half-way."""
    if beside is not None and (beside / f"{name}.draft.csv").exists() and not (beside / f"{name}.yaml").exists():
        raise UsageError(f"{name} is not finished, its answers are kept: go on with chargerd dialect new {name}")


def _show(name: str, beside: Path | None) -> int:
    """Print a dialect's file. Raises BenchError when there is none of that name."""
    from chargerd.instruments.dialect_file import find_dialect

    print(find_dialect(name, beside).read_text(encoding="utf-8"), end="")
    return Exit.OK


def _list(beside: Path | None) -> int:
    from chargerd.instruments.dialect import FOLDER, dialect_names
    from chargerd.instruments.dialect_file import load_dialect

    own = dialect_names(beside) if beside is not None else ()
    for name in (*own, *(name for name in dialect_names(FOLDER) if name not in own)):
        dialect = load_dialect(name, beside)
        tried = "" if dialect.verified_on_hardware == "none yet" else f"; tried on {dialect.verified_on_hardware}"
        print(f"{name:<26} {dialect.role:<12} {'your own: ' if name in own else ''}{dialect.about}{tried}")
    print("\nNone that is shipped has been tried on hardware unless it says so.")
    print("Yours is not among them: chargerd dialect new NAME")
    return Exit.OK


def _test_file(name: str, beside: Path | None) -> int:
    """Check the wire pairs and, where there is a simulated counterpart, the contract of its role."""
    from chargerd.instruments.contract.examples import check_examples
    from chargerd.instruments.dialect_file import load_dialect

    _refuse_unfinished(name, beside)
    dialect = load_dialect(name, beside)
    print(f"{dialect.name}: {dialect.about}\n\nWire pairs of its file:")
    findings = check_examples(dialect, load_dialect(name, beside, output="2", input="2"), load_dialect(name, beside, input="102"))
    _print(findings)
    simulated = asyncio.run(_simulated(dialect, beside))
    if simulated:
        print("\nA simulated instrument with nothing connected:")
        _print(simulated)
    else:
        print("\nNo simulated instrument speaks it. Prove it on the instrument itself, with NOTHING connected to it:")
        print(f"  chargerd dialect test {name} --address ADDRESS")
        print("or, when it stands in a bench file:  chargerd dialect test --bench BENCH --instrument NAME")
    _print_untold(dialect)
    held = "Everything held." if simulated else "Every wire pair holds; the instrument itself has not been tried."
    return _end([*findings, *simulated], _compare(name, beside), held)


async def _simulated(dialect: Dialect, beside: Path | None) -> list[Finding]:
    """Run the contract on the simulated counterpart, in memory; nothing when there is none."""
    from chargerd.cli.simulated_alone import PEER, lone_instrument
    from chargerd.instruments.contract.suite import run_contract
    from chargerd.instruments.opening import lone
    from chargerd.instruments.transports.memory import PEERS

    loop = asyncio.get_running_loop()
    zero_s = loop.time()
    found = lone_instrument(dialect)
    if found is None:
        return []
    spec, feed = found
    PEERS[PEER] = lambda data, now_s: feed(data, now_s - zero_s)
    instrument = lone(spec, beside)
    try:
        return await run_contract(instrument)
    finally:
        await instrument.connection.close()
        del PEERS[PEER]


def _agree(question: str, else_said: str, *, is_agreed: bool) -> None:
    """Ask the person at this terminal, unless `--yes` has answered. Raises RefusedError when nobody says yes."""
    from chargerd.cli.find import consent

    if is_agreed:
        return
    if not sys.stdin.isatty():
        raise RefusedError("nobody is at a terminal to say that NOTHING is connected to it: look, then add --yes")
    if not consent(question):
        raise RefusedError(else_said)


def _test_instrument(bench_path: Path, name: str, dialect: str | None, *, is_agreed: bool) -> int:
    """Run every check on the instrument itself."""
    from chargerd.config.bench import load_bench
    from chargerd.daemon.locks import AddressLocks
    from chargerd.instruments.dialect_file import load_dialect

    bench, beside = load_bench(bench_path), bench_path.parent / "dialects"
    spec = bench.instruments.get(name)
    if spec is None:
        raise UsageError(f"{bench_path}: there is no instrument {name!r}; there are {', '.join(bench.instruments)}")
    if dialect is not None and dialect != spec.dialect:
        raise UsageError(f"{spec.place}: {name} speaks {spec.dialect}, not {dialect}; change the bench file first")
    if name in bench.never_touch:
        raise UsageError(f"{bench_path}: {name} must never be touched; nothing is sent to it")
    print(f"{name}: {spec.address}, {spec.dialect}")
    with AddressLocks([spec.address]):
        if load_dialect(spec.dialect, beside, output=spec.output, input=spec.input).role in SWITCHING:
            print("At most 1.3 V and 0.1 A are asked of it.")
            _agree("Is NOTHING connected to it?", "nothing was sent", is_agreed=is_agreed)
        return asyncio.run(_on_the_wire(spec, beside, bench.data_dir))


def _test_address(args: argparse.Namespace) -> int:
    """Run every check on an instrument that stands in no bench file, once a person has said that it is the right one."""
    from chargerd.cli.find_bench import quoted
    from chargerd.config.bench import Accuracy, InstrumentSpec
    from chargerd.config.bench_parts import ContactSpec
    from chargerd.daemon.locks import AddressLocks
    from chargerd.instruments.dialect_file import load_dialect

    if not args.name or args.instrument:
        raise UsageError("--address goes with a dialect's name, and without --instrument")
    beside = _folder(args.bench)
    _refuse_unfinished(args.name, beside)
    data = None if args.bench is None else _refuse_untouchable(Path(args.bench), args.address)
    dialect = load_dialect(args.name, beside, output=args.output, input=args.input)
    for place, said in (("output", args.output), ("input", args.input)):
        if place in dialect.needs and not said:
            raise UsageError(f"{args.name} needs its {place}; add --{place} 1")
    timeout_s = 0.5 if dialect.questions["identity"].message else LISTEN_S
    with AddressLocks([args.address]):
        identity = asyncio.run(_who(dialect, args.address, timeout_s))
        is_output = dialect.role in ("source", "load")
        print(f"It says who it is; in a bench file: identity: {quoted(identity)}")
        if is_output:
            print("At most 1.3 V and 0.1 A are asked of it.")
        free = ", and is NOTHING connected to it" if dialect.role in SWITCHING else ""
        _agree(f"Is that the right instrument{free}?", "nothing was sent but that question", is_agreed=args.yes)
        spec = InstrumentSpec(
            args.name, args.address, args.name, identity, 30.0, 3.0,
            {"voltage": Accuracy(0.005, 0.03), "current": Accuracy(0.01, 0.03), "temperature": Accuracy(0.0, 1.0)},
            {"voltage": 0.01, "current": 0.01, "temperature": 0.1}, timeout_s,
            protects=tuple(of for level, of in (("ovp", "voltage"), ("ocp", "current")) if level not in dialect.lacks),
            output=args.output, input=args.input, contact=ContactSpec("open") if dialect.role == "switch" else None,
        )  # fmt: skip
        return asyncio.run(_on_the_wire(spec, beside, data))


SWITCHING = ("source", "load", "switch")
"""Roles that switch something on."""

LISTEN_S = 2.5
"""For what prints by itself, once a second or faster."""


def _refuse_untouchable(bench_path: Path, address: str) -> Path:
    """Raise UsageError when the bench file says that nothing may be sent there; return its data folder."""
    from chargerd.config.bench import load_bench
    from chargerd.instruments.transports.wires import wires

    bench = load_bench(bench_path)
    for name in bench.never_touch:
        if name in bench.instruments and set(wires(bench.instruments[name].address)) & set(wires(address)):
            raise UsageError(f"{bench_path}: {name}, at that address, must never be touched; nothing is sent to it")
    return Path(bench.data_dir)


async def _who(dialect: Dialect, address: str, timeout_s: float) -> str:
    """Ask who is there. Raises LinkError with what to do."""
    from chargerd.errors import LinkGarbledError, LinkTimeoutError
    from chargerd.instruments.transports.registry import open_link, parse_address

    question = dialect.questions["identity"]
    link = await open_link(parse_address(address), deadline_s=5.0)
    try:
        reply = await link.query(question.message, deadline_s=timeout_s)
        return str(question.parse(reply))
    except LinkTimeoutError as fault:
        raise LinkTimeoutError(f"{fault}. {SILENT}") from None
    except LinkGarbledError as fault:
        raise LinkGarbledError(f"it does not answer {question.text} as its dialect says: {fault}. {SILENT}") from None
    finally:
        await link.close()


SILENT = "Is it on, is the cable in, and are speed, parity and line end (baud=, parity=, eol=) in the address as its manual says?"


async def _on_the_wire(spec: InstrumentSpec, beside: Path | None, data: Path | None) -> int:
    """Identify an instrument, run the contract on it, say what came of it; the last line says whether it is off."""
    from chargerd.cli.dialect_live import plan_folder, prove, tell
    from chargerd.instruments.opening import lone

    instrument = lone(spec, beside)
    folder = plan_folder(data, spec.name)
    if instrument.dialect.role in SWITCHING:
        tell(f"Stay beside it. If this program is killed: chargerd off {folder}\n")
    try:
        outcome = await prove(instrument, folder)
    finally:
        await instrument.connection.close()
    findings, advice = outcome.findings, _compare(spec.dialect, beside)
    if len(findings) == 1:
        is_silent = "no reply" in findings[0].said or "answered by" in findings[0].said
        advice = f"Nothing more was tried. {SILENT}" if is_silent else "Nothing more was tried."
    _print_untold(instrument.dialect)
    code = outcome.code if outcome.code in (Exit.STOPPED, Exit.INTERNAL) else _end(findings, advice)
    if outcome.last:
        tell(f"\n{outcome.last}")
    return code if outcome.code is None else outcome.code


def _print(findings: list[Finding]) -> None:
    for finding in findings:
        print(f"  {finding.check:<20} {finding.result:<9} {finding.said}")


def _print_untold(dialect: Dialect) -> None:
    from chargerd.cli.dialect_live import tell
    from chargerd.instruments.abilities import untold

    said = untold(dialect)
    if said:
        tell("\nWhat it does not tell or do, as its dialect stands:\n" + "".join(f"  {one}\n" for one in said), end="")


def _end(findings: list[Finding], advice: str, held: str = "Everything held.") -> int:
    """Say in one line what came of it all; return the exit code."""
    from chargerd.instruments.contract.suite import Result

    failed = [finding.check for finding in findings if finding.result is Result.FAILED]
    unproven = [finding.check for finding in findings if finding.result is Result.UNPROVEN]
    if failed:
        print(f"\n{len(failed)} failed: {', '.join(failed)}. {advice}")
        return Exit.INSTRUMENT
    if unproven:
        print(f"\nNothing failed, and {len(unproven)} of {len(findings)} not proven: {', '.join(unproven)}.")
        return Exit.NOT_PROVEN
    print(f"\n{held}")
    return Exit.OK
