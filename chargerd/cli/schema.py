"""`schema KIND`: the JSON Schema of a kind of file, for editors."""

from __future__ import annotations

import argparse
import json

from chargerd.errors import Exit

KINDS = ("profile", "cell", "bench", "status", "event")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("kind", choices=KINDS, help="which kind: a file of yours, or a published message")


def run(args: argparse.Namespace) -> int:
    """Print the schema."""
    if args.kind in ("status", "event"):
        from chargerd.status.snapshot import EVENT_SCHEMA, STATUS_SCHEMA

        found = STATUS_SCHEMA if args.kind == "status" else EVENT_SCHEMA
    else:
        from chargerd.config.schema import schema

        found = schema(args.kind)
    print(json.dumps(found, indent=2, ensure_ascii=False))
    return Exit.OK
