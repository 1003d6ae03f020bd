"""Physical values as a person writes them: a number *with its unit*, parsed exactly, never guessed.

Each dimension has a fixed table of spellings. Case is exact (`mA` is not `MA`), a number without a unit is refused, and the
slips people really make -- decimal commas, no-break spaces, `45 C`, `50 ma` -- get a plain message that says what to write.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field
from decimal import Context, Decimal

_EXACT = Context(prec=60)
_LONGEST = 48
"""Characters in one value. Longer ones are slips (a missing line break), not numbers."""


class UnitError(ValueError):
    """A value could not be read. `what` says what is wrong with it, `remedy` what to write instead."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(f"{what}: {remedy}")
        self.what = what
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class Dimension:
    """One physical dimension: its base unit, spellings with factors to the base, an example, the largest believable magnitude."""

    name: str
    base: str
    units: dict[str, Decimal]
    example: str
    most: Decimal

    def spellings(self) -> str:
        """Return the units a person may write, as words: `V, mV or uV`."""
        names = [name for name in self.units if name.isascii() or name == "°C"]
        return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " or " + names[-1]


def _row(name: str, base: str, units: str, example: str, most: str) -> Dimension:
    pairs = (entry.split("=") for entry in units.split())
    return Dimension(name, base, {unit: Decimal(factor) for unit, factor in pairs}, example, Decimal(most))


DIMENSIONS: dict[str, Dimension] = {
    row.name: row
    for row in (
        _row("voltage", "V", "V=1 mV=1e-3 uV=1e-6 µV=1e-6 μV=1e-6", "1.85 V", "1000"),
        _row("current", "A", "A=1 mA=1e-3 uA=1e-6 µA=1e-6 μA=1e-6", "50 mA", "1000"),
        _row("time", "s", "s=1 ms=1e-3 min=60 h=3600 d=86400", "30 min", "31622400"),
        _row("charge", "Ah", "Ah=1 mAh=1e-3", "1.5 Ah", "10000"),
        _row("energy", "Wh", "Wh=1 mWh=1e-3", "2 Wh", "100000"),
        _row("power", "W", "W=1 mW=1e-3", "0.5 W", "100000"),
        _row("temperature", "degC", "°C=1 degC=1", "45 °C", "300"),
        _row("temperature_difference", "K", "K=1 mK=1e-3", "12 K", "300"),
        _row("thermistor_b", "K", "K=1", "3950 K", "10000"),
        _row("temperature_coefficient", "V/K", "mV/K=1e-3 V/K=1", "-4 mV/K", "0.1"),
        _row("heating_rate", "K/min", "K/min=1", "1 K/min", "100"),
        _row("voltage_rate", "V/h", "V/h=1 mV/h=1e-3 mV/min=0.06 V/min=60 mV/s=3.6 V/s=3600", "20 mV/h", "1e6"),
        _row("resistance", "ohm", "ohm=1 mohm=1e-3 kohm=1e3 Ω=1 mΩ=1e-3 kΩ=1e3 Ω=1 mΩ=1e-3 kΩ=1e3", "0.05 ohm", "1e9"),
        _row("capacitance", "F", "F=1 mF=1e-3", "3960 F", "1e6"),
        _row("mass", "g", "g=1 mg=1e-3 kg=1e3", "26.4 g", "1e6"),
        _row("length", "mm", "mm=1 cm=10 m=1000", "80 mm", "100000"),
        _row("area", "cm2", "cm2=1 cm²=1 mm2=0.01 mm²=0.01 m2=10000 m²=10000", "160 cm2", "1e8"),
        _row("volume", "m3", "m3=1 m³=1 L=1e-3 mL=1e-6 cm3=1e-6 cm³=1e-6", "30 m3", "1e6"),
        _row("flow", "m3/h", "m3/h=1 m³/h=1 L/h=1e-3 L/min=0.06", "0.7 m3/h", "1e6"),
        _row("percent", "1", "%=0.01", "95 %", "100"),
    )
}
"""Every dimension except money, which is a number and a three-letter currency code."""

_COUNTED = "money"
_NAMES = {name: name.replace("_", " ") for name in (*DIMENSIONS, _COUNTED)}

