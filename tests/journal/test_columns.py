"""The table of columns: names, units, metadata, and cells back to what they were."""

from __future__ import annotations

import json
import re
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargerd.core.derived import Derived
from chargerd.core.reading import ABSENT, INPUT_QUANTITIES, Measured, Quality, Reading
from chargerd.journal.columns import (
    COLUMNS,
    INPUT_PATTERN,
    UCUM,
    csv_on_the_web,
    derived_cells,
    derived_of,
    input_cells,
    input_columns,
    inputs_of,
    measured_of,
    quantity_of,
    quoted_derived,
    readings_header,
)

# Codes of The Unified Code for Units of Measure, version 2.2.
UCUM_CODES = {"V", "A", "Cel", "s", "A.h", "W.h", "Ohm"}
FLOATS = st.floats(allow_nan=False, allow_infinity=False)
MEASURED = st.builds(Measured, st.none() | FLOATS, FLOATS, st.sampled_from(Quality))
NAMES = tuple(f"instrument-{number}.a_{quantity}" for number, quantity in enumerate(INPUT_QUANTITIES))


def test_the_first_columns_are_in_the_promised_order() -> None:
    assert ",".join(column.name for column in COLUMNS) == (
        "seq,utc,elapsed_s,state,step,round,activity,regulated_by,voltage_V,current_A,temperature_degC,charge_in_Ah,"
        "charge_out_Ah,energy_in_Wh,energy_out_Wh,gassing_s,gas_charge_Ah,resistance_ohm,gassing_terminal_s"
    )


def test_every_derived_value_has_a_column() -> None:
    assert sorted(Derived._fields) == sorted(column.name for column in COLUMNS if column.source == "derived")


def test_each_input_is_followed_by_its_age_and_the_check_value_is_last() -> None:
    header = readings_header(("supply_voltage_V", "cell_3_voltage_V"))
    assert header[len(COLUMNS) :] == (
        "supply_voltage_V", "supply_voltage_V_age_s", "cell_3_voltage_V", "cell_3_voltage_V_age_s", "row_check",
    )  # fmt: skip
    assert inputs_of(header) == ("supply_voltage_V", "cell_3_voltage_V")
    assert inputs_of(readings_header(())) == ()


@pytest.mark.parametrize("name", ["voltage_V", "_voltage_V", "supply_power_W", "sup ply_voltage_V", "=x_voltage_V", ""])
def test_a_column_of_no_instrument_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="not an instrument"):
        input_columns((name,))


def test_a_column_name_that_comes_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="twice"):
        input_columns(("supply_voltage_V", "supply_voltage_V"))


def test_the_longest_quantity_names_the_input() -> None:
    assert quantity_of("supply_voltage_set_V") == "voltage_set_V"
    assert quantity_of("supply_voltage_V") == "voltage_V"


def test_every_flipped_bit_of_a_header_is_found() -> None:
    header = ",".join(readings_header(NAMES[:3])).encode()
    for bit in range(len(header) * 8):
        flipped = bytearray(header)
        flipped[bit // 8] ^= 1 << bit % 8
        with pytest.raises(ValueError):
            inputs_of(flipped.decode().split(","))


def test_the_metadata_name_every_column_in_order() -> None:
    columns = csv_on_the_web(NAMES)["tableSchema"]["columns"]
    assert tuple(column["titles"] for column in columns) == readings_header(NAMES)
    # W3C Metadata Vocabulary for Tabular Data, 5.6: a name is an RFC 6570 variable name and does not begin with "_".
    assert all(re.fullmatch(r"([A-Za-z0-9]|%[0-9A-F]{2})([A-Za-z0-9_.]|%[0-9A-F]{2})*", column["name"]) for column in columns)
    assert len({column["name"] for column in columns}) == len(columns)


def test_the_metadata_give_units_as_ucum_codes() -> None:
    columns = csv_on_the_web(NAMES)["tableSchema"]["columns"]
    units = {column["titles"]: column.get(UCUM, "") for column in columns}
    assert set(units.values()) == UCUM_CODES | {""}
    suffixes = {"_V": "V", "_A": "A", "_degC": "Cel", "_s": "s", "_Ah": "A.h", "_Wh": "W.h", "_ohm": "Ohm"}
    for title, unit in units.items():
        assert unit == next((code for suffix, code in suffixes.items() if title.endswith(suffix)), ""), title
    json.dumps(csv_on_the_web(NAMES), allow_nan=False)


def same(one: float | None, other: float | None) -> bool:
    return one is other is None or (one is not None and other is not None and struct.pack("d", one) == struct.pack("d", other))


@given(st.dictionaries(st.sampled_from(NAMES), MEASURED))
def test_a_judged_input_comes_back_identical_with_quality_and_age(inputs: dict[str, Measured]) -> None:
    cells = input_cells(Reading(0.0, inputs), NAMES).split(",")
    assert len(cells) == 2 * len(NAMES) + 1
    for name, value, age in zip(NAMES, cells[0::2], cells[1::2], strict=False):
        if name not in inputs:
            assert (value, age) == ("", "")
            continue
        again = measured_of(value, age)
        assert again.quality is inputs[name].quality
        assert same(again.value, inputs[name].value)
        assert same(again.age_s, inputs[name].age_s)
        assert re.fullmatch(INPUT_PATTERN, value)


def test_only_a_good_value_stands_in_its_cell_as_a_number() -> None:
    def cell(measured: Measured) -> str:
        return input_cells(Reading(0.0, {"supply_voltage_V": measured}), ("supply_voltage_V",))

    assert cell(Measured(1.95, 0.25)) == "1.95,0.25,"
    assert cell(Measured(1.95, 31.0, Quality.STALE)) == "stale 1.95,31.0,"
    assert cell(Measured(99.0, 0.5, Quality.IMPLAUSIBLE)) == "implausible 99.0,0.5,"
    assert cell(ABSENT) == "absent,0.0,"
    assert cell(Measured(None, 1.0)) == "good,1.0,"


@pytest.mark.parametrize(("value", "age"), [("", "1.0"), ("nan", "1.0"), ("fine 1.0", "1.0"), ("1.0", ""), ("stale inf", "1.0")])
def test_cells_that_are_no_judged_input_are_refused(value: str, age: str) -> None:
    with pytest.raises(ValueError):
        measured_of(value, age)


@given(
    st.builds(
        Derived,
        st.text(), st.text(), st.integers(0, 10**6), st.text(), st.text(),
        *[st.none() | FLOATS] * 3, *[FLOATS] * 7, st.none() | FLOATS,
    )
)  # fmt: skip
def test_a_derived_row_comes_back_identical(derived: Derived) -> None:
    again = derived_of(derived_cells(derived))
    assert again[:5] == derived[:5]
    assert all(same(one, other) for one, other in zip(again[5:], derived[5:], strict=True))


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_derived_value_that_is_no_number_is_refused(value: float) -> None:
    derived = Derived("running", "1", 0, "charge", "cc", value, None, None, *[0.0] * 7, None)
    with pytest.raises(ValueError, match="NaN"):
        quoted_derived(derived)
