"""Gassing: time above the threshold (terminal and IR-free), and the charge estimated to have gone into gas.

The threshold moves with temperature, `V_g(T) = V_g25 + k·(T − 25 °C)`; the IR-free voltage is `V_E = V − I·R_int` with R_int from
the last interruption. The gas current of the positive follows a Tafel law, `i = i25 · 10^((V_E − V_g)/decade)`.
"""

from __future__ import annotations

from dataclasses import dataclass

from chargerd.core.plan import Gassing

ON_DELAY_S = 5.0
"""The IR-free voltage must stay at or above the threshold this long before it counts; those seconds are then counted too."""
HYSTERESIS_V = 0.020
"""Gassing ends this far below the threshold, so that noise does not chop it."""
COLD_RAISE_MAX_V = 0.040
"""A cold cell's threshold is never raised further than this above its 25 degC value: colder is not proven safer."""
NO_THERMOMETER_DEGC = 35.0
"""Temperature assumed where nobody measures one: a warm cell gasses earlier, so the timer errs on the safe side."""
RESISTANCE_AGE_MAX_S = 1800.0
"""An interruption resistance older than 30 min is not used: the cell has changed since."""
RESISTANCE_JUMP_MAX = 0.5
"""A resistance that changed by more than half is not believed: R_int = 0 then, so that the timer errs safe."""
CURRENT_MIN_A = 0.010
"""Below this, and below a hundredth of the rated capacity per hour, a cell is not being charged: no gassing is counted."""
RATED_SWING_V = 1.36
"""The rated capacity is taken over this swing until the capacitance is measured: C = C_r/1.36 V."""


def threshold_V(gassing: Gassing, temperature_degC: float | None) -> float:
    """Return the gassing threshold at that temperature, V."""
    at_degC = NO_THERMOMETER_DEGC if temperature_degC is None else temperature_degC
    shift_V = gassing.coefficient_V_per_K * (at_degC - 25.0)
    return gassing.threshold_V + min(shift_V, COLD_RAISE_MAX_V)


def tafel_current_A(gassing: Gassing, ir_free_V: float, at_threshold_V: float) -> float:
    """Return the estimated gas current, A (Tafel 1905: equal steps of voltage multiply the current equally)."""
    exponent = min((ir_free_V - at_threshold_V) / gassing.decade_V, 12.0)
    return float(gassing.current_25_A * 10.0**exponent)


def law_current_A(gassing: Gassing, ir_free_V: float | None, temperature_degC: float | None) -> float:
    """Return the gas law's current at one reading, A; 0 where the voltage free of the ohmic drop is not known."""
    return 0.0 if ir_free_V is None else tafel_current_A(gassing, ir_free_V, threshold_V(gassing, temperature_degC))


def is_above(gassing: Gassing, ir_free_V: float | None, temperature_degC: float | None) -> bool:
    """Tell whether one reading is at or above the threshold; not where the voltage free of the ohmic drop is not known."""
    return ir_free_V is not None and ir_free_V >= threshold_V(gassing, temperature_degC)


def current_min_A(rated_Ah: float) -> float:
    """Return the charging current below which no gassing is counted, A."""
    return max(rated_Ah / 100.0, CURRENT_MIN_A)


