"""Steps that are several things one after the other, taken apart: pulses, connection checks, zero currents, and questions.

Each part is a step of its own for the engine, with its number below the step's ("3.1", "3.2") and all of one `group`.
"""

from __future__ import annotations

from collections.abc import Iterator

from chargerd.config.fit import Fit
from chargerd.config.profile import ProfileStep
from chargerd.config.profile_keys import TOP_WORD
from chargerd.config.tables import Values
from chargerd.core.program import EndSpec, Step, StepKind

Part = tuple[ProfileStep, Step]
"""A part as the engine has it, and what was written for it: for messages that name the place."""


def parts_of(fit: Fit, written: ProfileStep) -> Iterator[Part]:
    """Yield the parts of a step of these kinds in order."""
    if written.kind is StepKind.ASK_PERSON:
        values = written.values
        yield written, Step(written.number, written.kind, lasts_s=values.need("within"), question=values.text("question"))
        return
    make = {
        StepKind.PULSES: _pulses, StepKind.CONNECTION_CHECK: _connection_check, StepKind.ZERO_CURRENT: _zero_current,
    }[written.kind]  # fmt: skip
    yield from make(fit, written)


def _pulses(fit: Fit, written: ProfileStep) -> Iterator[Part]:
    ends, every_s = written.ends, written.values.need("sample_every")
    pulses = [item.value for item in written.values.items("train") if isinstance(item.value, Values)]
    for place, pulse in enumerate(pulses, 1):
        number, group = f"{written.number}.{place}", written.number
        rest, charge, discharge = (pulse.sub(key) for key in ("rest", "charge", "discharge"))
        if rest is not None:
            step = Step(number, written.kind, lasts_s=rest.need("lasts"), sample_every_s=every_s, group=group)
            yield ProfileStep(number, written.kind, rest, written), step
            continue
        values = discharge if charge is None else charge
        assert values is not None
        unwanted = "voltage_above" if charge is None else "voltage_below"
        given = [] if ends is None else [key for key in ends.given if key != unwanted]
        yield (
            ProfileStep(number, written.kind, values, written),
            Step(
                number,
                written.kind,
                current_A=values.need_absolute("current", fit.cell.rated_Ah),
                voltage_V=None if charge is None else voltage_V(fit, values),
                lasts_s=values.need("lasts"),
                sample_every_s=every_s,
                ends=tuple(EndSpec(key, ends.need(key)) for key in given) if ends is not None else (),
                sign=-1 if charge is None else 1,
                group=group,
            ),
        )


def _connection_check(fit: Fit, written: ProfileStep) -> Iterator[Part]:
    values = written.values
    current_A, limit_V = values.need_absolute("current", fit.cell.rated_Ah), voltage_V(fit, values)
    for place, sign in enumerate((0, 1, 0), 1):
        yield (
            written,
            Step(
                f"{written.number}.{place}",
                written.kind,
                current_A=current_A,
                voltage_V=limit_V if sign else None,
                lasts_s=values.need("lasts"),
                sample_every_s=values.need("sample_every"),
                sign=sign,
                group=written.number,
                window_ohm=fit.cell.resistance_ohm,
            ),
        )


def _zero_current(fit: Fit, written: ProfileStep) -> Iterator[Part]:
    """The source alone, then the load where the channel has one: each at its own place in the current."""
    values = written.values
    for place, sign in enumerate((1, -1) if fit.channel.load in fit.bench.instruments else (1,), 1):
        yield (
            written,
            Step(
                f"{written.number}.{place}",
                written.kind,
                current_A=values.need_absolute("current", fit.cell.rated_Ah),
                voltage_V=voltage_V(fit, values) if sign > 0 else None,
                lasts_s=values.need("lasts"),
                sample_every_s=values.need("sample_every"),
                sign=sign,
                group=written.number,
            ),
        )


def voltage_V(fit: Fit, values: Values) -> float | None:
    """Return the voltage written there, the cell's top charging voltage for its word."""
    return fit.cell.top_charging_V if values.text("voltage") == TOP_WORD else values.number("voltage")
