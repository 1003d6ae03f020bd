"""Short profiles as a person would write them, in text, for a formed plover with about a third of its charge."""

from __future__ import annotations

EVERY_S = 5.0


def charge(
    *ends: str, current: str = "C/10", voltage: str = "1.85 V", time: str = "2 min", interrupt: str = "", every: str = "5 s"
) -> list[str]:
    return _energising("charge", [f"current: {current}", f"voltage: {voltage}", *([interrupt] if interrupt else [])], ends, time, every)


def discharge(*ends: str, current: str = "C/5", time: str = "2 min", every: str = "5 s") -> list[str]:
    return _energising("discharge", [f"current: {current}"], ends, time, every)


def rest(lasts: str = "1 min", every: str = "5 s") -> list[str]:
    return ["rest:", f"  lasts: {lasts}", f"  sample_every: {every}"]


def _energising(kind: str, lines: list[str], ends: tuple[str, ...], time: str, every: str) -> list[str]:
    given = list(ends)
    if kind == "discharge" and not any(end.startswith("voltage_below") for end in given):
        given.append("voltage_below: 0.80 V")
    if not any(end.startswith("charge:") for end in given):
        given.append("charge: 100 % rated")
    given.append(f"time: {time}")
    body = [*lines, f"sample_every: {every}", "ends_when:", *(f"  {end}" for end in given)]
    return [f"{kind}:", *(f"  {line}" for line in body)]


def profile(*steps: list[str], limits: tuple[str, ...] = ()) -> str:
    lines = ["profile: short", "about: A short program for a test."]
    if limits:
        lines += ["limits:", *(f"  {limit}" for limit in limits)]
    lines.append("steps:")
    for step in steps:
        lines += [("  - " if index == 0 else "    ") + line for index, line in enumerate(step)]
    return "\n".join(lines) + "\n"


CYCLE = profile(charge(), rest(), discharge(), rest())
"""Two minutes in at 0.15 A, one of rest, two out at 0.3 A, one of rest: 5 mAh in, 10 mAh out."""
