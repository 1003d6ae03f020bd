"""Capacity with its window, when it has settled, what cycles gave back, and whether the rating on the cell's record holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from chargerd.verdict.leg import Leg
from chargerd.verdict.sample import Rating
from chargerd.verdict.uncertainty import S_PER_H, Accuracies, ratio_limit

AGREE_WITHIN = 0.02
"""Discharges agree when (largest − smallest) / mean is no more than this; static-capacity tests of the US DOE/INL manuals
(DOE/ID-11069, 2003; from memory) ask it of three in succession, this project of two."""

SAME_VOLTAGE_V = 0.010
SAME_CURRENT = 0.05
EFFICIENCY_MAX = 1.005
"""No cell gives back more than it got: above this the instruments differ, the cell is still growing, or reserve zinc helped."""

FAR_BELOW = 0.8


@dataclass(frozen=True, slots=True)
class Window:
    """The conditions of a discharge: charged to, discharged to, mean current (A), mean temperature (degC)."""

    charged_to_V: float | None
    discharged_to_V: float | None
    current_A: float | None
    temperature_degC: float | None

    def same_as(self, other: Window) -> bool:
        """Whether two capacities may be compared: same ends within 10 mV, same current within 5 %."""
        return (
            _near(self.charged_to_V, other.charged_to_V, SAME_VOLTAGE_V)
            and _near(self.discharged_to_V, other.discharged_to_V, SAME_VOLTAGE_V)
            and self.current_A is not None
            and _near(self.current_A, other.current_A, SAME_CURRENT * self.current_A)
        )


def _near(first: float | None, second: float | None, within: float) -> bool:
    return first is not None and second is not None and abs(first - second) <= within * (1.0 + 1e-9)


def charged_to_V(charge: Leg | None) -> float | None:
    """Return the upper end of the window: the charge's set-point when the cell reached it, else where it stopped."""
    if charge is None or charge.end_V is None:
        return None
    if charge.set_voltage_V is not None and (
        charge.regulated_by == "cv" or _near(charge.end_V, charge.set_voltage_V, SAME_VOLTAGE_V)
    ):
        return charge.set_voltage_V
    return charge.end_V


def window_of(legs: Sequence[Leg], index: int) -> Window:
    """Return the window of the discharge at that place; the charge just before it gives the upper end."""
    leg = legs[index]
    charge = legs[index - 1] if index and legs[index - 1].kind == "charge" else None
    lower_V = leg.end_limit if leg.complete and leg.end_limit is not None else leg.end_V
    return Window(charged_to_V(charge), lower_V, leg.current_mean_A, leg.temperature_mean_degC)


def spread(values: Sequence[float]) -> float:
    """Return (largest − smallest) / mean. Raises ValueError without values or with a mean that is not positive."""
    if not values or sum(values) <= 0.0:
        raise ValueError("a spread needs positive values")
    return (max(values) - min(values)) * len(values) / sum(values)


@dataclass(frozen=True, slots=True)
class Capacity:
    """The run's capacity: mean of the last two successive discharges that agree, else the last complete one (`repeated` no).

    `range_Ah` is the smallest and largest of those averaged, `legs` their places among the run's legs.
    """

    charge_Ah: float
    limit_Ah: float | None
    energy_Wh: float
    energy_limit_Wh: float | None
    mean_voltage_V: float
    window: Window
    repeated: bool
    spread: float | None
    range_Ah: tuple[float, float]
    legs: tuple[int, ...]


def agreeing(values: Sequence[float], count: int = 2, within: float = AGREE_WITHIN) -> int | None:
    """Return the place of the first of the last `count` successive values that agree, None when none do."""
    for first in range(len(values) - count, -1, -1):
        if spread(values[first : first + count]) <= within:
            return first
    return None


