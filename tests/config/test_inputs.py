"""What a bench's data sheets make of zeros, and what a relay at the cell makes of them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from chargerd.cli.files import example_bench
from chargerd.config.bench import Accuracy, BenchFile, InstrumentSpec, load_bench
from chargerd.config.bench_parts import ResistorSpec
from chargerd.config.inputs import inputs_of, zero_current_A, zeroed_uncertainty, zeros_of
from chargerd.core.limits import SET_POINT_FLOOR_A
from chargerd.core.reading import BankPart


def supply(offset_A: float) -> InstrumentSpec:
    return replace(
        load_bench(example_bench()).instruments["supply"], accuracy={"current": Accuracy(0.003, offset_A)}, resolution={"current": 0.001}
    )


def bench(**channel: str) -> BenchFile:
    file = load_bench(example_bench())
    return replace(
        file, instruments=file.instruments | {"supply": supply(0.025)}, channels={"slip-1": replace(file.channels["slip-1"], **channel)},
        resistors=(ResistorSpec("r1", "bank", "k1", 10.0, 5.0, 0.05),),
    )  # fmt: skip


@pytest.mark.parametrize(("offset_A", "zero_A"), [(0.0, 0.010), (0.002, 0.010), (0.025, 0.052)])
def test_no_current_is_what_the_data_sheet_allows_and_at_least_ten_milliamperes(offset_A: float, zero_A: float) -> None:
    assert zero_current_A(supply(offset_A)) == pytest.approx(zero_A)


def test_a_measured_zero_takes_nine_tenths_of_the_offset_out_of_the_uncertainty() -> None:
    # JCGM 100:2008, 4.3.7: a step of 1 mA has u = 1 mA/√12, a difference of two √2 of it; a gain of 0.3 % u = 0.3 %/√3.
    # A tenth of 25 mA drifts (common practice, no source): a limit of 2.5 mA has u = 2.5 mA/√3.
    expected_A = math.hypot(0.001 / math.sqrt(6), 0.0025 / math.sqrt(3), 0.003 * 0.15 / math.sqrt(3))

    assert zeroed_uncertainty(supply(0.025), 0.15) == pytest.approx(expected_A)
    assert supply(0.025).uncertainty("current", 0.15) > 9 * expected_A


def test_without_a_relay_the_whole_zero_error_is_allowed_for_while_on() -> None:
    file, relayed = bench(), bench(switch="k1")

    assert zeros_of(file.channels["slip-1"], file).slack_A == pytest.approx(0.052)
    assert zeros_of(relayed.channels["slip-1"], relayed).slack_A == SET_POINT_FLOOR_A


def test_resistors_are_no_instrument_of_the_channels_inputs() -> None:
    file = bench(load="bank")
    found = inputs_of(file.channels["slip-1"], file)

    assert (found.load, found.bank) == ("", (BankPart("k1", 10.0),))
