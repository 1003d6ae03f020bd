"""Outputs that must be left alone: `never_touch` and `keep_on` of the bench file, against what a dialect's messages address.

A dialect is data that a person wrote, and one wrong number in it would switch another output of the same instrument. So every
message is looked at for the outputs it names, once when the bench is opened and again before the bytes of a command leave. What
names no output at all while the instrument carries one that must be left alone, is refused too, if it could switch or set.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from chargerd.config.bench import BenchFile
from chargerd.errors import InstrumentError
from chargerd.instruments.transports.wires import wires

_ENTRY = re.compile(r"(?P<address>\S+?)(?: output (?P<output>\S+))?")
_LISTS = re.compile(r"\(@\s*([0-9,:\s]+)\)")
_SUFFIX = re.compile(r"\b(?:OUTP(?:UT)?|SOUR(?:CE)?|INP(?:UT)?|MEAS(?:URE)?|ISUM(?:MARY)?)([0-9]+)\b", re.IGNORECASE)
_SELECTION = re.compile(r"\bINST(?:RUMENT)?(?::N?SEL(?:ECT)?)?\s+[A-Z]*([0-9]+)\b", re.IGNORECASE)
_EVERY = re.compile(r"\*RST\b|\*RCL\b|\*TRG\b|(?:OUTP|INP)\w*[:\s]+\(?@?ALL\b", re.IGNORECASE)
_WIDE = frozenset({"identity", "error", "events", "remote", "lock", "clear_protection", "watchdog"})
"""What concerns an instrument as a whole, or reads: allowed without naming an output."""


def addressed(text: str) -> set[str]:
    """Return the numbers of the outputs that a SCPI message names: by suffix, by channel list, or by selecting."""
    found = {str(int(number)) for number in (*_SUFFIX.findall(text), *_SELECTION.findall(text))}
    for listed in _LISTS.findall(text):
        for part in listed.replace(" ", "").split(","):
            first, _, last = part.partition(":")
            if first:
                found |= {str(number) for number in range(int(first), int(last or first) + 1)}
    return found


class Untouchable:
    """What must be left alone at one address: some of its outputs, or all of it (`""` among them)."""

    def __init__(self, outputs: Iterable[str]) -> None:
        self.outputs = frozenset(outputs)

    def judge(self, who: str, what: str, text: str, *, is_question: bool) -> None:
        """Raise InstrumentError when that message must not be sent."""
        if not self.outputs:
            return
        named = addressed(text)
        hit = named & self.outputs
        if hit:
            raise InstrumentError(f"{who}: {text} not sent: it addresses output {min(hit)}, which must be left alone")
        if is_question:
            return
        if _EVERY.search(text):
            raise InstrumentError(f"{who}: {text} not sent: it would switch every output, also one that must be left alone")
        if "" in self.outputs or (not named and what not in _WIDE):
            raise InstrumentError(f"{who}: {text} not sent: it names no output, and one here must be left alone")


def untouchable_at(bench: BenchFile, address: str) -> Untouchable:
    """Return what must be left alone at that address."""
    here = set(wires(address))
    return Untouchable(
        output for entry in (*bench.never_touch, *bench.keep_on) for where, output in (_place(bench, entry),) if here & set(where)
    )


def _place(bench: BenchFile, entry: str) -> tuple[Iterable[str], str]:
    """Return the wires and the output of an entry: an instrument's name, or `ADDRESS output N`."""
    if entry in bench.instruments:
        spec = bench.instruments[entry]
        return wires(spec.address), spec.output
    match = _ENTRY.fullmatch(entry)
    return ((), "") if match is None else (wires(match["address"]), match["output"] or "")