def capacity(legs: Sequence[Leg], accuracies: Accuracies) -> Capacity | None:
    """Return the run's capacity; None when no discharge reached its end voltage with its data sound."""
    usable = [i for i, leg in enumerate(legs) if leg.complete and not leg.data_fault and leg.charge_Ah > 0.0]
    if not usable:
        return None
    window = window_of(legs, usable[-1])
    discharges = [i for i, leg in enumerate(legs) if leg.kind == "discharge"]
    pair: tuple[int, ...] = ()
    for first, second in pairwise(discharges):
        sound = first in usable and second in usable
        alike = window_of(legs, first).same_as(window) and window_of(legs, second).same_as(window)
        if sound and alike and agreeing([legs[first].charge_Ah, legs[second].charge_Ah]) is not None:
            pair = (first, second)
    chosen = [legs[i] for i in (pair or (usable[-1],))]
    charges = [leg.charge_Ah for leg in chosen]
    limits = [leg.charge_limit_Ah(accuracies) for leg in chosen]
    energies = [leg.energy_Wh for leg in chosen]
    energy_limits = [leg.energy_limit_Wh(accuracies) for leg in chosen]
    mean_Ah, mean_Wh = sum(charges) / len(charges), sum(energies) / len(energies)
    return Capacity(
        mean_Ah,
        # Gain and offset are the same in both discharges: averaging does not make them smaller.
        _largest(limits),
        mean_Wh,
        _largest(energy_limits),
        mean_Wh / mean_Ah,
        window,
        repeated=bool(pair),
        spread=spread(charges) if pair else None,
        range_Ah=(min(charges), max(charges)),
        legs=pair or (usable[-1],),
    )


def _largest(limits: Sequence[float | None]) -> float | None:
    known = [limit for limit in limits if limit is not None]
    return max(known) if len(known) == len(limits) else None


@dataclass(frozen=True, slots=True)
class Cycle:
    """A charge and the discharge after it. Closed: both began and ended at the same end-of-discharge voltage.

    `charge_step` is the charge's step, `why_not` says why it is not judged ("" when it is). Efficiencies are None unless
    closed. `loss_Ah` went in and did not come back. `voltage_V` is what it was charged to, `end_voltage_V` discharged to.
    """

    number: int
    round: int
    charge_step: str
    voltage_V: float | None
    end_voltage_V: float | None
    charge_in_Ah: float
    charge_out_Ah: float
    energy_in_Wh: float
    energy_out_Wh: float
    duration_s: float
    gas_charge_Ah: float
    end_current_A: float | None
    closed: bool
    why_not: str
    coulombic_efficiency: float | None
    coulombic_limit: float | None
    energy_efficiency: float | None
    loss_Ah: float | None

    @property
    def judged(self) -> bool:
        """Whether its efficiencies may be judged."""
        return not self.why_not


def cycles(legs: Sequence[Leg], accuracies: Accuracies) -> list[Cycle]:
    """Return the cycles of a run, numbered from 1. The first is never judged: the cell's history before it is not known."""
    found: list[Cycle] = []
    for index in range(1, len(legs)):
        if legs[index].kind == "discharge" and legs[index - 1].kind == "charge":
            found.append(_cycle(legs, index, len(found) + 1, accuracies))
    return found


def last_judged(found: Sequence[Cycle]) -> Cycle | None:
    """Return the last judged cycle; None when a later one gave back too much, which puts the earlier in doubt as well."""
    for cycle in reversed(found):
        if cycle.judged:
            return cycle
        if cycle.coulombic_efficiency is not None and cycle.coulombic_efficiency > EFFICIENCY_MAX:
            return None
    return None


def _why_open(before: Leg | None, charge: Leg, discharge: Leg) -> str:
    if not discharge.complete:
        return f"the discharge did not reach its end voltage ({discharge.ended_by})"
    if charge.ended_by in {"trip", "not ended"}:
        return f"the charge did not reach an end ({charge.ended_by})"
    if before is None or before.kind != "discharge" or not before.complete:
        return "open: the charge did not start from a discharged cell"
    if not _near(before.end_limit, discharge.end_limit, SAME_VOLTAGE_V):
        return "open: the two discharges ended at different voltages"
    return ""


def _cycle(legs: Sequence[Leg], index: int, number: int, accuracies: Accuracies) -> Cycle:
    before = legs[index - 2] if index > 1 else None
    charge, discharge = legs[index - 1], legs[index]
    why = _why_open(before, charge, discharge)
    closed = not why and charge.charge_Ah > 0.0 and charge.energy_Wh > 0.0
    efficiency = discharge.charge_Ah / charge.charge_Ah if closed else None
    for leg in (before, charge, discharge):
        if not why and leg is not None and leg.data_fault:
            why = f"{leg.kind} of round {leg.round}: {leg.data_fault}"
    if not why and number == 1:
        why = "the first cycle is not judged"
    if not why and efficiency is not None and efficiency > EFFICIENCY_MAX:
        why = "above 100.5 %: an effect of the instruments, of growth or of reserve zinc, not an efficiency"
    begun_s = before.end_s if before is not None else charge.start_s
    duration_s = discharge.end_s - begun_s
    loss_Ah = charge.charge_Ah - discharge.charge_Ah if closed else None
    return Cycle(
        number, discharge.round, charge.step, charged_to_V(charge),
        discharge.end_limit if discharge.complete else discharge.end_V,
        charge.charge_Ah, discharge.charge_Ah, charge.energy_Wh, discharge.energy_Wh,
        duration_s, charge.gas_charge_Ah, charge.end_current_A, closed, why,
        efficiency,
        _efficiency_limit(charge, discharge, accuracies) if closed else None,
        discharge.energy_Wh / charge.energy_Wh if closed else None,
        loss_Ah,
    )  # fmt: skip


