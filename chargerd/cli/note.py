"""`note CELL`: a dated fact into the cell's ledger."""

from __future__ import annotations

import argparse
import getpass

from chargerd.errors import Exit, UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("cell", metavar="CELL", help="the cell's name")
    parser.add_argument("text", nargs="?", default="", help="a remark")
    parser.add_argument("--voltage", metavar="VOLTS", help='a voltage read by hand, with its unit: "1.916 V"')
    parser.add_argument("--mass", metavar="GRAMS", help='a weighing: "111.83 g"')
    parser.add_argument("--water", metavar="GRAMS", help='water added: "1.2 g"')
    parser.add_argument("--meter", metavar="NAME", default="", help="what it was read with")
    parser.add_argument("--at", metavar="TIME", help="when it was read, RFC 3339 with its offset (now)")
    parser.add_argument("--bench", metavar="BENCH", help="the bench's file (tells where the data folder is)")
    parser.add_argument("--data", metavar="FOLDER", help="the data folder")


def run(args: argparse.Namespace) -> int:
    """Write the fact down."""
    from chargerd.cli.files import data_folder, made
    from chargerd.daemon.clock import real_clock
    from chargerd.journal.ledger import CellLedger, Fact
    from chargerd.units import UnitError, parse

    facts: dict[str, Fact] = {}
    typed = (("voltage_V", args.voltage, "voltage"), ("mass_g", args.mass, "mass"), ("water_g", args.water, "mass"))
    for name, given, dimension in typed:
        if given is not None:
            try:
                value = float(parse(given, dimension).value)
            except UnitError as fault:
                raise UsageError(f"--{name.split('_')[0]}: {fault}") from None
            facts[name] = value
            if dimension == "mass" and not value > 0.0:
                raise UsageError(f"--{name.split('_')[0]}: {given} is no weighing; a mass is above zero")
    if not facts and not args.text.strip():
        raise UsageError('nothing to note: give a remark in quotes, or --voltage "1.916 V", --mass "111.83 g", --water "1.2 g"')
    utc = real_clock().utc() if args.at is None else _utc(args.at)
    if args.meter:
        facts["meter"] = args.meter
    data = made(data_folder(args.data, args.bench))
    with CellLedger.open(data, args.cell) as ledger:
        seq = ledger.note(utc, args.text, getpass.getuser(), **facts)
    print(f"{args.cell}: noted as row {seq} ({utc})")
    return Exit.OK


def _utc(text: str) -> str:
    from datetime import datetime

    from chargerd.daemon.clock import utc_text

    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--at {text!r} is no time; write it like 2026-11-26T08:10Z") from None
    if moment.tzinfo is None:
        raise UsageError(f"--at {text!r} has no offset; write it like 2026-11-26T08:10Z or 2026-11-26T09:10+01:00")
    return utc_text(moment)
