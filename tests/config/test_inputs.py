"""What a bench's data sheets make of zeros, and what a relay at the cell makes of them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from chargerd.cli.files import example_bench
from chargerd.config.bench import Accuracy, BenchFile, InstrumentSpec, load_bench
from chargerd.config.bench_parts import ResistorSpec
from chargerd.config.inputs import inputs_of, uncertainty_on, zero_current_A, zeroed_uncertainty, zeros_of
from chargerd.core.reading import BankPart
from chargerd.core.zero import StatedZero


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


def test_what_the_data_sheets_say_of_zeros_goes_with_the_plan() -> None:
    file = bench(switch="k1", load="bank")
    zeros = zeros_of(file.channels["slip-1"], file)

    assert (zeros.source_A, zeros.source) == (pytest.approx(0.052), StatedZero(0.025, 0.001))
    assert (zeros.load, zeros.ammeter) == (StatedZero(), StatedZero())


def test_a_relay_credits_a_zero_until_it_is_supposed_to_prove_nothing() -> None:
    file, bare = bench(switch="k1"), bench()
    spec, relayed, plain = file.instruments["supply"], file.channels["slip-1"], bare.channels["slip-1"]

    assert uncertainty_on(relayed, spec, "current", 0.15) == zeroed_uncertainty(spec, 0.15)
    assert uncertainty_on(relayed, spec, "current", 0.15, "supply") == spec.uncertainty("current", 0.15)
    assert uncertainty_on(relayed, spec, "current", 0.15, "load") == zeroed_uncertainty(spec, 0.15)
    assert uncertainty_on(plain, spec, "current", 0.15) == spec.uncertainty("current", 0.15)


def test_resistors_are_no_instrument_of_the_channels_inputs() -> None:
    file = bench(load="bank")
    found = inputs_of(file.channels["slip-1"], file)

    assert (found.load, found.bank) == ("", (BankPart("k1", 10.0),))
