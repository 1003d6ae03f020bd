"""Values with units: what is read, what is refused, and that the refusal says what to write instead.

Dangerous inputs are those two common unit libraries were measured to misread silently: `1,75 V` as 175 V, `30 min` as a length,
`C/10` as coulomb, `50 ma` as milli-years.
"""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.units import DIMENSIONS, Quantity, UnitError, format_quantity, parse, words

READ = [
    ("1.75 V", "voltage", 1.75, "V"),
    ("1.75V", "voltage", 1.75, "V"),
    ("  5 mV ", "voltage", 0.005, "V"),
    ("-0.1 V", "voltage", -0.1, "V"),
    ("+2 V", "voltage", 2.0, "V"),
    ("1e3 mV", "voltage", 1.0, "V"),
    ("5e-3 V", "voltage", 0.005, "V"),
    ("0 V", "voltage", 0.0, "V"),
    ("20 µV", "voltage", 2e-5, "V"),
    ("20 uV", "voltage", 2e-5, "V"),
    ("50 mA", "current", 0.05, "A"),
    ("C/10", "current", 0.1, "It"),
    ("C / 5", "current", 0.2, "It"),
    ("C/2.5", "current", 0.4, "It"),
    ("0.1 It", "current", 0.1, "It"),
    ("30 min", "time", 1800.0, "s"),
    ("14 h", "time", 50400.0, "s"),
    ("500 ms", "time", 0.5, "s"),
    ("7 d", "time", 604800.0, "s"),
    ("1.5 Ah", "charge", 1.5, "Ah"),
    ("59 mAh", "charge", 0.059, "Ah"),
    ("5 % rated", "charge", 0.05, "rated"),
    ("120% rated", "charge", 1.2, "rated"),
    ("2 Wh", "energy", 2.0, "Wh"),
    ("25 °C", "temperature", 25.0, "degC"),
    ("-5 degC", "temperature", -5.0, "degC"),
    ("12 K", "temperature_difference", 12.0, "K"),
    ("-4 mV/K", "temperature_coefficient", -0.004, "V/K"),
    ("1 K/min", "heating_rate", 1.0, "K/min"),
    ("0.05 ohm", "resistance", 0.05, "ohm"),
    ("50 mΩ", "resistance", 0.05, "ohm"),
    ("3960 F", "capacitance", 3960.0, "F"),
    ("26.4 g", "mass", 26.4, "g"),
    ("0.112 kg", "mass", 112.0, "g"),
    ("8 cm", "length", 80.0, "mm"),
    ("160 cm²", "area", 160.0, "cm2"),
    ("30 m3", "volume", 30.0, "m3"),
    ("20 L", "volume", 0.02, "m3"),
    ("15 L/h", "flow", 0.015, "m3/h"),
    ("95 %", "percent", 0.95, "1"),
    ("12.50 EUR", "money", 12.5, "EUR"),
]


@pytest.mark.parametrize(("text", "dimension", "value", "unit"), READ)
def test_a_value_with_its_unit_is_read_exactly(text: str, dimension: str, value: float, unit: str) -> None:
    quantity = parse(text, dimension)

    assert (quantity.value, quantity.unit, quantity.dimension) == (value, unit, dimension)


REFUSED = [
    ("1,75 V", "voltage", "decimal comma", "1.75 V"),
    ("1,750 V", "voltage", "thousands comma", "1.750 V or 1750 V"),
    ("1,234,567 g", "mass", "decimal comma", "1234567 g"),
    ("1 500 mAh", "charge", "space inside the number", "1500 mAh"),
    ("0.5C", "current", "coulomb", "0.5 It"),
    ("0.1 C", "current", "coulomb", "C/10"),
    ("3600 C", "charge", "coulomb", "1 Ah"),
    ("50 ma", "current", "upper and lower case matter", "50 mA"),
    ("50 MA", "current", "upper and lower case matter", "50 mA"),
    ("2 v", "voltage", "'v'", "2 V"),
    ("45 C", "temperature", "C is coulomb or a rate", "45 °C"),
    ("45 ºC", "temperature", "not how this unit is written", "45 °C"),
    ("45 ℃", "temperature", "not how this unit is written", "45 °C"),
    ("113 °F", "temperature", "°F", "45 °C"),
    ("300 K", "temperature", "not read", "26.85 °C"),
    ("12 °C", "temperature_difference", "would be a temperature", "12 K"),
    ("12 C", "temperature_difference", "would be a temperature", "12 K"),
    ("-4 mV/°C", "temperature_coefficient", "not how", "-4 mV/K"),
    ("1.95", "voltage", "no unit", "1.95 V"),
    ("750", "time", "no unit", "30 min"),
    ("", "voltage", "nothing", "1.85 V"),
    ("1.95\u00a0V", "voltage", "no-break space", "ordinary space"),
    ("1.95\u202fV", "voltage", "narrow no-break space", "ordinary space"),
    ("1.95\u2009V", "voltage", "thin space", "ordinary space"),
    ("1.95 V\u200b", "voltage", "zero-width", "delete"),
    ("1.95\tV", "voltage", "a tab", "ordinary space"),
    ("“1.95 V”", "voltage", "curly quotes", "write 1.95 V"),
    ("„1.95 V“", "voltage", "curly quotes", "write 1.95 V"),
    ("−4 mV/K", "temperature_coefficient", "long dash", "-4 mV/K"),
    ("–0.1 V", "voltage", "long dash", "-0.1 V"),
    ("١ V", "voltage", "not 0 to 9", "ordinary digits"),
    ("１ V", "voltage", "not 0 to 9", "ordinary digits"),
    ("1.95 V#", "voltage", "comment sticks", "1.95 V  # comment"),
    ("1.95 V# top", "voltage", "comment sticks", "1.95 V  # comment"),
    ("nan V", "voltage", "not a finite number", "1.85 V"),
    (".inf V", "voltage", "not a finite number", "1.85 V"),
    ("-Infinity V", "voltage", "not a finite number", "1.85 V"),
    ("1e30 V", "voltage", "absurdly", "check the number"),
    ("1e-40 V", "voltage", "absurdly", "check the number"),
    ("1e999999 V", "voltage", "absurdly", "check the number"),
    ("2000 V", "voltage", "absurdly", "check the number"),
    ("C/0", "current", "no rate", "C/10"),
    ("C/0.001", "current", "absurdly", "check the number"),
    ("C/1.2.3", "current", "no rate", "C/10"),
    ("010 V", "voltage", "begins with a zero", "10 V"),
    ("-01.5 V", "voltage", "begins with a zero", "-1.5 V"),
    (".5 V", "voltage", "begins with a point", "0.5 V"),
    ("5. V", "voltage", "no digit after it", "5 V"),
    ("1_000 V", "voltage", "not known", "V, mV or uV"),
    ("0x10 V", "voltage", "not known", "V, mV or uV"),
    ("12:30", "time", "not known", "30 min"),
    ("30 m", "time", "not how", "30 min"),
    ("3 hours", "time", "not how", "3 h"),
    ("50 mV", "current", "is a voltage, not a current", "A, mA or uA"),
    ("5 %", "charge", "does not say of what", "5 % rated"),
    ("5 % ratd", "charge", "not known", "Ah or mAh"),
    ("yes", "voltage", "does not begin with a number", "1.85 V"),
    ("twelve V", "voltage", "does not begin with a number", "1.85 V"),
    ("1 V 2 V", "voltage", "not known", "1.85 V"),
    ("1" * 60 + " V", "voltage", "far too long", "1.85 V"),
    ("5 mol", "mass", "not known", "26.4 g"),
    ("12.50", "money", "no currency", "12.50 EUR"),
    ("12 eur", "money", "no currency", "12 EUR"),
]


