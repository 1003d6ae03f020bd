"""Voltages at fixed times after opening."""

from __future__ import annotations

import math

import pytest

from chargerd.verdict.settle import Settled, SettleTracker


def settle(times_s: list[float]) -> Settled:
    tracker = SettleTracker("charge", "1.1", 3, 100.0, 1.9)
    for after_s in times_s:
        tracker.take(100.0 + after_s, 1.8 - 0.01 * math.log(after_s) if after_s else 1.85)
    return tracker.finish()


def test_a_logarithmic_fall_is_read_off_exactly_between_samples() -> None:
    settled = settle([0.0, 0.7, 8.0, 11.0, 50.0, 65.0, 500.0, 700.0])

    assert settled.voltage_V[10.0] == pytest.approx(1.8 - 0.01 * math.log(10.0), abs=1e-12)
    assert settled.voltage_V[600.0] == pytest.approx(1.8 - 0.01 * math.log(600.0), abs=1e-12)
    assert settled.fall_V(60.0, 600.0) == pytest.approx(0.01 * math.log(10.0), abs=1e-12)


def test_a_time_that_sampling_misses_is_absent() -> None:
    settled = settle([0.0, 5.0, 15.0, 25.0, 1500.0])

    assert set(settled.voltage_V) == set()
    assert settled.fall_V(10.0, 60.0) is None


def test_a_sample_within_a_tenth_stands_for_its_time() -> None:
    settled = settle([0.05, 1.003, 9.5, 30.0])

    assert settled.voltage_V[1.0] == pytest.approx(1.8 - 0.01 * math.log(1.003))
    assert settled.voltage_V[10.0] == pytest.approx(1.8 - 0.01 * math.log(9.5))


def test_a_rest_that_stops_just_short_of_a_time_still_gives_it() -> None:
    assert 600.0 in settle([400.0, 500.0, 598.0]).voltage_V
    assert 600.0 not in settle([400.0, 500.0]).voltage_V


def test_the_reading_under_current_at_opening_is_no_open_circuit_voltage() -> None:
    settled = settle([0.0, 1.05])

    assert settled.voltage_V[1.0] == pytest.approx(1.8 - 0.01 * math.log(1.05))
    assert settled.under_current_V == 1.9


def test_a_rest_without_readings_says_nothing() -> None:
    settled = settle([])

    assert (settled.voltage_V, settled.lasted_s, settled.last_V) == ({}, 0.0, None)
