"""The profile file: what to do. Checked here alone; what it means for one cell on one bench is plan.py's business."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from chargerd.config.marked import Faults, read_marked, root_of
from chargerd.config.profile_keys import CLIMB_WORD, PROFILE
from chargerd.config.reader import read_group
from chargerd.config.tables import Given, Values, amount
from chargerd.core.program import CHARGING, StepKind
from chargerd.errors import ProfileError


@dataclass(frozen=True, slots=True)
class ProfileStep:
    """One step as written. `number`: its place, "2" or "1.3". `whole`: the step this is a part of (a pulse)."""

    number: str
    kind: StepKind
    values: Values
    whole: ProfileStep | None = None

    @property
    def ends(self) -> Values | None:
        """Return the step's ends."""
        return (self if self.whole is None else self.whole).values.sub("ends_when")


@dataclass(frozen=True, slots=True)
class ProfileRepeat:
    """Steps done in rounds, as written."""

    number: str
    values: Values
    steps: tuple[ProfileStep, ...]

    @property
    def climb(self) -> Values | None:
        """Return the climb, None when the repeat has none."""
        return self.values.sub("climb")


@dataclass(frozen=True, slots=True)
class ProfileFile:
    """A checked profile. Values are still relative to a cell: see plan.build_plan."""

    name: str
    about: str
    attended: bool
    next_visit_s: float
    limits: Values | None
    items: tuple[ProfileStep | ProfileRepeat, ...]
    path: Path
    text: str
    sha256: str

    def steps(self) -> Iterator[ProfileStep]:
        """Yield every step once, in order."""
        for item in self.items:
            if isinstance(item, ProfileRepeat):
                yield from item.steps
            else:
                yield item


def load_profile(path: Path | str, content: bytes | None = None) -> ProfileFile:
    """Read and check one profile. `content`: a frozen copy, see `read_marked`.

    Raises:
        ProfileError: with every fault, each as `file:line:column: what; what to write instead`.
    """
    faults = Faults()
    marked = read_marked(Path(path), faults, content)
    values = read_group(PROFILE, root_of(marked, faults, ProfileError), "", faults)
    items = tuple(_item(str(number), given, faults) for number, given in enumerate(values.items("steps"), 1))
    faults.raise_as(ProfileError)
    return ProfileFile(
        values.text("profile"),
        values.text("about"),
        values.flag("attended"),
        values.need("next_visit"),
        values.sub("limits"),
        tuple(item for item in items if item is not None),
        marked.path,
        marked.text,
        marked.sha256,
    )


def _item(number: str, given: Given, faults: Faults) -> ProfileStep | ProfileRepeat | None:
    assert isinstance(given.value, Values)
    repeat = given.value.sub("repeat")
    if repeat is None:
        return _step(number, given.value, None, faults)
    climb = repeat.sub("climb")
    if climb is not None:
        _check_climb(climb, repeat, faults)
    inner = [
        _step(f"{number}.{place}", item.value, repeat, faults)
        for place, item in enumerate(repeat.items("steps"), 1)
        if isinstance(item.value, Values)
    ]
    steps = tuple(step for step in inner if step is not None)
    _check_rounds(repeat, steps, faults)
    return ProfileRepeat(number, repeat, steps)


def _step(number: str, values: Values, repeat: Values | None, faults: Faults) -> ProfileStep | None:
    for kind in StepKind:
        inner = values.sub(kind.value)
        if inner is not None:
            step = ProfileStep(number, kind, inner)
            _check_step(step, repeat, faults)
            return step
    return None


def _check_step(step: ProfileStep, repeat: Values | None, faults: Faults) -> None:
    values = step.values
    current = values.quantity("current")
    if current is not None and current.value <= 0:
        faults.add(
            values.at("current"),
            f"{values.name_of('current')}: {current.text} is not above zero",
            "write how much flows; the kind of the step says which way",
        )
    if values.text("voltage") == CLIMB_WORD and (repeat is None or not repeat.has("climb")):
        faults.add(
            values.at("voltage"),
            f"{values.name_of('voltage')}: there is no climb around this step",
            "put the step into a repeat with `climb:`, or write a voltage",
        )
    for key in ("power", "resistance", "ramp"):
        number = values.quantity(key)
        if number is not None and number.value <= 0:
            faults.add(values.at(key), f"{values.name_of(key)}: {number.text} is not above zero", "write how much")
    _check_kind(step, faults)
    interrupt = values.sub("interrupt")
    if interrupt is not None:
        every, lasts = interrupt.number("every"), interrupt.number("lasts")
        if every is not None and lasts is not None and every < 10 * lasts:
            faults.add(interrupt.at("every"), "interrupt.every is shorter than ten times interrupt.lasts", "interrupt less often")
    ends = step.ends
    if ends is not None:
        _check_ends(step, ends, faults)


