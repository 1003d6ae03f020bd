"""Sensors against published values: platinum (IEC 60751), thermocouples (ITS-90), thermistors' equations; and every fault is no number."""

from __future__ import annotations

import math

import pytest

from chargerd.config.bench_parts import SensorSpec
from chargerd.instruments.sensors import platinum, thermistor, thermocouple
from chargerd.instruments.sensors.sensor import STAY_S, Fault, Sensor, SensorFaultError

# IEC 60751, table of Pt100 resistances to 0.01 Ω, as printed in published tables of the standard.
PT100_OHM = {
    -200: 18.52, -100: 60.26, -40: 84.27, -30: 88.22, -20: 92.16, -10: 96.09, 0: 100.00, 1: 100.39, 2: 100.78, 3: 101.17, 4: 101.56,
    5: 101.95, 10: 103.90, 15: 105.85, 20: 107.79, 23: 108.96, 25: 109.73, 30: 111.67, 35: 113.61, 40: 115.54, 45: 117.47,
    50: 119.40, 55: 121.32, 60: 123.24, 65: 125.16, 70: 127.08, 75: 128.99, 80: 130.90, 85: 132.80, 90: 134.71, 95: 136.61,
    100: 138.51, 200: 175.86, 400: 247.09,
}  # fmt: skip
# Published tables after the older curve (α = 3.850·10⁻³ with other coefficients): these must not fit.
OLD_CURVE_OHM = {-40: 84.21, 80: 130.89, 100: 138.50, 200: 175.84, 70: 127.07}


@pytest.mark.parametrize(("at_degC", "ohm"), PT100_OHM.items())
def test_platinum_after_iec_60751(at_degC: float, ohm: float) -> None:
    assert 100.0 * platinum.ratio(at_degC) == pytest.approx(ohm, abs=0.005 + 1e-9)


@pytest.mark.parametrize("zero_ohm", [100.0, 1000.0])
def test_platinum_is_inverted_on_both_sides_of_zero(zero_ohm: float) -> None:
    for tenth in range(-2000, 8501, 25):
        at_degC = tenth / 10.0
        assert platinum.temperature_degC(zero_ohm * platinum.ratio(at_degC), zero_ohm) == pytest.approx(at_degC, abs=1e-6)


@pytest.mark.parametrize(("at_degC", "ohm"), OLD_CURVE_OHM.items())
def test_the_older_platinum_curve_is_another_one(at_degC: float, ohm: float) -> None:
    assert abs(100.0 * platinum.ratio(at_degC) - ohm) > 0.005


def test_138_50_ohm_is_not_100_degrees() -> None:
    # A reader that says exactly 100.00 has the older curve (IEC 60751 tabulates 138.51 Ω there).
    assert platinum.temperature_degC(138.50, 100.0) == pytest.approx(99.985, abs=0.001)


# ITS-90 reference tables (NIST Monograph 175 / IEC 60584-1), mV to three decimals, reference junction at 0 °C.
KT_MV = {
    -40: (-1.527, -1.475), -30: (-1.156, -1.121), -20: (-0.778, -0.757), -10: (-0.392, -0.383), 0: (0.0, 0.0), 10: (0.397, 0.391),
    20: (0.798, 0.790), 23: (0.919, 0.911), 25: (1.000, 0.992), 30: (1.203, 1.196), 40: (1.612, 1.612), 45: (1.817, 1.823),
    50: (2.023, 2.036), 55: (2.230, 2.251), 60: (2.436, 2.468), 70: (2.851, 2.909), 75: (3.059, 3.132), 80: (3.267, 3.358),
    90: (3.682, 3.814), 100: (4.096, 4.279), 150: (6.138, 6.704), 200: (8.138, 9.288),
}  # fmt: skip
# Published rows of the same tables further down: type T (NIST type_t.tab) and type K (table 9).
COLD_MV = [("T", -50, -1.819), ("T", -100, -3.379), ("T", -200, -5.603), ("K", -200, -5.891), ("K", -190, -5.730), ("K", -150, -4.913),
           ("K", -50, -1.889), ("K", -5, -0.197)]  # fmt: skip