def _efficiency_limit(charge: Leg, discharge: Leg, accuracies: Accuracies) -> float | None:
    """Return how far out/in may be off. With one meter in both paths its gain cancels, its offset does not."""
    if not accuracies.one_current_meter or accuracies.charge_A is None:
        return ratio_limit(discharge.charge_Ah, discharge.charge_limit_Ah(accuracies),
                           charge.charge_Ah, charge.charge_limit_Ah(accuracies))  # fmt: skip
    # The same offset adds to what goes in and takes from what comes out: both errors push the ratio the same way.
    offset_A = accuracies.charge_A.offset
    out_Ah = offset_A * discharge.duration_s / S_PER_H + discharge.unknown_Ah + discharge.edge_Ah
    in_Ah = offset_A * charge.duration_s / S_PER_H + charge.unknown_Ah + charge.edge_Ah
    if in_Ah >= charge.charge_Ah:
        return None
    return (discharge.charge_Ah + out_Ah) / (charge.charge_Ah - in_Ah) - discharge.charge_Ah / charge.charge_Ah


class RatingAnswer(StrEnum):
    """What a measured capacity says about the rating on the cell's record."""

    AGREES = "agrees"
    BELOW = "below"
    ABOVE = "above"
    NOT_COMPARABLE = "not comparable"
    NOT_TESTED = "not tested"


@dataclass(frozen=True, slots=True)
class RatingCompared:
    """The answer, why it cannot be compared, and what the rating would be worth in the measured window.

    `in_window_Ah` is the rated charge × measured swing / rated swing: right for a cell whose voltage falls evenly, as a
    capacitor's does, a guide for others. `far_below` says that even that was missed by more than a fifth.
    """

    answer: RatingAnswer
    reasons: tuple[str, ...] = ()
    in_window_Ah: float | None = None
    far_below: bool = False


def compare_rating(measured: Capacity | None, rating: Rating | None) -> RatingCompared:
    """Compare the measured capacity with the cell's rating; a difference of 2 % and the bench's own limit do not count."""
    if measured is None or rating is None:
        return RatingCompared(RatingAnswer.NOT_TESTED, ("no capacity measured",) if measured is None else ("no rating",))
    window = measured.window
    reasons: list[str] = []
    if rating.provisional:
        reasons.append("the rating is provisional: typed, never measured")
    if not (_near(window.charged_to_V, rating.voltage_max_V, SAME_VOLTAGE_V)
            and _near(window.discharged_to_V, rating.voltage_min_V, SAME_VOLTAGE_V)):  # fmt: skip
        reasons.append("different window")
    if rating.current_A is None or not _near(window.current_A, rating.current_A, SAME_CURRENT * rating.current_A):
        reasons.append("different current")
    expected_Ah = _in_window_Ah(window, rating)
    compared_Ah = rating.charge_Ah if expected_Ah is None else expected_Ah
    far_below = measured.charge_Ah + (measured.limit_Ah or 0.0) < FAR_BELOW * compared_Ah
    if reasons:
        return RatingCompared(RatingAnswer.NOT_COMPARABLE, tuple(reasons), expected_Ah, far_below)
    slack_Ah = AGREE_WITHIN * rating.charge_Ah + (measured.limit_Ah or 0.0)
    if measured.charge_Ah < rating.charge_Ah - slack_Ah:
        return RatingCompared(RatingAnswer.BELOW, (), expected_Ah, far_below)
    if measured.charge_Ah > rating.charge_Ah + slack_Ah:
        return RatingCompared(RatingAnswer.ABOVE, (), expected_Ah)
    return RatingCompared(RatingAnswer.AGREES, (), expected_Ah)


def _in_window_Ah(window: Window, rating: Rating) -> float | None:
    if rating.voltage_max_V is None or rating.voltage_min_V is None:
        return None
    if window.charged_to_V is None or window.discharged_to_V is None:
        return None
    swing_V, rated_swing_V = window.charged_to_V - window.discharged_to_V, rating.voltage_max_V - rating.voltage_min_V
    return rating.charge_Ah * swing_V / rated_swing_V if rated_swing_V > 0.0 and swing_V > 0.0 else None