_HABITS = {
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "S": "s",
    "mins": "min",
    "minute": "min",
    "minutes": "min",
    "m": "min",
    "hr": "h",
    "hrs": "h",
    "hour": "h",
    "hours": "h",
    "H": "h",
    "day": "d",
    "days": "d",
    "D": "d",
    "volt": "V",
    "volts": "V",
    "Volt": "V",
    "Volts": "V",
    "VDC": "V",
    "v": "V",
    "a": "A",
    "amp": "A",
    "amps": "A",
    "Amp": "A",
    "Amps": "A",
    "ampere": "A",
    "Ohm": "ohm",
    "ohms": "ohm",
    "Ohms": "ohm",
    "R": "ohm",
    "gr": "g",
    "gram": "g",
    "grams": "g",
    "℃": "°C",
    "ºC": "°C",
    "˚C": "°C",
    "deg C": "°C",
    "° C": "°C",
    "celsius": "°C",
    "Celsius": "°C",
    "degc": "°C",
    "°c": "°C",
    "mV/°C": "mV/K",
    "mV/C": "mV/K",
    "percent": "%",
    "pct": "%",
    "sqcm": "cm2",
    "l": "L",
    "litre": "L",
    "liter": "L",
    "ml": "mL",
    "cc": "cm3",
    "Farad": "F",
}
"""What people write from habit → the spelling meant. Never applied silently: only to say what to write."""

_INVISIBLE = {
    "\u00a0": "a no-break space",
    "\u202f": "a narrow no-break space",
    "\u2007": "a figure space",
    "\u2009": "a thin space",
    "\u200b": "an invisible zero-width space",
    "\ufeff": "an invisible byte-order mark",
    "\t": "a tab",
}
_CURLY = "“”„‟‘’‚‛«»"
_MINUS = "\u2212\u2013\u2014\u2010\u2011"

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,6})?"
_VALUE = re.compile(rf"({_NUMBER}) *(.*)")
_RATE = re.compile(r"C */ *([0-9.]+)")
_RATED = re.compile(r"% *rated")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in `unit`, the base unit of its dimension: V, A, s, Ah, Wh, degC, K ... (a percentage is a fraction, unit "1").

    A value relative to the rated capacity has the unit "It" (currents; 1 It moves the rated capacity in one hour) or "rated"
    (charges; a fraction of the rated capacity), see `absolute`. Money has its currency code. `text` is what was written.
    """

    value: float
    unit: str
    dimension: str
    text: str = field(default="", compare=False)

    @property
    def relative(self) -> bool:
        """Whether the value is relative to the rated capacity."""
        return self.unit in {"It", "rated"}

    def absolute(self, rated_Ah: float) -> float:
        """Return the value in the dimension's base unit for a cell of that rated capacity, 7 significant digits."""
        return float(f"{self.value * rated_Ah:.7g}") if self.relative else self.value

    def __str__(self) -> str:
        return format_quantity(self)


def format_quantity(quantity: Quantity) -> str:
    """Return text that `parse` reads back as an equal quantity."""
    if quantity.unit in {"1", "rated"}:
        hundredfold = _EXACT.multiply(Decimal(repr(quantity.value)), Decimal(100))
        return f"{hundredfold} %" + (" rated" if quantity.unit == "rated" else "")
    return f"{quantity.value!r} {quantity.unit}"


def parse(text: str, dimension: str) -> Quantity:
    """Read one value with its unit, for example `parse("1.85 V", "voltage")`.

    Args:
        text: what a person wrote.
        dimension: a key of `DIMENSIONS`, or "money".

    Raises:
        UnitError: the text is no such value; the message says what to write instead.
        KeyError: there is no such dimension (a bug of the caller).
    """
    example = "12.50 EUR" if dimension == _COUNTED else DIMENSIONS[dimension].example
    written = text.strip(" ")
    _refuse_typography(written, example)
    if dimension == "current":
        rate = _RATE.fullmatch(written)
        if rate is not None:
            return _per_hours(written, rate[1])
    match = _VALUE.fullmatch(written)
    if match is None:
        raise _no_number(written, dimension, example)
    number, unit = _tidy_number(match[1], match[2]), match[2]
    if dimension == _COUNTED:
        if not re.fullmatch(r"[A-Z]{3}", unit):
            raise UnitError(f"{written!r} has no currency", f"write a three-letter code after it, for example {number} EUR")
        return Quantity(_finite(number, Decimal(1), Decimal("1e9"), written), unit, dimension, text)
    row = DIMENSIONS[dimension]
    if dimension == "current" and unit == "It":
        return Quantity(_finite(number, Decimal(1), Decimal(100), written), "It", dimension, text)
    if dimension == "charge" and _RATED.fullmatch(unit):
        return Quantity(_finite(number, Decimal("0.01"), Decimal(100), written), "rated", dimension, text)
    if unit not in row.units:
        raise UnitError(*_unknown_unit(number, unit, row))
    return Quantity(_finite(number, row.units[unit], row.most, written), row.base, dimension, text)


