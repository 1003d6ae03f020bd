"""The detectors, in the order in which the first one to see something names the cause."""

from __future__ import annotations

from chargerd.core.detect import currents, outputs, sums, temperatures, voltages
from chargerd.core.detect.sight import Detect

DETECTORS: dict[str, Detect] = {
    "over-voltage": voltages.over_voltage,
    "reverse-polarity": voltages.reverse_polarity,
    "under-voltage": voltages.under_voltage,
    "step-voltage": voltages.step_voltage,
    "over-discharge": voltages.over_discharge,
    "source-and-load-on": outputs.source_and_load_on,
    "source-found-on": outputs.source_found_on,
    "load-found-on": outputs.load_found_on,
    "load-mode-changed": outputs.load_mode_changed,
    "instrument-protection": outputs.instrument_protection,
    "instrument-restarted": outputs.instrument_restarted,
    "load-found-off": outputs.load_found_off,
    "set-point-changed": outputs.set_point_changed,
    "protection-level-changed": outputs.protection_level_changed,
    "relay-contradicts": outputs.relay_contradicts,
    "relay-found-closed": outputs.relay_found_closed,
    "relay-found-open": outputs.relay_found_open,
    "current-while-off": currents.current_while_off,
    "over-current": currents.over_current,
    "current-while-isolated": currents.current_while_isolated,
    "current-direction": currents.current_direction,
    "current-above-set-point": currents.current_above_set_point,
    "currents-differ": currents.currents_differ,
    "voltages-differ": voltages.voltages_differ,
    "hot-contact": currents.hot_contact,
    "over-temperature": temperatures.over_temperature,
    "too-cold": temperatures.too_cold,
    "temperature-rise": temperatures.temperature_rise,
    "heating-too-fast": temperatures.heating_too_fast,
    "bound-time": sums.bound("bound-time", "step_s", "time_s"),
    "bound-charge": sums.bound("bound-charge", "charge_Ah", "charge_Ah"),
    "bound-energy": sums.bound("bound-energy", "energy_Wh", "energy_Wh"),
    "bound-gas": sums.bound("bound-gas", "gas_charge_Ah", "gas_charge_Ah"),
    "bound-gassing-time": sums.bound("bound-gassing-time", "gassing_s", "gassing_s"),
    "reading-lost": sums.reading_lost,
}
"""Cause → what sees it. Other causes are seen elsewhere: by a switching that is not proven, a lost link, the keeper."""