def _check_kind(step: ProfileStep, faults: Faults) -> None:
    """What belongs together in one step, and what does not."""
    values, ends = step.values, step.ends
    both = {StepKind.CHARGE: ("power", "ramp"), StepKind.DISCHARGE: ("power", "resistance")}.get(step.kind)
    if both is not None and all(map(values.has, both)):
        what = f"{values.name_of(both[1])}: {both[0]} stands in this step too"
        faults.add(values.at(both[1]), what, "one of them can be held; delete one")
    if step.kind is StepKind.DISCHARGE and values.has("power") and ends is not None and not ends.has("voltage_below"):
        faults.add(
            ends.place,
            f"{ends.label}: constant power draws the more current the lower the voltage, and no voltage ends it",
            "write `voltage_below: 0.80 V`",
        )
    if step.kind is StepKind.PULSES:
        _check_train(values, ends, faults)


def _check_train(values: Values, ends: Values | None, faults: Faults) -> None:
    pulses = [item.value for item in values.items("train") if isinstance(item.value, Values)]
    charges = [one for one in (item.sub("charge") for item in pulses) if one is not None]
    discharges = [one for one in (item.sub("discharge") for item in pulses) if one is not None]
    for pulse in (*charges, *discharges):
        current = pulse.quantity("current")
        if current is not None and current.value <= 0:
            what = f"{pulse.name_of('current')}: {current.text} is not above zero"
            faults.add(pulse.at("current"), what, "write how much flows")
    if pulses and not charges and not discharges:
        faults.add(values.at("train"), "pulses.train: nothing but rests", "write one longer rest instead")
    if discharges and (ends is None or not ends.has("voltage_below")):
        faults.add(
            values.place, "pulses: a discharge pulse needs a lowest voltage", "write `ends_when: {voltage_below: 0.80 V}`"
        )


def _check_ends(step: ProfileStep, ends: Values, faults: Faults) -> None:
    """Each end must be reachable, and later than at once."""
    for key, given in ends.given.items():
        quantity = ends.quantity(key)
        if quantity is not None and quantity.value <= 0 and quantity.unit not in {"degC", "V"}:
            faults.add(given.place, f"{key}: {given.text} is not above zero", "write a value the step can reach")
    current, below = step.values.quantity("current"), ends.quantity("current_below")
    if current is not None and below is not None and below.unit == current.unit and below.value >= current.value:
        faults.add(
            ends.at("current_below"),
            f"current_below: {below.text} is not below the step's current {current.text}",
            f"write a smaller current than in line {step.values.at('current').line}, or delete the end",
        )
    voltage = step.values.number("voltage")
    for key in ("voltage_above", "ir_free_voltage_above"):
        above = ends.number(key)
        if step.kind in CHARGING and voltage is not None and above is not None and above > voltage:
            faults.add(
                ends.at(key),
                f"{key}: {ends.given[key].text} is above the step's own voltage and never reached",
                f"write less than {step.values.given['voltage'].text}",
            )


def _check_climb(climb: Values, repeat: Values, faults: Faults) -> None:
    rungs = climb.items("voltage")
    if climb.has("voltage") and not rungs:
        faults.add(climb.at("voltage"), "climb.voltage: no rung is there", "write [1.75 V, 1.80 V, 1.85 V]")
    for lower, upper in pairwise(rungs):
        if amount(upper) <= amount(lower):
            faults.add(
                upper.place,
                f"climb.voltage: {upper.text} is not above the rung before it, {lower.text}",
                "write the lowest first",
            )
    kinds = [item.value.sub("charge") for item in repeat.items("steps") if isinstance(item.value, Values)]
    climbing = [charge for charge in kinds if charge is not None and charge.text("voltage") == CLIMB_WORD]
    if repeat.has("steps") and not climbing:
        faults.add(
            climb.place, "climb: no charge inside this repeat climbs", "write `voltage: climb` in its charge, or delete the climb"
        )


def _check_rounds(repeat: Values, steps: tuple[ProfileStep, ...], faults: Faults) -> None:
    """What a round is judged by needs both a charge and a discharge in it."""
    kinds = {step.kind for step in steps}
    ends, climb = repeat.sub("ends_when"), repeat.sub("climb")
    back = climb.sub("step_back_when") if climb is not None else None
    if ends is not None and repeat.has("steps") and StepKind.DISCHARGE not in kinds:
        faults.add(
            ends.place,
            "repeat.ends_when.capacity_within: no discharge measures a capacity in this repeat",
            "add a discharge, or delete the end",
        )
    if back is not None and repeat.has("steps") and (StepKind.DISCHARGE not in kinds or not kinds & CHARGING):
        faults.add(
            back.place,
            "step_back_when: efficiency needs a charge and a discharge in each round",
            "add what is missing, or delete this",
        )
    if repeat.has("steps") and steps and not kinds - {StepKind.REST, StepKind.ASK_PERSON}:
        faults.add(repeat.at("steps"), "repeat.steps: nothing but rests", "write one longer rest instead")
