"""Which cell is clipped on, said by whoever stands at the bench: the wrong cell under the right profile is a fire of its own."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace

from chargerd.errors import RefusedError


def add_arguments(parser: ArgumentParser) -> None:
    """Declare what a person may say of the cell."""
    parser.add_argument("--cell-name", metavar="NAME", help="the name on the label of the cell that is clipped on")
    parser.add_argument(
        "--resistance-changed",
        action="store_true",
        help="it is this cell although its resistance is not what it was at its last start",
    )


def named(name: str, channel: str, said: str | None) -> bool:
    """Return whether a person has named the cell: with an option, or asked at a terminal; False where nobody can be asked.

    Raises:
        RefusedError: it is another cell.
    """
    from chargerd.daemon.starting import is_at_terminal

    if said is None:
        if not is_at_terminal():
            return False
        try:
            said = input(f"Which cell is clipped to {channel}? Type the name on its label: ")
        except EOFError:
            said = ""
    if said.strip() != name:
        raise RefusedError(
            f"{said.strip()!r} is clipped to {channel}, and this run is for {name!r}: clip on that cell, or name the other's file"
        )
    return True


def told(args: Namespace, *, is_named: bool) -> list[str]:
    """Return what the worker is told of it."""
    return [*(["--named"] if is_named else []), *(["--resistance-changed"] if args.resistance_changed else [])]