@pytest.mark.parametrize(("text", "dimension", "what", "remedy"), REFUSED)
def test_a_slip_is_refused_with_what_to_write_instead(text: str, dimension: str, what: str, remedy: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse(text, dimension)

    assert what in caught.value.what
    assert remedy in caught.value.remedy
    assert isinstance(caught.value, ValueError)


def test_a_rate_scales_with_the_rated_capacity_and_an_absolute_value_does_not() -> None:
    assert parse("C/10", "current").absolute(1.5) == 0.15
    assert parse("5 % rated", "charge").absolute(1.5) == 0.075
    assert parse("50 mA", "current").absolute(1.5) == 0.05
    assert parse("C/3", "current").absolute(1.0) == 0.3333333  # 7 significant digits, so that a replay sees the same number


@pytest.mark.parametrize(("value", "dimension", "said"), [
    (0.15, "current", "150 mA"), (2.0, "current", "2 A"), (1.85, "voltage", "1.85 V"), (0.8, "voltage", "0.80 V"),
    (2.105, "voltage", "2.105 V"), (-0.1, "voltage", "-0.10 V"), (50400.0, "time", "14 h"), (600.0, "time", "10 min"),
    (3600.0, "time", "1 h"), (90.0, "time", "90 s"), (0.5, "time", "500 ms"), (0.0, "time", "0 s"), (0.075, "charge", "75 mAh"),
    (45.0, "temperature", "45 °C"), (0.5, "temperature_difference", "0.5 K"), (0.95, "percent", "95 %"), (0.4, "mass", "0.4 g"),
])  # fmt: skip
def test_a_value_is_said_as_a_person_would_say_it(value: float, dimension: str, said: str) -> None:
    assert words(value, dimension) == said


@st.composite
def _quantities(draw: st.DrawFn) -> Quantity:
    """Values of every dimension within what is believable, relative ones and money among them."""
    name = draw(st.sampled_from([*DIMENSIONS, "money", "It", "rated"]))
    number = draw(st.floats(min_value=-100, max_value=100, allow_nan=False).filter(lambda x: x == 0 or abs(x) > 1e-25)) + 0.0
    if name == "money":
        return Quantity(number, draw(st.text(string.ascii_uppercase, min_size=3, max_size=3)), "money")
    if name == "It":
        return Quantity(number, "It", "current")
    if name == "rated":
        return Quantity(number / 100, "rated", "charge")
    most = float(DIMENSIONS[name].most)
    return Quantity(number * min(most, 100.0) / 100 / 100, DIMENSIONS[name].base, name)


@given(_quantities())
def test_what_is_formatted_is_read_back_equal(quantity: Quantity) -> None:
    assert parse(format_quantity(quantity), quantity.dimension) == quantity
    assert parse(str(quantity), quantity.dimension) == quantity


@given(st.text(max_size=60), st.sampled_from([*DIMENSIONS, "money"]))
def test_any_text_is_either_read_or_refused_in_plain_words(text: str, dimension: str) -> None:
    refused = None
    try:
        quantity = parse(text, dimension)
    except UnitError as error:
        refused = error
    if refused is None:
        assert abs(quantity.value) < 1e10
    else:
        assert refused.what
        assert refused.remedy


def test_every_example_of_the_table_is_itself_readable() -> None:
    for row in DIMENSIONS.values():
        assert parse(row.example, row.name).dimension == row.name
