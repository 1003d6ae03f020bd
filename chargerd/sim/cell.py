"""A simulated zinc/carbon hybrid cell: voltage, heat, gas and zinc from what is connected to it and for how long.

    + o--R0--o E ---+---[ U_p(s) - U_n(z) ]--(R1||C1)--(R2||C2)---+--- o -
                    +---  gas at the positive, i_ox(E, T)      ---+
                    +---  internal short, E/Rsh                ---+

The positive stores charge `s` (double layer and a redox shoulder) and loses some through a leak. The negative counts
zinc `z`, less what hydrogen takes. Gas follows Tafel's law with an Arrhenius factor. Terms of charge: `dz/dt = I - i_H2 -
i_sh`, `ds/dt = I - i_ox - i_sh - i_leak`. Each step is implicit in E and exact in the RC pairs and in heat at constant current
and power, so it is stable for any step length and its sums of charge close to rounding.

What the model says is never evidence about a real cell. Left out: pH and concentration gradients, separate electrode
potentials for the gas, a distribution of pore time constants, MnO2, dead zinc, needles, pressure, the share of CO2.
Known artefact: in a *drying* cell the stored charge sits on less and less carbon, so the rest voltage rises; rest voltage
and leak of a drying cell mean nothing.

Here are the state and the step; `parameters` says what a cell is made of, `laws` what can be connected, `terminals`
what can be wrong with the wires, `fixtures` names the cells of the boathouse.
"""

from __future__ import annotations

from math import ceil, exp, inf, log, sqrt
from typing import NamedTuple

from chargerd.errors import InternalError
from chargerd.sim.laws import REST, Law
from chargerd.sim.parameters import REFERENCE_K, ZERO_DEGC_K, CellParameters, GAS_CONSTANT_J_per_mol_K, constants_of

__all__ = ["REST", "Cell", "CellParameters", "Law", "Ledger"]

OXYGEN_g_per_Ah = 0.2985  # O2, 32.00 g per 4 F
HYDROGEN_g_per_Ah = 0.0376  # H2, 2.016 g per 2 F
OXYGEN_HEAT_V = 2.279  # thermoneutral voltage of Zn2+ + H2O -> Zn + 1/2 O2 + 2 H+
HYDROGEN_HEAT_V = 0.797  # heat per coulomb of Zn + 2 H+ -> Zn2+ + H2; the two differ by water's 1.48 V
NEGATIVE_LIMIT_V = 2.5  # a negative without zinc goes no further: water decomposes
WATER_LEFT_MIN = 0.05
GAS_EXPONENT_MAX = 60.0
COVERED = 40.0  # e-foldings of zinc: exp(-40) V is nothing
SOLVED_V = 1e-10  # Newton's error falls with the square: the last move says that the rest is below rounding
MOVE_MAX_V = 0.2
NEWTON_MAX = 200  # 3 to 6 are usual
SECONDS_PER_HOUR = 3600.0
FORMED_CYCLES = 20.0
FORMED_ZINC = 0.4  # of the nominal capacity; plover 0.6 Ah
LONG_REST_s = 2 * 86400.0
SLOW_s, QUICK_s, LONG_s = 10.0, 1.0, 60.0  # steps at rest or constant voltage; under current; in rests of days


class Ledger(NamedTuple):
    """Where charge is and where it went, in Ah; the meanings are those of the cell's attributes in coulombs."""

    stored: float
    zinc: float
    oxygen: float
    hydrogen: float
    leak: float
    short: float
    charge_in: float
    charge_out: float