@dataclass(slots=True)
class GasMeter:
    """Sums since the present charge began. `flag` is the IR-free gassing flag, `flag_terminal` the same with R_int = 0."""

    gassing_s: float = 0.0
    terminal_s: float = 0.0
    tafel_Ah: float = 0.0
    residual_Ah: float = 0.0
    plateau_Ah: float = 0.0
    flag: bool = False
    above_since_s: float | None = None
    terminal_above_since_s: float | None = None
    flag_terminal: bool = False
    episode_charge_Ah: float = 0.0
    episode_start_V: float = 0.0
    episode_best_Ah: float = 0.0
    last_s: float | None = None
    last_A: float = 0.0
    last_tafel_A: float = 0.0

    @property
    def charge_Ah(self) -> float:
        """Estimated gas charge: the largest of the estimators (Tafel, residual while gassing, all current past a plateau)."""
        return max(self.tafel_Ah, self.residual_Ah + self.episode_best_Ah, self.plateau_Ah)

    def forget(self) -> None:
        """Forget the last reading (pause, gap, interruption); sums stay."""
        self.last_s = None

    def charge_for_gap(self, off_after_s: float, current_A: float) -> None:
        """Count a gap at its worst: the charge gassed with all its current until off was verified, by every estimator."""
        gas_Ah = current_A * off_after_s / 3600.0
        self.gassing_s += off_after_s
        self.terminal_s += off_after_s
        self.tafel_Ah += gas_Ah
        self.residual_Ah += gas_Ah
        self.plateau_Ah += gas_Ah

    def skip(self, paused_s: float) -> None:
        """Leave out a pause of so many seconds from the delay that has begun."""
        if self.above_since_s is not None:
            self.above_since_s += paused_s
        if self.terminal_above_since_s is not None:
            self.terminal_above_since_s += paused_s

    def take(
        self, elapsed_s: float, voltage_V: float, ir_free_V: float, current_A: float, threshold_V: float, tafel_A: float,
        *, current_min_A: float, capacitance_F: float, on_plateau: bool,
    ) -> None:  # fmt: skip
        """Take one reading of a charge. No more than the whole charging current can go into gas."""
        charging = current_A > current_min_A
        tafel_A = min(tafel_A, max(current_A, 0.0))
        dt_s = 0.0 if self.last_s is None else elapsed_s - self.last_s
        was, was_terminal = self.flag, self.flag_terminal
        self.flag, self.above_since_s = _flag(was, self.above_since_s, elapsed_s, ir_free_V, threshold_V, charging)
        self.flag_terminal, self.terminal_above_since_s = _flag(
            was_terminal, self.terminal_above_since_s, elapsed_s, voltage_V, threshold_V, charging
        )
        if self.flag:
            self.gassing_s += dt_s if was else _since(self.above_since_s, elapsed_s)
        if self.flag_terminal:
            self.terminal_s += dt_s if was_terminal else _since(self.terminal_above_since_s, elapsed_s)
        if dt_s > 0.0:
            interval_Ah = max((self.last_A + current_A) * dt_s / 7200.0, 0.0)
            if charging:
                self.tafel_Ah += (self.last_tafel_A + tafel_A) * dt_s / 7200.0
            if on_plateau:
                self.plateau_Ah += interval_Ah
            self._episode(was, interval_Ah, ir_free_V, capacitance_F)
        elif self.flag and not was:
            self.episode_start_V = ir_free_V
        self.last_s = elapsed_s
        self.last_A = current_A
        self.last_tafel_A = tafel_A

    def _episode(self, was: bool, interval_Ah: float, ir_free_V: float, capacitance_F: float) -> None:
        """Residual estimator: charge put in while gassing, less what a capacitance of that size can have stored."""
        if self.flag and not was:
            self.episode_charge_Ah = 0.0
            self.episode_start_V = ir_free_V
        elif self.flag:
            self.episode_charge_Ah += interval_Ah
            stored_Ah = capacitance_F * (ir_free_V - self.episode_start_V) / 3600.0
            self.episode_best_Ah = max(self.episode_best_Ah, self.episode_charge_Ah - stored_Ah)
        elif was:
            self.residual_Ah += self.episode_best_Ah
            self.episode_best_Ah = 0.0


def _since(since_s: float | None, elapsed_s: float) -> float:
    return 0.0 if since_s is None else elapsed_s - since_s


def _flag(
    was: bool, since_s: float | None, elapsed_s: float, level_V: float, threshold_V: float, charging: bool
) -> tuple[bool, float | None]:
    """One gassing flag with its on-delay and hysteresis; returns the flag and since when the level has been above."""
    if was:
        if not charging or level_V < threshold_V - HYSTERESIS_V:
            return False, None
        return True, since_s
    if not charging or not level_V >= threshold_V:
        return False, None
    begun_s = elapsed_s if since_s is None else since_s
    return elapsed_s - begun_s >= ON_DELAY_S, begun_s
