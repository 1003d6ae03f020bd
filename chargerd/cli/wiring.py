"""`wiring BENCH`: the bench drawn for the person who builds it, as a page to print or as text."""

from __future__ import annotations

import argparse
from pathlib import Path

from chargerd.errors import Exit, UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("bench", nargs="?", metavar="BENCH", help="bench file; --dead-man needs none")
    parser.add_argument("--text", action="store_true", help="print it here as plain text instead of writing a page")
    parser.add_argument("--dead-man", action="store_true", help="only the dead-man relay: sketch, parts, proof")
    parser.add_argument("--out", metavar="FILE", help="the page to write; left out: wiring-NAME.html in this folder")


def run(args: argparse.Namespace) -> int:
    """Write the sheet, or print it. A page made before is made anew; any other file is left alone."""
    from chargerd.cli.files import existing
    from chargerd.config.bench import load_bench
    from chargerd.config.sheet.dead_man import text
    from chargerd.config.sheet.page import html_dead_man, html_sheet
    from chargerd.config.sheet.plain import plain_sheet

    if args.bench is None and not args.dead_man:
        raise UsageError("which bench? give its file: chargerd wiring BENCH.yaml, or --dead-man alone")
    if args.text and args.out is not None:
        raise UsageError("--text prints and --out writes a page: give one of them")
    bench = None if args.bench is None else load_bench(existing(args.bench, "bench"))
    # Without --out the dead-man relay is printed: it is read beside the soldering iron more often than filed.
    if args.text or (args.dead_man and args.out is None):
        print(text(bench) if args.dead_man or bench is None else plain_sheet(bench))
        return Exit.OK
    page = html_dead_man(bench) if args.dead_man or bench is None else html_sheet(bench)
    path = Path(args.out) if args.out is not None or bench is None else Path(f"wiring-{bench.name}.html")
    _write(path, page)
    print(f"{path}: open it in a browser and print it on A4, landscape")
    return Exit.OK


def _write(path: Path, page: str) -> None:
    from chargerd.config.sheet.page import MARK

    try:
        if path.exists() and MARK not in path.read_text(encoding="utf-8", errors="replace")[:400]:
            raise UsageError(f"{str(path)!r} is there already and is no wiring sheet; give another name with --out")
        path.write_text(page, encoding="utf-8")
    except OSError as fault:
        raise UsageError(f"{str(path)!r} cannot be written: {fault.strerror}; give another name with --out") from None
