"""What the bench's specifications allow a figure to be wrong by, and how many digits that leaves.

Limits, not standard deviations: an instrument promised as ±(gain of reading + offset) may be wrong by that much and stay
so, hence a longer run does not average it away. Gain and offset are combined as independent (root of squares).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

S_PER_H = 3600.0


@dataclass(frozen=True, slots=True)
class Accuracy:
    """±(gain × reading + offset), gain as a fraction, offset in the reading's unit."""

    gain: float
    offset: float


@dataclass(frozen=True, slots=True)
class Accuracies:
    """Accuracy of what a verdict rests on; None = the bench file does not say.

    `one_current_meter` says that charge and discharge current came through the same instrument, so that its gain cancels in
    a ratio of the two.
    """

    voltage_V: Accuracy | None = None
    charge_A: Accuracy | None = None
    discharge_A: Accuracy | None = None
    temperature_K: float | None = None
    one_current_meter: bool = False


UNKNOWN = Accuracies()


def charge_limit_Ah(charge_Ah: float, duration_s: float, accuracy: Accuracy | None, edge_Ah: float = 0.0) -> float | None:
    """Return how far a counted charge may be off: √((gain·Q)² + (offset·t)² + edge²), Ah; None when accuracy is unknown.

    Gain and offset of a current do not shrink with the number of samples (JCGM 100:2008, 4.3.7 and F.1.1.5: a systematic
    effect is common to all readings). `edge_Ah` is the charge a current step between two samples may hide.
    """
    if accuracy is None:
        return None
    return math.hypot(accuracy.gain * charge_Ah, accuracy.offset * duration_s / S_PER_H, edge_Ah)


def energy_limit_Wh(energy_Wh: float, charge_Ah: float, duration_s: float, current: Accuracy | None,
                    voltage: Accuracy | None) -> float | None:
    """Return how far an energy may be off, Wh; None when voltage or current accuracy is unknown."""
    if current is None or voltage is None:
        return None
    mean_V = energy_Wh / charge_Ah if charge_Ah else 0.0
    return math.hypot(
        current.gain * energy_Wh,
        voltage.gain * energy_Wh,
        current.offset * mean_V * duration_s / S_PER_H,
        voltage.offset * charge_Ah,
    )


def ratio_limit(out: float, out_limit: float | None, into: float, in_limit: float | None) -> float | None:
    """Return how far out/into may be off when the two limits are independent; None when one is unknown."""
    if out_limit is None or in_limit is None or into <= 0.0 or out <= 0.0:
        return None
    return out / into * math.hypot(out_limit / out, in_limit / into)


def decimals(limit: float) -> int:
    """Return how many decimals a value with that ±limit deserves: the limit's first digit, its second too after a 1."""
    if limit <= 0.0 or not math.isfinite(limit):
        raise ValueError(f"a limit must be positive and finite, not {limit!r}")
    exponent = math.floor(math.log10(limit))
    keep = -exponent + (1 if limit / 10.0**exponent < 1.95 else 0)
    return max(0, keep)


def significant(value: float, digits: int = 3) -> str:
    """Return the value with that many significant digits, never in exponent form."""
    if value == 0.0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):.{max(0, places)}f}"


def stated(value: float, limit: float | None, unit: str) -> str:
    """Return `1.386 ± 0.005 Ah`: no more digits than the limit justifies; three significant ones when it is unknown."""
    if limit is None or limit <= 0.0:
        return f"{significant(value)} {unit}"
    places = decimals(limit)
    return f"{value:.{places}f} ± {limit:.{places}f} {unit}"


def stated_percent(fraction: float, limit: float | None) -> str:
    """Return a fraction as per cent; whole per cents when nobody knows the instruments' accuracy."""
    if limit is None or limit <= 0.0:
        return f"{100.0 * fraction:.0f} %"
    places = min(decimals(100.0 * limit), 2)
    return f"{100.0 * fraction:.{places}f} ± {100.0 * limit:.{places}f} %"
