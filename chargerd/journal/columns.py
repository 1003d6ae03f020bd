"""The columns of every journal file, in one table, and how a reading, a derived row and a record become cells and back.

A judged input takes two cells, its value and its age. The value cell is a number only when the quality is good, so that no
spreadsheet averages what was not to be trusted. Otherwise it is the word of the quality, followed by a space and the number
where the instrument gave one (`stale 1.95`, `implausible`, `absent`). Both cells empty: nobody measured it at this reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any, ClassVar

from chargerd.config.tables import NAME
from chargerd.core.derived import Derived
from chargerd.core.events import RECORDS, Record
from chargerd.core.reading import INPUT_QUANTITIES, Measured, Quality, Reading
from chargerd.journal.rowcheck import CHECK, guarded, number_cell, number_of, number_text, quoted, unguarded

READINGS = "readings.csv"
EVENTS = "events.csv"
METADATA = "readings.csv-metadata.json"
UCUM = "http://qudt.org/schema/qudt/ucumCode"
"""CSV on the Web has no unit of its own; this common property says that the value is a UCUM code."""
AGE = "_age_s"


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `unit` is a UCUM code, "" for text and counts; `source` is row, derived, input or check."""

    name: str
    unit: str
    meaning: str
    source: str
    datatype: str = "double"
    required: bool = True


COLUMNS: tuple[Column, ...] = (
    Column("seq", "", "number of the row in this file, from 1, without holes", "row", "positiveInteger"),
    Column("utc", "", "wall time when the row was written; order is by seq, never by this", "row", "dateTime"),
    Column("elapsed_s", "s", "time since the run began, by a clock that nobody sets", "input"),
    Column("state", "", "state of the channel while the reading was taken", "derived", "string"),
    Column("step", "", "step of the program", "derived", "string", required=False),
    Column("round", "", "round of the repeat the step is in, 0 outside one", "derived", "nonNegativeInteger"),
    Column("activity", "", "what the step does", "derived", "string", required=False),
    Column("regulated_by", "", "off, cc, cv or unregulated", "derived", "string", required=False),
    Column("voltage_V", "V", "voltage of the cell", "derived", required=False),
    Column("current_A", "A", "current of the cell, charge positive", "derived", required=False),
    Column("temperature_degC", "Cel", "temperature of the cell", "derived", required=False),
    Column("charge_in_Ah", "A.h", "charge put in since the run began", "derived"),
    Column("charge_out_Ah", "A.h", "charge taken out since the run began", "derived"),
    Column("energy_in_Wh", "W.h", "energy put in since the run began", "derived"),
    Column("energy_out_Wh", "W.h", "energy taken out since the run began", "derived"),
    Column("gassing_s", "s", "time with the IR-free voltage above the gassing threshold, present or last charge", "derived"),
    Column("gas_charge_Ah", "A.h", "charge that went into gas, present or last charge", "derived"),
    Column("resistance_ohm", "Ohm", "resistance last measured by interrupting the current", "derived", required=False),
    Column("gassing_terminal_s", "s", "as gassing_s, with the voltage at the terminals", "derived"),
)
"""The first columns of the readings file. Each judged input and its age follow, then the check value."""

CHECK_COLUMN = Column(CHECK, "", "CRC-32 of the row's bytes before this cell, eight lower-case hex digits", "check", "string")
EVENT_COLUMNS = ("seq", "after_seq", "utc", "elapsed_s", "direction", "kind", "detail", CHECK)
LEDGER_COLUMNS = ("seq", "utc", "kind", "detail", CHECK)

_FIXED = tuple(column.name for column in COLUMNS)
_ROW_CELLS = 3
DERIVED_END = len(COLUMNS)
"""Cells 3 up to this one are the derived ones, in the table's order."""
_TEXTS = tuple(column.name for column in COLUMNS[_ROW_CELLS:] if column.datatype == "string")
_NUMBERS = tuple(column.name for column in COLUMNS[_ROW_CELLS:] if column.datatype == "double")
_pick = itemgetter(*(Derived._fields.index(name) for name in _FIXED[_ROW_CELLS:]))
_UNITS = {"V": "V", "A": "A", "degC": "Cel"}
_NUMBER_PATTERN = r"-?[0-9]+(\.[0-9]+)?(e[+-][0-9]+)?"
INPUT_PATTERN = rf"({_NUMBER_PATTERN})|((absent|stale|implausible|good)( {_NUMBER_PATTERN})?)"


@dataclass(frozen=True, slots=True)
class Checkpoint(Record):
    """The engine's memory after readings row `readings_seq`, which ends at byte `readings_bytes`. Bounds the time of a resume."""

    kind: ClassVar[str] = "checkpoint"
    engine: str = ""
    memory: str = ""
    readings_bytes: int = 0
    readings_seq: int = 0


@dataclass(frozen=True, slots=True)
class Storage(Record):
    """What happened to the disk under this record: `what` is full, room (again) or segment. The engine knows nothing of it."""

    kind: ClassVar[str] = "storage"
    what: str = ""
    text: str = ""


OWN_KINDS = frozenset({Checkpoint.kind, Storage.kind})
"""Rows the journal writes by itself: neither given to the engine nor derived by it."""
KINDS: dict[str, type[Record]] = {**RECORDS, Checkpoint.kind: Checkpoint, Storage.kind: Storage}
"""Every kind of row in the events file."""


