"""The dialects that `init` offers: those of one's own first, copied beside the new bench file; and who answers in one."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chargerd.instruments.dialect import Dialect

ASK_S = 1.0


def beside_of(name: str, folder: Path) -> Path | None:
    """Return the folder with a dialect of one's own of that name: that of the new bench, else ./dialects."""
    return next((place for place in (folder / "dialects", Path("dialects")) if (place / f"{name}.yaml").is_file()), None)


@cache
def names_of(role: str, folder: Path) -> tuple[str, ...]:
    """Return the dialects of a role, one's own first; one with faults is left out, `dialect test` says them."""
    from chargerd.errors import BenchError
    from chargerd.instruments.dialect import FOLDER, dialect_names
    from chargerd.instruments.dialect_file import load_dialect

    found: list[str] = []
    places = (folder / "dialects", Path("dialects"), FOLDER)
    for name in dict.fromkeys(name for place in places for name in dialect_names(place)):
        try:
            dialect = load_dialect(name, beside_of(name, folder))
        except BenchError:
            continue
        if dialect.role == role:
            found.append(name)
    usual = "scpi-supply" if role == "source" else f"scpi-{role}"
    return tuple(sorted(found, key=lambda name: (beside_of(name, folder) is None, name != usual)))


def own_files(dialects: dict[str, Dialect], folder: Path) -> Iterator[tuple[Path, str]]:
    """Yield what is to be copied beside the new bench: dialects of one's own, and those that they are based on."""
    left = [dialect.name for dialect in dialects.values()]
    while left:
        name = left.pop()
        beside = beside_of(name, folder)
        if beside is None:
            continue
        text = (beside / f"{name}.yaml").read_text(encoding="utf-8")
        left += re.findall(r"^based_on: *[\"']?([\w.-]+)", text, re.MULTILINE)
        if beside != folder / "dialects":
            yield folder / "dialects" / f"{name}.yaml", text


def asked_identity(address: str, dialect: Dialect) -> str:
    """Ask a networked instrument who it is: a question that changes nothing. Returns "" when nobody answers."""
    from chargerd.errors import InstrumentError, LinkError
    from chargerd.instruments.transports.registry import open_link, parse_address

    question = dialect.questions["identity"]

    async def ask() -> str:
        link = await open_link(parse_address(address), deadline_s=ASK_S)
        try:
            return str(question.parse(await link.query(question.message, deadline_s=ASK_S)))
        finally:
            await link.close()

    if not address.startswith("tcp://"):
        return ""
    try:
        return asyncio.run(ask())
    except (LinkError, InstrumentError, ValueError):
        print("  (nobody answers there now: type what its manual or another program says)")
        return ""
