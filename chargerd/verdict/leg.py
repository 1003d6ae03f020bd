"""One leg: one execution of a charge or discharge step, with everything its figures must carry."""

from __future__ import annotations

from dataclasses import dataclass, field

from chargerd.verdict.uncertainty import S_PER_H, Accuracies, charge_limit_Ah, energy_limit_Wh

UNRESOLVED_SHARE = 0.005
"""A leg of which more than this share of its charge is unknown (gaps) is not judged: the 2 % rule could not be trusted."""

POINTS_MAX = 800
END_SHARE = 0.02
MIDDLE = (0.4, 0.6)


@dataclass(slots=True)
class Curve:
    """Voltage against discharged charge, thinned so that it never holds more than `POINTS_MAX` points."""

    spacing_Ah: float = 1e-4
    points: list[tuple[float, float]] = field(default_factory=list)

    def take(self, charge_Ah: float, voltage_V: float) -> None:
        """Take one point; keep it when it is far enough from the last."""
        points = self.points
        if points and charge_Ah - points[-1][0] < self.spacing_Ah:
            return
        points.append((charge_Ah, voltage_V))
        if len(points) >= POINTS_MAX:
            del points[1::2]
            self.spacing_Ah *= 2.0

    def slope_V_per_Ah(self, from_Ah: float, to_Ah: float) -> float | None:
        """Return the fall of voltage per charge between two charges (positive when falling), None when not resolved."""
        first = _nearest(self.points, from_Ah)
        last = _nearest(self.points, to_Ah)
        if first is None or last is None or last[0] - first[0] < 0.5 * (to_Ah - from_Ah):
            return None
        return (first[1] - last[1]) / (last[0] - first[0])


def _nearest(points: list[tuple[float, float]], charge_Ah: float) -> tuple[float, float] | None:
    return min(points, key=lambda point: abs(point[0] - charge_Ah), default=None)


@dataclass(slots=True)
class Leg:
    """Figures of one charge or discharge.

    `open_V` is the last voltage before current flowed; `start_V` and `end_V` the first and last with current. `ended_by` is
    the end reached, or "trip", "stop" or "not ended". `unknown_Ah` bounds what gaps may hide, `edge_Ah` what the steps of
    current at both ends may. `apart_Ah`: what pulses and probes moved since the leg before. `duration_s` is the time with
    current asked for, pauses excluded.
    """

    kind: str
    step: str
    round: int
    seq_first: int
    start_s: float
    seq_last: int = 0
    end_s: float = 0.0
    duration_s: float = 0.0
    set_voltage_V: float | None = None
    set_current_A: float | None = None
    open_V: float | None = None
    start_V: float | None = None
    end_V: float | None = None
    end_current_A: float | None = None
    regulated_by: str = ""
    ended_by: str = "not ended"
    end_limit: float | None = None
    in_As: float = 0.0
    out_As: float = 0.0
    in_J: float = 0.0
    out_J: float = 0.0
    temperature_min_degC: float | None = None
    temperature_max_degC: float | None = None
    temperature_sum: float = 0.0
    temperature_samples: int = 0
    gas_charge_Ah: float = 0.0
    gassing_s: float = 0.0
    gassing_terminal_s: float = 0.0
    samples: int = 0
    missing: int = 0
    gaps: int = 0
    gap_s: float = 0.0
    unknown_Ah: float = 0.0
    edge_Ah: float = 0.0
    apart_Ah: float = 0.0
    interrupted: bool = False
    paused: bool = False
    curve: Curve = field(default_factory=Curve)

    @property
    def charge_Ah(self) -> float:
        """Charge moved in the leg's own direction, Ah."""
        return (self.in_As if self.kind == "charge" else self.out_As) / S_PER_H

    @property
    def energy_Wh(self) -> float:
        """Energy moved in the leg's own direction, Wh."""
        return (self.in_J if self.kind == "charge" else self.out_J) / S_PER_H

    @property
    def mean_voltage_V(self) -> float | None:
        """Energy over charge: the voltage a watt-hour was moved at on average."""
        return self.energy_Wh / self.charge_Ah if self.charge_Ah > 0.0 else None

    @property
    def current_mean_A(self) -> float | None:
        """Mean magnitude of the current over the time it was asked for."""
        return self.charge_Ah * S_PER_H / self.duration_s if self.duration_s > 0.0 else None

    @property
    def temperature_mean_degC(self) -> float | None:
        """Mean over the samples that had a temperature."""
        return self.temperature_sum / self.temperature_samples if self.temperature_samples else None

    @property
    def data_fault(self) -> str:
        """Why this leg's figure must not be judged, "" when nothing speaks against it."""
        if self.interrupted:
            return "the run was interrupted within it"
        if self.unknown_Ah > UNRESOLVED_SHARE * self.charge_Ah:
            return f"gaps of {self.gap_s:.0f} s leave up to {1000.0 * self.unknown_Ah:.1f} mAh unknown"
        if self.apart_Ah > UNRESOLVED_SHARE * self.charge_Ah:
            return f"pulses before it moved {1000.0 * self.apart_Ah:.1f} mAh"
        if self.missing * 10 > self.samples:
            return f"{self.missing} of {self.samples} readings lacked voltage or current"
        return ""

    @property
    def complete(self) -> bool:
        """Whether a discharge reached its end-of-discharge voltage."""
        return self.kind == "discharge" and self.ended_by == "voltage_below"

    def charge_limit_Ah(self, accuracies: Accuracies) -> float | None:
        """Return how far `charge_Ah` may be off, Ah; what gaps hide is added in full."""
        accuracy = accuracies.charge_A if self.kind == "charge" else accuracies.discharge_A
        limit_Ah = charge_limit_Ah(self.charge_Ah, self.duration_s, accuracy, self.edge_Ah)
        return None if limit_Ah is None else limit_Ah + self.unknown_Ah

    def energy_limit_Wh(self, accuracies: Accuracies) -> float | None:
        """Return how far `energy_Wh` may be off, Wh."""
        accuracy = accuracies.charge_A if self.kind == "charge" else accuracies.discharge_A
        limit_Wh = energy_limit_Wh(self.energy_Wh, self.charge_Ah, self.duration_s, accuracy, accuracies.voltage_V)
        hidden_Wh = (self.unknown_Ah + self.edge_Ah) * (self.mean_voltage_V or 0.0)
        return None if limit_Wh is None else limit_Wh + hidden_Wh

    @property
    def cliff(self) -> float | None:
        """Slope over the last 2 % of a discharge's charge, over the slope around its middle; None when not resolved.

        A cell that runs out of zinc ends in a cliff, one that runs out of stored charge in its usual slope.
        """
        if not self.complete or self.charge_Ah <= 0.0:
            return None
        whole_Ah = self.charge_Ah
        middle = self.curve.slope_V_per_Ah(MIDDLE[0] * whole_Ah, MIDDLE[1] * whole_Ah)
        end = self.curve.slope_V_per_Ah((1.0 - END_SHARE) * whole_Ah, whole_Ah)
        return end / middle if middle is not None and end is not None and middle > 0.0 else None