@pytest.mark.parametrize(("at_degC", "k_mV", "t_mV"), [(at, *both) for at, both in KT_MV.items()])
def test_thermocouple_reference_functions_of_its_90(at_degC: float, k_mV: float, t_mV: float) -> None:
    assert thermocouple.emf_mV("K", at_degC) == pytest.approx(k_mV, abs=0.0005 + 1e-9)
    assert thermocouple.emf_mV("T", at_degC) == pytest.approx(t_mV, abs=0.0005 + 1e-9)


# Whole degrees 0 to 99 of the same tables, from the coefficients of NIST Monograph 175, rounded to a microvolt.
WHOLE_K = """
    0.000 0.039 0.079 0.119 0.158 0.198 0.238 0.277 0.317 0.357 0.397 0.437 0.477 0.517 0.557 0.597 0.637 0.677 0.718 0.758
    0.798 0.838 0.879 0.919 0.960 1.000 1.041 1.081 1.122 1.163 1.203 1.244 1.285 1.326 1.366 1.407 1.448 1.489 1.530 1.571
    1.612 1.653 1.694 1.735 1.776 1.817 1.858 1.899 1.941 1.982 2.023 2.064 2.106 2.147 2.188 2.230 2.271 2.312 2.354 2.395
    2.436 2.478 2.519 2.561 2.602 2.644 2.685 2.727 2.768 2.810 2.851 2.893 2.934 2.976 3.017 3.059 3.100 3.142 3.184 3.225
    3.267 3.308 3.350 3.391 3.433 3.474 3.516 3.557 3.599 3.640 3.682 3.723 3.765 3.806 3.848 3.889 3.931 3.972 4.013 4.055"""
WHOLE_T = """
    0.000 0.039 0.078 0.117 0.156 0.195 0.234 0.273 0.312 0.352 0.391 0.431 0.470 0.510 0.549 0.589 0.629 0.669 0.709 0.749
    0.790 0.830 0.870 0.911 0.951 0.992 1.033 1.074 1.114 1.155 1.196 1.238 1.279 1.320 1.362 1.403 1.445 1.486 1.528 1.570
    1.612 1.654 1.696 1.738 1.780 1.823 1.865 1.908 1.950 1.993 2.036 2.079 2.122 2.165 2.208 2.251 2.294 2.338 2.381 2.425
    2.468 2.512 2.556 2.600 2.643 2.687 2.732 2.776 2.820 2.864 2.909 2.953 2.998 3.043 3.087 3.132 3.177 3.222 3.267 3.312
    3.358 3.403 3.448 3.494 3.539 3.585 3.631 3.677 3.722 3.768 3.814 3.860 3.907 3.953 3.999 4.046 4.092 4.138 4.185 4.232"""


@pytest.mark.parametrize(("kind", "table"), [("K", WHOLE_K), ("T", WHOLE_T)])
def test_every_whole_degree_from_0_to_99(kind: str, table: str) -> None:
    assert [thermocouple.emf_mV(kind, float(t)) for t in range(100)] == pytest.approx([float(mV) for mV in table.split()], abs=0.0005 + 1e-9)


@pytest.mark.parametrize("kind", ["K", "T"])
def test_thermocouples_are_inverted_over_the_whole_range_of_a_bench(kind: str) -> None:
    for tenth in range(-2000, 3001, 25):
        at_degC = tenth / 10.0
        assert thermocouple.temperature_degC(kind, thermocouple.emf_mV(kind, at_degC), 0.0) == pytest.approx(at_degC, abs=0.002)


@pytest.mark.parametrize(("kind", "at_degC", "mV"), COLD_MV)
def test_thermocouples_far_below_zero(kind: str, at_degC: float, mV: float) -> None:
    assert thermocouple.emf_mV(kind, at_degC) == pytest.approx(mV, abs=0.0005 + 1e-9)