def words(value: float, dimension: str) -> str:
    """Return a value in a base unit as a person would say it: `words(0.15, "current")` is "150 mA". Four digits at most."""
    if dimension == "percent":
        return f"{value * 100:.4g} %"
    if dimension == "voltage":
        return f"{value:.2f} V" if abs(round(value, 2) - value) < 5e-7 else f"{value:.4g} V"
    if dimension == "time":
        return _words_of_time(value)
    row = DIMENSIONS[dimension]
    milli = "m" + row.base
    if 0 < abs(value) < 1 and row.base not in {"g", "K"} and milli in row.units:
        return f"{value * 1000:.4g} {milli}"
    return f"{value:.4g} {'°C' if dimension == 'temperature' else row.base}"


def brief(value: float, dimension: str, digits: int = 3) -> str:
    """Return a value as `words` does, rounded to that many significant digits: what is worked out is not known better."""
    return words(float(f"{value:.{digits}g}"), dimension)


def _words_of_time(seconds: float) -> str:
    for unit, length in (("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * length or seconds == length:
            return f"{seconds / length:.4g} {unit}"
    return f"{seconds:.4g} s" if seconds >= 1 or seconds == 0 else f"{seconds * 1000:.4g} ms"


def _article(name: str) -> str:
    return ("an " if name[0] in "aeiou" else "a ") + name


def _refuse_typography(written: str, example: str) -> None:
    """Refuse what looks right on a screen and is not: invisible spaces, curly quotes, long dashes, commas, cut comments."""
    if not written:
        raise UnitError("nothing is written here", f"write a value with its unit, for example {example}")
    for character in written:
        if character in _INVISIBLE:
            plain = "".join(" " if c in _INVISIBLE else c for c in written)
            raise UnitError(f"there is {_INVISIBLE[character]} in {plain!r}", "delete it and type an ordinary space")
        if character in _CURLY:
            raise UnitError("there are curly quotes around the value", f"take them away and write {written.strip(_CURLY)}")
        if character in _MINUS:
            plain = "".join("-" if c in _MINUS else c for c in written)
            raise UnitError("the minus is a long dash", f"type the ordinary minus of the keyboard: {plain}")
        if character.isdigit() and not character.isascii() and character not in "²³":
            raise UnitError(f"{written!r} has digits that are not 0 to 9", f"type ordinary digits, for example {example}")
    if len(written) > _LONGEST:
        raise UnitError(f"{written[:_LONGEST]!r} ... is far too long for a value", f"write a short one, for example {example}")
    if "#" in written:
        before = written.split("#", 1)[0].rstrip()
        raise UnitError("the comment sticks to the value", f"put a space before the #: {before or example}  # comment")
    if re.search(r"[0-9],[0-9]", written):
        _refuse_comma(written)


def _refuse_comma(written: str) -> None:
    point, joined = written.replace(",", "."), written.replace(",", "")
    if re.search(r"[0-9],[0-9]{3}(?![0-9])", written) and written.count(",") == 1:
        raise UnitError(f"{written!r} has a decimal comma or a thousands comma", f"write {point} or {joined}, whichever you mean")
    remedy = point if written.count(",") == 1 else joined
    raise UnitError(f"{written!r} has a decimal comma", f"write it with a point: {remedy}")


def _per_hours(written: str, hours: str) -> Quantity:
    """Read a rate such as C/10: the current that moves the rated capacity in ten hours, 0.1 It."""
    if not re.fullmatch(r"[0-9]{1,4}(\.[0-9]{1,4})?", hours) or Decimal(hours) == 0:
        raise UnitError(f"{written!r} is no rate", "write for example C/10 (the rated capacity in ten hours) or 0.1 It")
    value = float(_EXACT.divide(Decimal(1), Decimal(hours)))
    if value > 100:
        raise UnitError(f"{written!r} is absurdly large", "check the number and its unit")
    return Quantity(value, "It", "current", written)


def _no_number(written: str, dimension: str, example: str) -> UnitError:
    if re.match(r"[+-]?\.?(nan|inf|infinity)\b", written, re.IGNORECASE):
        return UnitError(f"{written!r} is not a finite number", f"write a number with its unit, for example {example}")
    return UnitError(f"{written!r} does not begin with a number", f"write {_article(_NAMES[dimension])}, for example {example}")


def _tidy_number(number: str, unit: str) -> str:
    """Refuse spellings that some readers take for something else (octal, a lone point) and numbers cut by spaces."""
    bare = number.lstrip("+-")
    sign = "-" if number.startswith("-") else ""
    if re.match(r"[0-9]", unit):
        raise UnitError(f"there is a space inside the number {number} {unit}", f"write {number}{unit}")
    if bare.startswith("."):
        raise UnitError(f"{number!r} begins with a point", f"write {sign}0{bare} {unit}".rstrip())
    if re.match(r"[0-9]+\.(?![0-9])", bare):
        raise UnitError(f"{number!r} has a point with no digit after it", f"write {number.replace('.', '')} {unit}".rstrip())
    if re.match(r"0[0-9]", bare):
        raise UnitError(f"{number!r} begins with a zero", f"write {sign}{bare.lstrip('0') or '0'} {unit}".rstrip())
    return number


def _finite(number: str, factor: Decimal, most: Decimal, written: str) -> float:
    exact = Decimal(number)
    if exact.is_zero():
        return 0.0
    if not -30 <= exact.adjusted() <= 30 or abs(scaled := _EXACT.multiply(exact, factor)) > most:
        raise UnitError(f"{written!r} is absurdly large or small", "check the number and its unit")
    return float(scaled)


def _unknown_unit(number: str, unit: str, row: Dimension) -> tuple[str, str]:
    """Return what is wrong with a unit and what to write instead."""
    name = _NAMES[row.name]
    allowed = f"{_article(name)} is written in {row.spellings()}, for example {row.example}"
    if not unit:
        return f"{number} has no unit", f"{allowed}; if you mean {next(iter(row.units))}, write {number} {next(iter(row.units))}"
    special = _special_unit(number, unit, row.name)
    if special is not None:
        return special
    if _HABITS.get(unit) in row.units:
        return f"{unit!r} is not how this unit is written", f"write {number} {_HABITS[unit]}"
    for spelling in row.units:
        if spelling.lower() == unit.lower():
            return (
                f"the unit {unit!r} is not known, upper and lower case matter",
                f"write {number} {spelling}"
                if not unit.startswith("M")
                else f"write {number} {spelling} if you mean thousandths",
            )
    for other in DIMENSIONS.values():
        if unit in other.units:
            return f"{unit} is {_article(_NAMES[other.name])}, not {_article(name)}", allowed
    close = difflib.get_close_matches(unit, list(row.units), 1, 0.6)
    return f"the unit {unit!r} is not known", (f"did you mean {number} {close[0]}? " if close else "") + allowed


def _special_unit(number: str, unit: str, dimension: str) -> tuple[str, str] | None:
    """Return the message for units that mean something else than the person means."""
    if unit == "C" and dimension in _COULOMB:
        return f"{number} C {_COULOMB[dimension][0]}", _COULOMB[dimension][1].format(number=number, Ah=float(number) / 3600)
    if unit == "%" and dimension == "charge":
        return f"{number} % does not say of what", f"write {number} % rated (of the rated capacity)"
    if dimension == "temperature_difference" and unit in {"°C", "degC", "C"}:
        return f"{number} {unit} would be a temperature", f"a difference is written in K: {number} K"
    if dimension == "temperature" and unit in {"K", "°F", "F"}:
        degrees = float(number) - 273.15 if unit == "K" else (float(number) - 32) / 1.8
        return f"a temperature in {unit} is not read", f"write {degrees:.4g} °C"
    return None


_COULOMB = {
    "temperature": ("is no temperature, C is coulomb or a rate", "write {number} °C"),
    "current": ("would be a charge in coulomb", "for a rate write {number} It, or for example C/10"),
    "charge": ("would be a charge in coulomb", "write it in Ah: {Ah:.4g} Ah; C/10 is a current"),
}
