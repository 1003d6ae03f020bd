"""What every behaviour file says of itself: that it is invented, and where its status bits stand."""

from __future__ import annotations

from importlib.resources import files
from itertools import takewhile

import pytest

BEHAVIOURS = {path.name: path.read_text(encoding="utf-8") for path in (files("chargerd.sim") / "behaviours").iterdir()}
DIALECTS = {path.name: path.read_text(encoding="utf-8") for path in (files("chargerd.instruments") / "dialects").iterdir()}
BITS = {name: text for name, text in BEHAVIOURS.items() if "\nquestionable: {" in text or "\noperation: {" in text}
SCPI_BITS = {name: text for name, text in DIALECTS.items() if name.startswith("scpi-") and "\nstatus:\n" in text}


def opening(text: str) -> str:
    """The comment a file begins with, as one line."""
    return " ".join(line.lstrip("# ") for line in takewhile(lambda line: line.startswith("#"), text.splitlines()))


@pytest.mark.parametrize("name", BEHAVIOURS)
def test_a_behaviour_says_in_its_first_lines_that_it_is_invented(name: str) -> None:
    assert "INVENTED" in opening(BEHAVIOURS[name])


@pytest.mark.parametrize("text", [*BITS.values(), *SCPI_BITS.values()], ids=[*BITS, *SCPI_BITS])
def test_status_bits_say_which_the_standard_places_and_which_only_custom_does(text: str) -> None:
    """SCPI-1999 names bits 0 to 8, 13 and 14 of the two registers and leaves 9 to 12 to the designer (from memory)."""
    before = text[: text.index("\nstatus:\n" if "\nstatus:\n" in text else "\nquestionable: {")].splitlines()
    comment = " ".join(line.lstrip("# ") for line in reversed([*takewhile(lambda line: line.startswith("#"), reversed(before))]))

    assert "Status bits: " in comment
    assert "SCPI-1999 volume 1, chapter 9" in comment
    assert "common practice, no source" in comment


def test_there_are_such_files() -> None:
    assert len(BEHAVIOURS) >= 27
    assert {"scpi-supply.yaml", "scpi-supply-b.yaml", "scpi-supply-c.yaml", "scpi-load.yaml"} <= set(BITS)
    assert {"scpi-supply.yaml", "scpi-supply-operation.yaml", "scpi-supply-swapped.yaml", "scpi-load.yaml"} <= set(SCPI_BITS)
