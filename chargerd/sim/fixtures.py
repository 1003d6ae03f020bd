"""The simulated cells of the boathouse, an invented bench: plover, and what goes wrong with cells, one thing each.

Names are shore birds. Nothing here was measured; what these cells do says nothing about a real one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp
from random import Random
from typing import TYPE_CHECKING

from chargerd.sim.cell import Cell
from chargerd.sim.parameters import CellParameters

if TYPE_CHECKING:
    from collections.abc import Mapping

PLOVER = CellParameters()
STRING_CELLS = ("avocet", "godwit", "lapwing", "ruff", "stint", "whimbrel", "greenshank")
SMALL_FACTOR = 1e-3


@dataclass(frozen=True, slots=True)
class Fixture:
    """A named cell: what differs from plover, and the zinc it starts with if that is what differs."""

    parameters: CellParameters
    meaning: str
    zinc_Ah: float | None = None


def small_cell(parameters: CellParameters = PLOVER, factor: float = SMALL_FACTOR) -> CellParameters:
    """A cell of a few farads (3.96 F by default) that real instruments fill in seconds, for tests at true speed.

    All that holds, makes or loses charge shrinks. Resistances, heat and water stay those of the big cell: shrunk too
    they would let no current in, boil, or dry out within the test.
    """
    small = parameters.scaled(factor)
    kept = {name: getattr(parameters, name) for name in ("R0", "R1", "R2", "Rcon", "Cth", "hA", "w0", "evap")}
    return replace(small, **kept)


FIXTURES: Mapping[str, Fixture] = {
    "plover": Fixture(PLOVER, "the reference cell"),
    "dunlin": Fixture(replace(PLOVER, Uref=1.85), "gasses 0.25 V lower, as the literature leads one to expect"),
    "sanderling": Fixture(replace(PLOVER, Rleak=90.0), "leaky"),
    "turnstone": Fixture(replace(PLOVER, Rsh=60.0), "soft short"),
    "turnstone-worse": Fixture(replace(PLOVER, Rsh=12.0), "short"),
    "turnstone-worst": Fixture(replace(PLOVER, Rsh=1.2), "dead short"),
    "redshank": Fixture(replace(PLOVER, Rcon=1.2), "bad contact"),
    "curlew": Fixture(replace(PLOVER, evap=0.16), "drying out"),
    "knot": Fixture(PLOVER, "no zinc reserve", zinc_Ah=0.03),
    "oystercatcher": Fixture(replace(PLOVER, Rleak=1500.0), "keeps its charge"),
    "phalarope": Fixture(PLOVER.scaled(1.0 / 3.0), "a third of the size typed on its label"),
    "phalarope-nastier": Fixture(replace(PLOVER.scaled(1.0 / 3.0), Uref=1.85), "undersized, and gasses 0.25 V lower"),
    "dotterel": Fixture(small_cell(), "a few farads, for tests at true speed"),
}


def make_cell(name: str, *, ambient_degC: float = 25.0, fresh: bool = False, stored_Ah: float = 0.0) -> Cell:
    """A boathouse cell in its own start state; formed and at its immersion voltage unless said otherwise.

    Raises:
        KeyError: no cell of this name.
    """
    fixture = FIXTURES[name]
    return Cell(
        fixture.parameters,
        ambient_degC=ambient_degC,
        fresh=fresh,
        zinc_Ah=fixture.zinc_Ah,
        stored_Ah=stored_Ah,
    )


def string_cells(seed: int, *, spread: float = 1.0, ambient_degC: float = 25.0) -> dict[str, Cell]:
    """Seven formed plovers that differ as hand-made cells do; the same seed gives the same seven.

    Standard deviations: capacity 5 %, resistance 10 %, start charge 5 % of the nominal capacity; leak and gas by
    factors e^±0.3 and e^±0.4. `spread` multiplies them all.
    """
    random = Random(seed)
    cells = {}
    for name in STRING_CELLS:
        capacity, ohmic, leak, gas, start = (random.gauss(0.0, sigma * spread) for sigma in (0.05, 0.10, 0.3, 0.4, 0.05))
        parameters = replace(
            PLOVER,
            C=PLOVER.C * (1.0 + capacity),
            qr=PLOVER.qr * (1.0 + capacity),
            R0=PLOVER.R0 * (1.0 + ohmic),
            R1=PLOVER.R1 * (1.0 + ohmic),
            R2=PLOVER.R2 * (1.0 + ohmic),
            Rleak=PLOVER.Rleak * exp(-leak),
            iref=PLOVER.iref * exp(gas),
        )
        stored_Ah = start * PLOVER.Cnom / 3600.0
        cells[name] = Cell(parameters, ambient_degC=ambient_degC, fresh=False, stored_Ah=stored_Ah)
    return cells