# Exact inverse of the ITS-90 reference functions, computed apart from this program; the inverse here must be within 0.002 °C.
@pytest.mark.parametrize(("mV", "k_degC", "t_degC"), [
    (-1.0, -25.8520, -26.6494), (0.5, 12.5804, 12.7544), (1.0, 24.9940, 25.1972), (2.0, 49.4404, 49.1651), (2.5, 61.5333, 60.7289),
    (4.0, 97.6748, 94.0188),
])
def test_thermocouples_are_inverted_within_two_thousandths(mV: float, k_degC: float, t_degC: float) -> None:
    assert thermocouple.temperature_degC("K", mV, 0.0) == pytest.approx(k_degC, abs=0.002)
    assert thermocouple.temperature_degC("T", mV, 0.0) == pytest.approx(t_degC, abs=0.002)


@pytest.mark.parametrize(("kind", "mV"), [("K", 1.517191), ("T", 1.557370)])
def test_at_the_cold_junction_voltages_add_and_temperatures_do_not(kind: str, mV: float) -> None:
    # Hot 60 °C, cold 23 °C, from the ITS-90 functions; adding temperatures would give 60.7 (K) and 61.7 (T).
    assert thermocouple.temperature_degC(kind, mV, 23.0) == pytest.approx(60.0, abs=0.002)


