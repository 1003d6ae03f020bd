"""The cell file: what a cell is made of, what it is rated for, what it must never be asked to bear.

A rating typed by hopeful hands must not set currents: until it was measured it is bounded by what its carbon and manganese
dioxide can hold at best.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from chargerd.config.cell_keys import CELL
from chargerd.config.marked import Faults, read_marked, root_of
from chargerd.config.reader import read_group
from chargerd.config.tables import Given, Values, amount
from chargerd.core.limits import Limits
from chargerd.core.plan import Gassing
from chargerd.errors import Place, ProfileError
from chargerd.units import Quantity, words

CARBON_Ah_per_g = 0.059
"""170 F/g, a high figure for activated carbon in zinc sulfate, over the 1.25 V from 2.05 V to 0.80 V: 170 × 1.25 / 3600."""

DIOXIDE_Ah_per_g = 0.25
"""Manganese dioxide at its realistic best; one electron for each MnO2 (86.94 g/mol) would be F/3600/86.94 = 0.308 Ah/g."""

UNMEASURED_TOP_V = 1.85
"""Top charging voltage while the gassing threshold is unmeasured: published zinc/activated-carbon windows end at 1.8 to 1.9 V."""

TOP_MARGIN_V = 0.050
"""The top charging voltage stays this far under a measured threshold."""

OPEN_LEAD_ohm = 100.0
"""Above this it is no cell at the end of the leads, whatever the cell's file believes."""

GAS_CURRENT_PER_RATED = 0.01
"""Gas current at the threshold in A per Ah of rated capacity: the threshold is *defined* as where C_r/100 goes into gas."""

_HYDRATES = {
    "zinc_sulfate": ("zinc_sulfate_heptahydrate", "zinc_sulfate_monohydrate", "zinc_sulfate_anhydrous"),
    "sodium_sulfate": ("sodium_sulfate_anhydrous", "sodium_sulfate_decahydrate"),
    "manganese_sulfate": ("manganese_sulfate_monohydrate",),
}
_CARBON, _DIOXIDE = "activated_carbon", "manganese_dioxide"
_JUDGED = (_CARBON, _DIOXIDE, *(name for names in _HYDRATES.values() for name in names))
_OTHER_NAMES = {
    "carbon": _CARBON,
    "active_carbon": _CARBON,
    "activated_charcoal": _CARBON,
    "charcoal": _CARBON,
    "MnO2": _DIOXIDE,
    "mno2": _DIOXIDE,
    "ZnSO4": "zinc_sulfate_heptahydrate",
    "Na2SO4": "sodium_sulfate_anhydrous",
}


@dataclass(frozen=True, slots=True)
class CellFile:
    """A checked cell file.

    `rated_Ah` is what everything relative is computed from: the typed capacity, bounded by the ingredients unless it was
    measured. `rated_provisional`: not measured. `rated_bounded`: the bound was lower than the typed figure. `places`: where
    each limit stands, for messages that name both files.
    """

    name: str
    about: str
    made: str
    ingredients_g: Mapping[str, float]
    mass_g: float
    rated_Ah: float
    rated_typed_Ah: float
    rated_provisional: bool
    rated_bounded: bool
    rated_window_V: tuple[float, float]
    rated_current_A: float
    limits: Limits
    gassing: Gassing
    top_charging_V: float
    resistance_ohm: tuple[float, float]
    costs: Mapping[str, Quantity]
    notes: tuple[str, ...]
    places: Mapping[str, Place]
    path: Path
    text: str
    sha256: str


def load_cell(path: Path | str, content: bytes | None = None) -> CellFile:
    """Read and check one cell file. `content`: a frozen copy, see `read_marked`.

    Raises:
        ProfileError: with every fault, each as `file:line:column: what; what to write instead`.
    """
    faults = Faults()
    marked = read_marked(Path(path), faults, content)
    values = read_group(CELL, root_of(marked, faults, ProfileError), "", faults)
    _check(values, faults)
    faults.raise_as(ProfileError)
    return _built(values, marked.path, marked.text, marked.sha256)


def bounded_rating(typed_Ah: float, ingredients_g: Mapping[str, float]) -> float:
    """Return the typed capacity, at most what its carbon and manganese dioxide can hold. Without a carbon mass it stands."""
    if _CARBON not in ingredients_g:
        return typed_Ah
    most = CARBON_Ah_per_g * ingredients_g[_CARBON] + DIOXIDE_Ah_per_g * ingredients_g.get(_DIOXIDE, 0.0)
    return min(typed_Ah, float(f"{most:.7g}"))


def _check(values: Values, faults: Faults) -> None:
    if values.has("vented") and not values.flag("vented"):
        faults.add(
            values.at("vented"),
            "vented: only vented cells are charged here, a sealed one would burst",
            "open the vent, then write yes",
        )
    ohms = [amount(item) for item in values.items("resistance")]
    if values.has("resistance") and (len(ohms) != 2 or ohms[0] >= ohms[1]):
        faults.add(values.at("resistance"), "resistance: two values belong here, the smaller first", "write [0.2 ohm, 1.0 ohm]")
    for name, given in values.free("ingredients").items():
        _check_ingredient(name, given, faults)
    rated, limits = values.sub("rated"), values.sub("limits")
    if rated is not None:
        _check_rated(rated, faults)
    if limits is not None:
        _check_limits(limits, rated, values, faults)