class Cell:
    """One simulated cell. Public attributes are read by anyone; the three ending the list below may also be set.

    Attributes:
        parameters: what it is made of.
        voltage_V, current_A: at the terminals, charge positive, as of the last step or `apply`.
        electrode_voltage_V: voltage behind R0.
        gas_current_A, hydrogen_current_A, leak_current_A, short_current_A: where charge goes, as of the last step.
        stored_C, zinc_C: charge on the positive counted from immersion; plated zinc.
        oxygen_C, hydrogen_C, leak_C, short_C: charge lost so far; oxygen stands for all gas at the positive.
        charge_in_C, charge_out_C, energy_in_J, energy_out_J: through the terminals; energy from the voltage at the
            end of each step, so of first order in its length.
        elapsed_s: sum of all steps.
        ambient_degC, contact_ohm, short_ohm: the room, a bad contact in series, an internal short.
    """

    __slots__ = (
        "_bare", "_constants", "_dt_s", "_evaporated_g", "_fade", "_keep1", "_keep2", "_keep_heat", "_temperature_K",
        "_throughput_C", "_v1_V", "_v2_V", "ambient_degC", "charge_in_C", "charge_out_C", "contact_ohm", "current_A",
        "elapsed_s", "electrode_voltage_V", "energy_in_J", "energy_out_J", "gas_current_A", "hydrogen_C",
        "hydrogen_current_A", "leak_C", "leak_current_A", "oxygen_C", "parameters", "short_C", "short_current_A",
        "short_ohm", "stored_C", "voltage_V", "zinc_C",
    )  # fmt: skip

    def __init__(
        self,
        parameters: CellParameters,
        *,
        ambient_degC: float = 25.0,
        fresh: bool = True,
        zinc_Ah: float | None = None,
        stored_Ah: float = 0.0,
    ) -> None:
        """A cell just assembled (`fresh`), or one formed by many cycles and then discharged to its immersion voltage.

        Args:
            parameters: what it is made of.
            ambient_degC: the room, and the cell at first.
            fresh: never charged before.
            zinc_Ah: zinc on the negative; by default none in a fresh cell and 0.4 of the nominal capacity in a formed one.
            stored_Ah: charge put in before the story begins: on the positive, and as zinc on top of `zinc_Ah`.
        """
        self.parameters = parameters
        self._constants = constants_of(parameters)
        self.ambient_degC = ambient_degC
        self.contact_ohm = parameters.Rcon
        self.short_ohm = parameters.Rsh
        self._temperature_K = ambient_degC + ZERO_DEGC_K
        self._throughput_C = 0.0 if fresh else 2.0 * FORMED_CYCLES * parameters.Cnom
        if zinc_Ah is None:
            self.zinc_C = 0.0 if fresh else FORMED_ZINC * parameters.Cnom
        else:
            self.zinc_C = zinc_Ah * SECONDS_PER_HOUR
        self.stored_C = stored_Ah * SECONDS_PER_HOUR
        self.zinc_C += self.stored_C
        self._bare = log(NEGATIVE_LIMIT_V / parameters.Un0)
        self._fade = 1.0
        self._v1_V = self._v2_V = self._evaporated_g = self.elapsed_s = 0.0
        self.oxygen_C = self.hydrogen_C = self.leak_C = self.short_C = 0.0
        self.charge_in_C = self.charge_out_C = self.energy_in_J = self.energy_out_J = 0.0
        self.electrode_voltage_V = parameters.Uimm
        self._set_step(0.0)
        self.apply(REST)

    def apply(self, law: Law) -> None:
        """Connect something else: voltage and current jump at once, no time passes."""
        self.step(0.0, law)

    def step(self, dt_s: float, law: Law) -> None:
        """Let `dt_s` seconds pass in one step under one law.

        Raises:
            ValueError: if `dt_s` is negative.
        """
        if dt_s != self._dt_s:
            self._set_step(dt_s)
        p = self.parameters
        multiplier, positive_V, stiffness_per_F, leak_A, corrosion_A, gas_unit_A = self._conditions()
        keep1, keep2, short_S = self._keep1, self._keep2, 1.0 / self.short_ohm
        gain1_ohm, gain2_ohm = p.R1 * multiplier * (1.0 - keep1), p.R2 * multiplier * (1.0 - keep2)
        r0_ohm = p.R0 * multiplier + self.contact_ohm
        v1_V, v2_V = keep1 * self._v1_V, keep2 * self._v2_V
        electrode_V, current_A, gas_A, hydrogen_A = self._solve(
            law,
            r0_ohm,
            known_V=positive_V + v1_V + v2_V - leak_A * dt_s * stiffness_per_F,
            slope_ohm=gain1_ohm + gain2_ohm + dt_s * stiffness_per_F,
            corrosion_A=corrosion_A,
            gas_unit_A=gas_unit_A,
        )
        short_A = electrode_V * short_S
        into_A = current_A - gas_A - short_A
        self._v1_V = v1_V = v1_V + gain1_ohm * into_A
        self._v2_V = v2_V = v2_V + gain2_ohm * into_A
        self.stored_C += (into_A - leak_A) * dt_s
        self.zinc_C += (current_A - hydrogen_A - short_A) * dt_s
        self.oxygen_C += gas_A * dt_s
        self.hydrogen_C += hydrogen_A * dt_s
        self.leak_C += leak_A * dt_s
        self.short_C += short_A * dt_s
        self.elapsed_s += dt_s
        self._evaporated_g += p.evap / SECONDS_PER_HOUR * dt_s
        self.electrode_voltage_V = electrode_V
        self.current_A = current_A
        self.voltage_V = voltage_V = electrode_V + r0_ohm * current_A
        self.gas_current_A, self.hydrogen_current_A = gas_A, hydrogen_A
        self.leak_current_A, self.short_current_A = leak_A, short_A
        temperature_K = self._temperature_K
        heat_W = (
            (r0_ohm * current_A * current_A)
            + (v1_V + v2_V - temperature_K * p.dUdT) * into_A
            + (electrode_V - OXYGEN_HEAT_V) * gas_A
            + HYDROGEN_HEAT_V * hydrogen_A
            + positive_V * leak_A
            + electrode_V * short_A
        )
        settled_K = self.ambient_degC + ZERO_DEGC_K + heat_W / p.hA
        self._temperature_K = settled_K + (temperature_K - settled_K) * self._keep_heat
        moved_C = current_A * dt_s
        if moved_C >= 0.0:
            self.charge_in_C += moved_C
            self.energy_in_J += voltage_V * moved_C
        else:
            self.charge_out_C -= moved_C
            self.energy_out_J -= voltage_V * moved_C
            moved_C = -moved_C
        self._throughput_C += moved_C
        self._fade /= 1.0 + 0.5 * p.kcyc / p.Cnom * moved_C + p.kox / SECONDS_PER_HOUR * gas_A * dt_s

    def _set_step(self, dt_s: float) -> None:
        """What RC pairs and heat keep over a step of this length."""
        if not dt_s >= 0.0:
            raise ValueError("time does not run backwards")
        p = self.parameters
        self._dt_s = dt_s
        self._keep1, self._keep2 = exp(-dt_s / p.tau1), exp(-dt_s / p.tau2)
        self._keep_heat = exp(-dt_s * p.hA / p.Cth)

    def _conditions(self) -> tuple[float, float, float, float, float, float]:
        """What follows from the state.

        Returns:
            Multiplier of all resistances; potential of the positive and its slope per coulomb; leak; corrosion of
            zinc; gas current at the reference potential.
        """
        p, constants = self.parameters, self._constants
        temperature_K = self._temperature_K
        coldness = (1.0 / temperature_K - 1.0 / REFERENCE_K) / GAS_CONSTANT_J_per_mol_K
        cycles = 0.5 * self._throughput_C / p.Cnom
        oxygen_Ah = self.oxygen_C / SECONDS_PER_HOUR
        lost_g = OXYGEN_g_per_Ah * oxygen_Ah + HYDROGEN_g_per_Ah * self.hydrogen_C / SECONDS_PER_HOUR + self._evaporated_g
        water = max(1.0 - lost_g / p.w0, WATER_LEFT_MIN)
        capacity = (1.0 - p.AC * exp(-cycles / p.nC)) * self._fade * sqrt(water)
        growth = (1.0 + p.AR * exp(-cycles / p.nR)) * (1.0 + p.kRox * oxygen_Ah) / (water * water)
        table = constants.potential_V
        place = (self.stored_C / capacity + constants.immersion_C - constants.first_C) * constants.points_per_C
        point = int(place)
        point = 0 if point < 0 else min(point, len(table) - 2)
        low_V = table[point]
        step_V = table[point + 1] - low_V
        positive_V = low_V + step_V * (place - point) + p.dUdT * (temperature_K - REFERENCE_K)
        loss = exp(-p.Eal * coldness)
        zinc_C = self.zinc_C
        return (
            growth * exp(p.EaR * coldness),
            positive_V,
            step_V * constants.points_per_C / capacity,
            positive_V / p.Rleak * loss if positive_V > 0.0 else 0.0,
            p.icorr * loss * zinc_C / (zinc_C + p.qn) if zinc_C > 0.0 else 0.0,
            p.iref * exp(-p.Eag * coldness),
        )

    def _solve(
        self, law: Law, r0_ohm: float, *, known_V: float, slope_ohm: float, corrosion_A: float, gas_unit_A: float
    ) -> tuple[float, float, float, float]:
        """Find E at the end of the step: `E = known - U_n(z(E)) + slope * (I(E) - i_ox(E) - i_sh(E))`.

        Everything on the right falls with E or stays, so there is one solution. Newton's method, its moves kept short
        going up where gas is steep, and always between the nearest points found too low and too high.

        Returns:
            E, current, gas current, hydrogen current.

        Raises:
            InternalError: if no solution was found, which would be a bug.
        """
        p = self.parameters
        electrode_V = self.electrode_voltage_V
        per_V = log(10.0) * REFERENCE_K / (p.bdec * self._temperature_K)
        gas_V = p.Uref + p.dUg * (self._temperature_K - REFERENCE_K)
        short_S, per_C, zinc_C = 1.0 / self.short_ohm, self._dt_s / p.qn, self.zinc_C
        plated = p.ce_zn * (1.0 - min(1.0, (zinc_C / p.zmax) ** p.nz)) if zinc_C > 0.0 else p.ce_zn
        lowest_A, highest_A, source_V = law.lowest_A, law.highest_A, law.source_V
        if law.power_W is not None:
            lowest_A = highest_A = law.current_A(electrode_V, r0_ohm)
        line_S = 1.0 / (r0_ohm + law.series_ohm)
        low_V, high_V = -inf, inf
        for _ in range(NEWTON_MAX):
            exponent = (electrode_V - gas_V) * per_V
            gas_A = gas_unit_A * exp(min(exponent, GAS_EXPONENT_MAX))
            current_A = min(max((source_V - electrode_V) * line_S, lowest_A), highest_A)
            slope_S = line_S if lowest_A < current_A < highest_A else 0.0
            share = plated if current_A > 0.0 else 1.0
            cover = (current_A * share - corrosion_A - electrode_V * short_S) * per_C + zinc_C / p.qn
            negative_V = steepness = 0.0
            if -cover >= self._bare:
                negative_V = NEGATIVE_LIMIT_V
            elif cover < COVERED:
                negative_V = p.Un0 * exp(-cover)
                steepness = negative_V * per_C * (slope_S * share + short_S)
            excess_V = electrode_V - known_V + negative_V - slope_ohm * (current_A - gas_A - electrode_V * short_S)
            move_V = -excess_V / (1.0 + steepness + slope_ohm * (slope_S + gas_A * per_V + short_S))
            if -SOLVED_V < move_V < SOLVED_V:
                electrode_V += move_V
                current_A = min(max((source_V - electrode_V) * line_S, lowest_A), highest_A)
                prompt_A = current_A * (1.0 - plated) if current_A > 0.0 else 0.0
                return electrode_V, current_A, gas_A * (1.0 + move_V * per_V), corrosion_A + prompt_A
            if excess_V > 0.0:
                high_V = electrode_V
            else:
                low_V = electrode_V
            electrode_V = min(electrode_V + move_V, max(electrode_V + MOVE_MAX_V, gas_V))
            if not low_V < electrode_V < high_V:
                electrode_V = 0.5 * (low_V + high_V)
        raise InternalError(f"the simulated cell found no voltage near {electrode_V} V")

    def advance(self, seconds: float, law: Law, *, dt_s: float | None = None) -> None:
        """Let `seconds` pass in equal steps no longer than `dt_s`.

        By default 10 s at rest (60 s if it lasts two days or more) and while a source holds its voltage, 1 s otherwise.
        """
        if dt_s is None and law == REST:
            dt_s = LONG_s if seconds >= LONG_REST_s else SLOW_s
        while seconds > 0.0:
            block_s = min(seconds, SLOW_s) if dt_s is None else seconds
            seconds -= block_s
            longest_s = dt_s or (SLOW_s if self._holds_voltage(law) else QUICK_s)
            steps = ceil(block_s / longest_s * (1.0 - 1e-12))
            for _ in range(steps):
                self.step(block_s / steps, law)

    def _holds_voltage(self, law: Law) -> bool:
        """Whether a source under this law is at its voltage limit, so that the current changes slowly."""
        return law.source_V > 0.0 and 0.0 < self.current_A < law.highest_A

    def copy(self) -> Cell:
        """Another cell in the same state, sharing only what never changes."""
        twin = Cell.__new__(Cell)
        for name in Cell.__slots__:
            setattr(twin, name, getattr(self, name))
        return twin

    @property
    def temperature_degC(self) -> float:
        """Temperature of the whole cell."""
        return self._temperature_K - ZERO_DEGC_K

    @property
    def resistances_ohm(self) -> tuple[float, float, float]:
        """R0 with a bad contact, R1 and R2, as temperature, forming, gas and water have made them."""
        p, multiplier = self.parameters, self._conditions()[0]
        return p.R0 * multiplier + self.contact_ohm, p.R1 * multiplier, p.R2 * multiplier

    @property
    def resistance_ohm(self) -> float:
        """R0 with a bad contact: what an interruption of the current shows at once."""
        return self.resistances_ohm[0]

    @property
    def pair_voltages_V(self) -> tuple[float, float]:
        """Voltages of the two RC pairs."""
        return self._v1_V, self._v2_V

    @property
    def positive_potential_V(self) -> float:
        """Potential of the positive against zinc."""
        return self._conditions()[1]

    @property
    def negative_potential_V(self) -> float:
        """Potential of the negative against zinc: zero when covered, up to 2.5 V when its zinc is gone."""
        cover = self.zinc_C / self.parameters.qn
        return NEGATIVE_LIMIT_V if -cover >= self._bare else self.parameters.Un0 * exp(-cover)

    @property
    def mass_loss_g(self) -> float:
        """What a scale would miss: gas gone, and water dried out."""
        gas_g = OXYGEN_g_per_Ah * self.oxygen_C + HYDROGEN_g_per_Ah * self.hydrogen_C
        return gas_g / SECONDS_PER_HOUR + self._evaporated_g

    @property
    def water_g(self) -> float:
        """Water left."""
        return max(self.parameters.w0 - self.mass_loss_g, WATER_LEFT_MIN * self.parameters.w0)

    @property
    def ledger_Ah(self) -> Ledger:
        """All sums of charge, in Ah."""
        return Ledger(
            self.stored_C / SECONDS_PER_HOUR,
            self.zinc_C / SECONDS_PER_HOUR,
            self.oxygen_C / SECONDS_PER_HOUR,
            self.hydrogen_C / SECONDS_PER_HOUR,
            self.leak_C / SECONDS_PER_HOUR,
            self.short_C / SECONDS_PER_HOUR,
            self.charge_in_C / SECONDS_PER_HOUR,
            self.charge_out_C / SECONDS_PER_HOUR,
        )