@pytest.mark.parametrize(("kind", "at_degC"), [("K", -271.0), ("K", 1373.0), ("T", 401.0)])
def test_outside_its_reference_function_a_thermocouple_says_nothing(kind: str, at_degC: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        thermocouple.emf_mV(kind, at_degC)


# Constants of a common 10 kΩ thermistor, from memory; any others would do. All resistances follow from them, or from a B, by a
# published equation, computed apart from this program: by 1/T = a + b·ln R + c·(ln R)³ (Steinhart and Hart, 1968) solved by
# halving, and by R = 10 kΩ·exp[B·(1/T − 1/298.15)] (IEC 60539-1) for three B.
STEINHART = (1.12924e-3, 2.34108e-4, 0.87755e-7)
NTC_COLUMNS = {
    -40: (336045.5, 248276.5, 401859.7, 412134.6), -20: (96998.2, 77522.5, 105384.7, 107094.9), 0: (32649.6, 28704.3, 33620.6, 33900.4),
    5: (25394.2, 22896.6, 25924.6, 26093.9), 10: (19902.7, 18410.4, 20174.6, 20271.6), 20: (12493.2, 12171.4, 12535.3, 12554.7),
    25: (9999.9, 10000.0, 10000.0, 10000.0), 30: (8056.0, 8269.4, 8037.1, 8025.1), 40: (5325.0, 5758.8, 5301.5, 5278.5),
    45: (4367.0, 4846.9, 4348.1, 4323.5), 50: (3601.1, 4101.2, 3588.2, 3563.1), 55: (2985.1, 3487.9, 2978.4, 2953.9),
    60: (2487.1, 2980.9, 2486.2, 2462.6), 70: (1751.6, 2207.2, 1759.8, 1739.1), 80: (1256.1, 1662.4, 1270.3, 1252.5),
    85: (1070.4, 1451.3, 1086.7, 1070.3), 100: (678.4, 987.0, 697.5, 684.9),
}  # fmt: skip
BETA_OHM = [
    (at, beta_K, ohm) for at, row in NTC_COLUMNS.items() for beta_K, ohm in zip((3435.0, 3950.0, 3977.0), row[1:], strict=True)
]  # fmt: skip
TENTH_K = 2.5e-3
"""A resistance written to 0.1 ohm is 0.0022 K at 100 degC, where a kelvin is 20 ohm."""


@pytest.mark.parametrize(("at_degC", "row"), NTC_COLUMNS.items())
def test_steinhart_hart_against_its_own_column(at_degC: float, row: tuple[float, ...]) -> None:
    assert thermistor.steinhart_hart_degC(row[0], *STEINHART) == pytest.approx(at_degC, abs=3.1e-3)


def test_constants_fitted_through_three_points_give_them_back() -> None:
    # Through three points near that curve, three linear equations in a, b and c; solved apart from this program.
    for at_degC, ohm in ((0.0, 32650.9), (25.0, 10000.0), (60.0, 2488.0)):
        fitted = thermistor.steinhart_hart_degC(ohm, 1.12749179e-3, 2.34379284e-4, 8.67915264e-8)
        assert fitted == pytest.approx(at_degC, abs=1e-4)


def test_the_worked_example_of_a_resistance_table() -> None:
    # A part of 10687.3 Ω that falls by 4.4 %/K at 5 °C (numbers chosen): the B equation (IEC 60539-1) has dR/dT = −R·B/T², so
    # B = 0.044·278.15², and R(7 °C) = 9793.16 Ω. Between two points at 5 and 9 °C of that law our table must say the same.
    r9_ohm = 10687.3 * math.exp(0.044 * 278.15**2 * (1 / 282.15 - 1 / 278.15))
    assert thermistor.table_degC(9793.16, ((5.0, 10687.3), (9.0, r9_ohm))) == pytest.approx(7.0, abs=2e-3)


def test_a_straight_line_between_20_and_25_degrees_would_be_0_15_wrong() -> None:
    # A straight line between the two points is at 10997.2 Ω at 23 °C; by the B equation through both (IEC 60539-1) the part is
    # at 22.844 °C then.
    assert thermistor.table_degC(10997.2, ((20.0, 12493.2), (25.0, 9999.9))) == pytest.approx(22.844, abs=1e-3)


@pytest.mark.parametrize(("at_degC", "beta_K", "ohm"), BETA_OHM)
def test_the_b_equation(at_degC: float, beta_K: float, ohm: float) -> None:
    assert thermistor.beta_degC(ohm, 10000.0, beta_K) == pytest.approx(at_degC, abs=TENTH_K)


def test_one_b_is_wrong_away_from_25_degrees_as_the_documentation_says() -> None:
    # B25/100 = 3991.2 K of the same constants (IEC 60539-1): +0.79 °C at 0 and −0.41 °C at 60.
    assert thermistor.beta_degC(NTC_COLUMNS[0][0], 10000.0, 3991.2) == pytest.approx(0.786, abs=0.003)
    assert thermistor.beta_degC(NTC_COLUMNS[60][0], 10000.0, 3991.2) == pytest.approx(59.586, abs=0.003)


TABLE = tuple((float(at), NTC_COLUMNS[at][0]) for at in (0, 20, 25, 60))


@pytest.mark.parametrize(("at_degC", "ohm"), TABLE)
def test_a_table_gives_its_own_points_back(at_degC: float, ohm: float) -> None:
    assert thermistor.table_degC(ohm, TABLE) == pytest.approx(at_degC, abs=1e-9)


def test_between_points_of_a_table_the_law_of_thermistors_is_followed_not_a_straight_line() -> None:
    # 10922.6 Ω is 23 °C by the same part's curve; a straight line over 5 K would be 0.15 °C off.
    assert thermistor.table_degC(10922.6, TABLE) == pytest.approx(23.0, abs=0.02)
    assert thermistor.table_degC(5325.0, TABLE) == pytest.approx(40.0, abs=0.2)
    for outside in (40000.0, 2000.0):
        with pytest.raises(ValueError, match="outside the table"):
            thermistor.table_degC(outside, TABLE)


# --- sensors and their faults ----------------------------------------------------------------------------------------------

PT100, PT1000 = SensorSpec("pt100"), SensorSpec("pt1000")
NTC = SensorSpec("ntc", steinhart_hart=STEINHART)
K = SensorSpec("thermocouple-k", cold_junction="room")
DEGREES = SensorSpec("degrees")


def test_a_converted_value_has_seven_significant_digits() -> None:
    assert Sensor(PT100).temperature_degC(109.7347, 0.0) == float(f"{platinum.temperature_degC(109.7347, 100.0):.7g}")


def test_two_wires_leave_their_lead_in_and_it_is_taken_out() -> None:
    # IEC 60751: 1 Ω of lead in a two-wire Pt100 at 25 °C reads +2.58 °C, in a Pt1000 +0.258 °C.
    lead = 1.0
    assert Sensor(PT100).temperature_degC(109.7347 + lead, 0.0) - 25.0 == pytest.approx(2.58, abs=0.01)
    assert Sensor(PT1000).temperature_degC(1097.347 + lead, 0.0) - 25.0 == pytest.approx(0.258, abs=0.001)
    assert Sensor(SensorSpec("pt100", wires=2, lead_ohm=lead)).temperature_degC(109.7347 + lead, 0.0) == pytest.approx(25.0, abs=1e-3)


FAULTY = [
    (PT100, 1001.0, Fault.OPEN), (PT100, math.inf, Fault.OPEN), (PT100, 9.99, Fault.SHORT), (PT100, 0.0, Fault.SHORT),
    (PT100, -3.0, Fault.SHORT), (PT100, 18.4, Fault.OUT_OF_RANGE), (PT100, 391.0, Fault.OUT_OF_RANGE), (PT1000, 10001.0, Fault.OPEN),
    (PT1000, 99.0, Fault.SHORT), (PT100, math.nan, Fault.OPEN), (NTC, 1.1e6, Fault.OPEN), (NTC, 49.0, Fault.SHORT),
    (SensorSpec("ntc", table=TABLE), 60000.0, Fault.OUT_OF_RANGE), (K, 0.08, Fault.OUT_OF_RANGE), (K, 0.001, Fault.COLD_JUNCTION),
    (DEGREES, -127.0, Fault.OUT_OF_RANGE), (DEGREES, -242.0, Fault.OUT_OF_RANGE), (PT100, 70.0, Fault.OUT_OF_RANGE),
    (SensorSpec("ntc", nominal_ohm=1e6, beta_K=2500.0), 51.0, Fault.OUT_OF_RANGE),
    (SensorSpec("ntc", steinhart_hart=(-1.0, 0.0, 0.0)), 1e4, Fault.OUT_OF_RANGE), (DEGREES, 85.0, Fault.POWER_UP), (DEGREES, 0.0, Fault.POWER_UP), (DEGREES, -0.0, Fault.POWER_UP),
]  # fmt: skip


@pytest.mark.parametrize(("spec", "raw", "fault"), FAULTY, ids=[f"{spec.kind} {raw:g}" for spec, raw, _ in FAULTY])
def test_a_fault_is_never_a_number(spec: SensorSpec, raw: float, fault: Fault) -> None:
    cold = 23.0 if fault is Fault.OUT_OF_RANGE else None
    with pytest.raises(SensorFaultError) as caught:
        Sensor(spec).temperature_degC(raw, 0.0, cold)
    assert caught.value.fault is fault


@pytest.mark.parametrize("step_K", [0.0625, 0.5, 1.0])
def test_a_true_ramp_through_85_and_0_is_believed_at_every_step(step_K: float) -> None:
    for begin, end in ((70.0, 95.0), (10.0, -10.0)):
        sensor, value = Sensor(DEGREES), begin
        for second in range(round(abs(end - begin) / step_K)):
            value += math.copysign(step_K, end - begin)
            assert sensor.temperature_degC(value, float(second)) == value


def test_85_for_ever_after_a_room_is_a_fault_for_ever_and_once_is_only_once() -> None:
    sensor = Sensor(DEGREES)
    assert sensor.temperature_degC(22.5, 0.0) == 22.5
    for second in range(1, 200):
        with pytest.raises(SensorFaultError):
            sensor.temperature_degC(85.0, float(second))
    assert sensor.temperature_degC(22.5625, 200.0) == 22.5625


def test_after_a_reopening_nothing_before_it_makes_85_true() -> None:
    sensor = Sensor(DEGREES)
    sensor.temperature_degC(84.5, 0.0)
    sensor.forget()
    with pytest.raises(SensorFaultError):
        sensor.temperature_degC(85.0, 1.0)


def test_an_old_value_near_85_does_not_make_it_true() -> None:
    sensor = Sensor(DEGREES)
    sensor.temperature_degC(84.0, 0.0)
    with pytest.raises(SensorFaultError):
        sensor.temperature_degC(85.0, 500.0)


def test_a_sensor_that_dies_in_a_cold_room_is_believed_for_minutes_only() -> None:
    sensor, seconds = Sensor(DEGREES), range(10, 2000, 10)
    sensor.temperature_degC(1.0, 0.0)
    answers = []
    for second in seconds:
        try:
            answers.append(sensor.temperature_degC(0.0, float(second)))
        except SensorFaultError:
            answers.append(math.nan)
    assert [second for second, answer in zip(seconds, answers, strict=True) if answer == 0.0] == list(range(10, round(STAY_S) + 1, 10))