def _check_ingredient(name: str, given: Given, faults: Faults) -> None:
    """A misspelt carbon would lift the bound on the rating, so near misses are refused."""
    label = f"ingredients.{name}"
    if name in _HYDRATES:
        faults.add(given.place, f"{label} does not say with how much crystal water", f"write {' or '.join(_HYDRATES[name])}")
        return
    close = difflib.get_close_matches(name, _JUDGED, 1, 0.82)
    meant = _OTHER_NAMES.get(name, close[0] if close else name)
    if meant != name:
        faults.add(given.place, f"{label} is not a name that is understood", f"write {meant}, or a quite different name")


def _check_rated(rated: Values, faults: Faults) -> None:
    capacity, window = rated.quantity("capacity"), rated.items("window")
    if capacity is not None and capacity.relative:
        faults.add(rated.at("capacity"), "rated.capacity: a rated capacity cannot be relative to itself", "write it in Ah")
    volts = [amount(item) for item in window]
    if rated.has("window") and (len(volts) != 2 or volts[0] <= volts[1]):
        faults.add(rated.at("window"), "rated.window: two voltages belong here, the higher first", "write [2.10 V, 0.80 V]")


def _check_limits(limits: Values, rated: Values | None, values: Values, faults: Faults) -> None:
    lowest, highest = limits.number("voltage_min"), limits.number("voltage_max")
    if lowest is not None and highest is not None and lowest >= highest:
        faults.add(limits.at("voltage_min"), "limits.voltage_min is not below voltage_max", "write the lower voltage here")
    capacity = rated.quantity("capacity") if rated is not None else None
    if capacity is not None and not capacity.relative:
        for key in ("charge_current", "discharge_current"):
            amperes = limits.quantity(key)
            if amperes is not None and amperes.absolute(capacity.value) > 5 * capacity.value:
                most = words(5 * capacity.value, "current")
                faults.add(
                    limits.at(key),
                    f"limits.{key}: {amperes.text} would move the rated capacity in under 12 min",
                    f"a slip by ten? write at most {most}",
                )
    gassing = values.sub("gassing")
    threshold = gassing.number("threshold") if gassing is not None else None
    if gassing is not None and threshold is not None and highest is not None and threshold - TOP_MARGIN_V > highest:
        faults.add(
            gassing.at("threshold"),
            f"gassing.threshold: {words(threshold, 'voltage')} is above limits.voltage_max",
            "check both numbers",
        )


def _built(values: Values, path: Path, text: str, digest: str) -> CellFile:
    """Build the model from values without faults."""
    rated, limits = values.sub("rated"), values.sub("limits")
    assert rated is not None
    assert limits is not None
    ingredients = _numbers(values.free("ingredients"))
    typed_Ah, measured = rated.need("capacity"), rated.flag("measured")
    rated_Ah = typed_Ah if measured else bounded_rating(typed_Ah, ingredients)
    window = [amount(item) for item in rated.items("window")]
    gassing = _gassing(values.sub("gassing"), rated_Ah)
    ohms = [amount(item) for item in values.items("resistance")] or [0.0, OPEN_LEAD_ohm]
    return CellFile(
        name=values.text("cell"),
        about=values.text("about"),
        made=values.text("made"),
        ingredients_g=ingredients,
        mass_g=values.need("mass"),
        rated_Ah=rated_Ah,
        rated_typed_Ah=typed_Ah,
        rated_provisional=not measured,
        rated_bounded=rated_Ah < typed_Ah,
        rated_window_V=(window[0], window[1]),
        rated_current_A=rated.need_absolute("current", rated_Ah),
        limits=_hard_limits(limits, rated_Ah),
        gassing=gassing,
        top_charging_V=gassing.threshold_V - TOP_MARGIN_V if gassing.measured else UNMEASURED_TOP_V,
        resistance_ohm=(ohms[0], ohms[1]),
        costs={name: given.value for name, given in values.free("costs").items() if isinstance(given.value, Quantity)},
        notes=tuple(str(item.value) for item in values.items("notes")),
        places={key: limits.at(key) for key in limits.given} | {"threshold": _threshold_place(values)},
        path=path,
        text=text,
        sha256=digest,
    )


def _hard_limits(limits: Values, rated_Ah: float) -> Limits:
    return Limits(
        limits.need("voltage_max"),
        limits.need("voltage_min"),
        limits.need_absolute("charge_current", rated_Ah),
        limits.need_absolute("discharge_current", rated_Ah),
        limits.need("temperature_max"),
        limits.need("temperature_min"),
        limits.need("rise"),
    )


def _threshold_place(values: Values) -> Place:
    gassing = values.sub("gassing")
    return gassing.at("threshold") if gassing is not None else values.place


def _gassing(given: Values | None, rated_Ah: float) -> Gassing:
    default_A = float(f"{GAS_CURRENT_PER_RATED * rated_Ah:.7g}")
    if given is None:
        return Gassing(current_25_A=default_A)
    threshold, current = given.quantity("threshold"), given.quantity("current")
    return Gassing(
        threshold_V=UNMEASURED_TOP_V if threshold is None else threshold.value,
        coefficient_V_per_K=given.need("coefficient"),
        measured=threshold is not None,
        current_25_A=default_A if current is None else current.absolute(rated_Ah),
        decade_V=given.need("decade"),
    )


def _numbers(given: Mapping[str, Given]) -> dict[str, float]:
    return {name: amount(item) for name, item in given.items()}
