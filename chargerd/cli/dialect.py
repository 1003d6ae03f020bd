"""`dialect new` writes a dialect of your own; `dialect test` proves one: wire pairs of a manual, or the instrument itself."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

from chargerd.errors import Exit, UsageError

if TYPE_CHECKING:
    from chargerd.config.bench import InstrumentSpec
    from chargerd.instruments.contract.suite import Finding
    from chargerd.instruments.dialect import Dialect


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    actions.add_parser("list", help="the dialects there are, shipped and beside a bench file").add_argument(
        "--bench", metavar="BENCH", help="bench file whose folder `dialects` is looked into first"
    )
    new = actions.add_parser("new", help="ask for every question and command of an instrument and write its dialect")
    new.add_argument("name", metavar="NAME", help="a name for it, such as my-supply")
    new.add_argument("--bench", metavar="BENCH", help="bench file; the dialect goes into its folder `dialects` (else ./dialects)")
    test = actions.add_parser(
        "test", help="prove a dialect: its wire pairs, a simulated instrument, or the real one with NOTHING connected to it"
    )
    test.add_argument("name", metavar="NAME", nargs="?", help="the dialect; left out with --instrument")
    test.add_argument("--bench", metavar="BENCH", help="bench file; dialects beside it come first")
    test.add_argument("--instrument", metavar="NAME", help="an instrument of the bench file: every check, on itself")


def run(args: argparse.Namespace) -> int:
    """Carry out one action."""
    if args.action == "list":
        return _list(_folder(args.bench))
    if args.action == "new":
        from chargerd.cli.dialect_new import interview

        return interview(args.name, None if args.bench is None else Path(args.bench), input)
    if args.instrument:
        if not args.bench:
            raise UsageError("--instrument needs --bench BENCH, the file it stands in")
        return _test_instrument(Path(args.bench), args.instrument, args.name)
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

    dialect = load_dialect(name, beside)
    print(f"{dialect.name}: {dialect.about}\n\nWire pairs of its file:")
    findings = check_examples(dialect)
    _print(findings)
    simulated = asyncio.run(_simulated(dialect, beside))
    if simulated:
        print("\nA simulated instrument with nothing connected:")
        _print(simulated)
    else:
        print("\nNo simulated instrument speaks it. Prove it on the instrument itself, with NOTHING connected to it:")
        print("  chargerd dialect test --bench BENCH --instrument NAME")
    return _end([*findings, *simulated])


async def _simulated(dialect: Dialect, beside: Path | None) -> list[Finding]:
    """Run the contract on the simulated counterpart, in memory; nothing when there is none."""
    from chargerd.cli.simulated_alone import lone_instrument
    from chargerd.instruments.contract.suite import run_contract
    from chargerd.instruments.opening import lone
    from chargerd.instruments.transports.memory import PEERS

    loop = asyncio.get_running_loop()
    zero_s = loop.time()
    found = lone_instrument(dialect.name, dialect.needs)
    if found is None:
        return []
    spec, feed = found
    PEERS["dialect-test"] = lambda data, now_s: feed(data, now_s - zero_s)
    instrument = lone(spec, beside)
    try:
        return await run_contract(instrument)
    finally:
        await instrument.connection.close()
        del PEERS["dialect-test"]


def _test_instrument(bench_path: Path, name: str, dialect: str | None) -> int:
    """Run every check on the instrument itself."""
    from chargerd.config.bench import load_bench
    from chargerd.daemon.locks import AddressLocks

    bench = load_bench(bench_path)
    spec = bench.instruments.get(name)
    if spec is None:
        raise UsageError(f"{bench_path}: there is no instrument {name!r}; there are {', '.join(bench.instruments)}")
    if dialect is not None and dialect != spec.dialect:
        raise UsageError(f"{spec.place}: {name} speaks {spec.dialect}, not {dialect}; change the bench file first")
    if name in bench.never_touch:
        raise UsageError(f"{bench_path}: {name} must never be touched; nothing is sent to it")
    print(f"{name}: {spec.address}, {spec.dialect}\nNothing may be connected to it; at most 1.3 V and 0.1 A are asked of it.\n")
    with AddressLocks([spec.address]):
        findings = asyncio.run(_on_bench(spec, bench_path.parent / "dialects"))
    _print(findings)
    return _end(findings)


async def _on_bench(spec: InstrumentSpec, beside: Path) -> list[Finding]:
    from chargerd.instruments.contract.suite import run_contract
    from chargerd.instruments.opening import lone

    instrument = lone(spec, beside)
    try:
        return await run_contract(instrument)
    finally:
        await instrument.connection.close()


def _print(findings: list[Finding]) -> None:
    for finding in findings:
        print(f"  {finding.check:<20} {finding.result:<9} {finding.said}")


def _end(findings: list[Finding]) -> int:
    from chargerd.instruments.contract.suite import Result

    failed = [finding.check for finding in findings if finding.result is Result.FAILED]
    blank = [finding.check for finding in findings if finding.result is Result.NOT_HERE]
    if failed:
        print(f"\n{len(failed)} failed: {', '.join(failed)}. Compare the dialect with the instrument's manual.")
        return Exit.INSTRUMENT
    print(f"\nNothing failed; {len(blank)} not proven here." if blank else "\nEverything held.")
    return Exit.OK