def quantity_of(name: str) -> str:
    """Return the quantity of a judged input `<instrument>_<quantity>`. Raises ValueError when the name is not one."""
    found = [quantity for quantity in INPUT_QUANTITIES if name.endswith(f"_{quantity}")]
    quantity = max(found, key=len, default="")
    if not quantity or not NAME.fullmatch(name[: -len(quantity) - 1]):
        raise ValueError(f"{name!r} is not an instrument and a quantity it can give ({', '.join(INPUT_QUANTITIES)})")
    return quantity


def input_columns(inputs: Sequence[str]) -> tuple[Column, ...]:
    """Return the columns of the judged inputs, each followed by its age. Raises ValueError on a wrong or doubled name."""
    columns: list[Column] = []
    for name in inputs:
        quantity = quantity_of(name)
        unit = _UNITS.get(quantity.rpartition("_")[2], "")
        columns.append(Column(name, unit, INPUT_QUANTITIES[quantity], "input", "string", required=False))
        columns.append(Column(name + AGE, "s", f"age of {name} at the reading", "input", required=False))
    if len({column.name for column in columns} | set(_FIXED)) != len(columns) + len(_FIXED):
        raise ValueError("a column name comes twice")
    return tuple(columns)


def readings_header(inputs: Sequence[str]) -> tuple[str, ...]:
    """Return the names of all columns of the readings file."""
    return (*_FIXED, *(column.name for column in input_columns(inputs)), CHECK)


def inputs_of(header: Sequence[str]) -> tuple[str, ...]:
    """Return the judged inputs of a header. Raises ValueError when it is not one that `readings_header` makes."""
    inputs = tuple(header[DERIVED_END:-1:2])
    if readings_header(inputs) != tuple(header):
        raise ValueError("the header is not that of a readings file")
    return inputs


def csv_on_the_web(inputs: Sequence[str]) -> dict[str, Any]:
    """Return the metadata of the readings file after W3C "Metadata Vocabulary for Tabular Data" (2015), units as UCUM codes."""
    return {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": READINGS,
        "dc:description": "What the instruments said and what was worked out from it. Charge current is positive.",
        "dialect": {"encoding": "utf-8", "lineTerminators": ["\r\n"], "header": True, "doubleQuote": True, "trim": False},
        "tableSchema": {
            "columns": [_described(column) for column in (*COLUMNS, *input_columns(inputs), CHECK_COLUMN)],
            "primaryKey": "seq",
        },
    }


def _described(column: Column) -> dict[str, Any]:
    datatype: Any = column.datatype
    if column.source == "input" and datatype == "string":
        datatype = {"base": "string", "format": INPUT_PATTERN}
    # A column's name may hold letters, digits, dots and underscores only (RFC 6570 varname); its title is the header's cell.
    described = {
        "name": column.name.replace("-", "%2D"),
        "titles": column.name,
        "datatype": datatype,
        "required": column.required,
        "dc:description": column.meaning,
        "dc:source": column.source,
    }
    return {**described, UCUM: column.unit} if column.unit else described


def derived_cells(derived: Derived) -> list[str]:
    """Return the derived cells in the table's order, not yet quoted. Raises TypeError on a number that is not a float."""
    state, step, round_, activity, regulated_by, *numbers = _pick(derived)
    cells = [guarded(state), guarded(step), str(round_), guarded(activity), guarded(regulated_by)]
    cells += ["" if number is None else number_text(number) for number in numbers]
    return cells


def derived_of(cells: Sequence[str]) -> Derived:
    """Undo `derived_cells`. Raises ValueError."""
    texts: dict[str, Any] = dict(zip(_FIXED[_ROW_CELLS:], cells, strict=True))
    for name in _TEXTS:
        texts[name] = unguarded(texts[name])
    for name in _NUMBERS:
        texts[name] = number_of(texts[name]) if texts[name] else None
    texts["round"] = int(texts["round"])
    return Derived(**texts)


def quoted_derived(derived: Derived) -> str:
    """Return the derived cells as part of a line, each followed by a comma.

    Raises ValueError on NaN and infinity, TypeError on a number that is not a float.
    """
    state, step, round_, activity, regulated_by, *numbers = derived_cells(derived)
    text = ",".join(numbers)
    if "n" in text:
        raise ValueError(f"NaN or infinity in {derived}")
    return f"{quoted(state)},{quoted(step)},{round_},{quoted(activity)},{quoted(regulated_by)},{text},"


def input_cells(reading: Reading, inputs: Sequence[str]) -> str:
    """Return the cells of the judged inputs as part of a line, each followed by a comma.

    Raises ValueError on NaN, infinity or an input that has no column, TypeError on a number that is not a float.
    """
    parts: list[str] = []
    missing = 0
    good = Quality.GOOD
    for measured in map(reading.inputs.get, inputs):
        if measured is None:
            missing += 1
            parts.append(",,")
            continue
        value, age_s, quality = measured
        if quality is good and value is not None:
            cells = f"{number_text(value)},{number_text(age_s)},"
            if "n" in cells:  # of `nan` or `inf`; no other number has one
                raise ValueError(f"{measured} is not a number to write down")
            parts.append(cells)
        elif value is None:
            parts.append(f"{quality.value},{number_cell(age_s)},")
        else:
            parts.append(f"{quality.value} {number_cell(value)},{number_cell(age_s)},")
    if len(reading.inputs) != len(inputs) - missing:
        raise ValueError(f"no column for {', '.join(sorted(set(reading.inputs) - set(inputs)))}")
    return "".join(parts)


def measured_of(value: str, age: str) -> Measured:
    """Undo one input's two cells, which are not both empty. Raises ValueError."""
    age_s = number_of(age)
    if value[:1].isalpha():
        word, _, number = value.partition(" ")
        return Measured(number_of(number) if number else None, age_s, Quality(word))
    return Measured(number_of(value), age_s)
